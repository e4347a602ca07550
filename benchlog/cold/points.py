"""Test points of a job: the list, templates, and the same point before and after.

    points_of(entries) -> tuple[TestPoint, ...]       the list as it stands
    template_names(), template(name)                  lists to start from, shipped as TOML
    read_points(text), points_text(points)            TOML and back
    pairs_of(entries) -> tuple[Pair, ...]             first and last reading of each point

A list file has one ``[[point]]`` table a point, in the order in which they are taken: ``name``, ``kind``,
``group``, ``fed_by`` and ``known`` (a table of `Known`), ``expected`` in the technician's own words.
"""

import difflib
import tomllib
from collections.abc import Iterable, Sequence
from importlib.resources import files
from typing import Any

import msgspec
import tomli_w

from benchlog.cold.corrections import in_force
from benchlog.model.errors import UsageError
from benchlog.model.history import Entry, PointsListed, Taken
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.textfile import parse_toml

MOST_POINTS = 1000


class Pair(msgspec.Struct, frozen=True):
    """A point with its first reading and its last one, each with the number of its entry."""

    point: TestPoint
    before: Taken
    before_seq: int
    after: Taken
    after_seq: int


class _List(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    point: tuple[TestPoint, ...]
    about: str = ""


def points_of(entries: Iterable[Entry]) -> tuple[TestPoint, ...]:
    """The list of points as it now stands; empty where there is none."""
    lists = [e.payload for e in in_force(entries) if isinstance(e.payload, PointsListed)]
    return lists[-1].points if lists else ()


def find_point(
    points: Sequence[TestPoint], name: str, kind: PointKind | None = None, group: str = ""
) -> TestPoint | None:
    """The point of that name, and of that kind and group where they are given.

    None where it is not on the list; `UsageError` where several could be meant.
    """
    found = [
        p for p in points if p.name == name and kind in (None, p.kind) and (not group or p.group == group)
    ]
    if len(found) > 1:
        which = ", ".join(f"{p.group or 'no group'}/{p.kind.value}" for p in found)
        raise UsageError(f"Several points are called '{name}' ({which}). Say which by --group and --kind.")
    return found[0] if found else None


def near(points: Sequence[TestPoint], name: str) -> str:
    """What may have been meant by a name that is not on the list; empty where nothing is like it."""
    names = {p.name.casefold(): p.name for p in points}
    alike = [names[n] for n in difflib.get_close_matches(name.casefold(), names, n=2, cutoff=0.6)]
    found = [p for p in points if p.name in alike]
    words = [f"'{p.name}'{f' in {p.group}' if p.group else ''} ({p.kind.value})" for p in found[:4]]
    return f"; there is {', '.join(words)}" if words else ""


def with_point(points: Sequence[TestPoint], point: TestPoint) -> tuple[TestPoint, ...]:
    """The list with a point added at its end, or put in the place of the one it stands for."""
    at = [_identity(p) for p in points]
    if _identity(point) in at:
        k = at.index(_identity(point))
        return (*points[:k], point, *points[k + 1 :])
    return _distinct((*points, point))


def without_point(points: Sequence[TestPoint], point: TestPoint) -> tuple[TestPoint, ...]:
    """The list without a point."""
    return tuple(p for p in points if _identity(p) != _identity(point))


def _identity(point: TestPoint) -> tuple[str, str, PointKind]:
    return point.group, point.name, point.kind


def _distinct(points: tuple[TestPoint, ...]) -> tuple[TestPoint, ...]:
    """The list itself. `UsageError` for a point without a name, named twice, or too many."""
    if len(points) > MOST_POINTS:
        raise UsageError(f"A list holds at most {MOST_POINTS} points.")
    seen: set[tuple[str, str, PointKind]] = set()
    for point in points:
        if not point.name.strip():
            raise UsageError("A test point needs a name.")
        if _identity(point) in seen:
            raise UsageError(f"The point '{point.name}' ({point.group}, {point.kind.value}) is there twice.")
        seen.add(_identity(point))
    return points


def read_points(text: str, what: str = "The list of points") -> tuple[TestPoint, ...]:
    """Points of a TOML text. `UsageError` says what is wrong in it."""
    try:
        found = msgspec.convert(parse_toml(text), _List)
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as error:
        raise UsageError(f"{what} can't be read: {error}.") from error
    return _distinct(found.point)


def points_text(points: Sequence[TestPoint], about: str = "") -> str:
    """Points as TOML, ready to be edited and read again."""
    tables = [_table(point) for point in points]
    head: dict[str, Any] = {"about": about} if about else {}
    return tomli_w.dumps({**head, "point": tables})


def _table(point: TestPoint) -> dict[str, Any]:
    built: dict[str, Any] = msgspec.to_builtins(point)
    return _without_nothing(built)


def _without_nothing(table: dict[str, Any]) -> dict[str, Any]:
    """A table without empty texts, empty tables and what is not known, which TOML can't say."""
    kept = {k: _without_nothing(v) if isinstance(v, dict) else v for k, v in table.items()}
    return {k: v for k, v in kept.items() if v is not None and v != "" and v != {}}


def _folder() -> Any:
    return files("benchlog.cold") / "templates"


def template_names() -> tuple[str, ...]:
    """Names of the lists that are shipped."""
    return tuple(
        sorted(f.name.removesuffix(".toml") for f in _folder().iterdir() if f.name.endswith(".toml"))
    )


def template(name: str) -> tuple[TestPoint, ...]:
    """A list that is shipped. `UsageError` lists their names."""
    if name not in template_names():
        raise UsageError(f"No list '{name}' is shipped. There is: {', '.join(template_names())}.")
    return read_points((_folder() / f"{name}.toml").read_text(encoding="utf-8"), f"The list {name}")


def pairs_of(entries: Iterable[Entry]) -> tuple[Pair, ...]:
    """Points that were read more than once, in order of their first reading: first and last of each.

    A point is the same by group, name, kind and polarity. A new part's own check is another point, and what
    a correction says does not count is passed over.
    """
    found: dict[tuple[object, ...], list[tuple[int, Taken]]] = {}
    for entry in in_force(entries):
        if isinstance(entry.payload, Taken):
            taken = entry.payload
            key = (*_identity(taken.point), taken.polarity, taken.part)
            found.setdefault(key, []).append((entry.seq, taken))
    return tuple(
        Pair(taken[-1][1].point, taken[0][1], taken[0][0], taken[-1][1], taken[-1][0])
        for taken in found.values()
        if len(taken) > 1
    )


def still_to_take(
    points: Sequence[TestPoint], entries: Iterable[Entry], after_seq: int = 0
) -> tuple[TestPoint, ...]:
    """Points of the list without a reading since the entry of that number, in the list's order."""
    done = {
        _identity(e.payload.point)
        for e in in_force(entries)
        if isinstance(e.payload, Taken) and e.seq > after_seq and not e.payload.part
    }
    return tuple(p for p in points if _identity(p) not in done)
