"""``benchlog estimate|approve``: what was put to the customer, and the answer. A change is a new entry."""

import argparse

from benchlog.cli.entries import add_session, entered, now, signed, workshop
from benchlog.cli.output import say
from benchlog.job.estimate import (
    amount_in,
    estimate,
    latest_answer,
    latest_estimate,
    line_of,
    money,
    over_cap,
)
from benchlog.model.errors import UsageError
from benchlog.model.history import Approved, Entry
from benchlog.model.job import Job
from benchlog.session.reader import SessionReader


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of the command of that name."""
    add_session(parser)
    if name == "estimate":
        parser.add_argument("line", nargs="+", metavar="WORDS=AMOUNT", help="e.g. 'two output devices=58.00'")
        parser.add_argument("--currency", metavar="TEXT", help="as in the settings where left away")
        parser.add_argument("--note", default="", metavar="TEXT")
        return
    parser.add_argument("--amount", metavar="TEXT", help="with currency; of the estimate where left away")
    parser.add_argument("--who", required=True, metavar="NAME")
    parser.add_argument("--how", required=True, metavar="TEXT", help="in person, telephone, letter …")
    parser.add_argument("--declined", action="store_true")
    parser.add_argument(
        "--line", action="append", default=[], metavar="TEXT", help="a line of what is agreed"
    )
    for word in ("cap", "note"):
        parser.add_argument(f"--{word}", default="", metavar="TEXT")


def run(args: argparse.Namespace) -> int:
    """Make the entry."""
    with SessionReader(args.session) as reader:
        entries, job = reader.entries(photographs=False), reader.job()
    return _estimate(args, job) if args.command == "estimate" else _answer(args, entries, job)


def _estimate(args: argparse.Namespace, job: Job) -> int:
    currency = workshop().currency if args.currency is None else args.currency
    cap = job.spending_cap
    made = estimate([line_of(text) for text in args.line], currency, cap, args.note, signed(args))
    lines = [f"Total: {money(made.total, currency)}"]
    if made.over_cap is not None:
        lines.append(
            f"Above the cap agreed at intake ({cap}) by {money(made.over_cap, currency)}: ask first."
        )
    return entered(args, made, lines)


def _answer(args: argparse.Namespace, entries: tuple[Entry, ...], job: Job) -> int:
    put, before = latest_estimate(entries), latest_answer(entries)
    amount = args.amount
    if amount is None:
        if put is None:
            raise UsageError("Say what was answered: --amount TEXT, or enter an estimate first.")
        amount = money(put[1].total, put[1].currency)
    if not args.who.strip() or not args.how.strip():
        raise UsageError("An answer needs who gave it and how: --who NAME --how telephone.")
    asked = amount_in(amount)
    above = over_cap(asked, job.spending_cap) if asked is not None else None
    if above is not None and not args.declined:
        say(f"note: {amount} is above the cap agreed at intake ({job.spending_cap}).")
    answer = Approved(
        approved=not args.declined,
        amount=amount,
        who=args.who,
        how=args.how,
        when=now(),
        lines=tuple(args.line),
        cap=args.cap,
        note=args.note,
        estimate=put[0] if put is not None else 0,
        changes=before[0] if before is not None else 0,
    )
    return entered(args, answer, _told(answer))


def _told(answer: Approved) -> list[str]:
    """What was answered, to which estimate, and which answer it takes the place of."""
    word = "Approved" if answer.approved else "Declined"
    to = f", to the estimate of entry {answer.estimate}" if answer.estimate else ""
    instead = f"; in place of the answer of entry {answer.changes}" if answer.changes else ""
    return [f"{word}: {answer.amount} by {answer.who}, {answer.how}{to}{instead}."]
