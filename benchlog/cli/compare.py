"""``benchlog compare``: sessions beside each other, and which differences are real."""

import argparse
from contextlib import ExitStack
from pathlib import Path

from benchlog.cli.inside import session_file
from benchlog.cli.options import add_json_option
from benchlog.cli.output import columns, print_json, print_lines, say
from benchlog.model.errors import Exit
from benchlog.report.comparison import RULE, Comparison, compare, make_comparison, row_of
from benchlog.report.content import Paper


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``compare``."""
    parser.add_argument(
        "files",
        type=Path,
        nargs="+",
        metavar="FILE",
        help="session files or documents; the first is what the others are held against",
    )
    parser.add_argument(
        "--groups",
        nargs="+",
        default=[],
        metavar="GROUP",
        help="boards or channels to compare, one a file: with one FILE, e.g. left against right in it",
    )
    parser.add_argument("--document", type=Path, metavar="OUT.pdf", help="write the comparison as a document")
    parser.add_argument("--paper", choices=[p.value for p in Paper], default=Paper.A4.value)
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Compare, print, and write the document where one is asked for."""
    with ExitStack() as opened:
        files = args.files * len(args.groups) if len(args.files) == 1 and args.groups else args.files
        paths = [opened.enter_context(session_file(path)) for path in files]
        names = [str(path) for path in files]
        found = compare(paths, names, args.groups)
        if args.document is not None:
            make_comparison(paths, args.document, Paper(args.paper), names, args.groups)
            say(f"Document: {args.document}")
    if args.json:
        print_json(found)
    else:
        print_lines(_lines(found))
    return int(Exit.DONE)


def _lines(found: Comparison) -> list[str]:
    lines = [
        f"{number}: {side.session}{' (simulated)' if side.simulated else ''}, {side.unit}"
        for number, side in enumerate(found.sessions, 1)
    ]
    for number in range(2, len(found.sessions) + 1):
        rows = [row_of(c) for c in found.differences if c.against == number]
        if rows:
            lines += columns(rows, ("what", "session 1", f"session {number}", "difference", "real?"))
    return [*lines, *found.only_in_one, RULE]
