"""``benchlog verify``: a session against its chain, a document against the session inside."""

import argparse
from pathlib import Path

from benchlog.cli.options import add_json_option
from benchlog.cli.output import print_json, print_lines
from benchlog.model.errors import Exit, SessionFault
from benchlog.report.pages import is_document
from benchlog.session.verification import Verification, verify


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``verify``."""
    parser.add_argument("file", type=Path, metavar="FILE", help="session file, or document (PDF)")
    parser.add_argument("--head", metavar="HEX", help="chain head as printed on paper, to compare with")
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print what is wrong; exit 6 where anything is."""
    document = is_document(args.file)
    try:
        found = _verify(args.file, document)
        head, faults = found.head, found.faults + _other_head(args.head, found.head)
    except SessionFault as fault:
        head, faults = "", (str(fault),)
    if args.json:
        print_json({"ok": not faults, "head": head, "faults": list(faults)})
    else:
        lines = [*faults, f"head of the chain: {head}"] if head else list(faults)
        if not faults:
            lines.append("Every entry and reading is as it was committed.")
            lines += ["Every page is as its data give it."] if document else []
        print_lines(lines)
    return int(Exit.VERIFICATION if faults else Exit.DONE)


def _verify(path: Path, document: bool) -> Verification:
    if not document:
        return verify(path)
    from benchlog.report.checking import verify_document

    return verify_document(path)


def _other_head(given: str | None, head: str) -> tuple[str, ...]:
    if not given or (len(given) >= 16 and head.startswith(given.lower())):
        return ()
    return (f"The chain head is {head}, not {given} (give 16 digits or more, as printed).",)
