"""``benchlog verify``: a session against its chain."""

import argparse
from pathlib import Path

from benchlog.cli.options import add_json_option
from benchlog.cli.output import print_json, print_lines
from benchlog.model.errors import Exit, SessionFault
from benchlog.session.verification import verify


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``verify``."""
    parser.add_argument("file", type=Path, metavar="FILE", help="session file")
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print what is wrong; exit 6 where anything is."""
    try:
        found = verify(args.file)
        ok, head, faults = found.ok, found.head, found.faults
    except SessionFault as fault:
        ok, head, faults = False, "", (str(fault),)
    if args.json:
        print_json({"ok": ok, "head": head, "faults": list(faults)})
    else:
        print_lines([*faults, f"head of the chain: {head}"] if head else list(faults))
        if ok:
            print_lines(["Every entry and reading is as it was committed."])
    return int(Exit.DONE if ok else Exit.VERIFICATION)
