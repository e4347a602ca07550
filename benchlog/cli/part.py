"""``benchlog part``: a part taken out, ordered, fitted or given back."""

import argparse

import msgspec

from benchlog.cli.entries import add_session, entered, signed
from benchlog.cli.output import say
from benchlog.job.marking import Kind, read_marking
from benchlog.job.parts import DIRECTIONS, before_fitting, not_agreed, own_check
from benchlog.model.errors import UsageError
from benchlog.model.history import PartChanged
from benchlog.session.reader import SessionReader


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``part``."""
    add_session(parser)
    parser.add_argument("direction", choices=DIRECTIONS)
    parser.add_argument("position", metavar="POSITION", help="e.g. F2, Q14, C31")
    parser.add_argument("value", metavar="VALUE", help="as marked, e.g. T2AL, 4K7J, 220u, npn power")
    for word in ("rating", "lot", "note", "polarity"):
        parser.add_argument(f"--{word}", default="", metavar="TEXT")
    parser.add_argument(
        "--type",
        default="",
        metavar="TEXT",
        help="resistor and capacitor have their marking read (IEC 60062)",
    )
    parser.add_argument("--quantity", type=int, default=1, metavar="N")
    parser.add_argument("--sure", action="store_true", help="enter it although the value looks doubtful")


def run(args: argparse.Namespace) -> int:
    """Make the entry, and say what is missing before the part is fitted."""
    with SessionReader(args.session) as reader:
        entries = reader.entries(photographs=False)
    part = _part(args)
    check = own_check(entries, part.position) if part.direction == "in" else None
    if check is not None:
        part = msgspec.structs.replace(part, checked_by=check[0])
    for line in (*not_agreed(entries, part), *before_fitting(entries, part)):
        say(f"note: {line}")
    return entered(args, part)


def _part(args: argparse.Namespace) -> PartChanged:
    if not args.value.strip():
        raise UsageError("A part needs its value, as marked on it.")
    if not args.position.strip():
        raise UsageError("A part needs its position on the board, e.g. Q14.")
    if args.quantity < 1:
        raise UsageError(f"--quantity {args.quantity} can't be meant; give 1 or more.")
    value, series = _value(args)
    return PartChanged(
        position=args.position.strip(),
        direction=args.direction,
        value=args.value.strip(),
        rating=args.rating,
        kind=args.type,
        lot=args.lot,
        quantity=args.quantity,
        note=args.note,
        by=signed(args),
        polarity=args.polarity,
        si_value=value,
        series=series,
    )


def _value(args: argparse.Namespace) -> tuple[float | None, str]:
    """Value and series of a part whose type has one. `UsageError` for a doubtful one without ``--sure``."""
    kind = args.type.strip().casefold()
    if kind not in tuple(Kind):
        return None, ""
    found = read_marking(args.value, Kind(kind))
    if found.doubts and not args.sure:
        raise UsageError(f"{' '.join(found.doubts)} Type it again, or add --sure.")
    return found.value, found.series
