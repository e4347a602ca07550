"""Parts and approval: what the readings point to, estimate and answer, parts out and in."""

from collections.abc import Callable, Sequence
from datetime import datetime
from decimal import Decimal
from pathlib import Path

import msgspec
from PySide6.QtWidgets import QHBoxLayout, QLabel, QListWidget, QVBoxLayout, QWidget

from benchlog.cold.corrections import in_force
from benchlog.cold.entering import Given, entry_of
from benchlog.cold.findings import findings
from benchlog.cold.knowing import known_of
from benchlog.job.digest import Waiting, waits_for
from benchlog.job.estimate import (
    amount_in,
    estimate,
    latest_answer,
    latest_estimate,
    line_of,
    money,
    over_cap,
)
from benchlog.job.marking import Kind, read_marking
from benchlog.job.parts import before_fitting, not_agreed, own_check, waited_for
from benchlog.job.settings import usable_settings
from benchlog.model.errors import BenchlogError, UsageError
from benchlog.model.history import Approved, Entry, PartChanged, Taken
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.protocol import EntryAdded
from benchlog.model.work import EstimateLine
from benchlog_ui.decimals import decimal_comma
from benchlog_ui.keys import Deed
from benchlog_ui.look import Look
from benchlog_ui.panel import Panel, Place
from benchlog_ui.panels.forms import Form, button, choice, line, text_of
from benchlog_ui.panels.photos import Pictures, belongs_to, see_to
from benchlog_ui.panels.verdicts import POINT_VERDICT, value_words

DIRECTIONS = {"out": "taken out", "ordered": "ordered", "in": "fitted", "returned": "given back"}
KINDS = ("", "resistor", "capacitor", "output device", "transistor", "diode", "fuse", "other")
CHECKS = (PointKind.ESR, PointKind.CAPACITANCE, PointKind.OHMS, PointKind.JUNCTION)


class PartsPanel(Panel):
    """Findings and what is waited for at the left; estimate, answer and parts at the right."""

    def __init__(self, place: Place) -> None:
        """Empty until lines of the history come."""
        super().__init__(place)
        self._entries: list[Entry] = []
        self._lines: list[EstimateLine] = []
        self._asked_twice: tuple[str, ...] = ()
        settings = usable_settings()
        self.by, self.currency = settings.technician, settings.currency
        self.pictures = Pictures()
        self.waits, self.trouble, self.total = QLabel(), QLabel(), QLabel()
        self.found, self.parts = QListWidget(), QListWidget()
        self._fields()
        self._lay_out()
        self._connect()
        self.restyle(place.look)

    def _fields(self) -> None:
        self.item = line("two output devices = 58.00; Enter adds it")
        self.put, self.yes, self.no = button("Ctrl+P  put it"), button("Ctrl+J  approved"), button("declined")
        self.who, self.how = line("who"), line("telephone")
        self.amount = line("as put")
        self.direction, self.kind = choice(DIRECTIONS.values()), choice(KINDS)
        self.position, self.value = line("Q12, C31"), line("4K7J, 220u, npn")
        self.rating, self.lot, self.note = line("50 V"), line("lot"), line("which way round")
        self.enter = button("Ctrl+Return  enter the part")
        self.reading, self.check = line("Enter takes it"), choice(k.value for k in CHECKS)
        self.known = line("220u 50V · bipolar · T5AH250V")

    def _make_forms(self) -> None:
        look = self.place.look
        self.agree = Form(
            look,
            (
                (("line of the estimate", self.item, 5), ("", self.put, 2)),
                (
                    ("answered by", self.who, 2), ("how", self.how, 2), ("amount", self.amount, 2),
                    ("", self.yes, 2), ("", self.no, 1),
                ),
            ),
        )  # fmt: skip
        self.part = Form(
            look,
            (
                (
                    ("part", self.direction, 2), ("position", self.position, 2), ("value", self.value, 2),
                    ("type", self.kind, 2),
                ),
                (
                    ("rating", self.rating, 2), ("lot", self.lot, 2), ("note", self.note, 3),
                    ("", self.enter, 3),
                ),
                (
                    ("new part's own check", self.reading, 2), ("read as", self.check, 2),
                    ("known of it", self.known, 4),
                ),
            ),
        )  # fmt: skip

    def _lay_out(self) -> None:
        for label in (self.waits, self.trouble, self.total):
            label.setWordWrap(True)
        self._make_forms()
        left, right = QVBoxLayout(), QVBoxLayout()
        for part, share in ((self.found, 3), (self.parts, 4)):
            part.setWordWrap(True)
            part.setAlternatingRowColors(True)
            left.addWidget(part, share)
        self.found.setAccessibleName("What the readings point to")
        self.parts.setAccessibleName("Parts")
        for widget in (self.agree, self.total, self.part):
            right.addWidget(widget)
        right.addStretch(1)
        self._halves = QHBoxLayout()
        self._halves.addLayout(left, 4)
        self._halves.addLayout(right, 5)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.waits)
        column.addWidget(self.trouble)
        column.addLayout(self._halves, 1)
        self.trouble.hide()

    def _connect(self) -> None:
        self.item.returnPressed.connect(self.add_line)
        self.put.clicked.connect(self.put_estimate)
        self.yes.clicked.connect(self.approve)
        self.no.clicked.connect(self.decline)
        for field in (self.position, self.value, self.rating, self.lot, self.note):
            field.returnPressed.connect(self.enter_part)
        self.enter.clicked.connect(self.enter_part)
        self.reading.returnPressed.connect(self.take_check)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self.agree.restyle(look)
        self.part.restyle(look)
        self.waits.setFont(look.font(24, bold=True))
        self.trouble.setFont(look.font(21, bold=True))
        for widget in (self.total, self.found, self.parts):
            widget.setFont(look.font(19))
        self._halves.setSpacing(look.px(16))

    # ---- what the history says ---------------------------------------------------------------------

    def take(self, entries: Sequence[Entry]) -> None:
        """New lines of the history."""
        self._entries += entries
        if entries:
            self._renew()

    def _renew(self) -> None:
        waiting = waits_for(self._entries)
        names = ", ".join(part.position for part in waited_for(self._entries))
        more = f": {names}" if waiting is Waiting.PARTS and names else ""
        ended = "The job has ended." if waiting is Waiting.NOTHING else ""
        self.waits.setText(ended or f"This job waits for {waiting.value}{more}.")
        self.found.clear()
        for f in findings(self._entries):
            where = f" ({f.group})" if f.group else ""
            self.found.addItem(f"{f.says}{where}: {'; '.join(f.evidence)}. Measure next: {f.measure_next}")
        if not self.found.count():
            self.found.addItem("No reading fails: nothing found.")
        self._show_parts()
        self._show_total()

    def _show_parts(self) -> None:
        self.parts.clear()
        for entry in in_force(self._entries):
            part = entry.payload
            if isinstance(part, PartChanged):
                words = " ".join(x for x in (part.value, part.rating) if x)
                count = f"{part.quantity} × " if part.quantity != 1 else ""
                check = self._checked(part)
                note = f" ({part.note})" if part.note else ""
                direction = DIRECTIONS.get(part.direction, part.direction)
                self.parts.addItem(f"{part.position}  {direction}: {count}{words}{note}{check}")
        self.parts.scrollToBottom()

    def _checked(self, part: PartChanged) -> str:
        """What the new part read by itself."""
        if part.direction != "in":
            return ""
        entry = next((e for e in self._entries if e.seq == part.checked_by), None)
        taken = entry.payload if entry is not None else None
        if not isinstance(taken, Taken):
            return "; not checked by itself"
        return f"; by itself {value_words(taken)}, {POINT_VERDICT[taken.verdict][0]}"

    def _show_total(self) -> None:
        put, answer = latest_estimate(self._entries), latest_answer(self._entries)
        cap = self.place.ledger.job.spending_cap
        lines = []
        if self._lines:
            total = sum((x.amount for x in self._lines), Decimal(0))
            each = "; ".join(f"{x.text} {money(x.amount)}" for x in self._lines)
            lines.append(f"To put: {each}. Total {money(total, self.currency)}{_above(total, cap)}.")
        if put is not None:
            lines.append(f"Put: {money(put[1].total, put[1].currency)}{_above(put[1].total, cap)}.")
        if answer is not None:
            word = "Approved" if answer[1].approved else "Declined"
            lines.append(f"{word}: {answer[1].amount}, {answer[1].who}, {answer[1].how}.")
        if cap:
            lines.append(f"Cap agreed at intake: {cap}.")
        self.total.setText(" ".join(lines))

    def _say(self, words: str) -> None:
        self.trouble.setText(words)
        self.trouble.setVisible(bool(words))

    # ---- estimate and answer -----------------------------------------------------------------------

    def add_line(self) -> None:
        """One more line of the estimate to come."""
        try:
            self._lines.append(line_of(text_of(self.item)))
        except UsageError as error:
            self._say(str(error))
            return
        self._say("")
        self.item.clear()
        self._show_total()

    def put_estimate(self) -> None:
        """Enter the estimate."""
        try:
            made = estimate(self._lines, self.currency, self.place.ledger.job.spending_cap, "", self.by)
        except UsageError as error:
            self._say(str(error))
            return
        self._lines = []
        self.place.send(EntryAdded(made))
        above = made.over_cap
        self._say(f"Above the cap by {money(above, self.currency)}: ask first." if above is not None else "")

    def approve(self) -> None:
        """The customer said yes."""
        self._answer(True)

    def decline(self) -> None:
        """The customer said no."""
        self._answer(False)

    def _answer(self, approved: bool) -> None:
        put, before = latest_estimate(self._entries), latest_answer(self._entries)
        amount = text_of(self.amount) or (money(put[1].total, put[1].currency) if put is not None else "")
        who, how = text_of(self.who) or self.place.ledger.job.customer.name, text_of(self.how)
        if not (amount and who and how):
            self._say("An answer needs who gave it, how, and the amount.")
            return
        asked = amount_in(amount)
        above = over_cap(asked, self.place.ledger.job.spending_cap) if asked is not None else None
        self._say("That is above the cap agreed at intake." if approved and above is not None else "")
        self.place.send(
            EntryAdded(
                Approved(
                    approved, amount, who, how, datetime.now().astimezone(),
                    estimate=put[0] if put is not None else 0, changes=before[0] if before is not None else 0,
                )
            )
        )  # fmt: skip
        self.amount.clear()

    # ---- parts -------------------------------------------------------------------------------------

    def enter_part(self) -> None:
        """Enter the part; what is missing before it is fitted is said, and asked once."""
        try:
            part = self._read_part()
        except BenchlogError as error:
            self._say(str(error))
            return
        told = (*not_agreed(self._entries, part), *before_fitting(self._entries, part))
        key = (part.direction, part.position, part.value)
        if told and key != self._asked_twice:
            self._asked_twice = key
            self._say(f"{' '.join(told)} Enter again enters it as it is.")
            return
        check = own_check(self._entries, part.position) if part.direction == "in" else None
        part = msgspec.structs.replace(part, checked_by=check[0] if check is not None else 0)
        self._asked_twice = ()
        self._say("")
        self.place.send(EntryAdded(part))
        for field in (self.position, self.value, self.rating, self.lot, self.note):
            field.clear()
        self.position.setFocus()

    def _read_part(self) -> PartChanged:
        position, value = text_of(self.position), text_of(self.value)
        if not position or not value:
            raise UsageError("A part needs its position, e.g. Q14, and its value, as marked on it.")
        kind, series, si_value = self.kind.currentText(), "", None
        if kind in tuple(Kind):
            found = read_marking(value, Kind(kind))
            again = (list(DIRECTIONS)[self.direction.currentIndex()], position, value)
            if found.doubts and again != self._asked_twice:
                self._asked_twice = again
                raise UsageError(f"{' '.join(found.doubts)} Enter again takes it as it is.")
            series, si_value = found.series, found.value
        return PartChanged(
            position=position,
            direction=list(DIRECTIONS)[self.direction.currentIndex()],
            value=value,
            rating=text_of(self.rating),
            kind=kind,
            lot=text_of(self.lot),
            note=text_of(self.note),
            by=self.by,
            si_value=si_value,
            series=series,
        )

    def take_check(self) -> None:
        """The new part's own check, before it is fitted."""
        position = text_of(self.position)
        if not position:
            self._say("Say for which position: the field above.")
            return
        kind = CHECKS[self.check.currentIndex()]
        polarity = "forward" if kind is PointKind.JUNCTION else ""
        try:
            point = TestPoint(f"new {position}", kind, known=known_of(text_of(self.known), kind))
            given = Given(
                point, text_of(self.reading), in_circuit=False, part=position, by=self.by, polarity=polarity,
                sure_by="type it otherwise", decimal_comma=decimal_comma(),
            )  # fmt: skip
            taken, _ = entry_of(given, self._entries)
        except BenchlogError as error:
            self._say(str(error))
            return
        limit = f" (limit {taken.limit.source})" if taken.limit is not None else ""
        self._say(f"New {position}: {value_words(taken)}, {POINT_VERDICT[taken.verdict][0]}{limit}.")
        self.place.send(EntryAdded(taken))
        self.reading.clear()

    # ---- photographs and keys ----------------------------------------------------------------------

    def refresh(self, real_s: float) -> None:
        """See to photographs that were dropped."""
        see_to(self.pictures, self.place, self._say)

    def drop(self, paths: Sequence[Path]) -> bool:
        """Photographs dropped onto the window belong to the position in the field."""
        self.pictures.take(paths, belongs_to(part=text_of(self.position), stage="parts", by=self.by))
        return True

    def deeds(self) -> Sequence[Deed]:
        """Keys of this panel."""
        return (
            Deed("Ctrl+Return", "part", "Enter the part", self.enter_part),
            Deed("Ctrl+P", "put", "Put the estimate to the customer", self.put_estimate),
            Deed("Ctrl+J", "approved", "The customer approved it", self.approve),
            Deed("Ctrl+E", "estimate", "Go to the line of the estimate", self._to(self.item)),
            Deed("Ctrl+N", "new part", "Go to the position of a part", self._to(self.position)),
        )

    def _to(self, field: QWidget) -> Callable[[], None]:
        return field.setFocus


def _above(total: Decimal, cap: str) -> str:
    above = over_cap(total, cap)
    return f", {money(above)} above the cap" if above is not None else ""
