"""``benchlog end``: how the job ended, and why in spite of what its history says against it."""

import argparse

from benchlog.cli.entries import add_session, enter, signed
from benchlog.cli.options import member
from benchlog.cli.output import print_json, say
from benchlog.job.ending import job_ended
from benchlog.model.errors import Exit
from benchlog.model.job import Ending
from benchlog.session.reader import SessionReader


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``end``."""
    add_session(parser)
    endings = ", ".join(e.value for e in Ending)
    parser.add_argument("--as", required=True, dest="ending", metavar="ENDING", help=endings)
    parser.add_argument("--note", default="", metavar="TEXT", help="what the customer is told with it")
    parser.add_argument(
        "--reason", default="", metavar="TEXT", help="why, in spite of what stands against it; recorded"
    )


def run(args: argparse.Namespace) -> int:
    """Enter the ending; it says what was done with the job, nothing of the unit."""
    ending = member(Ending, args.ending, "--as")
    with SessionReader(args.session) as reader:
        entries = reader.entries(photographs=False)
    payload = job_ended(entries, ending, args.note, args.reason, signed(args))
    seq = enter(args.session, payload)
    if args.json:
        print_json({"session": str(args.session), "seq": seq, "entry": payload})
        return int(Exit.DONE)
    for line in payload.asked:
        say(f"In spite of: {line}.")
    say(f"Entry {seq} in {args.session}: the job ended as {ending.value.replace('-', ' ')}.")
    return int(Exit.DONE)
