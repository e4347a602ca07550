"""``benchlog document``: the document of a session."""

import argparse
from pathlib import Path

from benchlog.cli.options import add_json_option
from benchlog.cli.output import print_json, say
from benchlog.model.errors import Exit
from benchlog.report.document import make_document


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``document``."""
    parser.add_argument("file", type=Path, metavar="FILE", help="session file")
    parser.add_argument(
        "-o", "--out", type=Path, metavar="OUT.pdf", help="where to write it (default: beside)"
    )
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Make it and say where it is."""
    out = args.out or args.file.with_suffix(".pdf")
    unshown = make_document(args.file, out)
    if unshown:
        say(f"Characters that no font has were replaced by a square: {' '.join(unshown)}")
    if args.json:
        print_json({"document": str(out), "replaced_characters": list(unshown)})
    else:
        say(f"Document: {out}")
    return int(Exit.DONE)
