"""Sentences of the document: what was seen, never more than that."""

import re
from collections.abc import Sequence

from benchlog.bringup.claims import unseen
from benchlog.model.history import RunEnded
from benchlog.model.job import Ending
from benchlog.model.step import DecidedBy, Outcome, StepRecord, StepVerdict
from benchlog.report.figures import plain

CAUTIONS = (
    "Mains voltages and charged reservoirs can kill. Work on live or open equipment belongs to people "
    "who are "
    "trained and permitted where they work; local codes and licensed practice take precedence over "
    "anything here.",
    "A variable transformer does not isolate. Behind an isolating transformer a residual-current device "
    "can't "
    "see a shock across the isolated pair. An earthed lead on the unit ends its isolation.",
    "Reservoirs stay charged: measure at each one's own terminals, meter on DC, the meter proved before "
    "and after.",
    "This program is no emergency stop. Fuses, the source's own current limit and a hand-operated switch "
    "protect.",
    "This document records what was measured. It does not certify the unit.",
)

VERDICT_WORDS = {
    StepVerdict.GO_UP: "go up",
    StepVerdict.WAIT: "wait",
    StepVerdict.CUT_OFF: "cut off",
    StepVerdict.CANNOT_JUDGE: "cannot judge",
}

ENDING_WORDS = {
    Ending.REPAIRED: "Repaired",
    Ending.NO_FAULT_FOUND: "No fault found",
    Ending.DECLINED: "Declined by the customer",
    Ending.BEYOND_REPAIR: "Beyond repair",
    Ending.RETURNED: "Returned as it came",
}

ENDING_SENTENCES = {
    Ending.REPAIRED: "Repaired, in the technician's judgement; what was done and seen stands below.",
    Ending.NO_FAULT_FOUND: "No fault found: the complaint was not seen during this work, which does not "
    "show that there is none.",
    Ending.DECLINED: "Declined: the customer declined the repair; the complaint stands.",
    Ending.BEYOND_REPAIR: "Beyond repair, in the technician's judgement; the complaint stands.",
    Ending.RETURNED: "Returned as it came: nothing was repaired; the complaint stands.",
}

READING_RULE = (
    "A reading counts as within or outside a limit only where it is so with its uncertainty U (about 95 %) "
    "allowed for; where U is not known, or too wide for the limit, there is no judgement. What was only seen "
    "or heard is recorded and not judged."
)
DECISION_RULE = (
    "Idle current is held against the acceptance limit with the meter's bound added (go up only if reading "
    "+ bound is at or below the limit) and against the stop limit as read. The bound is 2/√3 times the "
    "meter's stated accuracy, its parts added. Where it exceeds half the acceptance limit the step is not "
    "judged."
)


_ALREADY_SAID = ("Wait: ", "Undecided: ", "Cut off. ", "Alarm: ")
"""How reasons begin that stand behind their verdict here."""

_POWER = re.compile(r"\d(?:\.\d+)?e[+-]\d\d")
"""A power of ten, as earlier versions wrote it into reasons."""
_GIVE = re.compile(r": give (?:it|both)\b")
_DO = re.compile(
    r"(?:[:;,]|\.(?= Look)) (?:or )?"
    r"(?:give|say|name|read it|compare|lift|look at|Look at|discharge|do not touch|connect no)\b[^;()]*"
)
"""What a reason tells the technician to do; in a document it would read as part of the verdict."""


def told_reason(reason: str) -> str:
    """A recorded reason as it stands behind its verdict: not said twice, without what was to be done."""
    while reason.startswith(_ALREADY_SAID):
        reason = reason.removeprefix(next(p for p in _ALREADY_SAID if reason.startswith(p)))
    reason = _POWER.sub(lambda match: plain(float(match.group()), 3), reason)
    return _DO.sub("", _GIVE.sub(", not given", reason)).strip()


END_WITHHELD = "How the bring-up ended is withheld from this copy, since it holds the technician's own words."
BROKEN_OFF = "The bring-up broke off: its end is not in this session, and nothing is said of it."


def decision_rule(ran: bool) -> str:
    """The rule by which readings were judged, and where the unit was brought up the one of its steps."""
    return f"{READING_RULE} {DECISION_RULE}" if ran else READING_RULE


def ending_sentence(ending: Ending) -> str:
    """How the job ended, claiming no more than was seen."""
    return ENDING_SENTENCES[ending]


def highest_judged(steps: Sequence[StepRecord]) -> StepRecord | None:
    """The highest step that the program itself judged to go up; None where there was none."""
    judged = [s for s in steps if s.verdict is StepVerdict.GO_UP and s.decided_by is DecidedBy.PROGRAM]
    return max(judged, key=lambda s: s.fraction, default=None)


def outcome_sentence(run: RunEnded | None) -> str:
    """One sentence on how the bring-up ended and what was seen, with the voltage it was seen up to."""
    if run is None:
        return "The unit was not brought up on the variable source in this session."
    seen = _seen_up_to(highest_judged(run.steps))
    if run.outcome is Outcome.COMPLETED:
        return f"The bring-up was completed: {seen}."
    if run.outcome is Outcome.CUT_OFF:
        return run.reason if run.reason.startswith("Cut off") else f"The source was cut off. {run.reason}"
    if run.outcome is Outcome.ALARMED:
        why = run.reason.removeprefix("Cut off. ")
        return f"The technician was told to switch the source off. {why}"
    if run.outcome is Outcome.REFUSED:
        return f"The bring-up was refused before power. {run.reason}"
    why = told_reason(run.reason)
    return f"The bring-up ended undecided: {seen}. {why[:1].upper()}{why[1:]}".rstrip()


def _seen_up_to(top: StepRecord | None) -> str:
    """What was seen at the highest step that was judged; a dead unit is not praised for drawing nothing."""
    if top is None:
        return "no step was judged by the program"
    if unseen(top):
        return f"no current seen up to {_volts(top)}, which can't be told from an open fuse, switch or cord"
    return f"idle current within its acceptance limit up to {_volts(top)}, {_amperes(top.idle_a)} there"


def _volts(step: StepRecord) -> str:
    volts = step.measured_v if step.measured_v is not None else step.set_v
    return f"{plain(volts, 3)} V"


def _amperes(value: float | None) -> str:
    return "not measured" if value is None else f"{plain(value, 3)} A"
