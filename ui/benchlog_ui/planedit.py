"""Limits of a plan that the technician changes before power, each with a reason that is recorded."""

from collections.abc import Mapping
from dataclasses import dataclass

import msgspec
import tomli_w

from benchlog.bringup.planfile import PlanFile, PlanStep
from benchlog.model.step import Step
from benchlog_ui.words import amperes, volts


@dataclass(frozen=True, slots=True)
class Edit:
    """Another limit at a step: amperes, None where it stays as the rules have it."""

    acceptance_a: float | None
    stop_a: float | None
    reason: str


def plan_file(steps: tuple[Step, ...], edits: Mapping[int, Edit]) -> PlanFile | None:
    """The plan with its edits (step number → edit) as a plan file; None where there are none."""
    if not edits:
        return None
    return PlanFile(tuple(_step(step, edits.get(number)) for number, step in enumerate(steps)))


def _step(step: Step, edit: Edit | None) -> PlanStep:
    """A step as it stands, with its limits where they are one's own."""
    plain = PlanStep(fraction=step.fraction, dwell_s=step.dwell_min_s, longest_s=step.dwell_max_s)
    if edit is None:
        return plain
    return msgspec.structs.replace(
        plain, acceptance_a=edit.acceptance_a, stop_a=edit.stop_a, reason=edit.reason
    )


def plan_text(file: PlanFile | None) -> str:
    """A plan file as TOML; empty where there is none."""
    if file is None:
        return ""
    steps = [{k: v for k, v in msgspec.to_builtins(s).items() if v not in (None, "")} for s in file.step]
    return tomli_w.dumps({"step": steps})


def edit_words(step: Step, edit: Edit) -> str:
    """What was changed, for the history."""
    parts = []
    if edit.acceptance_a is not None:
        parts.append(f"acceptance {amperes(edit.acceptance_a)}")
    if edit.stop_a is not None:
        parts.append(f"stop {amperes(edit.stop_a)}")
    return f"plan changed at {volts(step.set_v)}: {', '.join(parts)}. {edit.reason}"


def ampere_value(text: str) -> float:
    """Amperes as they are typed: 0.12, 0,12, 0.12 A, 120 mA. `ValueError` says what is wrong."""
    plain = text.strip().lower().replace(",", ".").replace(" ", "")
    factor = 1e-3 if plain.endswith("ma") else 1.0
    digits = plain.removesuffix("ma").removesuffix("a")
    try:
        value = float(digits) * factor
    except ValueError:
        raise ValueError(f"'{text.strip()}' is no current; type amperes, e.g. 0.12") from None
    if not 0.0 < value < 1000.0:
        raise ValueError("a limit lies above 0 and below 1000 A")
    return value
