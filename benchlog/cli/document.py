"""``benchlog document``: the document of a session."""

import argparse
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from benchlog.cli.inside import session_file
from benchlog.cli.options import add_json_option
from benchlog.cli.output import print_json, say
from benchlog.job.settings import load_settings
from benchlog.model.errors import Exit, UsageError
from benchlog.report.content import Layout, Paper
from benchlog.report.document import STAGES, make_document
from benchlog.report.legible import name_of
from benchlog.report.pages import is_document
from benchlog.session.copying import withhold


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``document``."""
    parser.add_argument("file", type=Path, metavar="FILE", help="session file, or document (PDF)")
    parser.add_argument(
        "-o", "--out", type=Path, metavar="OUT.pdf", help="where to write it (default: beside)"
    )
    parser.add_argument(
        "--layout",
        choices=[Layout.FILE.value, Layout.CUSTOMER.value],
        default=Layout.FILE.value,
        help="file: all tables, one page where it fits (default); customer: two pages at most, plain words",
    )
    parser.add_argument("--paper", choices=[p.value for p in Paper], help="default: as in the settings")
    parser.add_argument(
        "--without-customer",
        action="store_true",
        help="of a copy without customer data, words of your own and photographs; its chain still verifies",
    )
    parser.add_argument("--progress", action="store_true", help="say on standard error what is being done")
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Make it and say where it is."""
    out = args.out or args.file.with_suffix(".pdf")
    if is_document(args.file) and args.out is None:
        raise UsageError(f"{args.file} is a document itself. Say where the new one is to go: -o OUT.pdf.")
    paper = Paper(args.paper or load_settings().paper)
    tell = _say_stage if args.progress else _quiet
    with ExitStack() as opened:
        session = opened.enter_context(session_file(args.file))
        if args.without_customer:
            session = opened.enter_context(_without_customer(session))
        unshown = make_document(session, out, Layout(args.layout), paper, tell)
    if unshown:
        named = ", ".join(name_of(c) for c in unshown)
        say(f"Characters that can't be shown were replaced by a square: {named}")
    if args.json:
        print_json({"document": str(out), "replaced_characters": list(unshown)})
    else:
        say(f"Document: {out}")
    return int(Exit.DONE)


@contextmanager
def _without_customer(session: Path) -> Iterator[Path]:
    """A copy for strangers, under a name that says nothing of the customer either."""
    with tempfile.TemporaryDirectory(prefix="benchlog-withheld-") as folder:
        copy = Path(folder) / "session.benchlog"
        withhold(session, copy)
        yield copy


def _say_stage(stage: int) -> None:
    say(f"{stage}/{len(STAGES)} {STAGES[stage - 1]}")


def _quiet(stage: int) -> None:
    """Without ``--progress`` nothing is said on the way."""
