"""``benchlog instruments``: what a bench file names, and what answers at the other end."""

import argparse
from pathlib import Path

import msgspec

from benchlog.bench.adaptor import Dial, Meter
from benchlog.bench.file import Bench, InstrumentConfig, load_bench
from benchlog.cli.options import add_json_option
from benchlog.cli.output import columns, print_json, print_lines
from benchlog.model.clock import RealClock
from benchlog.model.errors import Exit, InstrumentFault
from benchlog_drivers.discovery import scan_ports, scan_visa
from benchlog_drivers.registry import make as make_adaptor


class Found(msgspec.Struct, frozen=True):
    """An instrument of the bench file, and what answered."""

    name: str
    roles: tuple[str, ...]
    adaptor: str
    connection: str
    earth: str
    answers: bool | None
    """None for a dial that a person turns and for typed readings."""
    identity: str
    fault: str


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``instruments``."""
    parser.add_argument(
        "--bench", type=Path, metavar="FILE", help="bench file; each instrument is asked who it is"
    )
    parser.add_argument(
        "--scan", action="store_true", help="list the serial ports that are there; opens none"
    )
    parser.add_argument(
        "--visa", action="store_true", help="with --scan: VISA resources too (asks every bus and the LAN)"
    )
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print what the bench file names and who answers; exit 1 where somebody does not."""
    if args.scan:
        return _scan(args)
    if args.bench is None:
        print_lines(["Give --bench FILE. 'benchlog simulate --write-bench FILE' makes one to practise with."])
        return int(Exit.USAGE)
    bench = load_bench(args.bench)
    found = [ask(config, bench) for config in bench.instrument]
    if args.json:
        print_json({"bench": bench.name, "simulated": bench.simulated is not None, "instruments": found})
    else:
        rows = [(f.name, ", ".join(f.roles), f.connection or "-", f.earth, _answer(f)) for f in found]
        print_lines(columns(rows, ("name", "plays", "connection", "earth", "answers")))
    return int(Exit.ENVIRONMENT if any(f.answers is False for f in found) else Exit.DONE)


def _scan(args: argparse.Namespace) -> int:
    """What is connected; nothing is written to any port."""
    found = scan_ports() + (scan_visa() if args.visa else [])
    if args.json:
        print_json({"ports": found})
    else:
        rows = [(f.connection, f.description, f.usb or "-") for f in found]
        print_lines(columns(rows, ("connection", "what", "usb")) if rows else ["No serial port is there."])
    return int(Exit.DONE)


def _answer(found: Found) -> str:
    return found.fault or found.identity or "(no port)"


def ask(config: InstrumentConfig, bench: Bench) -> Found:
    """Open an instrument, hear who it is, and close it again. Nothing is switched on."""
    scale = bench.simulated.time_scale if bench.simulated else 1.0
    identity, fault, answers = "", "", None
    try:
        adaptor = make_adaptor(config, RealClock(scale))
        if not isinstance(adaptor, Dial) and isinstance(adaptor, Meter):
            answers = False
            try:
                identity = adaptor.open().description
                answers = True
            finally:
                adaptor.close()
    except InstrumentFault as error:
        fault = str(error)
    roles = tuple(role.value for role in config.roles)
    return Found(
        config.name, roles, config.adaptor, config.connection, config.earth.value, answers, identity, fault
    )
