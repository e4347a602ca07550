"""What a bring-up was set up with: all that is needed to judge its record again."""

import msgspec

from benchlog.model.instrument import MeterSheet
from benchlog.model.reference import Reference
from benchlog.model.role import Role
from benchlog.model.step import Step
from benchlog.model.typical import TypicalCurve
from benchlog.model.unit import Unit


class RunSetup(msgspec.Struct, frozen=True):
    """Unit, plan, meters and options of one bring-up; recorded when it begins."""

    unit: Unit
    steps: tuple[Step, ...]
    """By rising fraction; the last is the highest voltage of the run."""
    periods_s: dict[Role, float]
    """Expected session seconds between readings of each channel that is read. A role that is missing here
    is not read: nothing waits for it and nothing is said of it."""
    sheets: dict[Role, MeterSheet] = {}
    """Sheet of the instrument that plays each role. `Role.SOURCE`: rated current and voltage (of a hand-set
    source: full scale of the dial), short-time current and regulation."""
    hand_set: bool = False
    """True where a hand turns the source; False for a programmed one."""
    contactor: bool = False
    """A cut-off contactor stands ahead of the isolating transformer."""
    lamp_w: float | None = None
    """Watts of the series lamp in circuit; None without one."""
    soak_s: float = 0.0
    """Length of the soak at the last step; 0 for none."""
    ask: bool = False
    """A programmed source steps up at the key only."""
    time_scale: float = 1.0
    """Session seconds per real second; 1 except on a simulated bench."""
    reference: Reference | None = None
    typical: TypicalCurve | None = None
    """The usual curve that forecasts rest on; None for switch-mode supplies and in older records."""
    procedure: str = ""
    """``maker`` where the plan follows a maker's own procedure; empty otherwise."""
    procedure_reason: str = ""

    @property
    def source(self) -> MeterSheet:
        """Sheet of the source; an empty one where nothing is known of it."""
        return self.sheets.get(Role.SOURCE, MeterSheet())

    @property
    def dial_v(self) -> float:
        """Full scale of a dial in V: as the bench file says, else 130 or 260 V (ours, the usual ranges)."""
        return self.source.rated_voltage_v or (130.0 if self.unit.mains_v <= 130.0 else 260.0)

    def reads(self, role: Role) -> bool:
        """Whether a channel with this role is read in this run."""
        return role in self.periods_s
