"""One run of a cell, and the line that is kept of it.

run_line(cell, i, seed) -> dict          runs it and says what the tables need
"""

import functools
import math
from typing import Any

import msgspec
import numpy as np
from population_cells import Cell
from virtual import Run, run_cell

from benchlog.bringup import wording
from benchlog.bringup.claims import no_short_claim
from benchlog.bringup.plan import MAY_MISS
from benchlog.model.event import Instruct, Judged, Marked, StepDone
from benchlog.model.reference import Reference, ReferencePoint
from benchlog.model.step import DecidedBy, Outcome, StepRecord, StepVerdict
from benchlog.model.unit import Unit
from benchlog_drivers.simulated.options import SimulateOptions, make_options
from benchlog_drivers.simulated.population import draw_unit

SPREAD = 0.03
"""How far good units of one model differ from each other: one standard deviation of ln I (ours)."""
BAND = 1.25
"""Upper edge of the band of a reference of one unit, as the program takes it."""
_VERDICT = {
    StepVerdict.GO_UP: "g",
    StepVerdict.WAIT: "w",
    StepVerdict.CUT_OFF: "c",
    StepVerdict.CANNOT_JUDGE: "n",
}


def run_line(cell: Cell, i: int, seed: int) -> dict[str, Any]:
    """Run the i-th unit of a cell and tell how it went."""
    options = make_options(seed=seed, **cell.words(i))
    reference = _reference(options) if cell.reference else None
    retell = functools.partial(_retell, cell=cell, options=options)
    run = run_cell(options, reference=reference, retell=retell, keep=False)
    return _line(run, cell, i)


def _retell(unit: Unit, cell: Cell, options: SimulateOptions) -> Unit:
    """What the technician takes it for: a wrong plate, or the maker's idle watts beside it."""
    if cell.plate_factor != 1.0 and unit.plate is not None:
        plate = msgspec.structs.replace(unit.plate, value=unit.plate.value * cell.plate_factor)
        unit = msgspec.structs.replace(unit, plate=plate)
    if cell.knows_idle:
        unit = msgspec.structs.replace(unit, idle_w=round(_idle_w(options), 1))
    return unit


def _twin(options: SimulateOptions) -> Run:
    """The same unit without its fault, on the bench meter and a programmed source, other meter errors."""
    good = msgspec.structs.replace(options, fault="none", meters="bench", turns=1, source="programmed")
    return run_cell(make_options(**msgspec.structs.asdict(good)), keep=False)


@functools.lru_cache(maxsize=1)
def _idle_w(options: SimulateOptions) -> float:
    """What the maker would state: the twin's watts at nominal."""
    twin = _twin(options)
    watts = [r.power_w for r in twin.records if r.power_w is not None]
    return watts[-1]


def _reference(options: SimulateOptions) -> Reference:
    """Another good unit of the model: the twin's settled currents, all off by one factor."""
    factor = math.exp(SPREAD * float(np.random.default_rng([options.seed, 0x2EF]).standard_normal()))
    points = []
    for record in _twin(options).records:
        if record.idle_a and record.measured_v and (not points or record.fraction > points[-1].fraction):
            amperes = record.idle_a * factor
            points.append(ReferencePoint(record.fraction, amperes, BAND * amperes))
    return Reference("another unit of the model (invented)", options.mains_v, tuple(points), invented=True)


def _line(run: Run, cell: Cell, i: int) -> dict[str, Any]:
    ended, options = run.ended, run.options
    visited = [r for r in run.records if r.visited]
    params, _ = draw_unit(
        options.amplifier, options.supply, options.core, options.mains_v, options.seed, options.rated_va
    )
    return {
        "cell": cell.name,
        "i": i,
        "seed": options.seed,
        "core": options.core.value,
        "plate_va": round(run.unit.plate_va, 1),
        "va": round(params.transformer.va, 1),
        "outcome": ended.outcome.value if ended else "still running",
        "reason": ended.reason if ended else "",
        "rule": _acting_rule(run),
        "at": None if ended is None else ended.cut_off_at_fraction,
        "at_step": None if ended is None else ended.cut_off_step_fraction,
        "judged": round(run.judged_share, 4),
        "clean": bool(visited)
        and run.judged_share == 1.0
        and ended is not None
        and ended.outcome == "completed",
        "may_miss": any(w.startswith(MAY_MISS) for w in run.warnings),
        "blind": sum(r.verdict is StepVerdict.CANNOT_JUDGE for r in visited),
        "blind_unnamed": _unnamed(run, visited),
        "steps": _steps(run),
        "destroyed_s": run.destroyed_s,
        "ended_s": round(run.ended_s, 1),
        "hottest": round(run.hottest_ratio, 3),
        "claim": run.claim,
        "claim_early": _early_claim(run),
        "patterns": [pattern.name for pattern in run.fault_patterns],
        "stop_turning": sum(isinstance(s, Instruct) and "Stop turning" in s.text for _, s in run.said),
        "warnings": [s.detail for _, s in run.said if isinstance(s, Marked) and s.what == "warning"],
    }


def _early_claim(run: Run) -> float | None:
    """Highest step after which a technician who stopped would have read that no short was seen."""
    cut = [k for k, record in enumerate(run.records) if record.verdict is StepVerdict.CUT_OFF]
    for k in range(cut[0] if cut else len(run.records), 0, -1):
        if no_short_claim(run.setup, run.records[:k], Outcome.UNDECIDED, no_current=False):
            return run.records[k - 1].fraction
    return None


def _acting_rule(run: Run) -> str | None:
    """Name of the rule that cut off."""
    cut = [s for _, s in run.said if isinstance(s, Judged) and s.verdict is StepVerdict.CUT_OFF]
    return cut[-1].rule if cut else None


def _unnamed(run: Run, visited: list[StepRecord]) -> int:
    """Steps that could not be judged although the plan had not named them before power."""
    named = {step.fraction for step in run.setup.steps if not step.judgeable}
    apart = next((w.removeprefix(MAY_MISS) for w in run.warnings if w.startswith(MAY_MISS)), "")
    volts = {words.strip(" .") for words in apart.split(",")}
    named |= {step.fraction for step in run.setup.steps if wording.volts(step.set_v) in volts}
    return sum(r.verdict is StepVerdict.CANNOT_JUDGE and r.fraction not in named for r in visited)


def _steps(run: Run) -> list[list[Any]]:
    """Of each step: target, measured, verdict, rule, by whom, idle, acceptance, stop, settled after."""
    rules: dict[int, str] = {}
    found = []
    for _, said in run.said:
        if isinstance(said, Judged):
            rules[said.step] = said.rule
        elif isinstance(said, StepDone) and said.record.visited:
            found.append(_step(said.record, rules.get(said.step, ""), run.unit.mains_v))
    return found


def _step(r: StepRecord, rule: str, mains_v: float) -> list[Any]:
    measured = None if r.measured_v is None else round(r.measured_v / mains_v, 4)
    by = "p" if r.decided_by is DecidedBy.PROGRAM else "t"
    idle = None if r.idle_a is None else round(r.idle_a, 5)
    settled = None if r.settled_after_s is None else round(r.settled_after_s, 1)
    return [
        r.fraction, measured, _VERDICT[r.verdict], rule, by, idle, round(r.acceptance_a, 5),
        round(r.stop_a, 5), settled,
    ]  # fmt: skip
