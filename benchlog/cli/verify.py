"""``benchlog verify``: a session against its chain, a document against the session inside."""

import argparse
from dataclasses import replace
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
    """Print what is wrong; exit 6 where anything is, 4 where this version can't tell."""
    document = is_document(args.file)
    try:
        found = _verify(args.file, document)
        found = replace(found, faults=found.faults + _other_head(args.head, found.head))
    except SessionFault as fault:
        found = Verification(False, "", (str(fault),))
    ok = not found.faults and not found.undecided
    if args.json:
        said = {"faults": found.faults, "undecided": found.undecided, "notes": found.notes}
        print_json({"ok": ok, "head": found.head, **{key: list(value) for key, value in said.items()}})
    else:
        print_lines(_lines(found, document))
    return int(Exit.DONE if ok else Exit.VERIFICATION if found.faults else Exit.UNDECIDED)


def _lines(found: Verification, document: bool) -> list[str]:
    """What was found, for people."""
    lines = [*found.faults, *found.undecided, *found.notes]
    lines += [f"head of the chain: {found.head}"] if found.head else []
    if not found.faults:
        lines.append("Every entry and reading is as it was committed.")
        whole = document and not found.undecided and not found.notes
        lines += ["Every page is as its data give it."] if whole else []
    return lines


def _verify(path: Path, document: bool) -> Verification:
    if not document:
        return verify(path)
    from benchlog.report.checking import verify_document

    return verify_document(path)


def _other_head(given: str | None, head: str) -> tuple[str, ...]:
    if not given or (len(given) >= 16 and head.startswith(given.lower())):
        return ()
    return (f"The chain head is {head}, not {given} (give 16 digits or more, as printed).",)
