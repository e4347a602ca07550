"""What was not tested, for page one: what the last bring-up left open, less what was read afterwards."""

from collections.abc import Sequence

from benchlog.cold.corrections import in_force
from benchlog.model.history import Entry, JobEnded
from benchlog.model.job import Ending
from benchlog.model.step import PointVerdict
from benchlog.model.work import Adjusted, Adjustment, FinalCheck, FinalChecked, SafetyMeasured
from benchlog.report.heading import is_withheld, last, last_end, runs_of
from benchlog.report.work import FINAL_WORDS, SAFETY_WORDS

LOAD = "Output under load and with signal"
SAFETY = "Protective earth, insulation and touch current"

_READ_LATER = (
    (LOAD, FinalCheck.OUTPUT),
    ("DC at the output", FinalCheck.OFFSET),
    ("Rails", FinalCheck.RAILS),
    ("Reservoirs", FinalCheck.RIPPLE),
)
"""How a line of a bring-up begins, and the final check that makes up for it."""

_SAFETY = (("earth-ohms",), ("insulation-ohms",), ("touch-current", "leakage-volts"))

_SET = {Adjustment.BIAS: FinalCheck.BIAS, Adjustment.OFFSET: FinalCheck.OFFSET}
_EXPECT_FINAL = (Ending.REPAIRED, Ending.NO_FAULT_FOUND)


def not_tested(entries: Sequence[Entry]) -> tuple[str, ...]:
    """One phrase each; never empty unless the history has nothing left open."""
    there = in_force(entries)
    ended = last_end(there)
    found: tuple[str, ...]
    if ended is not None:
        found = tuple(ended.not_tested)
    elif is_withheld(there, "run-ended"):
        found = ("What the bring-up did not test is withheld from this copy.",)
    elif runs_of(there):
        found = ("Anything that the bring-up that broke off did not reach: it has no verdict here.",)
    else:
        found = ("The unit was not brought up: idle current and inrush were not seen.", LOAD, SAFETY)
    judged = tuple(f"Not judged by the program: {line}" for line in ended.not_judged) if ended else ()
    kept = [text for line in found for text in _later(line, there)]
    return (*kept, *_final(there), *judged)


def _later(line: str, entries: Sequence[Entry]) -> tuple[str, ...]:
    """A line as it stands after the final checks and safety tests."""
    if line == SAFETY:
        return _safety(entries)
    for start, check in _READ_LATER:
        if line.startswith(start):
            read = _channels(entries, check)
            return (f"{line.split(':')[0]} during the bring-up ({read})" if read else line,)
    return (line,)


def _channels(entries: Sequence[Entry], check: FinalCheck) -> str:
    """That a final check has a value, and of which channels; empty where it has none."""
    checks = [e.payload for e in entries if isinstance(e.payload, FinalChecked)]
    read = [c.channel for c in checks if c.check is check and c.value is not None]
    of = ", ".join(dict.fromkeys(filter(None, read)))
    return f"read afterwards: {of}" if of else "read afterwards" if read else ""


def _safety(entries: Sequence[Entry]) -> tuple[str, ...]:
    measured = [e.payload for e in entries if isinstance(e.payload, SafetyMeasured)]
    if is_withheld(entries, "safety"):
        return (f"{SAFETY}, unless withheld from this copy",)
    if not measured:
        return (SAFETY,)
    read = {m.test for m in measured}
    judged = {m.test for m in measured if m.verdict is not PointVerdict.NONE}
    class_two = all(m.protection == "ii" for m in measured)
    wanted = _SAFETY[1:] if class_two else _SAFETY
    left = [
        SAFETY_WORDS[tests[0]] + (" (a figure without a judgement)" if read.intersection(tests) else "")
        for tests in wanted
        if not judged.intersection(tests)
    ]
    text = " and ".join([", ".join(left[:-1]), left[-1]] if len(left) > 1 else left)
    return (text[:1].upper() + text[1:],) if left else ()


def _final(entries: Sequence[Entry]) -> tuple[str, ...]:
    """Final checks that were not made, where the job came so far that they are expected."""
    made = {e.payload.check for e in entries if isinstance(e.payload, FinalChecked)}
    made |= {_SET[e.payload.what] for e in entries if isinstance(e.payload, Adjusted)}
    ending = last(entries, JobEnded)
    if not made and (ending is None or ending.ending not in _EXPECT_FINAL):
        return ()
    left = [words for check, words in FINAL_WORDS.items() if check not in made]
    if not made:
        return ("Final checks: none was entered",)
    kept_back = any(is_withheld(entries, kind) for kind in ("final-check", "adjustment"))
    word = "not made, or withheld from this copy" if kept_back else "not made"
    return (f"Final checks {word}: {', '.join(left)}",) if left else ()
