"""Plain entries in a session, without the window: what every command that makes one has in common.

On a session that a recorder holds the entry goes through that recorder.
"""

import argparse
import os
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from benchlog.cli.options import add_json_option
from benchlog.cli.output import print_json, print_lines, say
from benchlog.job.settings import Settings, load_settings
from benchlog.model.errors import BenchlogError, Exit
from benchlog.model.history import Payload
from benchlog.recorder.control import send_entry
from benchlog.session.lock import Holder, holder_of
from benchlog.session.writer import SessionWriter


def add_session(parser: argparse.ArgumentParser) -> None:
    """The session, and what every entry has: who made it, and whether JSON is wanted."""
    parser.add_argument("session", type=Path, metavar="SESSION", help="session file (*.benchlog)")
    parser.add_argument("--by", metavar="NAME", help="who did it; as in the settings where left away")
    add_json_option(parser)


def workshop() -> Settings:
    """The workshop's settings; empty ones, with a word, where their file is not usable."""
    try:
        return load_settings()
    except BenchlogError as error:
        say(f"note: {error} Going on without settings.")
        return Settings()


def signed(args: argparse.Namespace) -> str:
    """Who makes the entry: as given, or the technician of the settings."""
    return workshop().technician if args.by is None else str(args.by)


def enter(session: Path, payload: Payload) -> int:
    """Put an entry into a session, through its recorder where one holds it; returns its number."""
    return enter_all(session, (payload,))[0]


def enter_all(session: Path, payloads: Sequence[Payload]) -> tuple[int, ...]:
    """Several entries, all of one moment; their numbers."""
    if holder_of(session) is not None:
        return tuple(send_entry(session, payload) for payload in payloads)
    writer = SessionWriter.append_to(session, now(), holder=Holder(os.getpid(), what="adding an entry"))
    try:
        return tuple(writer.add_entry(payload, None, now()).seq for payload in payloads)
    finally:
        writer.close()


def now() -> datetime:
    """Wall-clock time with its offset."""
    return datetime.now().astimezone()


def entered(args: argparse.Namespace, payload: Payload, lines: Sequence[str] = ()) -> int:
    """Put the entry in, and print its number, with lines that say what was judged."""
    seq = enter(args.session, payload)
    if args.json:
        print_json({"session": str(args.session), "seq": seq, "entry": payload, "told": list(lines)})
    else:
        if lines:
            print_lines(list(lines))
        say(f"Entry {seq} in {args.session}.")
    return int(Exit.DONE)
