"""Parts out and in: what is asked before one is fitted, and which are still waited for."""

from collections.abc import Iterable, Sequence

from benchlog.cold.corrections import in_force
from benchlog.cold.known import check_of
from benchlog.job.estimate import latest_answer, not_answered
from benchlog.model.errors import UsageError
from benchlog.model.history import Entry, PartChanged, Taken
from benchlog.model.known import Check
from benchlog.model.step import PointVerdict

DIRECTIONS = ("out", "in", "ordered", "returned")
OUTPUT_WORDS = ("output", "power transistor", "power mosfet")
"""Words in a part's position or kind that say it is an output device."""


def own_check(entries: Iterable[Entry], position: str) -> tuple[int, Taken] | None:
    """The latest reading of the new part for a position since one was last fitted there."""
    found: tuple[int, Taken] | None = None
    for entry in in_force(entries):
        match entry.payload:
            case Taken() as taken if taken.part == position:
                found = entry.seq, taken
            case PartChanged(direction="in", position=at) if at == position:
                found = None
            case _:
                pass
    return found


def waited_for(entries: Iterable[Entry]) -> tuple[PartChanged, ...]:
    """Parts ordered and not fitted since, in the order in which they were ordered."""
    open_: dict[str, PartChanged] = {}
    for entry in in_force(entries):
        match entry.payload:
            case PartChanged(direction="ordered") as part:
                open_[part.position] = part
            case PartChanged(direction="in" | "returned") as part:
                open_.pop(part.position, None)
            case _:
                pass
    return tuple(open_.values())


def taken_out(entries: Iterable[Entry]) -> tuple[PartChanged, ...]:
    """Parts taken out with nothing fitted there since."""
    open_: dict[str, PartChanged] = {}
    for entry in in_force(entries):
        match entry.payload:
            case PartChanged(direction="out") as part:
                open_[part.position] = part
            case PartChanged(direction="in") as part:
                open_.pop(part.position, None)
            case _:
                pass
    return tuple(open_.values())


def not_agreed(entries: Sequence[Entry], part: PartChanged) -> tuple[str, ...]:
    """What is to be said of a part before the customer agreed to it; empty where nothing is."""
    if part.direction not in ("in", "ordered"):
        return ()
    answer = latest_answer(entries)
    if answer is not None and not answer[1].approved:
        return (f"The customer declined (entry {answer[0]}).",)
    if not_answered(entries):
        return ("The estimate has no answer yet.",)
    return () if answer is not None else ("No answer of the customer to an estimate is entered yet.",)


def before_fitting(entries: Sequence[Entry], part: PartChanged) -> tuple[str, ...]:
    """What is to be said before a part is fitted; empty where there is nothing."""
    if part.direction != "in":
        return ()
    told = []
    check = own_check(entries, part.position)
    if check is None:
        told.append(f"The new part for {part.position} was not checked by itself before it is fitted.")
    elif check[1].verdict in (PointVerdict.OUTSIDE, PointVerdict.DOUBTFUL):
        word = check[1].verdict.value.replace("-", " ")
        told.append(f"The new part for {part.position} read {word} by itself ({check[1].typed}).")
    if is_output(part) and not has_voice_coil(entries):
        told.append(
            "No voice coil was read: where the loudspeaker is here, read it before the output device goes in."
        )
    return tuple(told)


def is_output(part: PartChanged) -> bool:
    """Whether a part is called an output device."""
    words = f"{part.position} {part.kind} {part.value}".casefold()
    return any(word in words for word in OUTPUT_WORDS)


def has_voice_coil(entries: Iterable[Entry]) -> bool:
    """Whether a voice coil was read."""
    return any(
        isinstance(e.payload, Taken) and _check(e.payload) is Check.VOICE_COIL for e in in_force(entries)
    )


def _check(taken: Taken) -> Check | None:
    try:
        return check_of(taken.point.kind, taken.point.known)
    except UsageError:
        return None
