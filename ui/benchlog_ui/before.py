"""Before power: which steps these meters can judge and what would help, and what has to be seen to first."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import (
    QCheckBox,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from benchlog.bringup.plan import Plan, make_plan
from benchlog.model.errors import BenchlogError
from benchlog.model.history import BenchSet
from benchlog.model.instrument import MeterSheet
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.unit import Unit
from benchlog_ui.look import Look
from benchlog_ui.marks import CUT_OFF_KEY
from benchlog_ui.words import amperes, percent, volts

HEADS = (
    "inlet",
    "of nominal",
    "acceptance",
    "stop",
    "these meters",
    "source of the acceptance limit",
)
_SHARES = (0.1, 0.11, 0.13, 0.12, 0.17)


@dataclass(frozen=True, slots=True)
class Check:
    """Something to see to: its short name in the history, and its words."""

    name: str
    words: str


def checks(unit: Unit | None, bench: BenchSet | None, setup: RunSetup | None) -> tuple[Check, ...]:
    """What has to be seen to before this unit is powered on this bench. Common practice, no source."""
    found = [
        Check("loudspeaker off", "No loudspeaker or customer's load is connected."),
        Check("selector", "The voltage selector stands at the nominal voltage, and was looked at."),
        Check("fuse", "The mains fuse has the type and rating that the plate asks for."),
        Check("isolated", "The unit hangs on the isolating transformer."),
    ]
    if unit is None or unit.protective_earth is None or unit.protective_earth:
        found.append(Check("protective earth", "Class I: the protective earth was measured to be connected."))
    lamp_w = setup.lamp_w if setup is not None else None
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


def plan_for(unit: Unit, bench: BenchSet) -> Plan:
    """The default plan of a unit on a bench. `UsageError` where figures are missing."""
    sheets: Mapping[Role, MeterSheet] = sheets_of(bench)
    return make_plan(unit, sheets, set(sheets) - {Role.SOURCE}, hand_set=_hand_set(bench))


class BeforePage(QWidget):
    """Plan at the left, things to see to at the right."""

    def __init__(self, look: Look, record: Callable[[str, str], None]) -> None:
        """``record`` is given the name of a check and its answer."""
        super().__init__()
        self._record = record
        self._key: object = None
        self.boxes: dict[str, QCheckBox] = {}
        self.table = QTableWidget(0, len(HEADS))
        self.table.setHorizontalHeaderLabels(list(HEADS))
        self.table.setAccessibleName("Steps of the plan and whether these meters can judge them")
        self.table.verticalHeader().setVisible(False)
        self.table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self.table.setSelectionMode(QTableWidget.SelectionMode.NoSelection)
        self.table.setShowGrid(False)
        self.table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        self.table.horizontalHeader().setStretchLastSection(True)
        self.table.horizontalHeader().setDefaultAlignment(Qt.AlignmentFlag.AlignLeft)
        self.table.setWordWrap(False)
        self.words = QLabel()
        self.words.setWordWrap(True)
        self.key_seen = QLabel()
        self.key_seen.setWordWrap(True)
        self._checks = QVBoxLayout()
        self._checks.addWidget(self.key_seen)
        self._checks.addStretch(1)
        left = QVBoxLayout()
        left.addWidget(self.words)
        left.addWidget(self.table, 1)
        self._columns = QHBoxLayout(self)
        self._columns.addLayout(left, 7)
        self._columns.addLayout(self._checks, 3)
        self.restyle(look)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        gap = look.px(22)
        self._columns.setContentsMargins(gap, gap, gap, gap)
        self._columns.setSpacing(gap)
        self._checks.setSpacing(look.px(12))
        for widget in (self.table, self.words, *self.boxes.values()):
            widget.setFont(look.font(21))
        self.key_seen.setFont(look.font(24, bold=True))
        self.table.horizontalHeader().setFont(look.font(17))
        self.table.verticalHeader().setDefaultSectionSize(look.px(38))
        self._spread()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Columns share the width."""
        super().resizeEvent(event)
        self._spread()

    def _spread(self) -> None:
        width = max(int(self.width() * 0.55), 300)
        for column, share in enumerate(_SHARES):
            self.table.setColumnWidth(column, int(width * share))

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
        key = (unit, bench, setup, frozenset(answered))
        if key == self._key:
            return
        self._key = key
        self._ask(checks(unit, bench, setup), answered)
        self._show_plan(unit, bench, setup)
        self._spread()

    def _ask(self, asked: tuple[Check, ...], answered: set[str]) -> None:
        wanted = {check.name: check for check in asked}
        for name in [n for n in self.boxes if n not in wanted]:
            self.boxes.pop(name).deleteLater()
        for name, check in wanted.items():
            if name not in self.boxes:
                self._add_box(check)
            self.boxes[name].blockSignals(True)
            self.boxes[name].setChecked(name in answered)
            self.boxes[name].blockSignals(False)

    def _add_box(self, check: Check) -> None:
        box = QCheckBox(check.words)
        box.setFont(self._look.font(21))
        box.toggled.connect(lambda on, name=check.name: self._record(name, "yes" if on else "taken back"))
        self.boxes[check.name] = box
        self._checks.insertWidget(self._checks.count() - 1, box)

    def _show_plan(self, unit: Unit | None, bench: BenchSet | None, setup: RunSetup | None) -> None:
        self.table.setRowCount(0)
        if setup is not None:
            plan = Plan(setup.steps)
            self._fill(plan)
            self._say("The plan of the run.", plan)
            return
        if unit is None or bench is None or not bench.instruments:
            self.words.setText(
                "No plan yet: it needs the rating plate (intake) and the instruments of a bench file."
            )
            return
        try:
            plan = plan_for(unit, bench)
        except BenchlogError as error:
            self.words.setText(f"No plan yet: {error}")
            return
        self._fill(plan)
        self._say("The plan that this unit would have.", plan)

    def _say(self, what: str, plan: Plan) -> None:
        """What the plan is, what stands against it, and what would help where a step can't be judged."""
        poor = [step for step in plan.steps if not step.judgeable]
        parts = [plan.refused or what, *plan.warnings]
        if poor:
            where = ", ".join(volts(step.set_v) for step in poor)
            parts.append(f"Not judged with these meters: {where}. {poor[0].remedy}")
        self.words.setText("\n".join(dict.fromkeys(part for part in parts if part)))

    def _fill(self, plan: Plan) -> None:
        self.table.setRowCount(len(plan.steps))
        for row, step in enumerate(plan.steps):
            cells = (
                volts(step.set_v),
                percent(step.fraction),
                amperes(step.acceptance.value),
                amperes(step.stop.value),
                "can judge" if step.judgeable else "can NOT judge",
                step.acceptance.source,
            )
            for column, text in enumerate(cells):
                item = QTableWidgetItem(text)
                item.setToolTip(f"acceptance: {step.acceptance.source}\nstop: {step.stop.source}")
                if not step.judgeable and column == len(HEADS) - 2:
                    item.setForeground(self._look.colour("cannot"))
                item.setTextAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
                self.table.setItem(row, column, item)
