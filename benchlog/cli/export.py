"""``benchlog export``: a session's data as CSV or JSON."""

import argparse
from pathlib import Path

from benchlog.cli.output import say
from benchlog.exchange.sessioncsv import export_csv
from benchlog.exchange.sessionjson import export_json
from benchlog.model.errors import Exit, UsageError
from benchlog.session.reader import SessionReader


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``export``."""
    parser.add_argument("file", type=Path, metavar="FILE", help="session file")
    parser.add_argument(
        "--csv", type=Path, metavar="DIR", help="one CSV a channel, history and waveforms, into a folder"
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="everything in one JSON file")
    parser.add_argument("--bom", action="store_true", help="mark CSV as UTF-8 for spreadsheet programs")


def run(args: argparse.Namespace) -> int:
    """Write what was asked for."""
    if args.csv is None and args.json is None:
        raise UsageError("Say what to export: --csv DIR, --json FILE, or both.")
    with SessionReader(args.file, untrusted=True) as reader:
        if args.csv is not None:
            for path in export_csv(reader, args.csv, args.bom):
                say(f"written: {path}")
        if args.json is not None:
            export_json(reader, args.json)
            say(f"written: {args.json}")
    return int(Exit.DONE)
