"""``benchlog take``: a reading at a test point, judged on the spot, once its reservoirs are proved empty."""

import argparse
from collections.abc import Sequence

import msgspec

from benchlog.cli.entries import add_session, enter, signed
from benchlog.cli.options import decimal_comma, member, parse_fuse, positive
from benchlog.cli.output import print_json, print_lines, say
from benchlog.cold.discharge import reservoir
from benchlog.cold.entering import Given, both_ways, entry_of
from benchlog.cold.plausible import figure_of
from benchlog.cold.points import find_point, near, points_of
from benchlog.model.errors import Exit, UsageError
from benchlog.model.history import Entry, Taken
from benchlog.model.known import Check, Known
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.printed import with_prefix
from benchlog.model.quantity import Quantity
from benchlog.model.unit import OutputTopology
from benchlog.session.reader import SessionReader

_QUANTITY_OF = {
    "farad": Quantity.CAPACITANCE,
    "rated_ohm": Quantity.RESISTANCE,
    "across": Quantity.RESISTANCE,
    "lead_zero": Quantity.RESISTANCE,
}
"""Options that are typed in the trade's notation."""


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``take``."""
    add_session(parser)
    parser.add_argument("point", metavar="POINT", help="name of the test point")
    parser.add_argument("value", metavar="VALUE", help="in the trade's notation: 7.6, 2k2, 220u, OL, open")
    kinds = ", ".join(k.value for k in PointKind)
    parser.add_argument("--kind", metavar="KIND", help=f"{kinds}; known of a point on the list")
    parser.add_argument("--group", default="", metavar="TEXT", help="board or channel")
    parser.add_argument("--instrument", default="", metavar="NAME", help="as in the session's bench")
    parser.add_argument("--polarity", default="", metavar="WORD", help="of a junction: forward, reverse")
    circuit = parser.add_mutually_exclusive_group()
    circuit.add_argument("--in-circuit", dest="in_circuit", action="store_true", default=None)
    circuit.add_argument("--out-of-circuit", dest="in_circuit", action="store_false")
    parser.add_argument("--stage", default="cold-checks", metavar="STAGE", help="e.g. final-checks")
    parser.add_argument(
        "--part", default="", metavar="POSITION", help="a new part's own check, before it is fitted there"
    )
    parser.add_argument("--sure", action="store_true", help="take it although it looks doubtful")
    parser.add_argument("--u", type=positive, metavar="U", help="expanded uncertainty, in SI units")
    parser.add_argument("--range", type=positive, metavar="X", help="full scale of the meter, in SI units")
    _charge_options(parser)
    add_known_options(parser)


def _charge_options(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("made safe first")
    group.add_argument("--fed-by", default="", metavar="NAMES", help="reservoirs that feed it, with commas")
    group.add_argument("--reservoir", action="store_true", help="DC volts at a reservoir's own terminals")
    group.add_argument(
        "--meter-proved", action="store_true", help="the meter read a known source before and after"
    )
    group.add_argument(
        "--checked", default="", metavar="REASON", help="why it holds no charge, in your own words; recorded"
    )


def add_known_options(parser: argparse.ArgumentParser) -> None:
    """Options that say what is known of the part at a point."""
    group = parser.add_argument_group("what is known of the part")
    group.add_argument("--check", metavar="CHECK", help=", ".join(c.value for c in Check))
    group.add_argument("--farad", metavar="C", help="capacitance as marked, e.g. 220u, 4n7")
    group.add_argument("--rated-v", type=positive, metavar="V")
    group.add_argument("--family", metavar="NAME", help="general, low-impedance, chip")
    group.add_argument("--celsius", type=float, metavar="T", help="temperature of the part")
    group.add_argument("--new", action="store_true", help="a new part: tighter limits")
    group.add_argument("--lead-zero", metavar="R", help="what the leads read together; 0 where zeroed")
    group.add_argument("--device", metavar="NAME", help="silicon, rectifier, bipolar, schottky …")
    group.add_argument("--rated-ohm", metavar="R", help="impedance of a loudspeaker, marking of a resistor")
    group.add_argument("--tolerance", type=positive, metavar="X", help="of a resistor, e.g. 0.05")
    group.add_argument("--fuse", metavar="MARKING", help="as marked, e.g. T2AL250V")
    group.add_argument("--across", metavar="R", help="steady ohms across the same two pins")
    group.add_argument("--transformer-va", type=positive, metavar="VA")
    group.add_argument("--winding-v", type=positive, metavar="V")
    group.add_argument("--topology", metavar="KIND", help="of an output: direct, servo, capacitor, bridge")


def run(args: argparse.Namespace) -> int:
    """Judge the reading, store it, and say what was judged."""
    with SessionReader(args.session) as reader:
        entries, unit = reader.entries(photographs=False), reader.job().unit
    taken, said = entry_of(given_by(args, entries), entries, unit)
    seq = enter(args.session, taken)
    both = both_ways(taken, entries)
    if args.json:
        told = {"session": str(args.session), "seq": seq, "entry": taken, "judgement": said}
        print_json(told | ({"both_ways": both} if both is not None else {}))
        return int(Exit.DONE)
    lines = [verdict_line(taken)]
    if both is not None:
        words = both.verdict.value.replace("-", " ") + (f": {both.reason}" if both.reason else "")
        lines.append(f"{taken.point.name}, both ways: {words}")
    print_lines(lines)
    say(f"Entry {seq} in {args.session}.")
    return int(Exit.DONE)


def verdict_line(taken: Taken) -> str:
    """Verdict, reason and limit of a reading in one line."""
    line = f"{taken.point.name}: {taken.verdict.value.replace('-', ' ')}"
    if taken.reason:
        line += f": {taken.reason}"
    if taken.limit is not None:
        line += f" (limit {with_prefix(taken.limit.value, taken.limit.unit)}, {taken.limit.source})"
    return line


def given_by(args: argparse.Namespace, entries: Sequence[Entry]) -> Given:
    """What the options give with a reading."""
    return Given(
        point=_point(args, entries),
        text=args.value,
        u=args.u,
        range=args.range,
        in_circuit=False if args.part and args.in_circuit is None else args.in_circuit,
        polarity=args.polarity,
        instrument=args.instrument,
        meter_proved=args.meter_proved,
        checked=args.checked,
        part=args.part,
        stage=args.stage,
        by=signed(args),
        sure=args.sure,
        decimal_comma=decimal_comma(),
    )


def _point(args: argparse.Namespace, entries: Sequence[Entry]) -> TestPoint:
    """The point that is meant: one of the list, changed by what the options say; or a new one."""
    if args.reservoir:
        if args.kind not in (None, PointKind.DC_VOLTS.value):
            raise UsageError("A reservoir is proved by DC volts: leave --kind away, or give dc-v.")
        listed = find_point(points_of(entries), args.point, PointKind.DC_VOLTS, args.group)
        return reservoir(args.point, listed.group if listed else args.group)
    kind = member(PointKind, args.kind, "--kind") if args.kind else None
    listed = find_point(points_of(entries), args.point, kind, args.group)
    if listed is None and kind is None:
        raise UsageError(
            f"'{args.point}'{f' in {args.group}' if args.group else ''} is not on the list of points"
            f"{near(points_of(entries), args.point)}: say its kind with --kind."
        )
    base = listed or TestPoint(args.point, kind or PointKind.OHMS, args.group)
    known = known_from(args, base.known)
    return msgspec.structs.replace(base, fed_by=args.fed_by or base.fed_by, known=known)


def known_from(args: argparse.Namespace, base: Known) -> Known:
    """What the options say of the part; what they leave open comes from ``base``."""
    changes: dict[str, object] = {}
    names = ("rated_v", "family", "celsius", "device", "tolerance", "transformer_va", "winding_v")
    changes |= {name: getattr(args, name) for name in names if getattr(args, name) is not None}
    for name, quantity in _QUANTITY_OF.items():
        text = getattr(args, name)
        if text is not None:
            field = {"across": "across_ohm", "lead_zero": "lead_zero_ohm"}.get(name, name)
            option = f"--{name.replace('_', '-')}"
            changes[field] = figure_of(text, quantity, option, sure=args.sure, decimal_comma=decimal_comma())
    if args.check is not None:
        changes["check"] = member(Check, args.check, "--check")
    if args.topology is not None:
        changes["topology"] = member(OutputTopology, args.topology, "--topology")
    if args.fuse is not None:
        changes["fuse"] = parse_fuse(args.fuse)
    if args.new:
        changes["used"] = False
    return msgspec.structs.replace(base, **changes)
