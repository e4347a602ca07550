"""``benchlog note``: a note, photographs, or the correction of an earlier entry."""

import argparse
from collections.abc import Sequence
from pathlib import Path

import msgspec

from benchlog.cli.entries import add_session, enter_all, entered, signed
from benchlog.cli.output import print_json, say
from benchlog.cold.corrections import correction
from benchlog.job.photograph import known_photographs, new_photographs, read_photograph, says_where
from benchlog.model.errors import BenchlogError, Exit, UsageError
from benchlog.model.history import Entry, Noted
from benchlog.model.work import Photographed
from benchlog.report.findings import FOR_CUSTOMER
from benchlog.session.reader import SessionReader


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``note``."""
    add_session(parser)
    parser.add_argument("text", nargs="*", metavar="TEXT", help="the note, or the caption of a photograph")
    parser.add_argument("--stage", default="", metavar="STAGE", help="e.g. cold-checks, final-checks")
    parser.add_argument(
        "--for-customer",
        action="store_true",
        help="print it on the customer's document too; every other note stays in the document for the file",
    )
    pictures = parser.add_argument_group("photographs")
    pictures.add_argument(
        "--photo", type=Path, action="append", default=[], metavar="FILE", help="JPEG or PNG"
    )
    pictures.add_argument("--caption", default="", metavar="TEXT")
    pictures.add_argument(
        "--photos-from", type=Path, metavar="DIR", help="those of a folder that are not in the session yet"
    )
    pictures.add_argument("--strip", action="store_true", help="without the camera's metadata: place, time")
    pictures.add_argument("--point", default="", metavar="NAME", help="test point that it belongs to")
    pictures.add_argument("--group", default="", metavar="TEXT", help="board or channel")
    pictures.add_argument("--part", default="", metavar="POSITION", help="part that it belongs to")
    corrected = parser.add_argument_group("corrections")
    corrected.add_argument("--corrects", type=int, metavar="N", help="number of the entry that is corrected")
    corrected.add_argument("--void", action="store_true", help="that entry does not count from here on")


def run(args: argparse.Namespace) -> int:
    """Make the entry or the entries."""
    text = " ".join(args.text).strip()
    if args.corrects is not None:
        with SessionReader(args.session) as reader:
            entries = reader.entries(photographs=False)
        return entered(args, correction(entries, args.corrects, text, signed(args), args.void))
    if args.void:
        raise UsageError("Say which entry does not count: --corrects N.")
    if args.photo or args.photos_from is not None:
        return _photographs(args, args.caption or text)
    if args.for_customer and args.stage not in ("", FOR_CUSTOMER):
        raise UsageError("A note for the customer has no other stage: leave --stage out.")
    if not text:
        raise UsageError("A note needs words, --photo FILE or --corrects N.")
    stage = FOR_CUSTOMER if args.for_customer else args.stage
    return entered(args, Noted(text=text, by=signed(args), stage=stage))


def _photographs(args: argparse.Namespace, caption: str) -> int:
    """All that can be stored is stored; what is none is told, and ends with its own exit code."""
    files, by = [*args.photo], signed(args)
    if args.photos_from is not None:
        files += new_photographs(args.photos_from, _known(args.session))
    kept: list[Photographed] = []
    fault: BenchlogError | None = None
    for path in files:
        try:
            kept.append(_entry(args, path, caption, by))
        except BenchlogError as error:
            fault = fault or error
            say(f"benchlog: {error}")
    seqs = enter_all(args.session, kept) if kept else ()
    _tell(args, kept, seqs)
    return int(fault.exit_code if fault is not None else Exit.DONE)


def _known(session: Path) -> frozenset[str]:
    with SessionReader(session) as reader:
        entries: Sequence[Entry] = reader.entries(photographs=False)
    return known_photographs(entries)


def _entry(args: argparse.Namespace, path: Path, caption: str, by: str) -> Photographed:
    found = read_photograph(path, args.strip)
    return msgspec.structs.replace(
        found,
        caption=caption,
        point=args.point,
        group=args.group,
        part=args.part,
        stage=args.stage,
        by=by,
    )


def _tell(args: argparse.Namespace, kept: Sequence[Photographed], seqs: Sequence[int]) -> None:
    if args.json:
        bare = [msgspec.structs.replace(p, data=b"") for p in kept]
        print_json({"session": str(args.session), "seqs": seqs, "entries": bare})
        return
    for photograph, seq in zip(kept, seqs, strict=True):
        smaller = ", made smaller" if photograph.reduced else ""
        size = f"{photograph.width} × {photograph.height}, {len(photograph.data) / 1e3:.0f} kB{smaller}"
        say(f"Entry {seq} in {args.session}: {photograph.name}, {size}.")
        if says_where(photograph):
            say("  It holds the place where it was taken. To leave that out: --strip.")
    if not kept and not args.photo:
        say("No new photograph there.")
