"""``benchlog adjust|final|safety``: what is set, checked and measured at the end. It certifies nothing."""

import argparse
from collections.abc import Callable
from datetime import date

import msgspec

from benchlog.bench.typed import parse_typed
from benchlog.cli.entries import add_session, entered, now, signed
from benchlog.cli.options import decimal_comma, member, positive
from benchlog.cold.budget import uncertainty
from benchlog.cold.entering import sheet_of
from benchlog.cold.final import RELAY_SIDES, Circumstances, judge_adjusted, judge_final, judge_safety
from benchlog.cold.plausible import USUAL, doubt_of, figure_of
from benchlog.limits.safety import SAFETY_TESTS
from benchlog.model.errors import UsageError
from benchlog.model.history import BenchSet, Entry
from benchlog.model.limit import Limit
from benchlog.model.point import PointKind
from benchlog.model.printed import with_prefix
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog.model.step import PointVerdict
from benchlog.model.unit import OutputTopology, Unit
from benchlog.model.work import Adjusted, Adjustment, FinalCheck, FinalChecked, SafetyMeasured
from benchlog.session.reader import SessionReader

Entries = tuple[Entry, ...]

_QUANTITY: dict[FinalCheck, Quantity] = {
    FinalCheck.OFFSET: Quantity.DC_VOLTAGE,
    FinalCheck.RAILS: Quantity.DC_VOLTAGE,
    FinalCheck.BIAS: Quantity.DC_VOLTAGE,
    FinalCheck.RIPPLE: Quantity.PEAK_VOLTAGE,
    FinalCheck.OUTPUT: Quantity.AC_VOLTAGE,
    FinalCheck.HUM: Quantity.AC_VOLTAGE,
    FinalCheck.HEAT: Quantity.TEMPERATURE,
}
"""What a final check reads, where it reads anything."""


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of the command of that name."""
    add_session(parser)
    parser.add_argument("--instrument", default="", metavar="NAME", help="as in the session's bench")
    parser.add_argument("--u", type=positive, metavar="U", help="expanded uncertainty, in SI units")
    parser.add_argument("--sure", action="store_true", help="enter it although it looks doubtful")
    _OPTIONS[name](parser)


def _target_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--target", metavar="V", help="figure of the unit's manual, e.g. 10m")
    parser.add_argument("--within", metavar="V", help="by how much it may be off, e.g. 1m")
    parser.add_argument("--topology", metavar="KIND", help="of the output; as in the job where left away")


def _adjust_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("what", choices=[a.value for a in Adjustment])
    parser.add_argument("channel", metavar="CHANNEL", help="e.g. left")
    parser.add_argument("--before", metavar="V", help="e.g. 3.1m")
    parser.add_argument("--after", metavar="V")
    parser.add_argument("--recheck", action="store_true", help="the warm check afterwards")
    parser.add_argument("--warm-min", type=positive, metavar="MIN", help="how long it had been on")
    parser.add_argument("--celsius", type=float, metavar="T", help="of the heat sink")
    parser.add_argument("--conditions", default="", metavar="TEXT", help="e.g. lid on, no signal, no load")
    parser.add_argument("--emitter-ohm", metavar="R", help="resistor that the bias is read across, e.g. R22")
    _target_options(parser)


def _final_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("check", choices=[c.value for c in FinalCheck])
    parser.add_argument("value", nargs="?", metavar="VALUE", help="e.g. 12m, 41.2")
    parser.add_argument("--channel", default="", metavar="CHANNEL")
    parser.add_argument("--second", metavar="V", help="the other rail, e.g. -41.0")
    parser.add_argument("--seen", default="", metavar="TEXT", help="what was seen or heard")
    parser.add_argument("--relay-side", default="", metavar="SIDE", help=", ".join(RELAY_SIDES))
    parser.add_argument("--load-ohm", type=positive, metavar="R")
    parser.add_argument("--frequency-hz", type=positive, metavar="F")
    parser.add_argument("--distortion", type=positive, metavar="X", help="fraction, e.g. 0.0004")
    parser.add_argument("--supply-a", type=positive, metavar="A", help="DC from the reservoir, for ripple")
    parser.add_argument("--farad", metavar="C", help="of the reservoir, for ripple, e.g. 10m")
    _target_options(parser)


def _safety_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("test", choices=SAFETY_TESTS)
    parser.add_argument("value", metavar="VALUE", help="e.g. 0.12, 200M, .3m; '>200M' beyond the range")
    parser.add_argument("--scheme", required=True, metavar="NAME", help="whose limit; see 'benchlog limit'")
    parser.add_argument("--protection", choices=("i", "ii", "iii"), help="as in the job where left away")
    parser.add_argument("--tester", required=True, metavar="NAME", help="the licensed person who measured")
    for word in ("licence", "instrument-serial", "conditions"):
        parser.add_argument(f"--{word}", default="", metavar="TEXT")
    parser.add_argument("--calibration-due", metavar="DATE", help="YYYY-MM-DD; as in the bench if left away")


_OPTIONS = {"adjust": _adjust_options, "final": _final_options, "safety": _safety_options}


def run(args: argparse.Namespace) -> int:
    """Judge what has a limit, and make the entry."""
    with SessionReader(args.session) as reader:
        entries, unit = reader.entries(photographs=False), reader.job().unit
    payload = _MAKE[args.command](args, entries, unit)
    return entered(args, payload, [line(payload)])


def line(payload: Adjusted | FinalChecked | SafetyMeasured) -> str:
    """Verdict, reason and limit in one line."""
    match payload:
        case Adjusted(what=what, channel=channel):
            head = f"{what.value}, {channel}"
        case FinalChecked(check=check, channel=channel):
            head = check.value.replace("-", " ") + (f", {channel}" if channel else "")
        case _:
            head = payload.test.replace("-", " ")
    return head + ": " + verdict_words(payload.verdict, payload.reason, payload.limit)


def verdict_words(verdict: PointVerdict, reason: str, limit: Limit | None) -> str:
    """A verdict with its reason, and its limit with the source."""
    words = verdict.value.replace("-", " ") + (f": {reason}" if reason else "")
    if limit is None:
        return words
    return f"{words} (limit {with_prefix(limit.value, limit.unit)}, {limit.source})".replace("  ", " ")


def _figure(
    args: argparse.Namespace, text: str | None, quantity: Quantity, option: str, what: str = ""
) -> float | None:
    """A figure as typed; None where it was left away. ``what`` says what is usual of it."""
    if text is None:
        return None
    usual = USUAL.get(what)
    return figure_of(text, quantity, option, usual, sure=args.sure, decimal_comma=decimal_comma())


def _volts(args: argparse.Namespace, name: str, what: str) -> float | None:
    """The volts of an option."""
    return _figure(args, getattr(args, name), Quantity.DC_VOLTAGE, f"--{name}", what)


def _u(args: argparse.Namespace, entries: Entries, text: str | None, quantity: Quantity) -> float | None:
    """Uncertainty as stated, by the meter's sheet, or as of a middling hand meter."""
    if args.u is not None or text is None:
        return None if args.u is None else float(args.u)
    kind = _KINDS.get(quantity)
    typed = parse_typed(text, quantity, decimal_comma())
    if kind is None or typed.value is None:
        return None
    return uncertainty(kind, typed.value, typed.resolution or 0.0, sheet_of(args.instrument, entries)).u


_KINDS = {
    Quantity.DC_VOLTAGE: PointKind.DC_VOLTS,
    Quantity.AC_VOLTAGE: PointKind.AC_VOLTS,
    Quantity.PEAK_VOLTAGE: PointKind.DC_VOLTS,
}


def _topology(args: argparse.Namespace, unit: Unit | None) -> OutputTopology:
    if args.topology is not None:
        return member(OutputTopology, args.topology, "--topology")
    return unit.topology if unit is not None else OutputTopology.UNKNOWN


def _adjusted(args: argparse.Namespace, entries: Entries, unit: Unit | None) -> Adjusted:
    return judge_adjusted(
        Adjusted(
            what=Adjustment(args.what),
            channel=args.channel,
            before=_volts(args, "before", args.what),
            after=_volts(args, "after", args.what),
            u=_u(args, entries, args.after or args.before, Quantity.DC_VOLTAGE),
            warm_min=args.warm_min,
            celsius=args.celsius,
            conditions=args.conditions,
            recheck=args.recheck,
            target_v=_volts(args, "target", args.what),
            target_within_v=_volts(args, "within", args.what),
            emitter_ohm=_figure(args, args.emitter_ohm, Quantity.RESISTANCE, "--emitter-ohm"),
            topology=_topology(args, unit),
            instrument=args.instrument,
            by=signed(args),
        )
    )


def _checked(args: argparse.Namespace, entries: Entries, unit: Unit | None) -> FinalChecked:
    check = FinalCheck(args.check)
    quantity = _QUANTITY.get(check)
    if args.value is not None and quantity is None:
        raise UsageError(f"A check of {check.value} reads no value; say what was seen or heard with --seen.")
    value = _figure(args, args.value, quantity, check.value, check.value) if quantity is not None else None
    around = Circumstances(
        supply_a=args.supply_a,
        farad=_figure(args, args.farad, Quantity.CAPACITANCE, "--farad"),
        mains_hz=unit.mains_hz if unit is not None else 60.0,
        target_v=_volts(args, "target", check.value),
        target_within_v=_volts(args, "within", check.value),
    )
    checked = FinalChecked(
        check=check,
        channel=args.channel,
        value=value,
        second=_volts(args, "second", check.value),
        quantity=quantity if value is not None else None,
        u=_u(args, entries, args.value, quantity) if quantity is not None else None,
        seen=args.seen,
        relay_side=args.relay_side,
        topology=_topology(args, unit),
        load_ohm=args.load_ohm,
        frequency_hz=args.frequency_hz,
        distortion=args.distortion,
        instrument=args.instrument,
        by=signed(args),
    )
    return judge_final(checked, around)


def _safety(args: argparse.Namespace, entries: Entries, unit: Unit | None) -> SafetyMeasured:
    quantity = _SAFETY[args.test]
    over = args.value.startswith(">")
    typed = parse_typed(args.value.removeprefix(">"), quantity, decimal_comma(), sized=False)
    if typed.value is None and typed.status is not Status.OVERLOAD:
        raise UsageError(f"'{args.value}' is no figure of {args.test}. Type what the tester shows.")
    doubts = (*typed.doubts, doubt_of(args.value, typed.value or 0.0, quantity, USUAL.get(args.test)))
    asked = " ".join(doubt for doubt in doubts if doubt)
    if asked and not args.sure:
        raise UsageError(f"{args.test} {asked} Type it again, or add --sure.")
    record = _instrument(args.instrument, entries)
    return judge_safety(
        SafetyMeasured(
            test=args.test,
            value=typed.value,
            unit=quantity.unit,
            scheme=args.scheme,
            protection=args.protection or _protection(unit),
            tester=args.tester,
            licence=args.licence,
            u=args.u,
            over_range=over,
            instrument=args.instrument,
            instrument_serial=args.instrument_serial or record[0],
            calibration_due=_date(args.calibration_due) or record[1],
            conditions=args.conditions,
        ),
        now().date().isoformat(),
    )


_SAFETY = {
    "earth-ohms": Quantity.RESISTANCE,
    "insulation-ohms": Quantity.RESISTANCE,
    "earth-current": Quantity.AC_CURRENT,
    "touch-current": Quantity.AC_CURRENT,
    "leakage-volts": Quantity.AC_VOLTAGE,
}


def _protection(unit: Unit | None) -> str:
    if unit is None or unit.protective_earth is None:
        raise UsageError("Say the class of protection: --protection i, ii or iii.")
    return "i" if unit.protective_earth else "ii"


def _instrument(name: str, entries: Entries) -> tuple[str, str]:
    """Serial number and calibration due of an instrument of the session's bench; empty where not there."""
    benches = [e.payload for e in entries if isinstance(e.payload, BenchSet)]
    found = [i for bench in benches for i in bench.instruments if i.name == name]
    return (found[-1].serial_number, found[-1].calibration_due) if found else ("", "")


def _date(text: str | None) -> str:
    if not text:
        return ""
    try:
        return msgspec.convert(text, date).isoformat()
    except msgspec.ValidationError:
        raise UsageError(f"'{text}' is no date. Write it as 2026-11-30.") from None


_Made = Adjusted | FinalChecked | SafetyMeasured
_MAKE: dict[str, Callable[[argparse.Namespace, Entries, Unit | None], _Made]] = {
    "adjust": _adjusted,
    "final": _checked,
    "safety": _safety,
}
