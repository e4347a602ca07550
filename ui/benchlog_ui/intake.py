"""Intake: the rating plate filled in as it stands on the unit, and what the customer said.

Everything is optional and stored when a field is left: work begins before anything is filled in.
"""

from collections.abc import Callable
from enum import StrEnum
from typing import TypeVar

import msgspec
from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import (
    QComboBox,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from benchlog.job.settings import usable_settings, workshop_of
from benchlog.limits.fuse import parse_fuse
from benchlog.model.errors import BenchlogError
from benchlog.model.job import Customer, Job, Workshop
from benchlog.model.unit import Amplifier, Core, OutputTopology, Plate, PlateKind, Supply, Unit
from benchlog_ui.look import Look

_Kind = TypeVar("_Kind", bound=StrEnum)
_UNKNOWN = "not looked at"
_PLATE_WORDS = {PlateKind.VOLT_AMPERES: "VA", PlateKind.WATTS: "W", PlateKind.AMPERES: "A"}
_CONSENT = {"not asked": None, "yes": True, "no": False}
_EARTH = {"not looked at": None, "Class I, earthed": True, "Class II, double insulated": False}


class RatingPlate(QFrame):
    """The unit's rating plate: four rivets and the fields where a plate has its figures."""

    def __init__(self, look: Look) -> None:
        """Empty fields."""
        super().__init__()
        self._look = look
        self.maker, self.model, self.serial = QLineEdit(), QLineEdit(), QLineEdit()
        self.volts, self.hertz, self.rated, self.fuse = QLineEdit(), QLineEdit(), QLineEdit(), QLineEdit()
        self.rated_kind = QComboBox()
        self.rated_kind.addItems(list(_PLATE_WORDS.values()))
        self.earth = QComboBox()
        self.earth.addItems(list(_EARTH))
        self._grid = QGridLayout(self)
        self._labels: list[QLabel] = []
        self._place(0, 0, "maker", self.maker, 3)
        self._place(0, 3, "model", self.model, 3)
        self._place(2, 0, "volts ~", self.volts, 1)
        self._place(2, 1, "Hz", self.hertz, 1)
        self._place(2, 2, "rated input", self.rated, 1)
        self._place(2, 3, "in", self.rated_kind, 1)
        self._place(2, 4, "mains fuse as marked", self.fuse, 2)
        self._place(4, 0, "serial number", self.serial, 3)
        self._place(4, 3, "protective earth", self.earth, 3)
        self.restyle(look)

    def _place(self, row: int, column: int, words: str, field: QWidget, span: int) -> None:
        label = QLabel(words)
        label.setBuddy(field)
        field.setAccessibleName(words)
        self._labels.append(label)
        self._grid.addWidget(label, row, column, 1, span)
        self._grid.addWidget(field, row + 1, column, 1, span)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        edge = look.px(44)
        self._grid.setContentsMargins(edge, look.px(26), edge, look.px(26))
        self._grid.setHorizontalSpacing(look.px(12))
        for label in self._labels:
            label.setFont(look.font(17))
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """The plate with its rivets."""
        look = self._look
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(look.colour("faint"), look.px(2)))
        painter.setBrush(look.colour("desk"))
        inner = QRectF(self.rect()).adjusted(2, 2, -2, -2)
        painter.drawRoundedRect(inner, look.px(14), look.px(14))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        radius, inset = look.px(7), look.px(20)
        for x in (inner.left() + inset, inner.right() - inset):
            for y in (inner.top() + inset, inner.bottom() - inset):
                painter.drawEllipse(QRectF(x - radius, y - radius, 2 * radius, 2 * radius))


class IntakePage(QWidget):
    """Plate, kind, customer and complaint."""

    def __init__(self, look: Look, store: Callable[[Job], None]) -> None:
        """``store`` is given the job whenever it has changed."""
        super().__init__()
        self._store = store
        self._job = Job()
        self.plate = RatingPlate(look)
        self.amplifier = _choice(Amplifier)
        self.supply = _choice(Supply)
        self.core = _choice(Core, unknown=True)
        self.topology = _choice(OutputTopology)
        self.idle_w = QLineEdit()
        self.number, self.customer, self.contact = QLineEdit(), QLineEdit(), QLineEdit()
        self.complaint, self.accessories, self.terms = QLineEdit(), QLineEdit(), QLineEdit()
        self.cap, self.consent = QLineEdit(), QComboBox()
        self.consent.addItems(list(_CONSENT))
        self.trouble = QLabel()
        self.trouble.setWordWrap(True)
        self._labels: list[QLabel] = []
        self._lay_out()
        for field in self._fields():
            field.editingFinished.connect(self._changed)
        for box in self._boxes():
            box.activated.connect(self._changed)
        self.restyle(look)
        self.show_job(self._job)

    def _fields(self) -> tuple[QLineEdit, ...]:
        p = self.plate
        return (
            p.maker, p.model, p.serial, p.volts, p.hertz, p.rated, p.fuse, self.idle_w, self.number,
            self.customer, self.contact, self.complaint, self.accessories, self.terms, self.cap,
        )  # fmt: skip

    def _boxes(self) -> tuple[QComboBox, ...]:
        return (
            self.plate.rated_kind, self.plate.earth, self.amplifier, self.supply, self.core, self.topology,
            self.consent,
        )  # fmt: skip

    def _lay_out(self) -> None:
        kinds = QGridLayout()
        for column, (words, box) in enumerate(
            (
                ("amplifier", self.amplifier),
                ("supply", self.supply),
                ("core of the transformer", self.core),
                ("output", self.topology),
                ("maker's idle watts", self.idle_w),
            )
        ):
            kinds.addWidget(self._label(words, box), 0, column)
            kinds.addWidget(box, 1, column)
        words_grid = QGridLayout()
        rows = (
            ("job number", self.number),
            ("complaint, in the customer's words", self.complaint),
            ("came with", self.accessories),
            ("customer", self.customer),
            ("reached by", self.contact),
        )
        for row, (words, field) in enumerate(rows):
            words_grid.addWidget(self._label(words, field), 2 * row, 0)
            words_grid.addWidget(field, 2 * row + 1, 0)
        words_grid.setRowStretch(2 * len(rows), 1)
        left = QVBoxLayout()
        left.addWidget(self.plate)
        left.addLayout(kinds)
        left.addLayout(self._agreed())
        left.addWidget(self.trouble)
        left.addStretch(1)
        self._columns = QHBoxLayout(self)
        self._columns.addLayout(left, 3)
        self._columns.addLayout(words_grid, 2)

    def _agreed(self) -> QGridLayout:
        """What was agreed before work begins."""
        grid = QGridLayout()
        fields = (
            ("terms agreed", self.terms),
            ("spending cap", self.cap),
            ("may it be opened", self.consent),
        )
        for column, (words, field) in enumerate(fields):
            grid.addWidget(self._label(words, field), 0, column)
            grid.addWidget(field, 1, column)
            grid.setColumnStretch(column, (4, 2, 2)[column])
        return grid

    def _label(self, words: str, field: QWidget) -> QLabel:
        label = QLabel(words)
        label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)
        label.setBuddy(field)
        field.setAccessibleName(words)
        self._labels.append(label)
        return label

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self.plate.restyle(look)
        for widget in (*self._fields(), *self._boxes()):
            widget.setFont(look.font(22))
        for label in self._labels:
            label.setFont(look.font(17))
        self.trouble.setFont(look.font(20, bold=True))
        gap = look.px(28)
        self._columns.setContentsMargins(gap, gap, gap, gap)
        self._columns.setSpacing(gap)

    def show_job(self, job: Job) -> None:
        """Fill the fields from a job; a field that has the keyboard is left alone."""
        self._job = job
        unit = job.unit or Unit()
        p = self.plate
        texts = {
            p.maker: unit.maker_text, p.model: unit.model_text, p.serial: unit.serial,
            p.volts: f"{unit.mains_v:g}", p.hertz: f"{unit.mains_hz:g}",
            p.rated: f"{unit.plate.value:g}" if unit.plate else "",
            p.fuse: unit.fuse.marking if unit.fuse else "",
            self.idle_w: f"{unit.idle_w:g}" if unit.idle_w is not None else "",
            self.number: job.number, self.customer: job.customer.name, self.contact: job.customer.contact,
            self.complaint: job.complaint, self.accessories: job.accessories, self.terms: job.terms,
            self.cap: job.spending_cap,
        }  # fmt: skip
        for field, text in texts.items():
            if not field.hasFocus() and field.text() != text:
                field.setText(text)
        consent = next(words for words, said in _CONSENT.items() if said is job.consent_to_open)
        self.consent.setCurrentText(consent)
        self._show_kinds(unit)

    def _show_kinds(self, unit: Unit) -> None:
        self.amplifier.setCurrentText(unit.amplifier.value)
        self.supply.setCurrentText(unit.supply.value)
        self.core.setCurrentText(unit.core.value if unit.core is not None else _UNKNOWN)
        self.topology.setCurrentText(unit.topology.value)
        if unit.plate is not None:
            self.plate.rated_kind.setCurrentText(_PLATE_WORDS[unit.plate.kind])
        earth = next(words for words, there in _EARTH.items() if there is unit.protective_earth)
        self.plate.earth.setCurrentText(earth)

    def _changed(self) -> None:
        try:
            job = self._read()
        except (ValueError, BenchlogError) as error:
            self.trouble.setText(f"Not stored: {error}")
            return
        self.trouble.setText("")
        if job != self._job:
            if job.workshop == Workshop():
                job = msgspec.structs.replace(job, workshop=workshop_of(usable_settings()))
            self._job = job
            self._store(job)

    def _read(self) -> Job:
        return msgspec.structs.replace(
            self._job,
            number=self.number.text().strip(),
            customer=Customer(self.customer.text().strip(), self.contact.text().strip()),
            complaint=self.complaint.text().strip(),
            accessories=self.accessories.text().strip(),
            terms=self.terms.text().strip(),
            spending_cap=self.cap.text().strip(),
            consent_to_open=_CONSENT[self.consent.currentText()],
            workshop=self._job.workshop
            if self._job.workshop != Workshop()
            else workshop_of(usable_settings()),
            unit=self._read_unit(),
        )

    def _read_unit(self) -> Unit | None:
        """The unit; None while nothing at all was said of it."""
        unit = self._unit_as_shown()
        return None if self._job.unit is None and unit == Unit() else unit

    def _unit_as_shown(self) -> Unit:
        p = self.plate
        rated = p.rated.text().strip()
        kind = next(k for k, word in _PLATE_WORDS.items() if word == p.rated_kind.currentText())
        core = self.core.currentText()
        fuse = p.fuse.text().strip()
        idle = self.idle_w.text().strip()
        before = self._job.unit or Unit()
        return msgspec.structs.replace(
            before,
            amplifier=Amplifier(self.amplifier.currentText()),
            supply=Supply(self.supply.currentText()),
            core=None if core == _UNKNOWN else Core(core),
            topology=OutputTopology(self.topology.currentText()),
            mains_v=_number(p.volts.text(), "volts"),
            mains_hz=_number(p.hertz.text(), "Hz"),
            plate=Plate(kind, _number(rated, "rated input")) if rated else None,
            fuse=parse_fuse(fuse) if fuse else None,
            idle_w=_number(idle, "idle watts") if idle else None,
            protective_earth=_EARTH[p.earth.currentText()],
            maker_text=p.maker.text().strip(),
            model_text=p.model.text().strip(),
            serial=p.serial.text().strip(),
        )


def _choice(kinds: type[_Kind], unknown: bool = False) -> QComboBox:
    box = QComboBox()
    box.addItems([kind.value for kind in kinds])
    if unknown:
        box.addItem(_UNKNOWN)
    return box


def _number(text: str, name: str) -> float:
    """A positive number; a comma may stand for the point."""
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        raise ValueError(f"{name}: '{text}' is not a number") from None
    if not value > 0:
        raise ValueError(f"{name}: it has to be above zero")
    return value
