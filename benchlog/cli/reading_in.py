"""``benchlog import``: a session made of exported data."""

import argparse
from datetime import datetime
from pathlib import Path

from benchlog.cli.options import add_json_option
from benchlog.cli.output import print_json, say
from benchlog.exchange.sessionimport import import_csv, import_json
from benchlog.model.errors import Exit, UsageError


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``import``."""
    parser.add_argument(
        "files",
        type=Path,
        nargs="+",
        metavar="FILE",
        help="one JSON file, or CSV files or a folder of them, as 'benchlog export' wrote them",
    )
    parser.add_argument("-o", "--out", type=Path, metavar="OUT.benchlog", required=True)
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Make the session and say what is in it."""
    now = datetime.now().astimezone()
    if args.files[0].suffix.lower() == ".json":
        if len(args.files) != 1:
            raise UsageError("Import one JSON file at a time: each is a whole session.")
        made = import_json(args.files[0], args.out, now)
    else:
        made = import_csv(args.files, args.out, now)
    if args.json:
        print_json({"session": str(args.out), "read": made})
    else:
        say(f"{args.out}: {made.entries} entries, {made.readings} readings, {made.waveforms} waveforms")
    return int(Exit.DONE)
