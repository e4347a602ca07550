"""Final checks: every channel side by side, adjustment with its warm check, safety figures as a record."""

from collections.abc import Callable, Sequence
from datetime import date, datetime
from functools import partial
from pathlib import Path

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QCheckBox,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QLineEdit,
    QStackedWidget,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from benchlog.cold.corrections import in_force
from benchlog.cold.entering import u_of_typed
from benchlog.cold.final import RELAY_SIDES, Circumstances, judge_adjusted, judge_final, judge_safety
from benchlog.cold.plausible import USUAL, figure_of
from benchlog.job.settings import usable_settings
from benchlog.job.wording import verdict_text
from benchlog.limits.safety import SAFETY_TESTS, schemes
from benchlog.model.errors import BenchlogError
from benchlog.model.history import Entry, Payload
from benchlog.model.point import PointKind
from benchlog.model.printed import with_prefix
from benchlog.model.protocol import EntryAdded
from benchlog.model.quantity import Quantity
from benchlog.model.step import PointVerdict
from benchlog.model.unit import OutputTopology
from benchlog.model.work import Adjusted, Adjustment, FinalCheck, FinalChecked, SafetyMeasured
from benchlog_ui.decimals import decimal_comma
from benchlog_ui.keys import Deed
from benchlog_ui.look import Look
from benchlog_ui.panel import Panel, Place
from benchlog_ui.panels.forms import Form, button, choice, line, text_of
from benchlog_ui.panels.photos import Pictures, belongs_to, see_to
from benchlog_ui.panels.verdicts import limit_words

READS: dict[FinalCheck, tuple[PointKind, Quantity]] = {
    FinalCheck.OFFSET: (PointKind.DC_VOLTS, Quantity.DC_VOLTAGE),
    FinalCheck.RAILS: (PointKind.DC_VOLTS, Quantity.DC_VOLTAGE),
    FinalCheck.BIAS: (PointKind.DC_VOLTS, Quantity.DC_VOLTAGE),
    FinalCheck.RIPPLE: (PointKind.DC_VOLTS, Quantity.PEAK_VOLTAGE),
    FinalCheck.OUTPUT: (PointKind.AC_VOLTS, Quantity.AC_VOLTAGE),
    FinalCheck.HUM: (PointKind.AC_VOLTS, Quantity.AC_VOLTAGE),
}
"""What a check reads, where it reads volts."""
SAFETY: dict[str, Quantity] = {
    "earth-ohms": Quantity.RESISTANCE,
    "insulation-ohms": Quantity.RESISTANCE,
    "earth-current": Quantity.AC_CURRENT,
    "touch-current": Quantity.AC_CURRENT,
    "leakage-volts": Quantity.AC_VOLTAGE,
}
_WHOLE = (FinalCheck.RAILS, FinalCheck.RIPPLE, FinalCheck.PROTECTION)
"""Checks of the unit, not of one channel."""


class FinalPanel(Panel):
    """The overview above; below it one form at a time: check, adjustment, safety."""

    def __init__(self, place: Place) -> None:
        """Empty until lines of the history come."""
        super().__init__(place)
        self._entries: list[Entry] = []
        self._asked: tuple[str, ...] = ()
        self._sure = False
        self.by = usable_settings().technician
        self.pictures = Pictures()
        self.said = QLabel()
        self.said.setWordWrap(True)
        self.table = QTableWidget(0, 3)
        self.table.setHorizontalHeaderLabels(["check", "", ""])
        self._stack = QStackedWidget()
        self.keys = tuple(
            button(words) for words in ("Ctrl+G  check", "Ctrl+J  bias and offset", "Ctrl+S  safety figure")
        )
        self.keys[0].setChecked(True)
        self._check_fields()
        self._adjust_fields()
        self._safety_fields()
        self.forms = (self._check_form(), self._adjust_form(), self._safety_form())
        for form in self.forms:
            self._stack.addWidget(form)
        self._lay_out()
        self._connect()
        self.restyle(place.look)

    # ---- how it is laid out ------------------------------------------------------------------------

    def _check_fields(self) -> None:
        self.check, self.channel = choice(c.value for c in FinalCheck), choice(("left", "right"))
        self.channel.setEditable(True)
        self.value, self.second = line("4m, 41.2, 20.3"), line("-41.0")
        self.seen, self.side = line("what was seen or heard"), choice(RELAY_SIDES)
        self.load, self.distortion = line("8"), line("% as read")
        self.supply, self.farad = line("A from the reservoir"), line("10m")
        self.enter_check = button("Ctrl+Return  enter the check")

    def _adjust_fields(self) -> None:
        self.what, self.of = choice(a.value for a in Adjustment), choice(("left", "right"))
        self.of.setEditable(True)
        self.before, self.after, self.minutes = line("3.1m"), line("12.4m"), line("20")
        self.target, self.within, self.emitter = line("10m"), line("1m"), line("R22")
        self.conditions, self.recheck = line("lid on, no signal"), QCheckBox("warm check")
        self.enter_adjust = button("Ctrl+Return  enter it")

    def _safety_fields(self) -> None:
        self.test, self.figure = choice(SAFETY_TESTS), line("0.12, 200M, >200M")
        self.scheme = choice(())
        self.protection = choice(("class I", "class II", "class III"))
        self.tester, self.licence = line("licensed person"), line("licence")
        self.instrument, self.due, self.u = line("tester, serial number"), line("2030-01-31"), line("± of it")
        self.enter_safety = button("Ctrl+Return  record it")

    def _check_form(self) -> Form:
        return Form(
            self.place.look,
            (
                (
                    ("check", self.check, 2), ("channel", self.channel, 1), ("reading", self.value, 2),
                    ("seen or heard", self.seen, 3), ("side of the relay", self.side, 2),
                ),
                (
                    ("other rail", self.second, 2), ("load, Ω", self.load, 1),
                    ("distortion, %", self.distortion, 1), ("supply current", self.supply, 2),
                    ("reservoir, F", self.farad, 1), ("", self.enter_check, 3),
                ),
            ),
        )  # fmt: skip

    def _adjust_form(self) -> Form:
        return Form(
            self.place.look,
            (
                (
                    ("adjusted", self.what, 1), ("channel", self.of, 1), ("before", self.before, 1),
                    ("after", self.after, 1), ("on for, min", self.minutes, 1), ("", self.recheck, 1),
                ),
                (
                    ("the manual's figure", self.target, 1), ("±", self.within, 1),
                    ("emitter resistor", self.emitter, 1), ("conditions", self.conditions, 2),
                    ("", self.enter_adjust, 2),
                ),
            ),
        )  # fmt: skip

    def _safety_form(self) -> Form:
        return Form(
            self.place.look,
            (
                (
                    ("safety test", self.test, 2), ("figure", self.figure, 2), ("uncertainty", self.u, 1),
                    ("whose limit", self.scheme, 2), ("protection", self.protection, 2),
                ),
                (
                    ("measured by", self.tester, 2), ("licence", self.licence, 1),
                    ("instrument", self.instrument, 2), ("calibration due", self.due, 1),
                    ("", self.enter_safety, 2),
                ),
            ),
        )  # fmt: skip

    def _lay_out(self) -> None:
        table = self.table
        table.setAccessibleName("Final checks by channel")
        table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        table.setSelectionMode(QAbstractItemView.SelectionMode.NoSelection)
        table.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        table.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        table.setWordWrap(False)
        table.verticalHeader().setVisible(False)
        table.verticalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        table.horizontalHeader().setDefaultAlignment(Qt.AlignmentFlag.AlignLeft)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(table, 1)
        row = QHBoxLayout()
        for key in self.keys:
            key.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            key.setCheckable(True)
            key.setAutoExclusive(True)
            row.addWidget(key)
        row.addStretch(1)
        column.addWidget(self.said)
        column.addLayout(row)
        column.addWidget(self._stack)

    def _connect(self) -> None:
        for field in (self.value, self.second, self.seen, self.load, self.distortion, self.farad):
            field.returnPressed.connect(self.enter)
        for field in (self.before, self.after, self.minutes, self.figure, self.due):
            field.returnPressed.connect(self.enter)
        for button_ in (self.enter_check, self.enter_adjust, self.enter_safety):
            button_.clicked.connect(self.enter)
        firsts = (self.check, self.before, self.figure)
        for number, (key, first) in enumerate(zip(self.keys, firsts, strict=True)):
            key.clicked.connect(partial(self.show_form, number, first))
        self.test.currentTextChanged.connect(self._show_schemes)
        self.check.currentTextChanged.connect(self._fit)
        self._show_schemes()
        self._fit()

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        for form in self.forms:
            form.restyle(look)
        for widget in (self.recheck, *self.keys):
            widget.setFont(look.font(20))
        self.said.setFont(look.font(21, bold=True))
        self.table.setFont(look.font(19))
        self.table.horizontalHeader().setFont(look.font(18, bold=True))
        self.table.verticalHeader().setDefaultSectionSize(look.px(30))
        self._spread()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Columns share the width."""
        super().resizeEvent(event)
        self._spread()

    def _spread(self) -> None:
        count = max(self.table.columnCount(), 1)
        width = self.table.viewport().width()
        self.table.setColumnWidth(0, int(0.22 * width))
        for column in range(1, count):
            self.table.setColumnWidth(column, int(0.78 * width / max(count - 1, 1)))

    def _fit(self) -> None:
        """Only the fields that the check has are open."""
        check = FinalCheck(self.check.currentText())
        self.value.setEnabled(check in READS or check is FinalCheck.HEAT)
        self.second.setEnabled(check is FinalCheck.RAILS)
        self.side.setEnabled(check is FinalCheck.OFFSET)
        self.channel.setEnabled(check not in _WHOLE)
        for field in (self.load, self.distortion):
            field.setEnabled(check is FinalCheck.OUTPUT)
        for field in (self.supply, self.farad):
            field.setEnabled(check is FinalCheck.RIPPLE)

    def _show_schemes(self) -> None:
        names = list(dict.fromkeys(scheme for scheme, _ in schemes(self.test.currentText())))
        self.scheme.clear()
        self.scheme.addItems(names)

    # ---- what the history says ---------------------------------------------------------------------

    def take(self, entries: Sequence[Entry]) -> None:
        """New lines of the history."""
        self._entries += entries
        if any(isinstance(e.payload, FinalChecked | Adjusted | SafetyMeasured) for e in entries):
            self._renew()
        earth = self.place.ledger.job.unit.protective_earth if self.place.ledger.job.unit else None
        if earth is not None:
            self.protection.setCurrentIndex(0 if earth else 1)

    def _renew(self) -> None:
        rows, channels = overview(self._entries)
        self.table.setRowCount(len(rows))
        self.table.setColumnCount(1 + len(channels))
        self.table.setHorizontalHeaderLabels(["check", *(name or "unit" for name in channels)])
        for row, (name, cells) in enumerate(rows.items()):
            self.table.setItem(row, 0, QTableWidgetItem(name))
            for column, channel in enumerate(channels, 1):
                words, told = cells.get(channel, ("", ""))
                item = QTableWidgetItem(words)
                item.setToolTip(told)
                self.table.setItem(row, column, item)
        self._spread()

    # ---- entering ----------------------------------------------------------------------------------

    def enter(self) -> None:
        """Judge what the open form says, and send it."""
        make: tuple[Callable[[], Payload], ...] = (self._checked, self._adjusted, self._measured)
        typed = tuple(
            field.text() for field in self.forms[self._stack.currentIndex()].findChildren(QLineEdit)
        )
        self._sure, self._asked = typed == self._asked, typed
        try:
            made = make[self._stack.currentIndex()]()
        except (BenchlogError, ValueError) as error:
            self.said.setText(str(error))
            return
        self._asked = ()
        self.said.setText(judged_line(made))
        self.place.send(EntryAdded(made))
        for field in (self.value, self.second, self.seen, self.before, self.after, self.figure):
            field.clear()

    def _topology(self) -> OutputTopology:
        unit = self.place.ledger.job.unit
        return unit.topology if unit is not None else OutputTopology.UNKNOWN

    def _checked(self) -> FinalChecked:
        check = FinalCheck(self.check.currentText())
        kind, quantity = READS.get(check, (None, Quantity.TEMPERATURE))
        text = text_of(self.value) if self.value.isEnabled() else ""
        unit = self.place.ledger.job.unit
        around = Circumstances(
            supply_a=self._number(self.supply, Quantity.DC_CURRENT),
            farad=self._number(self.farad, Quantity.CAPACITANCE),
            mains_hz=unit.mains_hz if unit is not None else 60.0,
        )
        distortion = text_of(self.distortion).removesuffix("%") if check is FinalCheck.OUTPUT else ""
        checked = FinalChecked(
            check=check,
            channel="" if check in _WHOLE else self.channel.currentText().strip(),
            value=self._number(self.value, quantity, check.value) if text else None,
            second=self._number(self.second, quantity) if check is FinalCheck.RAILS else None,
            quantity=quantity if text else None,
            u=u_of_typed(text, kind, "", self._entries) if text and kind is not None else None,
            seen=text_of(self.seen),
            relay_side=self.side.currentText() if check is FinalCheck.OFFSET else "",
            topology=self._topology(),
            load_ohm=self._number(self.load, Quantity.RESISTANCE) if check is FinalCheck.OUTPUT else None,
            distortion=float(distortion) / 100.0 if distortion else None,
            by=self.by,
        )
        return judge_final(checked, around)

    def _adjusted(self) -> Adjusted:
        volts, what = Quantity.DC_VOLTAGE, self.what.currentText()
        read = text_of(self.after) or text_of(self.before)
        minutes = text_of(self.minutes)
        return judge_adjusted(
            Adjusted(
                what=Adjustment(what),
                channel=self.of.currentText().strip(),
                before=None if self.recheck.isChecked() else self._number(self.before, volts, what),
                after=self._number(self.after, volts, what),
                u=u_of_typed(read, PointKind.DC_VOLTS, "", self._entries) if read else None,
                warm_min=float(minutes) if minutes else None,
                conditions=text_of(self.conditions),
                recheck=self.recheck.isChecked(),
                target_v=self._number(self.target, volts, what),
                target_within_v=self._number(self.within, volts, what),
                emitter_ohm=self._number(self.emitter, Quantity.RESISTANCE),
                topology=self._topology(),
                by=self.by,
            )
        )

    def _measured(self) -> SafetyMeasured:
        test, text = self.test.currentText(), text_of(self.figure)
        quantity = SAFETY[test]
        instrument, _, serial = text_of(self.instrument).partition(",")
        due = text_of(self.due)
        return judge_safety(
            SafetyMeasured(
                test=test,
                value=self._number(self.figure, quantity, test),
                unit=quantity.unit,
                scheme=self.scheme.currentText(),
                protection=("i", "ii", "iii")[self.protection.currentIndex()],
                tester=text_of(self.tester),
                licence=text_of(self.licence),
                u=self._number(self.u, quantity),
                over_range=text.startswith(">"),
                instrument=instrument.strip(),
                instrument_serial=serial.strip(),
                calibration_due=date.fromisoformat(due).isoformat() if due else "",
            ),
            datetime.now().astimezone().date().isoformat(),
        )

    def _number(self, field: QLineEdit, quantity: Quantity, what: str = "") -> float | None:
        """A figure in the trade's notation; None for an empty field. `UsageError` for none or a doubtful one.

        ``what`` says what is usual of it. A second Enter takes a doubtful one.
        """
        text = text_of(field).removeprefix(">")
        if not text:
            return None
        usual = USUAL.get(what)
        asked_back = "press Enter again"
        return figure_of(
            text, quantity, "", usual, sure=self._sure, sure_by=asked_back, decimal_comma=decimal_comma()
        )

    def show_form(self, number: int, first: QWidget, _: bool = True) -> None:
        """Open one of the forms."""
        self._stack.setCurrentIndex(number)
        self.keys[number].setChecked(True)
        self.said.setText("")
        first.setFocus()

    def refresh(self, real_s: float) -> None:
        """See to photographs that were dropped."""
        see_to(self.pictures, self.place, self.said.setText)

    def drop(self, paths: Sequence[Path]) -> bool:
        """Photographs dropped onto the window belong to the channel in the open form."""
        group = self.channel.currentText() if self._stack.currentIndex() == 0 else ""
        self.pictures.take(paths, belongs_to(group=group, stage="final-checks", by=self.by))
        return True

    def deeds(self) -> Sequence[Deed]:
        """Keys of this panel."""
        return (
            Deed("Ctrl+Return", "enter", "Enter what the open form says", self.enter),
            Deed("Ctrl+G", "check", "A check of a channel", lambda: self.show_form(0, self.check)),
            Deed("Ctrl+J", "adjust", "Bias or offset of a channel", lambda: self.show_form(1, self.before)),
            Deed("Ctrl+S", "safety", "A safety figure", lambda: self.show_form(2, self.figure)),
        )


Cells = dict[str, tuple[str, str]]


def overview(entries: Sequence[Entry]) -> tuple[dict[str, Cells], tuple[str, ...]]:
    """Latest of each check: name → channel → words and their tool tip; and the channels in order."""
    rows: dict[str, Cells] = {}
    for entry in in_force(entries):
        match entry.payload:
            case FinalChecked() as checked:
                name, channel = checked.check.value.replace("-", " "), checked.channel
                words = _check_words(checked)
            case Adjusted() as adjusted:
                name = f"{adjusted.what.value} {'warm check' if adjusted.recheck else 'set'}"
                channel = adjusted.channel
                words = _with_verdict(_volts(adjusted), adjusted.verdict)
            case SafetyMeasured() as measured:
                name, channel = measured.test.replace("-", " "), ""
                over = "> " if measured.over_range else ""
                value = (
                    "-" if measured.value is None else f"{over}{with_prefix(measured.value, measured.unit)}"
                )
                words = _with_verdict(value, measured.verdict)
            case _:
                continue
        rows.setdefault(name, {})[channel] = (words, judged_line(entry.payload))
    channels = dict.fromkeys(channel for cells in rows.values() for channel in cells)
    return rows, tuple(sorted(channels, key=lambda name: (not name, name)))


def _check_words(checked: FinalChecked) -> str:
    if checked.value is None or checked.quantity is None:
        return checked.seen
    value = with_prefix(checked.value, checked.quantity.unit)
    value += f" / {with_prefix(checked.second, checked.quantity.unit)}" if checked.second is not None else ""
    value += f", {with_prefix(checked.power_w, 'W', 3)}" if checked.power_w is not None else ""
    return _with_verdict(value, checked.verdict)


def _volts(adjusted: Adjusted) -> str:
    before, after = ("" if v is None else with_prefix(v, "V") for v in (adjusted.before, adjusted.after))
    return f"{before} → {after}" if before else after


def _with_verdict(value: str, verdict: PointVerdict) -> str:
    return value if verdict is PointVerdict.NONE else f"{value}, {verdict_text(verdict)}"


def judged_line(made: Payload) -> str:
    """Verdict, reason, and limit with its source."""
    if not isinstance(made, FinalChecked | Adjusted | SafetyMeasured):
        return ""
    parts = (verdict_text(made.verdict), made.reason, limit_words(made.limit))
    text = "; ".join(part for part in parts if part)
    return text[:1].upper() + text[1:]
