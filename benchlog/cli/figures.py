"""``benchlog figures``: figures of a recorded switch-on."""

import argparse
from pathlib import Path

import msgspec

from benchlog.cli.options import add_json_option, positive
from benchlog.cli.output import print_json, print_lines
from benchlog.exchange.wavecsv import file_figures
from benchlog.model.errors import Exit


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``figures``."""
    parser.add_argument(
        "file", type=Path, metavar="FILE.csv", help="columns t_s, v_v, i_a, or a scope's export"
    )
    parser.add_argument(
        "--columns",
        nargs=3,
        metavar=("TIME", "VOLTAGE", "CURRENT"),
        help="names or numbers of the columns, each with a factor where needed, e.g. 'CH2*10'",
    )
    parser.add_argument(
        "--mains", type=positive, metavar="V", help="nominal voltage; an implausible scale is warned of"
    )
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print every figure; what the record does not show is told as a warning."""
    columns = tuple(args.columns) if args.columns else None
    found = file_figures(args.file, columns, args.mains)
    if args.json:
        print_json(found)
        return int(Exit.DONE)
    for name, value in msgspec.structs.asdict(found).items():
        if name == "warnings":
            print_lines([f"warning: {text}" for text in value])
        elif name == "half_cycle_rms_a":
            print_lines(
                [f"{name}: {', '.join(f'{x:.4g}' for x in value[:10])}{' …' if len(value) > 10 else ''}"]
            )
        else:
            print_lines([f"{name}: {'not shown by this record' if value is None else f'{value:.6g}'}"])
    return int(Exit.DONE)
