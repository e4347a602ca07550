"""``benchlog recover``: a new session of what is intact in a damaged one."""

import argparse
from datetime import datetime
from pathlib import Path

from benchlog.cli.options import add_json_option
from benchlog.cli.output import print_json, print_lines, say
from benchlog.model.errors import Exit
from benchlog.session.recovery import account, recover


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``recover``."""
    parser.add_argument("file", type=Path, metavar="FILE", help="damaged session file; it is not changed")
    parser.add_argument("-o", "--out", type=Path, metavar="OUT.benchlog", required=True)
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Make the new session and say what came over and what did not."""
    say(f"Looking through {args.file} …")
    found = recover(args.file, args.out, datetime.now().astimezone())
    if args.json:
        print_json({"session": str(args.out), "recovered": found})
        return int(Exit.DONE)
    lines = [f"{fault}" for fault in found.faults] or ["The file was whole; this is a copy of it."]
    lines += [f"Not intact: {_numbers(*stretch)}." for stretch in found.missing]
    print_lines([*lines, account(found, args.file), f"{args.out} is a session with a chain of its own."])
    return int(Exit.DONE)


def _numbers(first: int, last: int) -> str:
    return f"entry {first}" if first == last else f"entries {first} to {last}"
