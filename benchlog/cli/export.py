"""``benchlog export``: a session's data in other formats, or a copy without the customer."""

import argparse
from pathlib import Path

from benchlog.cli.inside import session_file
from benchlog.cli.output import say
from benchlog.cli.reference import load_reference, save_reference
from benchlog.exchange.photographs import export_photographs
from benchlog.exchange.sessioncsv import export_csv
from benchlog.exchange.sessionjson import export_json
from benchlog.exchange.sessionxlsx import export_xlsx, split_sheets
from benchlog.exchange.wavenpz import export_npz
from benchlog.model.errors import Exit, UsageError
from benchlog.session.copying import withhold
from benchlog.session.reader import SessionReader

MANY = 200_000
"""Readings from which the wait for a spreadsheet is announced."""

_WANTED = ("csv", "json", "xlsx", "npz", "reference", "without_customer", "photographs")


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``export``."""
    parser.add_argument("file", type=Path, metavar="FILE", help="session file, or document (PDF)")
    parser.add_argument(
        "--csv", type=Path, metavar="DIR", help="one CSV a channel, history and waveforms, into a folder"
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="everything in one JSON file")
    parser.add_argument("--xlsx", type=Path, metavar="FILE", help="a spreadsheet with a chart a channel")
    parser.add_argument("--npz", type=Path, metavar="FILE", help="the waveforms as numpy arrays")
    parser.add_argument(
        "--reference", type=Path, metavar="OUT.json", help="the idle currents, for other units of this model"
    )
    parser.add_argument(
        "--without-customer",
        type=Path,
        metavar="OUT.benchlog",
        help="a copy without customer data, words of your own and photographs; its chain still verifies",
    )
    parser.add_argument("--photographs", type=Path, metavar="DIR", help="the photographs, into a folder")
    parser.add_argument("--bom", action="store_true", help="mark CSV as UTF-8 for spreadsheet programs")


def run(args: argparse.Namespace) -> int:
    """Write what was asked for."""
    if all(getattr(args, name) is None for name in _WANTED):
        raise UsageError(
            "Say what to export: --csv DIR, --json FILE, --xlsx FILE, --npz FILE, --reference FILE, "
            "--photographs DIR or --without-customer OUT."
        )
    with session_file(args.file) as session:
        with SessionReader(session, untrusted=True) as reader:
            for path in _written(reader, args):
                say(f"written: {path}")
        if args.reference is not None:
            save_reference(load_reference(session), args.reference)
            say(f"written: {args.reference}")
        if args.without_customer is not None:
            numbers = withhold(session, args.without_customer)
            say(f"written: {args.without_customer}, {len(numbers)} entries withheld")
    return int(Exit.DONE)


def _written(reader: SessionReader, args: argparse.Namespace) -> list[Path]:
    made: list[Path] = []
    if args.csv is not None:
        made += export_csv(reader, args.csv, args.bom)
    if args.photographs is not None:
        made += export_photographs(reader, args.photographs)
    counts = {channel.name: reader.count(channel) for channel in reader.channels()}
    if args.xlsx is not None and sum(counts.values()) > MANY:
        say(f"{sum(counts.values())} readings: a spreadsheet takes about a minute for each million.")
    for path, export in ((args.json, export_json), (args.xlsx, export_xlsx), (args.npz, export_npz)):
        if path is not None:
            export(reader, path)
            made.append(path)
    if args.xlsx is not None:
        for line in split_sheets(counts):
            say(line)
    return made
