"""``benchlog new|note|part|approve``: plain entries in a session, without the window.

On a session that a recorder holds the entry goes through that recorder.
"""

import argparse
import os
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import msgspec

from benchlog.cli.options import add_json_option, add_unit_options, unit_from
from benchlog.cli.output import print_json, say
from benchlog.job.digest import Digest
from benchlog.job.index import Index
from benchlog.model.errors import Exit, UsageError
from benchlog.model.history import Approved, Noted, PartChanged, Payload
from benchlog.model.job import Customer, Job
from benchlog.recorder.control import send_entry
from benchlog.session.lock import Holder, holder_of
from benchlog.session.writer import SessionWriter


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of the command of that name."""
    parser.add_argument("session", type=Path, metavar="SESSION", help="session file (*.benchlog)")
    _OPTIONS[name](parser)
    add_json_option(parser)


def _new_options(parser: argparse.ArgumentParser) -> None:
    for word in ("number", "customer", "contact", "complaint", "accessories", "terms", "cap"):
        parser.add_argument(f"--{word}", default="", metavar="TEXT")
    for word in ("maker-text", "model-text", "serial"):
        parser.add_argument(f"--{word}", default="", metavar="TEXT", help="as it is written on the unit")
    parser.add_argument(
        "--invented", action="store_true", help="mark the job as data of an invented scenario"
    )
    add_unit_options(parser)


def _note_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("text", nargs="+", metavar="TEXT")
    parser.add_argument("--by", default="", metavar="NAME")


def _part_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("direction", choices=("out", "in", "ordered", "returned"))
    parser.add_argument("position", metavar="POSITION", help="e.g. F2, Q14, C31")
    parser.add_argument("value", metavar="VALUE", help="e.g. T2AL, 10 mF, npn power")
    for word in ("rating", "type", "lot", "note", "by"):
        parser.add_argument(f"--{word}", default="", metavar="TEXT")
    parser.add_argument("--quantity", type=int, default=1, metavar="N")


def _approve_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--amount", required=True, metavar="TEXT", help="with currency, as agreed")
    parser.add_argument("--who", required=True, metavar="NAME")
    parser.add_argument("--how", required=True, metavar="TEXT", help="in person, telephone, letter …")
    parser.add_argument("--declined", action="store_true")
    parser.add_argument("--line", action="append", default=[], metavar="TEXT", help="a line of the estimate")
    for word in ("cap", "note"):
        parser.add_argument(f"--{word}", default="", metavar="TEXT")


_OPTIONS = {
    "new": _new_options,
    "note": _note_options,
    "part": _part_options,
    "approve": _approve_options,
}


def run(args: argparse.Namespace) -> int:
    """Make the entry and print its number."""
    if args.command == "new":
        return _begin(args)
    payload = _PAYLOADS[args.command](args)
    seq = enter(args.session, payload)
    if args.json:
        print_json({"session": str(args.session), "seq": seq, "entry": payload})
    else:
        say(f"Entry {seq} in {args.session}.")
    return int(Exit.DONE)


def enter(session: Path, payload: Payload) -> int:
    """Put an entry into a session, through its recorder where one holds it; returns its number."""
    if holder_of(session) is not None:
        return send_entry(session, payload)
    writer = SessionWriter.append_to(session, _now(), holder=Holder(os.getpid(), what="adding an entry"))
    try:
        return writer.add_entry(payload, None, _now()).seq
    finally:
        writer.close()


def _now() -> datetime:
    return datetime.now().astimezone()


def _begin(args: argparse.Namespace) -> int:
    unit = msgspec.structs.replace(
        unit_from(args, None), maker_text=args.maker_text, model_text=args.model_text, serial=args.serial
    )
    job = Job(
        number=args.number or args.session.stem,
        customer=Customer(args.customer, args.contact),
        complaint=args.complaint,
        accessories=args.accessories,
        terms=args.terms,
        spending_cap=args.cap,
        unit=unit,
        received=_now(),
        invented=args.invented,
    )
    SessionWriter.create(
        args.session, job, _now(), holder=Holder(os.getpid(), what="beginning a session")
    ).close()
    before = _here_before(args.session, unit.serial)
    if args.json:
        print_json({"session": str(args.session), "job": job, "here_before": [d.path for d in before]})
    else:
        say(f"Session: {args.session}")
    for digest in before:
        say(f"This serial number was here before: {digest.number}, {digest.complaint} ({digest.path}).")
    return int(Exit.DONE)


def _here_before(session: Path, serial: str) -> tuple[Digest, ...]:
    """Earlier jobs of the unit with that serial number, among the sessions beside this one."""
    if not serial:
        return ()
    with Index(session.absolute().parent) as index:
        index.refresh()
        return tuple(d for d in index.with_serial(serial) if Path(d.path) != session.absolute())


def _noted(args: argparse.Namespace) -> Noted:
    return Noted(text=" ".join(args.text), by=args.by)


def _part(args: argparse.Namespace) -> PartChanged:
    if not args.value.strip():
        raise UsageError("A part needs its value, as marked on it.")
    if args.quantity < 1:
        raise UsageError(f"--quantity {args.quantity} can't be meant; give 1 or more.")
    return PartChanged(
        position=args.position,
        direction=args.direction,
        value=args.value,
        rating=args.rating,
        kind=args.type,
        lot=args.lot,
        quantity=args.quantity,
        note=args.note,
        by=args.by,
    )


def _approval(args: argparse.Namespace) -> Approved:
    return Approved(
        approved=not args.declined,
        amount=args.amount,
        who=args.who,
        how=args.how,
        when=_now(),
        lines=tuple(args.line),
        cap=args.cap,
        note=args.note,
    )


_PAYLOADS: dict[str, Callable[[argparse.Namespace], Payload]] = {
    "note": _noted,
    "part": _part,
    "approve": _approval,
}
