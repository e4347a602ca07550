"""What stands open in a job before power: readings outside their limit, earth, the last cut-off.

    open_points(entries) -> lines            readings and looks outside their limit that nothing settled since
    open_earth(entries, unit) -> lines       protective earth that was not seen to
    open_cut_off(entries) -> lines           the last bring-up was cut off, and nothing was done since

A later reading of the same point settles an earlier one, and so does a part fitted at the point's own
position that was read before it was fitted. Anything else fitted since is named, and left to the technician.
What to ask before power: common practice, no source.
"""

from collections.abc import Iterable, Sequence

from benchlog.cold.corrections import in_force
from benchlog.job.wording import verdict_text, words_of
from benchlog.model.history import Approved, Entry, Noted, PartChanged, RunBegun, RunEnded, Taken
from benchlog.model.printed import with_prefix
from benchlog.model.step import Outcome, PointVerdict
from benchlog.model.unit import Unit
from benchlog.model.work import Adjusted, FinalChecked, FirstLook, SafetyMeasured

EARTH_CHECK = "protective earth"
"""Name under which the answer to the question stands in the notes before power."""
STAGE = "before-power"
"""Stage of those notes."""
PROGRAM = "recorder"
"""Who signs notes that the program itself made."""
_CUT = (Outcome.CUT_OFF, Outcome.ALARMED)
_DONE = (Taken, PartChanged, FirstLook, Noted, Adjusted, FinalChecked, Approved)


def open_points(entries: Iterable[Entry]) -> tuple[str, ...]:
    """Each reading or look whose latest word is *outside limit*, one line each, in the order written."""
    kept = in_force(entries)
    latest: dict[tuple[object, ...], tuple[Entry, str]] = {}
    for entry in kept:
        for key, words in _told(entry):
            latest[key] = (entry, words)
        if isinstance(entry.payload, PartChanged):
            for key in [key for key in latest if _settled(key, entry.payload)]:
                del latest[key]
    found = sorted(((entry, words) for entry, words in latest.values() if words), key=lambda one: one[0].seq)
    return tuple(f"{words} (entry {entry.seq}{_since(kept, entry.seq)})" for entry, words in found)


def _told(entry: Entry) -> tuple[tuple[tuple[object, ...], str], ...]:
    """What an entry is the latest word on, and its line; an empty one where nothing is outside."""
    match entry.payload:
        case Taken() as taken if not taken.part:
            point = taken.point
            key = ("point", point.name.casefold(), point.group, point.kind, taken.polarity)
            return ((key, _of_reading(taken)),)
        case FirstLook() as look:
            return _of_look(look)
        case FinalChecked(check=check, channel=channel, verdict=verdict):
            return ((("final", check, channel), _outside(verdict, words_of(entry.payload)[1])),)
        case Adjusted(what=what, channel=channel, verdict=verdict):
            return ((("adjusted", what, channel), _outside(verdict, words_of(entry.payload)[1])),)
        case SafetyMeasured(test=test, verdict=verdict):
            return ((("safety", test), _outside(verdict, words_of(entry.payload)[1])),)
        case _:
            return ()


def _outside(verdict: PointVerdict, words: str) -> str:
    return words if verdict is PointVerdict.OUTSIDE else ""


def _of_reading(taken: Taken) -> str:
    if taken.verdict is not PointVerdict.OUTSIDE:
        return ""
    if taken.value is not None:
        value = with_prefix(taken.value, taken.quantity.unit)
    else:
        value = (taken.status.value if taken.status is not None else "no value").replace("-", " ")
    where = f"{taken.point.name}{f', {taken.point.group}' if taken.point.group else ''}"
    return f"{where}: {value}, {verdict_text(taken.verdict)}"


def _of_look(look: FirstLook) -> tuple[tuple[tuple[object, ...], str], ...]:
    """A look that says nothing of the fuse or the selector leaves an earlier one standing."""
    found: list[tuple[tuple[object, ...], str]] = []
    if look.fuse_fitted:
        words = f"fuse fitted {look.fuse_fitted}: {look.fuse_reason}"
        found.append((("look", "fuse"), _outside(look.fuse_verdict, words)))
    if look.selector_v is not None:
        words = f"voltage selector at {look.selector_v:g} V: {look.selector_reason}"
        found.append((("look", "selector"), _outside(look.selector_verdict, words)))
    return tuple(found)


def _settled(key: tuple[object, ...], part: PartChanged) -> bool:
    """Whether a part that was read by itself was fitted at the position that the point is named after."""
    read = part.direction == "in" and part.checked_by > 0
    return read and key[:2] == ("point", part.position.casefold())


def _since(entries: Sequence[Entry], seq: int) -> str:
    fitted = [
        f"{e.payload.position} {e.payload.value}".strip()
        for e in entries
        if e.seq > seq and isinstance(e.payload, PartChanged) and e.payload.direction == "in"
    ]
    return f"; fitted since: {', '.join(fitted)}; not read again" if fitted else ""


def open_earth(entries: Iterable[Entry], unit: Unit) -> tuple[str, ...]:
    """A line unless the unit is Class II, or its protective earth was measured or said to be connected."""
    if unit.protective_earth is False:
        return ()
    seen = False
    for entry in in_force(entries):
        match entry.payload:
            case SafetyMeasured(test="earth-ohms", verdict=verdict):
                seen = verdict in (PointVerdict.WITHIN, PointVerdict.NONE)
            case Noted(text=text, stage=stage) if stage == STAGE and text.startswith(f"{EARTH_CHECK}: "):
                seen = text == f"{EARTH_CHECK}: yes"
            case _:
                pass
    if seen:
        return ()
    if unit.protective_earth is None:
        return ("protective earth: not checked, and whether the unit is Class I is not recorded",)
    return ("protective earth of a Class I unit: not checked",)


def open_cut_off(entries: Iterable[Entry]) -> tuple[str, ...]:
    """A line where the last bring-up was cut off and nothing was read, fitted, looked at or noted since."""
    reason = ""
    for entry in in_force(entries):
        match entry.payload:
            case RunEnded(outcome=outcome, reason=why):
                reason = why if outcome in _CUT else ""
            case RunBegun():
                reason = ""
            case Noted(by=by, stage=stage) if by == PROGRAM or stage == STAGE:
                pass
            case payload if isinstance(payload, _DONE):
                reason = ""
            case _:
                pass
    return (f"the last bring-up was cut off, and nothing was entered since: {reason}",) if reason else ()
