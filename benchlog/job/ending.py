"""Before a job is ended: what its history says against it, and the reason to end it all the same.

    asked_before_ending(entries, ending) -> lines       empty where nothing stands against it
    job_ended(entries, ending, note, reason, by)        the entry; `PlanRefused` while a question is open

An ending says what was done with the job, nothing of the unit. What to ask: common practice, no source.
"""

from collections.abc import Callable, Iterable, Sequence

from benchlog.cold.corrections import in_force
from benchlog.cold.discharge import standing_of
from benchlog.job.estimate import latest_answer, not_answered
from benchlog.job.openpoints import open_points
from benchlog.job.parts import taken_out, waited_for
from benchlog.model.errors import PlanRefused
from benchlog.model.history import Entry, JobEnded, JobEntered, PartChanged, RunBegun, RunEnded, Taken
from benchlog.model.job import Ending
from benchlog.model.reason import reason_of
from benchlog.model.step import Outcome, PointVerdict
from benchlog.model.work import Adjusted, Adjustment, FinalCheck, FinalChecked

_SET = {Adjustment.BIAS: FinalCheck.BIAS, Adjustment.OFFSET: FinalCheck.OFFSET}
_RAN = {
    Outcome.CUT_OFF: "was cut off",
    Outcome.ALARMED: "was alarmed: the source had to be switched off by hand",
    Outcome.UNDECIDED: "ended undecided",
    Outcome.REFUSED: "was refused",
}


def asked_before_ending(entries: Iterable[Entry], ending: Ending) -> tuple[str, ...]:
    """What stands against that ending, one line each, in the order in which it would be looked for."""
    kept = in_force(entries)
    asked = [line for ask in (_ended_before, _charged, *_ASKED[ending]) for line in ask(kept)]
    return tuple(dict.fromkeys(asked))


def job_ended(
    entries: Iterable[Entry], ending: Ending, note: str = "", reason: str = "", by: str = ""
) -> JobEnded:
    """The entry that ends the job, with what stood against it and the reason.

    `PlanRefused` while something stands against it without a reason, `UsageError` for one that says nothing.
    """
    asked = asked_before_ending(entries, ending)
    why = reason_of(reason)
    if asked and not why:
        lines = "".join(f"\n  {line}" for line in asked)
        raise PlanRefused(
            f"{_against(ending)}{lines}\nEnter what is missing, or end the job all the same: --reason TEXT."
        )
    return JobEnded(ending, note.strip(), by, asked, why)


def question(asked: Sequence[str], ending: Ending) -> str:
    """The lines as one question."""
    return f"{_against(ending)} {'; '.join(asked)}."


def _against(ending: Ending) -> str:
    return f"Against '{ending.value.replace('-', ' ')}' stands:"


def ended_by(entries: Iterable[Entry]) -> Entry | None:
    """The entry that ended the job; None while it is open. An intake after it opens the job again."""
    found: Entry | None = None
    for entry in in_force(entries):
        match entry.payload:
            case JobEnded():
                found = entry
            case JobEntered():
                found = None
            case _:
                pass
    return found


def _ended_before(entries: Sequence[Entry]) -> list[str]:
    before = ended_by(entries)
    if before is None or not isinstance(before.payload, JobEnded):
        return []
    how = before.payload.ending.value.replace("-", " ")
    return [f"the job ended already as {how} on {before.wall:%Y-%m-%d} (entry {before.seq})"]


def _charged(entries: Sequence[Entry]) -> list[str]:
    standing = standing_of(entries)
    return [f"{name} was last read charged: {words}" for name, words in standing.charged]


def _readings(entries: Sequence[Entry]) -> list[str]:
    charged = {name for name, _ in standing_of(entries).charged}
    return [line for line in open_points(entries) if line.partition(":")[0] not in charged]


def _parts(entries: Sequence[Entry]) -> list[str]:
    """Taken out and nothing fitted, ordered and not fitted, or fitted although it read outside."""
    found = [f"{p.position} {p.value}: taken out, nothing fitted there" for p in taken_out(entries)]
    found += [f"{p.position} {p.value}: ordered, not fitted" for p in waited_for(entries)]
    by_seq = {e.seq: e.payload for e in entries}
    for position, part in _fitted(entries).items():
        check = by_seq.get(part.checked_by)
        if isinstance(check, Taken) and check.verdict is PointVerdict.OUTSIDE:
            found.append(f"{position} {part.value}: fitted, and it read outside its limit by itself")
    return found


def _fitted(entries: Sequence[Entry]) -> dict[str, PartChanged]:
    """What is in now, by position."""
    changed = [e.payload for e in entries if isinstance(e.payload, PartChanged)]
    last = {p.position: p for p in changed if p.direction in ("in", "out")}
    return {position: part for position, part in last.items() if part.direction == "in"}


def _answer(entries: Sequence[Entry]) -> list[str]:
    answer = latest_answer(entries)
    if answer is not None and not answer[1].approved:
        return [f"the customer declined (entry {answer[0]})"]
    return ["the estimate has no answer yet"] if not_answered(entries) else []


def _run(entries: Sequence[Entry]) -> list[str]:
    """The last bring-up: none, broken off, not completed, or before the last part was fitted."""
    begun = max((e.seq for e in entries if isinstance(e.payload, RunBegun)), default=0)
    ended = max((e for e in entries if isinstance(e.payload, RunEnded)), key=lambda e: e.seq, default=None)
    if not begun and ended is None:
        return ["the unit was not brought up"]
    if ended is None or ended.seq < begun:
        return ["the last bring-up broke off and has no end"]
    run = ended.payload
    if isinstance(run, RunEnded) and run.outcome is not Outcome.COMPLETED:
        return [f"the last bring-up {_RAN[run.outcome]}: {run.reason.rstrip('.')}"]
    later = [
        e.payload.position
        for e in entries
        if e.seq > ended.seq and isinstance(e.payload, PartChanged) and e.payload.direction == "in"
    ]
    return [f"fitted since the last bring-up: {', '.join(later)}"] if later else []


def _finals(entries: Sequence[Entry]) -> list[str]:
    """Final checks since the last bring-up that were not made."""
    since = max((e.seq for e in entries if isinstance(e.payload, RunBegun)), default=0)
    after = [e.payload for e in entries if e.seq > since]
    made = {p.check for p in after if isinstance(p, FinalChecked)}
    made |= {_SET[p.what] for p in after if isinstance(p, Adjusted)}
    if not made:
        return ["no final check was made"]
    left = [check.value.replace("-", " ") for check in FinalCheck if check not in made]
    return [f"final checks not made: {', '.join(left)}"] if left else []


def _changed(entries: Sequence[Entry]) -> list[str]:
    """Parts out, or others in, of a unit that is said to go back as it came."""
    found = [f"{p.position} {p.value}: taken out, nothing fitted there" for p in taken_out(entries)]
    return found + [f"{position} {part.value}: fitted" for position, part in _fitted(entries).items()]


def _approved(entries: Sequence[Entry]) -> list[str]:
    answer = latest_answer(entries)
    return [f"the customer approved (entry {answer[0]})"] if answer is not None and answer[1].approved else []


_Ask = Callable[[Sequence[Entry]], list[str]]
_ASKED: dict[Ending, tuple[_Ask, ...]] = {
    Ending.REPAIRED: (_readings, _parts, _answer, _run, _finals),
    Ending.NO_FAULT_FOUND: (_readings, _parts, _run, _finals),
    Ending.DECLINED: (_approved, _changed),
    Ending.BEYOND_REPAIR: (),
    Ending.RETURNED: (_changed,),
}
