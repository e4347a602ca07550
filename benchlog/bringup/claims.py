"""What a run may say in the end, and what it leaves open."""

from collections.abc import Sequence

from benchlog.bringup import wording
from benchlog.model.instrument import Coupling
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.step import DecidedBy, Outcome, StepRecord, StepVerdict
from benchlog.model.unit import Amplifier, OutputTopology, Supply

_DEVICE_SHOWS_FROM = 0.65
"""From this fraction a single shorted device shows in the current of nearly every simulated unit (ours)."""


_VALVE_SHOWS_FROM = 0.80
_JUDGED = (StepVerdict.GO_UP, StepVerdict.CUT_OFF)


def not_judged(records: Sequence[StepRecord], notes: Sequence[str]) -> tuple[str, ...]:
    """Steps without a verdict of the program to go up, and what a soak left open.

    One sentence for all the steps of which the same is to be said.
    """
    told: dict[str, list[str]] = {}
    for record in records:
        if record.verdict not in _JUDGED:
            told.setdefault(_why(record), []).append(_where(record))
    return (*(f"{', '.join(where)}: {why}" for why, where in told.items()), *notes)


def _where(record: StepRecord) -> str:
    seen_v = record.measured_v if record.visited and record.measured_v is not None else record.set_v
    return wording.volts(seen_v)


def _why(record: StepRecord) -> str:
    if not record.visited:
        return "not visited"
    what = "cannot be judged with this meter" if record.verdict is StepVerdict.CANNOT_JUDGE else "at wait"
    if record.decided_by is DecidedBy.TECHNICIAN:
        return f"{what}; the technician's word: {record.decision_reason}"
    return f"{what}: {record.decision_reason.removeprefix('Wait: ')}"


def least_fraction(plate_va: float, amplifier: Amplifier = Amplifier.CLASS_AB) -> float:
    """From which voltage a short would have shown: 10 % from 100 VA, 15 % from 60 VA, 20 % below; valve 80 %.

    A valve rectifier that is still cold hides a short behind it up to 40-75 % of mains (common practice).
    """
    if amplifier is Amplifier.VALVE:
        return _VALVE_SHOWS_FROM
    return 0.10 if plate_va >= 100.0 else 0.15 if plate_va >= 60.0 else 0.20


def no_short_claim(
    setup: RunSetup, records: Sequence[StepRecord], outcome: Outcome | None, no_current: bool
) -> str | None:
    """The sentence that no short was seen, with how far; None where it may not be printed.

    Not after a cut-off, not where no current was seen at all, not beyond a step above its acceptance limit,
    and only from the voltage at which a short of a unit of this size would have shown. Steps that could not
    be judged do not count. Source: ours, tried on simulated units.
    """
    if outcome in (None, Outcome.CUT_OFF, Outcome.ALARMED, Outcome.REFUSED) or no_current:
        return None
    judged = _judged(records)
    drew = any(_drew(r) for r in judged)
    if not judged or not drew or setup.unit.supply is not Supply.LINEAR:
        return None
    highest_v = max(r.measured_v if r.measured_v is not None else r.set_v for r in judged)
    v = highest_v / setup.unit.mains_v
    if v < least_fraction(setup.unit.plate_va, setup.unit.amplifier) - 0.005:
        return None
    text = f"No short behind the transformer or across the rails seen up to {wording.volts(highest_v)}"
    if not _outputs_read(setup) and v < _DEVICE_SHOWS_FROM:
        return f"{text}; a single shorted output device does not show at this voltage"
    return text


def _drew(record: StepRecord) -> bool:
    """Whether the current stood above the bound that the verdict was given with."""
    bound_a = _bound_a(record)
    return record.idle_a is not None and bound_a is not None and record.idle_a > bound_a


def unseen(record: StepRecord) -> bool:
    """Whether a settled current was not above that bound: `wording.NO_CURRENT_SEEN` belongs beside it."""
    bound_a = _bound_a(record)
    return record.idle_a is not None and bound_a is not None and record.idle_a <= bound_a


def _bound_a(record: StepRecord) -> float | None:
    return record.idle_u_a if record.idle_bound_a is None else record.idle_bound_a


def _judged(records: Sequence[StepRecord]) -> list[StepRecord]:
    """Steps judged to go up by the program, up to the first that was left at wait."""
    judged: list[StepRecord] = []
    for record in records:
        if record.visited and record.verdict in (StepVerdict.WAIT, StepVerdict.CUT_OFF):
            break
        if record.visited and record.verdict is StepVerdict.GO_UP:
            judged.append(record)
    return judged


def _outputs_read(setup: RunSetup) -> bool:
    return setup.reads(Role.OUTPUT_DC) and setup.reads(Role.RAIL_PLUS) and setup.reads(Role.RAIL_MINUS)


def not_tested(setup: RunSetup, records: Sequence[StepRecord]) -> tuple[str, ...]:
    """What this run did not test, one phrase each, fit for page one of a document."""
    reached_v = max((r.measured_v or 0.0 for r in records if r.visited), default=0.0)
    found = ["Output under load and with signal", "Protective earth, insulation and touch current"]
    if reached_v < 0.94 * setup.unit.mains_v:
        found.append(f"Anything above {wording.volts(reached_v)}" if reached_v else "Anything under power")
    if not setup.reads(Role.OUTPUT_DC):
        found.append("DC at the output")
    elif setup.unit.topology is OutputTopology.UNKNOWN:
        found.append("DC at the output: read, not judged, as the kind of output is not known")
    if not (setup.reads(Role.RAIL_PLUS) and setup.reads(Role.RAIL_MINUS)):
        found.append("Rails: an open rail fuse does not show in the source current")
    found.append("Reservoirs: a leaky one does not show in the source current")
    ammeter = setup.sheets.get(Role.SOURCE_CURRENT)
    if ammeter is not None and ammeter.coupling is Coupling.AC:
        found.append("DC in the source current: the ammeter's path passes AC only")
    if setup.lamp_w is not None:
        found.append("Idle current without the series lamp: to be taken again from a low step")
    elif setup.unit.supply is Supply.SWITCH_MODE:
        found.append("First power behind a series lamp: it was not used")
    if setup.soak_s <= 0.0:
        found.append("Soak")
    return tuple(found)
