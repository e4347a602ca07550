"""``benchlog look``: the first look, recorded before anything is measured."""

import argparse

from benchlog.cli.entries import add_session, entered, signed
from benchlog.cli.options import positive
from benchlog.cold.look import judge_look
from benchlog.model.errors import UsageError
from benchlog.model.history import Taken
from benchlog.model.work import FirstLook
from benchlog.session.reader import SessionReader

_WORDS = {
    "seen": "what is seen: dirt, liquid, burns, loose parts",
    "smelt": "what is smelt",
    "cord": "cord, plug, strain relief",
    "fuse-fitted": "marking of the fuse in the holder, e.g. T4AL250V; 'bridged' where there is none",
    "fuse-marked": "marking beside the holder; as in the job where left away",
    "swelling": "swollen, leaking or burnt parts, with their positions",
    "earlier-repairs": "signs of them",
}


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``look``."""
    add_session(parser)
    for word, purpose in _WORDS.items():
        parser.add_argument(f"--{word}", default="", metavar="TEXT", help=purpose)
    parser.add_argument("--selector-v", type=positive, metavar="V", help="where the voltage selector stands")
    parser.add_argument(
        "--mains-v", type=positive, metavar="V", help="mains where it is used; as in the job where left away"
    )


def run(args: argparse.Namespace) -> int:
    """Judge fuse and selector, and make the entry."""
    with SessionReader(args.session) as reader:
        entries, unit = reader.entries(photographs=False), reader.job().unit
    marked = args.fuse_marked or (unit.fuse.marking if unit is not None and unit.fuse is not None else "")
    mains_v = args.mains_v or (unit.mains_v if unit is not None else None)
    look = FirstLook(
        seen=args.seen,
        smelt=args.smelt,
        cord=args.cord,
        fuse_fitted=args.fuse_fitted,
        fuse_marked=marked,
        selector_v=args.selector_v,
        mains_v=mains_v,
        swelling=args.swelling,
        earlier_repairs=args.earlier_repairs,
        by=signed(args),
    )
    if not any(getattr(args, word.replace("-", "_")) for word in _WORDS) and args.selector_v is None:
        raise UsageError("A first look needs what was looked at, e.g. --seen, --fuse-fitted, --swelling.")
    look = judge_look(look)
    lines = told(look)
    if any(isinstance(e.payload, Taken) for e in entries):
        lines.append("Readings were taken before it; the history shows that order.")
    return entered(args, look, lines)


def told(look: FirstLook) -> list[str]:
    """What is said of fuse and selector."""
    lines = []
    if look.fuse_fitted:
        verdict = look.fuse_verdict.value.replace("-", " ")
        lines.append(f"Fuse fitted {look.fuse_fitted}, marked {look.fuse_marked or 'not known'}: {verdict}")
        lines[-1] += f": {look.fuse_reason}." if look.fuse_reason else "."
    if look.selector_v is not None:
        verdict = look.selector_verdict.value.replace("-", " ")
        lines.append(f"Selector at {look.selector_v:g} V: {verdict}")
        lines[-1] += f": {look.selector_reason}." if look.selector_reason else "."
    return lines
