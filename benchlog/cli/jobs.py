"""``benchlog jobs``: open and past jobs of a folder of sessions, and what each waits for."""

import argparse
from collections.abc import Sequence
from pathlib import Path

from benchlog.cli.options import add_json_option
from benchlog.cli.output import columns, print_json, print_lines, say
from benchlog.job.digest import Digest
from benchlog.job.index import Index, usable_as_reference
from benchlog.model.errors import Exit
from benchlog.session.place import sessions_folder


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``jobs``."""
    parser.add_argument(
        "words", nargs="*", metavar="WORD", help="in maker text, serial, kind, fault, part, reading, note"
    )
    parser.add_argument("--folder", type=Path, metavar="DIR", help="folder of the sessions")
    parser.add_argument("--open", action="store_true", dest="only_open", help="only jobs that have not ended")
    parser.add_argument("--serial", default="", metavar="TEXT", help="jobs of the unit with that number")
    parser.add_argument(
        "--references", action="store_true", help="only finished bring-ups, for 'bringup --reference FILE'"
    )
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Bring the index up to the files and print what is asked for."""
    folder = args.folder or sessions_folder()
    with Index(folder) as index:
        refreshed = index.refresh()
        found = (
            index.with_serial(args.serial)
            if args.serial
            else index.search(" ".join(args.words), only_open=args.only_open)
        )
    if args.references:
        found = usable_as_reference(found)
    for fault in refreshed.faults:
        say(f"Skipped {fault}")
    if args.json:
        jobs = [{k: v for k, v in _fields(d) if k != "text"} for d in found]
        print_json({"folder": str(folder), "jobs": jobs, "faults": refreshed.faults})
    else:
        print_lines(_lines(found) if found else [_none(folder, args)])
    return int(Exit.DONE)


def _none(folder: Path, args: argparse.Namespace) -> str:
    asked = args.words or args.serial or args.only_open or args.references
    what = "No job that fits" if asked else "No session file"
    return f"{what} in {folder}. --folder DIR looks in another one, e.g. --folder . in the present one."


def _fields(digest: Digest) -> list[tuple[str, object]]:
    return [(name, getattr(digest, name)) for name in digest.__struct_fields__]


def _lines(found: Sequence[Digest]) -> list[str]:
    rows = [
        (
            d.number,
            d.unit or d.kind,
            d.serial,
            f"{d.last:%Y-%m-%d}" if d.last else "",
            d.ending.replace("-", " ") if d.ending and not d.waits_for else f"waits for {d.waits_for}",
            Path(d.path).name + (" (simulated)" if d.simulated else " (invented)" if d.invented else ""),
        )
        for d in found
    ]
    return columns(rows, ("job", "unit", "serial", "last entry", "state", "session"))
