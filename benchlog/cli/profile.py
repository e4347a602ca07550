"""``benchlog profile new|check|try|record``: the profile of a dialect, against the instrument itself."""

import argparse
from pathlib import Path

from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profilefile import load_profile
from benchlog.cli.options import add_json_option, member, positive
from benchlog.cli.output import print_json, print_lines, say
from benchlog.model.clock import RealClock
from benchlog.model.errors import Exit
from benchlog.model.reading import Measured
from benchlog.model.role import Role
from benchlog.report.figures import with_prefix
from benchlog_drivers.profiletools import (
    Tried,
    begin_profile,
    check_profile,
    record_conversation,
    try_profile,
)


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``profile``."""
    parser.add_argument("what", choices=("new", "check", "try", "record"))
    parser.add_argument("profile", type=Path, metavar="FILE", help="profile (TOML)")
    parser.add_argument("--port", default="", metavar="CONNECTION", help="serial port, URL or VISA resource")
    parser.add_argument(
        "--like", default="", metavar="PROFILE", help="new: begin as a copy of this shipped profile"
    )
    parser.add_argument(
        "--role", default="probe", metavar="ROLE", help="part that it plays (default: whatever it shows)"
    )
    parser.add_argument("--baud", type=int, metavar="N", help="another baud rate than the profile's")
    parser.add_argument("--seconds", type=positive, default=10.0, metavar="S", help="how long to try")
    parser.add_argument("--readings", type=int, default=10, metavar="N", help="how many to record")
    parser.add_argument(
        "--conversation", type=Path, metavar="FILE", help="saved conversation (default: beside it)"
    )
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Begin it, check it, try it or record with it."""
    return {"new": _new, "check": _check, "try": _try, "record": _record}[args.what](args)


def _new(args: argparse.Namespace) -> int:
    """A profile to start from: of a text meter that is not known yet, or a shipped one under another name."""
    begin_profile(args.profile, args.like)
    say(f"{args.profile}: written. See what the meter says: benchlog profile try {args.profile} --port PORT")
    return int(Exit.DONE)


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
        adaptor=load_profile(args.profile).family.value,
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
            note = f" ({reading.setting.note})" if reading.setting.note else ""
            lines.append(f"           {name}{reading.status.value}{note}")
    return [*lines, f"           {tried.fault}"] if tried.fault else lines


def _record(args: argparse.Namespace) -> int:
    """Keep a conversation beside the profile; from then on it is the profile's own test."""
    out = args.conversation or args.profile.with_suffix(".conversation.json")
    record_conversation(_config(args), RealClock(), out, args.readings)
    say(f"Conversation: {out}")
    return int(Exit.DONE)
