"""``benchlog figures``: figures of a recorded switch-on."""

import argparse
from pathlib import Path

import msgspec

from benchlog.cli.options import add_json_option, positive
from benchlog.cli.output import print_json, print_lines
from benchlog.exchange.wavecsv import file_figures
from benchlog.exchange.wavefile import SUFFIXES, parse_input, sound_figures
from benchlog.model.errors import Exit, UsageError
from benchlog.model.figures import WaveFigures


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``figures``."""
    parser.add_argument(
        "file", type=Path, metavar="FILE", help="CSV: columns t_s, v_v, i_a, or a scope's export; or WAV"
    )
    parser.add_argument(
        "--columns",
        nargs=3,
        metavar=("TIME", "VOLTAGE", "CURRENT"),
        help="names or numbers of the columns, each with a factor where needed, e.g. 'CH2*10'",
    )
    for name, unit in (("volts", "V"), ("amps", "A")):
        parser.add_argument(
            f"--{name}",
            metavar="CH=SCALE",
            help=f"of a WAV file: channel from 1, and {unit} at full scale, e.g. 1=400",
        )
    parser.add_argument(
        "--corner",
        nargs="+",
        type=positive,
        default=[],
        metavar="HZ",
        help="of a WAV file: high-pass corners of sensor and input, to put back what they took off",
    )
    parser.add_argument(
        "--mains", type=positive, metavar="V", help="nominal voltage; an implausible scale is warned of"
    )
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print every figure; what the record does not show is told as a warning."""
    found = _found(args)
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


def _found(args: argparse.Namespace) -> WaveFigures:
    """Figures of a table or of a sound file. `UsageError` for options of the other kind."""
    if args.file.suffix.lower() not in SUFFIXES:
        if args.volts or args.amps or args.corner:
            raise UsageError(
                f"--volts, --amps and --corner are for sound files, and {args.file} is read as a table. "
                "Name its columns with --columns."
            )
        return file_figures(args.file, tuple(args.columns) if args.columns else None, args.mains)
    if args.columns or not (args.volts and args.amps):
        raise UsageError(
            f"{args.file} is a sound file: say which channel is what, and what full scale stands for, with "
            "--volts CH=SCALE and --amps CH=SCALE (--volts 1=400 --amps 2=100)."
        )
    volts, amperes = parse_input(args.volts), parse_input(args.amps)
    return sound_figures(args.file, volts, amperes, tuple(args.corner), args.mains)
