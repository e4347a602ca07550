"""``benchlog new``: a session for a job. Nothing but the file's name is needed."""

import argparse
import os
from pathlib import Path

import msgspec

from benchlog.cli.entries import now, workshop
from benchlog.cli.options import add_json_option, add_unit_options, check_session_name, member, unit_from
from benchlog.cli.output import print_json, say
from benchlog.job.digest import Digest
from benchlog.job.index import INDEX_NAME, Index
from benchlog.job.settings import workshop_of
from benchlog.model.errors import Exit
from benchlog.model.job import Customer, Job
from benchlog.model.unit import OutputTopology, Unit
from benchlog.session.lock import Holder
from benchlog.session.place import sessions_folder
from benchlog.session.writer import SessionWriter

_EARTH = {"i": True, "ii": False}


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``new``."""
    parser.add_argument("session", type=Path, metavar="SESSION", help="session file (*.benchlog)")
    for word in ("number", "customer", "contact", "complaint", "accessories", "terms", "cap"):
        parser.add_argument(f"--{word}", default="", metavar="TEXT")
    consent = parser.add_mutually_exclusive_group()
    consent.add_argument("--may-open", dest="consent", action="store_true", default=None)
    consent.add_argument("--may-not-open", dest="consent", action="store_false")
    for word in ("maker-text", "model-text", "serial"):
        parser.add_argument(f"--{word}", default="", metavar="TEXT", help="as it is written on the unit")
    parser.add_argument("--protection", choices=tuple(_EARTH), help="class I, earthed, or class II")
    parser.add_argument("--topology", metavar="KIND", help="of the output: direct, servo, capacitor, bridge")
    parser.add_argument(
        "--invented", action="store_true", help="mark the job as data of an invented scenario"
    )
    add_unit_options(parser)
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Begin the session, and tell where the unit was here before."""
    check_session_name(args.session)
    job = job_of(args)
    SessionWriter.create(
        args.session, job, now(), holder=Holder(os.getpid(), what="beginning a session")
    ).close()
    before = _here_before(args.session, job.unit.serial if job.unit is not None else "")
    if args.json:
        print_json({"session": str(args.session), "job": job, "here_before": [d.path for d in before]})
    else:
        say(f"Session: {args.session}")
    for digest in before:
        say(f"This serial number was here before: {digest.number}, {digest.complaint} ({digest.path}).")
    return int(Exit.DONE)


def job_of(args: argparse.Namespace) -> Job:
    """The job that the options describe; the workshop's particulars come from the settings."""
    settings = workshop()
    return Job(
        number=args.number or args.session.stem,
        customer=Customer(args.customer, args.contact),
        complaint=args.complaint,
        accessories=args.accessories,
        terms=args.terms or settings.terms,
        spending_cap=args.cap,
        consent_to_open=args.consent,
        unit=_unit(args),
        received=now(),
        invented=args.invented,
        workshop=workshop_of(settings),
    )


def _unit(args: argparse.Namespace) -> Unit:
    unit = msgspec.structs.replace(
        unit_from(args, None), maker_text=args.maker_text, model_text=args.model_text, serial=args.serial
    )
    if args.topology is not None:
        unit = msgspec.structs.replace(
            unit, topology=member(OutputTopology, args.topology, "--topology")
        )  # fmt: skip
    if args.protection is not None:
        unit = msgspec.structs.replace(unit, protective_earth=_EARTH[args.protection])
    return unit


def _here_before(session: Path, serial: str) -> tuple[Digest, ...]:
    """Earlier jobs of the unit with that serial number, among the sessions beside this one."""
    if not serial:
        return ()
    folder = session.absolute().parent
    keeps = folder == sessions_folder() or (folder / INDEX_NAME).exists()
    with Index(folder, None if keeps else Path(":memory:")) as index:
        index.refresh()
        return tuple(d for d in index.with_serial(serial) if Path(d.path) != session.absolute())
