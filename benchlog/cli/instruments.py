"""``benchlog instruments``: what a bench file names, what answers at the other end, and what it can't do."""

import argparse
from pathlib import Path

import msgspec

from benchlog.bench.adaptor import Contactor, Dial, Identity, Openable
from benchlog.bench.file import InstrumentConfig, load_bench
from benchlog.bench.profile import Profile
from benchlog.cli.options import add_json_option
from benchlog.cli.output import columns, print_json, print_lines
from benchlog.model.clock import RealClock
from benchlog.model.errors import Exit, InstrumentFault
from benchlog.model.role import Role
from benchlog_drivers.discovery import profile_notes, scan_ports, scan_visa
from benchlog_drivers.registry import make as make_adaptor
from benchlog_drivers.shelf import find_profile
from benchlog_drivers.traits import profile_of


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
    notes: tuple[str, ...] = ()
    """What its profile says that it can't do."""


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``instruments``."""
    parser.add_argument(
        "--bench", type=Path, metavar="FILE", help="bench file; each instrument is asked who it is"
    )
    parser.add_argument(
        "--scan", action="store_true", help="list the serial ports that are there; opens none"
    )
    parser.add_argument(
        "--ask", metavar="CONNECTION", help="who answers at this one connection; nothing else is written to"
    )
    parser.add_argument(
        "--profile",
        default="scpi-multimeter",
        metavar="NAME",
        help="with --ask: the profile it is asked by (default: what every SCPI instrument understands)",
    )
    parser.add_argument(
        "--visa", action="store_true", help="with --scan: VISA resources too (asks every bus and the LAN)"
    )
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print what the bench file names and who answers; exit 1 where somebody does not."""
    if args.scan:
        return _scan(args)
    if args.ask:
        return _print([ask(_chosen(args), 1.0)], args.json, {})
    if args.bench is None:
        print_lines(["Give --bench FILE. 'benchlog simulate --write-bench FILE' makes one to practise with."])
        return int(Exit.USAGE)
    bench = load_bench(args.bench)
    scale = bench.simulated.time_scale if bench.simulated else 1.0
    found = [ask(config, scale) for config in bench.instrument]
    return _print(found, args.json, {"bench": bench.name, "simulated": bench.simulated is not None})


def _print(found: list[Found], as_json: bool, head: dict[str, object]) -> int:
    """The table, and below it what each can't do; exit 1 where somebody does not answer."""
    if as_json:
        print_json({**head, "instruments": found})
    else:
        rows = [(f.name, ", ".join(f.roles), f.connection or "-", f.earth, _answer(f)) for f in found]
        print_lines(columns(rows, ("name", "plays", "connection", "earth", "answers")))
        print_lines([f"{f.name}: {'; '.join(f.notes)}" for f in found if f.notes])
    return int(Exit.ENVIRONMENT if any(f.answers is False for f in found) else Exit.DONE)


def _chosen(args: argparse.Namespace) -> InstrumentConfig:
    """The instrument at a connection that the user chose."""
    profile = find_profile(args.profile)
    return InstrumentConfig(
        "instrument", profile.family.value, (_a_role(profile),), connection=args.ask, profile=args.profile
    )


def _a_role(profile: Profile) -> Role:
    """A part that the instrument of a profile can play."""
    if profile.source is not None:
        return Role.SOURCE
    if profile.contactor is not None or profile.capture is not None:
        return Role.CUT_OFF if profile.contactor is not None else Role.WAVEFORM
    roles = [role for words in profile.channel for role in words.roles]
    if profile.modbus is not None:
        roles += [role for register in profile.modbus.register for role in register.roles]
    return roles[0] if roles else Role.PROBE


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


def ask(config: InstrumentConfig, scale: float) -> Found:
    """Open an instrument, hear who it is, and close it again. Nothing is switched on.

    A contactor is not opened: opening lets it drop.
    """
    identity, fault, answers = "", "", None
    try:
        adaptor = make_adaptor(config, RealClock(scale))
        if isinstance(adaptor, Openable) and not isinstance(adaptor, Dial | Contactor):
            answers = False
            try:
                identity = _told(adaptor.open())
                answers = True
            finally:
                adaptor.close()
    except InstrumentFault as error:
        fault = str(error)
    roles = tuple(role.value for role in config.roles)
    return Found(
        config.name, roles, config.adaptor, config.connection, config.earth.value, answers, identity, fault,
        _notes(config),
    )  # fmt: skip


def _told(identity: Identity) -> str:
    number = f", serial number {identity.serial_number}" if identity.serial_number else ""
    return f"{identity.description}{number}"


def _notes(config: InstrumentConfig) -> tuple[str, ...]:
    """What its profile says that it can't do; nothing for an instrument without one."""
    profile = profile_of(config)
    return profile_notes(profile) if profile is not None else ()
