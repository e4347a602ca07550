"""``benchlog point``: the list of test points of a job, its readings before and after."""

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path

import msgspec

from benchlog.cli.entries import enter
from benchlog.cli.options import add_json_option, member
from benchlog.cli.output import columns, print_json, print_lines, say
from benchlog.cli.take import add_known_options, known_from
from benchlog.cold.channels import channels_beside
from benchlog.cold.corrections import in_force
from benchlog.cold.discharge import standing_of, waits_for
from benchlog.cold.findings import findings
from benchlog.cold.points import (
    find_point,
    near,
    pairs_of,
    points_of,
    points_text,
    read_points,
    still_to_take,
    template,
    template_names,
    with_point,
    without_point,
)
from benchlog.model.errors import EnvironmentFault, Exit, UsageError
from benchlog.model.history import Entry, PointsListed, RunEnded, Taken
from benchlog.model.known import Known
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.textfile import MOST_TOML, read_bounded
from benchlog.session.reader import SessionReader

ACTIONS = ("list", "add", "remove", "template", "load", "save", "pairs", "channels", "findings")


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``point``."""
    parser.add_argument("session", type=Path, metavar="SESSION", help="session file (*.benchlog)")
    parser.add_argument("action", choices=ACTIONS, nargs="?", default="list", help="list where left away")
    parser.add_argument(
        "what", nargs="?", default="", metavar="WHAT",
        help=f"a point's name; a TOML file to load or save; a template: {', '.join(template_names())}",
    )  # fmt: skip
    parser.add_argument("--kind", metavar="KIND", help=", ".join(k.value for k in PointKind))
    parser.add_argument("--group", default="", metavar="TEXT", help="board or channel")
    parser.add_argument("--fed-by", default="", metavar="NAMES", help="reservoirs that feed it, with commas")
    parser.add_argument("--expected", default="", metavar="TEXT", help="in your own words")
    parser.add_argument("--by", default="", metavar="NAME")
    parser.add_argument("--sure", action="store_true", help="take figures although they look doubtful")
    add_known_options(parser)
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do what is asked with the list."""
    with SessionReader(args.session) as reader:
        entries = reader.entries(photographs=False)
    points = points_of(entries)
    if args.action in _CHANGES:
        return _enter(args, _CHANGES[args.action](args, points))
    if args.action == "save":
        return _save(args, points)
    if args.action == "findings":
        return _findings(args, entries)
    if args.action == "channels":
        return _channels(args, entries)
    return _pairs(args, entries) if args.action == "pairs" else _list(args, entries, points)


def _enter(args: argparse.Namespace, points: tuple[TestPoint, ...]) -> int:
    seq = enter(args.session, PointsListed(points, args.by))
    if args.json:
        print_json({"session": str(args.session), "seq": seq, "points": points})
    else:
        say(f"Entry {seq} in {args.session}: {len(points)} points.")
    return int(Exit.DONE)


def _add(args: argparse.Namespace, points: Sequence[TestPoint]) -> tuple[TestPoint, ...]:
    if not args.what or not args.kind:
        raise UsageError("A point needs a name and --kind.")
    known = known_from(args, Known())
    kind = member(PointKind, args.kind, "--kind")
    return with_point(points, TestPoint(args.what, kind, args.group, args.fed_by, args.expected, known))


def _remove(args: argparse.Namespace, points: Sequence[TestPoint]) -> tuple[TestPoint, ...]:
    kind = member(PointKind, args.kind, "--kind") if args.kind else None
    found = find_point(points, args.what, kind, args.group)
    if found is None:
        raise UsageError(f"'{args.what}' is not on the list{near(points, args.what)}.")
    return without_point(points, found)


def _template(args: argparse.Namespace, points: Sequence[TestPoint]) -> tuple[TestPoint, ...]:
    return _joined(points, template(args.what))


def _load(args: argparse.Namespace, points: Sequence[TestPoint]) -> tuple[TestPoint, ...]:
    path = Path(args.what)
    try:
        text = read_bounded(path, MOST_TOML).decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise EnvironmentFault(f"{path} can't be read: {error}. Name a TOML file of points.") from error
    return _joined(points, read_points(text, str(path)))


def _joined(points: Sequence[TestPoint], more: Sequence[TestPoint]) -> tuple[TestPoint, ...]:
    joined = tuple(points)
    for point in more:
        joined = with_point(joined, point)
    return joined


_CHANGES: dict[str, Callable[[argparse.Namespace, Sequence[TestPoint]], tuple[TestPoint, ...]]] = {
    "add": _add,
    "remove": _remove,
    "template": _template,
    "load": _load,
}


def _save(args: argparse.Namespace, points: Sequence[TestPoint]) -> int:
    if not args.what:
        raise UsageError("Name the TOML file to save the points to.")
    try:
        Path(args.what).write_text(points_text(points), encoding="utf-8")
    except OSError as error:
        raise EnvironmentFault(f"{args.what} can't be written: {error}.") from error
    if args.json:
        print_json({"file": args.what, "points": points})
    else:
        say(f"{len(points)} points in {args.what}.")
    return int(Exit.DONE)


def _list(args: argparse.Namespace, entries: Sequence[Entry], points: Sequence[TestPoint]) -> int:
    """The points with their last reading; since the last bring-up where there was one."""
    since = max((e.seq for e in entries if isinstance(e.payload, RunEnded)), default=0)
    open_ = still_to_take(points, entries, since)
    standing = standing_of(entries)
    waiting = {p: waits_for(p, True, standing) for p in points}
    if args.json:
        rows = [
            {"point": p, "to_take": p in open_, "waits_for": waiting[p], "last": _last(p, entries)}
            for p in points
        ]
        print_json({"session": str(args.session), "points": rows})
        return int(Exit.DONE)
    lines = [
        (p.group, p.name, p.kind.value, _words(_last(p, entries)), "; ".join(waiting[p])) for p in points
    ]
    print_lines(columns(lines, ("group", "point", "kind", "last reading", "waits for")))
    return int(Exit.DONE)


def _last(point: TestPoint, entries: Sequence[Entry]) -> Taken | None:
    found = [e.payload for e in in_force(entries) if isinstance(e.payload, Taken) and not e.payload.part]
    same = [
        t
        for t in found
        if (t.point.group, t.point.name, t.point.kind) == (point.group, point.name, point.kind)
    ]
    return same[-1] if same else None


def _words(taken: Taken | None) -> str:
    if taken is None:
        return "to take"
    value = taken.typed or (f"{taken.value:.4g}" if taken.value is not None else "no reading")
    return f"{value} ({taken.verdict.value.replace('-', ' ')})"


def _pairs(args: argparse.Namespace, entries: Sequence[Entry]) -> int:
    pairs = pairs_of(entries)
    if args.json:
        print_json({"session": str(args.session), "pairs": [msgspec.to_builtins(p) for p in pairs]})
        return int(Exit.DONE)
    rows = [(p.point.group, p.point.name, _words(p.before), _words(p.after)) for p in pairs]
    print_lines(columns(rows, ("group", "point", "before", "after")))
    return int(Exit.DONE)


def _channels(args: argparse.Namespace, entries: Sequence[Entry]) -> int:
    """The same points left and right, and what comparing them says."""
    found = channels_beside(entries)
    if args.json:
        print_json({"session": str(args.session), "channels": found})
        return int(Exit.DONE)
    rows = []
    for beside in found:
        said = beside.judgement
        words = said.verdict.value.replace("-", " ") + (f": {said.reason}" if said.reason else "")
        limit = f" (limit {said.limit.value:.3g}, {said.limit.source})" if said.limit is not None else ""
        rows.append((beside.name, *(_words(t) for t in beside.readings), words + limit))
    print_lines(columns(rows, ("point", "left", "right", "together")))
    return int(Exit.DONE)


def _findings(args: argparse.Namespace, entries: Sequence[Entry]) -> int:
    """What the readings point to; nothing without readings behind it."""
    found = findings(entries)
    if args.json:
        print_json({"session": str(args.session), "findings": found})
        return int(Exit.DONE)
    lines: list[str] = []
    for finding in found:
        where = f" ({finding.group})" if finding.group else ""
        lines.append(f"{finding.says}{where}: {'; '.join(finding.evidence)}.")
        lines.append(f"  Measure next: {finding.measure_next} Source: {finding.source}.")
    print_lines(lines or ["No reading fails: nothing found."])
    return int(Exit.DONE)
