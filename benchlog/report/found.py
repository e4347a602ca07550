"""What was found: what the readings pointed to before parts were changed, and what still stands at the end.

A finding rests on the latest reading of each point, so that a repaired point takes its finding away. A
document has to say what was found as well as what is left, so the history is read as it stood before each
change of parts, and at its end.
"""

from collections.abc import Sequence
from itertools import pairwise

from benchlog.cold.corrections import in_force
from benchlog.cold.findings import Finding, findings
from benchlog.model.history import Entry, PartChanged, Taken
from benchlog.model.known import Check
from benchlog.model.reading import Status
from benchlog.model.step import PointVerdict
from benchlog.report.pairs import Point, readings_of
from benchlog.report.tables import point_name, reading_text, way_of

MOST_READINGS = 4
"""Readings that are told behind a finding; the rest are counted."""
MOST_CHANGES = 12
"""Changes of parts before which the history is read; what came later shows at the end."""

_CHANGES = ("out", "in")


def found_lines(entries: Sequence[Entry], plain: bool = False) -> tuple[str, ...]:
    """One sentence each, with its readings; ``plain`` leaves the source of the rule out."""
    counting = in_force(entries)
    stages = _stages(counting)
    there: dict[tuple[str, str], Finding] = {}
    for stage in stages:
        for finding in findings(stage):
            there.setdefault((finding.name, finding.group), finding)
    others = _others(stages, {seq for f in there.values() for seq in f.seqs}, plain)
    last = {(f.name, f.group): f for f in findings(counting)} if len(stages) > 1 else {}
    by_seq = {e.seq: e for e in counting}
    return (*(_line(f, last.get(key), by_seq, plain) for key, f in there.items()), *others)


def _others(stages: Sequence[Sequence[Entry]], told: set[int], plain: bool) -> tuple[str, ...]:
    """Readings outside their limit, and open fuses, on which no finding rests: of each point the first."""
    outside: dict[Point, str] = {}
    is_open: dict[Point, str] = {}
    for stage in stages:
        for key, readings in readings_of(stage).items():
            seq, taken = readings[-1]
            if seq in told:
                continue
            if taken.verdict is PointVerdict.OUTSIDE:
                outside.setdefault(key, _of(taken))
            elif _is_open_fuse(taken):
                is_open.setdefault(key, point_name(taken.point))
    return (*_listed("Outside limit", outside, plain), *_listed("Read open", is_open, plain))


def _is_open_fuse(taken: Taken) -> bool:
    """Whether a fuse read open although nothing was said of it, e.g. since its marking is not known."""
    named = taken.point.known.check is Check.FUSE or "fuse" in taken.point.name.lower()
    return named and taken.status is Status.OPEN_LEADS and taken.verdict is PointVerdict.NONE


def _listed(title: str, found: dict[Point, str], plain: bool) -> tuple[str, ...]:
    most = MOST_READINGS if plain else len(found)
    more = f"; and {len(found) - most} more" if len(found) > most else ""
    return (f"{title}: {'; '.join(list(found.values())[:most])}{more}.",) if found else ()


def _stages(entries: Sequence[Entry]) -> list[Sequence[Entry]]:
    """The history before each change of parts, and whole."""
    cuts = [k for k, (a, b) in enumerate(pairwise(entries), 1) if _is_change(b) and not _is_change(a)]
    return [*(entries[:k] for k in cuts[:MOST_CHANGES]), entries]


def _is_change(entry: Entry) -> bool:
    return isinstance(entry.payload, PartChanged) and entry.payload.direction in _CHANGES


def _line(found: Finding, at_end: Finding | None, by_seq: dict[int, Entry], plain: bool) -> str:
    behind = [_reading(by_seq[seq], words) for seq, words in zip(found.seqs, found.evidence, strict=True)]
    more = f"; and {len(behind) - MOST_READINGS} more" if len(behind) > MOST_READINGS else ""
    source = "" if plain else f" Rule: {found.source}."
    since = "" if at_end is None else _since(found, at_end, by_seq)
    return f"{found.says} ({'; '.join(behind[:MOST_READINGS])}{more}){since}.{source}"


def _since(found: Finding, at_end: Finding, by_seq: dict[int, Entry]) -> str:
    """That a finding stands at the end, by a later reading or for want of one."""
    later = [seq for seq in at_end.seqs if seq not in found.seqs]
    if later:
        return "; still so when read again"
    if len(at_end.seqs) == len(found.seqs):
        return "; not read again afterwards"
    left = (by_seq[seq].payload for seq in at_end.seqs)
    names = ", ".join(point_name(what.point) for what in left if isinstance(what, Taken))
    return f"; not read again afterwards: {names}"


def _reading(entry: Entry, words: str) -> str:
    if not isinstance(entry.payload, Taken):
        return words.rstrip(".")
    return _of(entry.payload)


def _of(taken: Taken) -> str:
    return f"{point_name(taken.point)}{way_of(taken)} {reading_text(taken)}"
