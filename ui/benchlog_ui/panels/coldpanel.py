"""Cold checks: made safe first, then point after point, typed or with both hands on the probes."""

from collections.abc import Sequence
from functools import partial
from pathlib import Path

import msgspec
from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QApplication,
    QCheckBox,
    QHBoxLayout,
    QLabel,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from benchlog.cold.discharge import Standing, is_reservoir, reservoir, standing_of, waits_for
from benchlog.cold.entering import Given, both_ways, entry_of
from benchlog.cold.findings import findings
from benchlog.cold.knowing import known_of, known_words
from benchlog.cold.points import points_of, template, template_names, with_point
from benchlog.cold.taking import Took
from benchlog.job.settings import usable_settings
from benchlog.model.errors import BenchlogError, PlanRefused
from benchlog.model.history import BenchSet, Corrected, Entry, JobEntered, PartChanged, PointsListed, Taken
from benchlog.model.instrument import InstrumentRecord, MeterSheet
from benchlog.model.known import Known
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.protocol import EntryAdded
from benchlog.model.reason import reason_of
from benchlog.model.role import Role
from benchlog.model.work import FirstLook, Photographed
from benchlog_ui.decimals import decimal_comma
from benchlog_ui.keys import Deed
from benchlog_ui.look import Look
from benchlog_ui.panel import Panel, Place
from benchlog_ui.panels.course import PointCourse
from benchlog_ui.panels.forms import Form, button, choice, line, text_of
from benchlog_ui.panels.handsfree import HandsFree, typed_of
from benchlog_ui.panels.lookform import LookForm
from benchlog_ui.panels.photos import Pictures, Preview, belongs_to, see_to
from benchlog_ui.panels.phrases import blocked_line, named, safe_line
from benchlog_ui.panels.pointlist import PointList
from benchlog_ui.panels.verdicts import VerdictView, value_words
from benchlog_ui.question import Answer

CIRCUIT = {"in circuit": True, "out of circuit": False, "not said": None}
FLASH_MS = 450
_STAGE = "cold-checks"


class ColdPanel(Panel):
    """Made safe in one line; the list of points; the point that is on; a field, or hands free."""

    def __init__(self, place: Place) -> None:
        """Empty until lines of the history come."""
        super().__init__(place)
        self._entries: list[Entry] = []
        self._standing = Standing()
        self._checked = ""
        self._asked_twice = ""
        self._held: Taken | None = None
        settings = usable_settings()
        self.by = settings.technician
        self.pictures = Pictures(settings.photographs)
        self.hands = HandsFree()
        self.safe, self.trouble, self.found = QLabel(), QLabel(), QLabel()
        self.proved = QCheckBox("Ctrl+M  meter proved")
        self.free = QCheckBox("Ctrl+H  hands free")
        self.proved.setToolTip("The meter was shown to read a known source, before and after")
        self.keys = tuple(
            button(words)
            for words in ("Ctrl+R  prove", "Ctrl+D  checked…", "Ctrl+L  first look", "Ctrl+N  new point")
        )
        self.points = PointList(place.look)
        self.verdict, self.course = VerdictView(place.look), PointCourse(place.look)
        self.preview = Preview(place.look)
        self.reading, self.known = line(), line("220u 50V · 8R voice-coil · bipolar")
        self.circuit, self.polarity = choice(CIRCUIT), choice(("forward", "reverse"))
        self.template, self.add = choice(template_names()), button("Ctrl+T  add")
        self.form = self._form(place.look)
        self.first = LookForm(place.look, self._store_look)
        self._stack = QStackedWidget()
        self._lay_out()
        self._connect()
        self.restyle(place.look)

    def _form(self, look: Look) -> Form:
        return Form(
            look,
            (
                (
                    ("reading: 3.1  2k2  220u  OL", self.reading, 3), ("circuit", self.circuit, 2),
                    ("polarity", self.polarity, 2),
                ),
                (
                    ("known of the part", self.known, 5), ("list of points", self.template, 3),
                    ("", self.add, 2),
                ),
            ),
        )  # fmt: skip

    # ---- how it is laid out ------------------------------------------------------------------------

    def _lay_out(self) -> None:
        for label in (self.safe, self.trouble, self.found):
            label.setWordWrap(True)
        right = QVBoxLayout()
        right.addWidget(self.verdict)
        right.addWidget(self.form)
        right.addWidget(self.course, 1)
        right.addWidget(self.preview)
        right.addWidget(self.found)
        work, self._halves = QWidget(), QHBoxLayout()
        work.setLayout(self._halves)
        self._halves.setContentsMargins(0, 0, 0, 0)
        self._halves.addWidget(self.points, 4)
        self._halves.addLayout(right, 5)
        self._stack.addWidget(work)
        self._stack.addWidget(self.first)
        top = QHBoxLayout()
        top.addWidget(self.proved)
        top.addSpacing(28)
        top.addWidget(self.free)
        top.addStretch(1)
        for key in self.keys:
            key.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            top.addWidget(key)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.safe)
        column.addLayout(top)
        column.addWidget(self.trouble)
        column.addWidget(self._stack, 1)
        self.trouble.hide()

    def _connect(self) -> None:
        self.points.chosen.connect(self._show_point)
        self.reading.returnPressed.connect(self.take_typed)
        self.reading.textEdited.connect(self._let_go)
        self.known.editingFinished.connect(self._change_known)
        self.add.clicked.connect(self.add_template)
        self.free.toggled.connect(self._free)
        acts = (self.prove_next, self.vouch, self.show_first_look, self.add_point)
        for key, act in zip(self.keys, acts, strict=True):
            key.clicked.connect(act)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        for part in (self.points, self.verdict, self.course, self.preview, self.form, self.first):
            part.restyle(look)
        self.reading.setFont(look.font(30, bold=True))
        self.safe.setFont(look.font(24, bold=True))
        self.trouble.setFont(look.font(21, bold=True))
        for widget in (self.proved, self.free, self.found, *self.keys):
            widget.setFont(look.font(19))
        self._halves.setSpacing(look.px(16))

    # ---- what the history says ---------------------------------------------------------------------

    def take(self, entries: Sequence[Entry]) -> None:
        """New lines of the history."""
        self._entries += entries
        new = [e.payload for e in entries]
        self.preview.hear(new)
        if any(isinstance(p, PointsListed | Taken | PartChanged | Corrected | Photographed) for p in new):
            self._renew()
        if any(isinstance(p, JobEntered) for p in new):
            self.first.show_job(self.place.ledger.job)
        if any(isinstance(p, FirstLook) for p in new):
            self._stack.setCurrentIndex(0)
        self._tell_safe()

    def _renew(self) -> None:
        self.points.show_points(points_of(self._entries), self._entries)
        found = findings(self._entries)
        more = f" ({len(found) - 1} more under parts and approval)" if len(found) > 1 else ""
        words = f"{found[-1].says}. Measure next: {found[-1].measure_next}{more}" if found else ""
        self.found.setText(words)
        self._show_point()

    def _tell_safe(self) -> None:
        self._standing = standing_of(self._entries)
        self.safe.setText(safe_line(self._standing, self._checked))
        self.points.show_waiting(self._standing, CIRCUIT[self.circuit.currentText()])

    @property
    def point(self) -> TestPoint | None:
        """The point that is on."""
        return self.points.point

    def _show_point(self) -> None:
        point = self.point
        self.hands.aim(point.kind if point is not None else None, self._sheet())
        if point is None:
            self.verdict.show_point("no point: add a list, or Ctrl+N for one", None)
            self.preview.show_point("", "")
            self.course.show_readings((), ())
            return
        self.preview.show_point(point.group, point.name)
        readings = self.points.readings(point)
        last = readings[-1].payload if readings else None
        if self._held is not None:
            held = named(self._held.point)
            following = f"    next: {named(point)}" if named(point) != held else ""
            self.verdict.show_point(f"{held}{following}", self._held)
        else:
            self.verdict.show_point(named(point), last if isinstance(last, Taken) else None)
        parts_at = [
            e.seq for e in self._entries if isinstance(e.payload, PartChanged) and e.payload.direction == "in"
        ]
        self.course.show_readings(readings, parts_at)
        if not self.known.hasFocus():
            self.known.setText(known_words(point.known, point.kind))
        self.polarity.setEnabled(point.kind is PointKind.JUNCTION)

    def _let_go(self) -> None:
        """Show the point that is on again, no longer what was taken last."""
        if self._held is not None:
            self._held = None
            self._show_point()

    def _probe(self) -> InstrumentRecord | None:
        """The meter in the hand, as the bench has it."""
        bench = next((e.payload for e in reversed(self._entries) if isinstance(e.payload, BenchSet)), None)
        return next((i for i in bench.instruments if Role.PROBE in i.roles), None) if bench else None

    def _sheet(self) -> MeterSheet | None:
        probe = self._probe()
        return probe.sheet if probe is not None else None

    # ---- taking ------------------------------------------------------------------------------------

    def take_typed(self) -> None:
        """The reading in the field; with an empty field what the meter in the hand shows."""
        text = text_of(self.reading)
        if not text:
            self.foot()
            return
        point = self.point
        if point is not None:
            sure = text == self._asked_twice
            self._asked_twice = text
            given = Given(point, text, sure=sure, sure_by="press Enter again", decimal_comma=decimal_comma())
            self._enter(given)

    def foot(self) -> None:
        """The foot switch: take at once what the meter shows."""
        took = self.hands.foot()
        if took:
            self._took(took[-1])
        else:
            self._say(self.hands.wrong or "The meter in the hand shows nothing: type the reading.")

    def _took(self, took: Took) -> None:
        point = self.point
        if point is not None:
            range_ = took.setting.range
            self._enter(
                Given(point, read=typed_of(took), instrument=self.hands.instrument, range=range_, u=None)
            )

    def _enter(self, given: Given) -> None:
        """Judge a reading and send it; what stands against it is said in one line."""
        point = given.point
        junction = point.kind is PointKind.JUNCTION
        given = msgspec.structs.replace(
            given,
            in_circuit=None if is_reservoir(point) else CIRCUIT[self.circuit.currentText()],
            polarity=self.polarity.currentText() if junction else "",
            meter_proved=self.proved.isChecked() and is_reservoir(point),
            checked=self._checked,
            by=self.by,
        )
        try:
            taken, _ = entry_of(given, self._entries, self.place.ledger.job.unit)
        except PlanRefused:
            self._say(blocked_line(waits_for(point, given.in_circuit, self._standing), self._standing))
            return
        except BenchlogError as error:
            self._say(str(error))
            return
        self._send(taken)

    def _send(self, taken: Taken) -> None:
        both = both_ways(taken, self._entries)
        self._checked = self._asked_twice = ""
        self.reading.clear()
        self.place.send(EntryAdded(taken))
        self._say("")
        self._held = taken
        self.verdict.flash(True)
        QTimer.singleShot(FLASH_MS, self.verdict, lambda: self.verdict.flash(False))
        QApplication.beep()
        if both is not None:
            self._say(f"{taken.point.name}, both ways: {both.verdict.value.replace('-', ' ')}. {both.reason}")
        if taken.point.kind is PointKind.JUNCTION and taken.polarity == "forward":
            self.polarity.setCurrentText("reverse")
        else:
            self.polarity.setCurrentText("forward")
            self.points.go_on()
        self._show_point()

    def _say(self, words: str) -> None:
        self.trouble.setText(words)
        self.trouble.setVisible(bool(words))

    # ---- made safe ---------------------------------------------------------------------------------

    def prove_next(self) -> None:
        """Go to the next reservoir that is not proved, and put the keyboard into the field."""
        waiting = [r for r in sorted(self._standing.known) if r not in self._standing.proved]
        name = waiting[0] if waiting else ""
        if not name:
            known = ", ".join(sorted(self._standing.proved)) or "none is known: add a list of points"
            self._say(f"Nothing left to prove: {known}.")
            return
        points = points_of(self._entries)
        if not any(is_reservoir(p) and p.name == name for p in points):
            self._list(with_point(points, reservoir(name, "supply")))
        self._held = None
        self.points.choose(name, PointKind.DC_VOLTS)
        self._show_point()
        self.reading.setFocus()
        self._say(
            f"Discharge {name}, then DC volts at its own terminals. Tick the proof of the meter: Ctrl+M."
        )

    def vouch(self) -> None:
        """I have checked: the reason is asked for and recorded with the next reading."""
        self.place.ask(
            "I have checked that nothing that feeds this point is charged. How?",
            (Answer("I have checked", self._vouched, needs_text=True), Answer("Not yet", lambda _: None)),
            "recorded with the reading",
        )

    def _vouched(self, reason: str) -> None:
        try:
            self._checked = reason_of(reason, "The word that it was checked,")
        except BenchlogError as error:
            self._say(str(error))
            return
        self._tell_safe()
        self.reading.setFocus()

    # ---- a reading that was a slip -----------------------------------------------------------------

    def strike(self) -> None:
        """The last reading of this point does not count: why is asked for; it stays in the history."""
        point = self.point
        readings = self.points.readings(point) if point is not None else []
        if point is None or not readings:
            self._say("There is no reading of this point.")
            return
        taken, number = readings[-1].payload, readings[-1].seq
        value = value_words(taken) if isinstance(taken, Taken) else ""
        self.place.ask(
            f"{named(point)}, {value}: this reading does not count. Why? It stays in the history.",
            (
                Answer("It does not count", partial(self._struck, number), needs_text=True),
                Answer("It counts", lambda _: None),
            ),
            "e.g. probe on the wrong pin",
        )

    def _struck(self, number: int, reason: str) -> None:
        self._held = None
        self.place.send(EntryAdded(Corrected(number, reason, self.by, void=True)))

    # ---- points and first look ---------------------------------------------------------------------

    def add_template(self) -> None:
        """Add the list that is chosen to the points."""
        points = points_of(self._entries)
        for point in template(self.template.currentText()):
            points = with_point(points, point)
        self._list(points)

    def add_point(self) -> None:
        """A point of one's own: name, group and kind."""
        kinds = (PointKind.OHMS, PointKind.JUNCTION, PointKind.ESR, PointKind.CAPACITANCE, PointKind.DC_VOLTS)
        answers = [Answer(k.value, partial(self._new_point, k), needs_text=True) for k in kinds]
        self.place.ask(
            "New test point: its name, or channel: name. Enter makes it ohms.",
            (*answers, Answer("None", lambda _: None)),
            "e.g. left: Q12 B-E",
        )

    def _new_point(self, kind: PointKind, text: str) -> None:
        group, colon, name = text.partition(":")
        name, group = (name.strip(), group.strip()) if colon else (text.strip(), "")
        points = points_of(self._entries)
        try:
            self._list(with_point(points, TestPoint(name, kind, group, "", "", Known())))
        except BenchlogError as error:
            self._say(str(error))

    def _change_known(self) -> None:
        point = self.point
        if point is None or text_of(self.known) == known_words(point.known, point.kind):
            return
        try:
            known = known_of(text_of(self.known), point.kind)
        except BenchlogError as error:
            self._say(str(error))
            return
        changed = msgspec.structs.replace(point, known=known)
        self._list(with_point(points_of(self._entries), changed))

    def _list(self, points: tuple[TestPoint, ...]) -> None:
        self.place.send(EntryAdded(PointsListed(points, self.by)))

    def show_first_look(self) -> None:
        """The first look, and back."""
        self._stack.setCurrentIndex(1 - self._stack.currentIndex())
        if self._stack.currentIndex():
            self.first.show_job(self.place.ledger.job)
            self.first.seen.setFocus()

    def _store_look(self, look: FirstLook) -> None:
        self.place.send(EntryAdded(msgspec.structs.replace(look, by=self.by)))

    # ---- live --------------------------------------------------------------------------------------

    def _free(self, on: bool) -> None:
        self.hands.on = on
        self._show_point()

    def refresh(self, real_s: float) -> None:
        """Hear the meter, take what is steady, show what it reads; see to photographs."""
        probed = self.place.board.probed
        heard = [probed.popleft() for _ in range(len(probed))]
        for took in self.hands.hear(heard):
            self._took(took)
        if heard and self.hands.on and self.hands.in_contact and not self.verdict.flashing:
            self._held = None
            self.verdict.show_live(self.hands.value, self.hands.words)
        self._see_to_photographs()

    def _see_to_photographs(self) -> None:
        self.pictures.look(self._belonging())
        see_to(self.pictures, self.place, self._say)

    def _belonging(self) -> Photographed:
        point = self.point
        name, group = (point.name, point.group) if point is not None else ("", "")
        return belongs_to(name, group, stage=_STAGE, by=self.by)

    def drop(self, paths: Sequence[Path]) -> bool:
        """Photographs dropped onto the window belong to the point that is on."""
        self.pictures.take(paths, self._belonging())
        return True

    def deeds(self) -> Sequence[Deed]:
        """Keys of this panel."""
        return (
            Deed("Ctrl+Return", "take", "Take at once what the meter shows; store the first look", self._now),
            Deed("Ctrl+R", "prove", "Go to the next reservoir that is not proved", self.prove_next),
            Deed("Ctrl+M", "meter", "The meter was proved on a known source", self.proved.toggle),
            Deed("Ctrl+D", "checked", "I have checked: say why it holds no charge", self.vouch),
            Deed("Ctrl+H", "hands free", "Take steady readings without a hand", self.free.toggle),
            Deed("Ctrl+L", "first look", "The first look, and back", self.show_first_look),
            Deed("Ctrl+T", "list", "Add the chosen list of points", self.add_template),
            Deed("Ctrl+N", "new point", "A test point of your own", self.add_point),
            Deed("Ctrl+J", "does not count", "The last reading of this point does not count", self.strike),
            Deed("Ctrl+I", "circuit", "In circuit, out of it, not said", self._next_circuit),
        )

    def _now(self) -> None:
        if self._stack.currentIndex():
            self.first.store()
        else:
            self.foot()

    def _next_circuit(self) -> None:
        self.circuit.setCurrentIndex((self.circuit.currentIndex() + 1) % self.circuit.count())
        self._tell_safe()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Up and down go through the points, wherever the keyboard is in the panel."""
        if event.key() in (Qt.Key.Key_Up, Qt.Key.Key_Down):
            self._held = None
            self._say("")
            self.points.move_by(1 if event.key() == Qt.Key.Key_Down else -1)
            return
        super().keyPressEvent(event)
