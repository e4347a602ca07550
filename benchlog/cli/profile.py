"""``benchlog profile check|try|record``: the profile of an instrument's dialect against the instrument."""

import argparse
from pathlib import Path

from benchlog.bench.file import InstrumentConfig
from benchlog.cli.options import add_json_option, member, positive
from benchlog.cli.output import print_json, print_lines, say
from benchlog.model.clock import RealClock
from benchlog.model.errors import Exit
from benchlog.model.reading import Measured
from benchlog.model.role import Role
from benchlog.report.figures import with_prefix
from benchlog_drivers.profiletools import Tried, check_profile, record_conversation, try_profile


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``profile``."""
    parser.add_argument("what", choices=("check", "try", "record"))
    parser.add_argument("profile", type=Path, metavar="FILE", help="profile (TOML)")
    parser.add_argument("--port", default="", metavar="CONNECTION", help="serial port, URL or VISA resource")
    parser.add_argument(
        "--adaptor", default="serial-text", metavar="NAME", help="family (default: serial-text)"
    )
    parser.add_argument("--role", default="source-current", metavar="ROLE", help="part that it plays")
    parser.add_argument("--baud", type=int, default=9600)
    parser.add_argument("--seconds", type=positive, default=10.0, metavar="S", help="how long to try")
    parser.add_argument("--readings", type=int, default=10, metavar="N", help="how many to record")
    parser.add_argument(
        "--conversation", type=Path, metavar="FILE", help="saved conversation (default: beside it)"
    )
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Check it, try it or record with it."""
    return {"check": _check, "try": _try, "record": _record}[args.what](args)


def _check(args: argparse.Namespace) -> int:
    """Schema, and the saved conversation where there is one; exit 2 where anything is wrong."""
    found = check_profile(args.profile, args.conversation)
    if args.json:
        print_json(found)
    else:
        replayed = f"{found.readings} readings replayed" if found.conversation else "no saved conversation"
        print_lines(list(found.faults) or [f"{args.profile}: nothing is wrong; {replayed}."])
    return int(Exit.USAGE if found.faults else Exit.DONE)


def _config(args: argparse.Namespace) -> InstrumentConfig:
    return InstrumentConfig(
        name=args.profile.stem,
        adaptor=args.adaptor,
        roles=(member(Role, args.role, "--role"),),
        connection=args.port,
        profile=str(args.profile),
        baud=args.baud,
    )


def _try(args: argparse.Namespace) -> int:
    """Raw bytes beside the decoded reading, until the time is over."""
    seen = []
    for tried in try_profile(_config(args), RealClock(), args.seconds):
        if args.json:
            seen.append(tried)
        else:
            print_lines(_lines(tried))
    if args.json:
        print_json({"tried": seen})
    return int(Exit.DONE)


def _lines(tried: Tried) -> list[str]:
    """Bytes both ways as text, and what was understood."""
    lines = [f"{tried.t_s:7.2f} s  sent {tried.sent!r}  received {tried.received!r}"]
    for reading in tried.readings:
        name = f"{reading.channel.name}: "
        if isinstance(reading, Measured):
            lines.append(f"           {name}{with_prefix(reading.value, reading.channel.quantity.unit)}")
        else:
            lines.append(f"           {name}{reading.status.value}")
    return [*lines, f"           {tried.fault}"] if tried.fault else lines


def _record(args: argparse.Namespace) -> int:
    """Keep a conversation beside the profile; from then on it is the profile's own test."""
    out = args.conversation or args.profile.with_suffix(".conversation.json")
    record_conversation(_config(args), RealClock(), out, args.readings)
    say(f"Conversation: {out}")
    return int(Exit.DONE)
