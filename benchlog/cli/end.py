"""``benchlog end``: how the job ended."""

import argparse

from benchlog.cli.entries import add_session, enter, signed
from benchlog.cli.options import member
from benchlog.cli.output import print_json, say
from benchlog.model.errors import Exit
from benchlog.model.history import JobEnded
from benchlog.model.job import Ending


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``end``."""
    add_session(parser)
    endings = ", ".join(e.value for e in Ending)
    parser.add_argument("--as", required=True, dest="ending", metavar="ENDING", help=endings)
    parser.add_argument("--note", default="", metavar="TEXT")


def run(args: argparse.Namespace) -> int:
    """Enter the ending; it says what was done with the job, nothing of the unit."""
    payload = JobEnded(member(Ending, args.ending, "--as"), args.note, signed(args))
    seq = enter(args.session, payload)
    if args.json:
        print_json({"session": str(args.session), "seq": seq, "entry": payload})
    else:
        say(f"Entry {seq} in {args.session}: the job ended as {payload.ending.value.replace('-', ' ')}.")
    return int(Exit.DONE)
