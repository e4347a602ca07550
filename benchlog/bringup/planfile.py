"""A plan file (TOML): steps of the user's own or of a maker's procedure.

procedure = "maker"             optional; then with its reason
reason = "service manual, page 24: ramp slowly from zero"

[[step]]
fraction = 0.10                 or  volts = 12.0
dwell_s = 60                    optional: least stay; the longest is 120 s (valve 300 s) unless given
longest_s = 180
acceptance_a = 0.08             optional: limits of one's own, each step with its reason
stop_a = 0.15
reason = "same model, job 12"
"""

import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

import msgspec

from benchlog.model.errors import UsageError
from benchlog.model.textfile import read_toml


class PlanStep(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One step as it is written: ``fraction`` of nominal or ``volts``, not both."""

    fraction: float | None = None
    volts: float | None = None
    dwell_s: float | None = None
    longest_s: float | None = None
    acceptance_a: float | None = None
    stop_a: float | None = None
    reason: str = ""

    @property
    def own_limits(self) -> bool:
        """Whether it states limits of its own."""
        return self.acceptance_a is not None or self.stop_a is not None


class PlanFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A plan file."""

    step: tuple[PlanStep, ...]
    procedure: Literal["", "maker"] = ""
    reason: str = ""

    @property
    def overrides(self) -> bool:
        """Whether a maker's own procedure, with its reason, overrides the rules on dwelling."""
        return self.procedure == "maker" and bool(self.reason.strip())


def load_plan(path: Path) -> PlanFile:
    """Read a plan file. `UsageError` names the file, the place and what to do."""
    try:
        raw: dict[str, Any] = read_toml(path)
    except FileNotFoundError as error:
        raise UsageError(f"There is no plan file {path}. Leave --plan out for the default plan.") from error
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise UsageError(f"The plan file {path} can't be read: {error}.") from error
    try:
        plan = msgspec.convert(raw, PlanFile)
    except msgspec.ValidationError as error:
        raise UsageError(
            f"The plan file {path} is not right: {error}. Mend it there and try again."
        ) from error
    found = faults(plan)
    if found:
        raise UsageError(f"The plan file {path} is not right: {found[0]}. Mend it there and try again.")
    return plan


def faults(plan: PlanFile) -> list[str]:
    """What can't be meant in a plan file, one phrase each."""
    found = [] if plan.step else ["it has no [[step]]"]
    if plan.procedure == "maker" and not plan.reason.strip():
        found.append('a maker\'s procedure needs its reason (reason = "…")')
    for number, step in enumerate(plan.step, start=1):
        found += [f"step {number}: {text}" for text in _step_faults(step)]
    if found:
        return found
    if len({step.volts is None for step in plan.step}) > 1:
        return ["give all steps as fractions or all as volts"]
    levels = [step.fraction if step.volts is None else step.volts for step in plan.step]
    if any(b is None or a is None or b <= a for a, b in pairwise(levels)):
        found.append("each step has to be higher than the one before")
    return found


def _step_faults(step: PlanStep) -> list[str]:
    found = []
    if (step.fraction is None) == (step.volts is None):
        found.append("give either fraction or volts")
    if step.fraction is not None and not 0.0 < step.fraction <= 1.1:
        found.append("fraction is a share of nominal, above 0 and at most 1.1")
    if step.volts is not None and not 0.0 < step.volts <= 1000.0:
        found.append("volts has to be above 0 and at most 1000")
    for name in ("dwell_s", "longest_s", "acceptance_a", "stop_a"):
        value = getattr(step, name)
        if value is not None and not 0.0 <= value < float("inf"):
            found.append(f"{name} can't be {value}")
    if step.dwell_s is not None and step.longest_s is not None and step.longest_s < step.dwell_s:
        found.append("longest_s is below dwell_s")
    if step.own_limits and not step.reason.strip():
        found.append('limits of one\'s own need their reason (reason = "…")')
    if step.acceptance_a is not None and step.stop_a is not None and step.stop_a < step.acceptance_a:
        found.append("stop_a is below acceptance_a")
    return found
