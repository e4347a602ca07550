"""Before power: which steps these meters can judge and what would help, and what has to be seen to first."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QCheckBox, QHBoxLayout, QLabel, QScrollArea, QVBoxLayout, QWidget

from benchlog.bringup.plan import Plan, make_plan
from benchlog.model.errors import BenchlogError
from benchlog.model.history import BenchSet
from benchlog.model.instrument import Earth, MeterSheet
from benchlog.model.reference import Reference
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.unit import Unit
from benchlog_ui.beginning import BeginBox
from benchlog_ui.earthwords import EARTH_WORDS, earth_words
from benchlog_ui.look import Look
from benchlog_ui.marks import CUT_OFF_KEY
from benchlog_ui.plancurve import PlanCurve
from benchlog_ui.planedit import Edit, plan_file
from benchlog_ui.plantable import PlanTable
from benchlog_ui.words import volts


@dataclass(frozen=True, slots=True)
class Check:
    """Something to see to: its short name in the history, and its words."""

    name: str
    words: str


def checks(
    unit: Unit | None, bench: BenchSet | None, setup: RunSetup | None, lamp_w: float | None = None
) -> tuple[Check, ...]:
    """What has to be seen to before this unit is powered on this bench. Common practice, no source."""
    found = [
        Check("loudspeaker off", "No loudspeaker or customer's load is connected."),
        Check("selector", "The voltage selector stands at the nominal voltage, and was looked at."),
        Check("fuse", "The mains fuse has the type and rating that the plate asks for."),
        Check("isolated", "The unit hangs on the isolating transformer."),
    ]
    if unit is None or unit.protective_earth is None or unit.protective_earth:
        found.append(Check("protective earth", "Class I: the protective earth was measured to be connected."))
    if bench is not None and any(i.earth is Earth.UNKNOWN and i.connection for i in bench.instruments):
        found.append(Check("earth of leads", "The earth of every lead that is not known was measured."))
    lamp_w = setup.lamp_w if setup is not None else lamp_w
    if lamp_w is not None:
        found.append(Check("series lamp", f"The series lamp of {lamp_w:g} W is in circuit."))
    hand_set = setup.hand_set if setup is not None else _hand_set(bench)
    if hand_set:
        found.append(Check("dial", "The dial stands at zero; bench switch and plug are in reach."))
    return tuple(found)


def _hand_set(bench: BenchSet | None) -> bool:
    if bench is None:
        return False
    return any(Role.SOURCE in i.roles and not i.connection for i in bench.instruments)


def sheets_of(bench: BenchSet) -> dict[Role, MeterSheet]:
    """The sheet of the instrument that plays each role."""
    return {role: i.sheet for i in bench.instruments for role in i.roles}


def plan_for(
    unit: Unit,
    bench: BenchSet,
    lamp_w: float | None = None,
    edits: Mapping[int, Edit] | None = None,
    reference: Reference | None = None,
) -> Plan:
    """The plan of a unit on a bench, with what was changed in it. `UsageError` where figures are missing."""
    sheets: Mapping[Role, MeterSheet] = sheets_of(bench)
    reads = set(sheets) - {Role.SOURCE}
    hand_set = _hand_set(bench)
    plan = make_plan(unit, sheets, reads, hand_set=hand_set, lamp_w=lamp_w, reference=reference)
    file = plan_file(plan.steps, edits or {})
    if file is None:
        return plan
    return make_plan(unit, sheets, reads, hand_set=hand_set, lamp_w=lamp_w, reference=reference, file=file)


def lead_words(bench: BenchSet | None) -> str:
    """The earth of each connected lead by name, and what they mean together."""
    if bench is None or not bench.instruments:
        return ""
    leads = ", ".join(f"{i.name} {EARTH_WORDS[i.earth]}" for i in bench.instruments if i.connection)
    return f"Leads: {leads}. {earth_words(bench)}" if leads else earth_words(bench)


class BeforePage(QWidget):
    """Plan as a table and a curve at the left; things to see to, and the beginning, at the right."""

    def __init__(
        self,
        look: Look,
        record: Callable[[str, str], None],
        begin: Callable[[], None],
        change: Callable[[int, Edit], None],
    ) -> None:
        """``record`` is given the name of a check and its answer, ``change`` a step and its new limits."""
        super().__init__()
        self._record = record
        self._key: object = None
        self.edits: dict[int, Edit] = {}
        self.plan: Plan | None = None
        self.asked: tuple[Check, ...] = ()
        self.boxes: dict[str, QCheckBox] = {}
        self._lines: dict[str, QWidget] = {}
        self.table = PlanTable(look, change)
        self.curve = PlanCurve(look)
        self.words, self.source, self.key_seen, self.open = QLabel(), QLabel(), QLabel(), QLabel()
        self.leads = QLabel()
        for label in (self.words, self.source, self.key_seen, self.open, self.leads):
            label.setWordWrap(True)
        self.source.setText("Choose a limit to see where it comes from; type a figure to change it.")
        self.table.chosen.connect(self.source.setText)
        self.begin = BeginBox(look, begin, record)
        self._lay_out()
        self.restyle(look)

    def _lay_out(self) -> None:
        inside = QWidget()
        self._checks = QVBoxLayout(inside)
        self._checks.setContentsMargins(0, 0, 0, 0)
        self._checks.addWidget(self.key_seen)
        self._checks.addWidget(self.open)
        self._checks.addWidget(self.leads)
        self.open.hide()
        self._checks.addStretch(1)
        room = QScrollArea()
        room.setWidget(inside)
        room.setWidgetResizable(True)
        room.setFrameShape(QScrollArea.Shape.NoFrame)
        room.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        room.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        left = QVBoxLayout()
        left.addWidget(self.words)
        left.addWidget(self.table, 5)
        left.addWidget(self.source)
        left.addWidget(self.curve, 2)
        right = QVBoxLayout()
        right.addWidget(room, 1)
        right.addWidget(self.begin)
        self._columns = QHBoxLayout(self)
        self._columns.addLayout(left, 7)
        self._columns.addLayout(right, 4)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        gap = look.px(22)
        self._columns.setContentsMargins(gap, look.px(12), gap, look.px(12))
        self._columns.setSpacing(gap)
        self._checks.setSpacing(look.px(10))
        for widget in (self.words, self.source, self.leads):
            widget.setFont(look.font(20))
        for line in self._lines.values():
            for label in line.findChildren(QLabel):
                label.setFont(look.font(20))
        for label in (self.key_seen, self.open):
            label.setFont(look.font(22, bold=True))
        for part in (self.table, self.curve, self.begin):
            part.restyle(look)

    def refresh(
        self,
        unit: Unit | None,
        bench: BenchSet | None,
        setup: RunSetup | None,
        answered: set[str],
        key_seen: bool,
    ) -> None:
        """Show the plan of the run, or the one that this unit on this bench would have."""
        self.key_seen.setText(
            f"{CUT_OFF_KEY} was seen by this window."
            if key_seen
            else f"Press {CUT_OFF_KEY} once now: not seen here yet. On some keyboards it needs Fn."
        )
        lamp_w = self.begin.lamp_w
        reference = self.begin.reference
        key = (
            unit, bench, setup, frozenset(answered), lamp_w, tuple(self.edits.items()),
            reference.reference, reference.fault,
        )  # fmt: skip
        if key == self._key:
            return
        self._key = key
        self._ask(checks(unit, bench, setup, lamp_w), answered)
        self.leads.setText(lead_words(bench))
        self._show_plan(unit, bench, setup, lamp_w)

    def show_open(self, lines: Sequence[str]) -> None:
        """What stands open in the job; it is asked for again when the bring-up is begun."""
        words = "\n".join(f"Open before power: {line}." for line in lines)
        if words != self.open.text():
            self.open.setText(words)
            self.open.setAccessibleName(words)
            self.open.setVisible(bool(words))

    def unanswered(self) -> list[str]:
        """Names of the checks that were not answered with yes."""
        return [name for name, box in self.boxes.items() if not box.isChecked()]

    def _ask(self, asked: tuple[Check, ...], answered: set[str]) -> None:
        wanted = {check.name: check for check in asked}
        for name in [n for n in self.boxes if n not in wanted]:
            self.boxes.pop(name)
            self._lines.pop(name).deleteLater()
        for name, check in wanted.items():
            if name not in self.boxes:
                self._add_box(check)
            self.boxes[name].blockSignals(True)
            self.boxes[name].setChecked(name in answered)
            self.boxes[name].blockSignals(False)

    def _add_box(self, check: Check) -> None:
        box = QCheckBox()
        box.setAccessibleName(check.words)
        words = QLabel(check.words)
        words.setWordWrap(True)
        words.setBuddy(box)
        words.setFont(self._look.font(20))
        box.toggled.connect(lambda on, name=check.name: self._record(name, "yes" if on else "taken back"))
        self.boxes[check.name] = box
        line = self._lines[check.name] = QWidget()
        row = QHBoxLayout(line)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(box, 0, Qt.AlignmentFlag.AlignTop)
        row.addWidget(words, 1)
        self._checks.insertWidget(self._checks.count() - 1, line)

    def _show_plan(
        self, unit: Unit | None, bench: BenchSet | None, setup: RunSetup | None, lamp_w: float | None
    ) -> None:
        reference = self.begin.reference
        self.plan, words = _plan_and_words(unit, bench, setup, lamp_w, self.edits, reference.reference)
        words = f"{words}\n{reference.fault}" if reference.fault else words
        steps = self.plan.steps if self.plan is not None else ()
        self.words.setText(words)
        self.table.show_steps(steps, self.edits, editable=setup is None)
        self.curve.show_steps(steps)
        self.begin.allow(self.plan is not None and setup is None and not self.plan.refused)


def _plan_and_words(
    unit: Unit | None,
    bench: BenchSet | None,
    setup: RunSetup | None,
    lamp_w: float | None,
    edits: Mapping[int, Edit],
    reference: Reference | None,
) -> tuple[Plan | None, str]:
    if setup is not None:
        plan = Plan(setup.steps)
        return plan, _words(plan, "The plan of the run.")
    if unit is None or bench is None or not bench.instruments:
        return None, "No plan yet: it needs the rating plate (intake) and the instruments of a bench file."
    try:
        plan = plan_for(unit, bench, lamp_w, edits, reference)
    except BenchlogError as error:
        return None, f"No plan yet: {error}"
    return plan, _words(plan, "The plan that this unit would have.")


def _words(plan: Plan, what: str) -> str:
    """What the plan is, what stands against it, and what would help where a step can't be judged."""
    poor = [step for step in plan.steps if not step.judgeable]
    parts = [plan.refused or what, *plan.warnings]
    if poor and not any("Can't be judged" in warning for warning in plan.warnings):
        where = ", ".join(volts(step.set_v) for step in poor)
        parts.append(f"Not judged with these meters: {where}. {poor[0].remedy}")
    return "\n".join(dict.fromkeys(part for part in parts if part))
