"""``benchlog limit``: a limit with its source."""

import argparse
from collections.abc import Iterator, Sequence

from benchlog.cli.options import add_json_option
from benchlog.cli.output import print_json, print_lines
from benchlog.limits.catalogue import Entry, look_up, names
from benchlog.model.errors import Exit, UsageError
from benchlog.model.limit import Confidence


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``limit``."""
    parser.add_argument("name", nargs="?", metavar="NAME", help="which limit ('--list' tells them)")
    parser.add_argument(
        "given",
        nargs=argparse.REMAINDER,
        metavar="PARAMETER=VALUE",
        help="or --PARAMETER VALUE; in SI units unless the name says otherwise",
    )
    parser.add_argument("--list", action="store_true", help="every limit with its parameters")
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print the limit, or all names."""
    if args.list or args.name is None:
        entries = names()
        if args.json:
            print_json({"limits": entries})
        else:
            print_lines([_line(entry) for entry in entries])
        return int(Exit.DONE)
    words = [word for word in args.given if word != "--json"]
    found = look_up(args.name, dict(pairs(words)))
    if args.json or len(words) < len(args.given):
        print_json(found)
    else:
        doubt = (
            " (unverified: from memory, never decides)" if found.confidence is Confidence.UNVERIFIED else ""
        )
        print_lines(
            [f"{found.name}: {found.value:.6g} {found.unit}{doubt}", f"source: {found.source}",
             f"confidence: {found.confidence.value}"]
        )  # fmt: skip
    return int(Exit.DONE)


def pairs(words: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Parameters written as ``name=value``, ``--name=value`` or ``--name value``. `UsageError` for others."""
    rest = iter(words)
    for word in rest:
        name, equals, value = word.removeprefix("--").partition("=")
        if not equals and word.startswith("--"):
            value = next(rest, "")
        if not name or not value:
            raise UsageError(f"'{word}' is no parameter. Write PARAMETER=VALUE, e.g. marking=T2AL250V.")
        yield name, value


def _line(entry: Entry) -> str:
    words = " ".join(f"{p.name}=" if p.required else f"[{p.name}={p.default}]" for p in entry.parameters)
    return f"{entry.name}  {words}\n    {entry.about}"
