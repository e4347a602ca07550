"""Readings from a CSV file as events of a bring-up that nobody took part in."""

import argparse
import math
from collections.abc import Iterator

from benchlog.bringup.plan import make_plan, set_up
from benchlog.bringup.planfile import load_plan
from benchlog.cli.options import unit_from
from benchlog.cli.reference import load_references
from benchlog.cli.setup import soak_seconds
from benchlog.exchange.slowcsv import Floats, SlowRecord
from benchlog.model.clock import US, microseconds
from benchlog.model.errors import UsageError
from benchlog.model.event import ReadingTaken, Told
from benchlog.model.instrument import Accuracy, MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting, Status, Unusable
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.unit import Core, Plate, PlateKind, Unit

DEFAULT_UNIT = Unit(core=Core.TOROIDAL, plate=Plate(PlateKind.VOLT_AMPERES, 300.0))
"""What is judged where no option says otherwise: the unit of the simulated bench."""
_ROLES = (
    (Role.INLET_VOLTAGE, Quantity.AC_VOLTAGE),
    (Role.SOURCE_CURRENT, Quantity.AC_CURRENT),
    (Role.SOURCE_POWER, Quantity.ACTIVE_POWER),
)


def add_meter_options(parser: argparse.ArgumentParser) -> None:
    """The sheet of the ammeter that took the readings (default: hand-held, 1 % + 5 counts of 1 mA)."""
    group = parser.add_argument_group("the ammeter of a CSV record")
    group.add_argument("--meter-pct", type=float, default=1.0, metavar="PCT", help="± of reading in percent")
    group.add_argument("--meter-counts", type=float, default=5.0, metavar="N", help="± counts")
    group.add_argument("--meter-count-a", type=float, default=0.001, metavar="A", help="one count in amperes")
    group.add_argument(
        "--turns", type=int, default=1, metavar="N", help="turns through a clamp; already divided"
    )
    group.add_argument("--source-a", type=float, metavar="A", help="rated current of the source")


def csv_setup(record: SlowRecord, args: argparse.Namespace) -> RunSetup:
    """The set-up of a hand-set run whose readings are in the record. `UsageError`, `PlanRefused`."""
    if not (0.0 <= args.meter_pct <= 50.0 and args.meter_counts >= 0.0 and args.meter_count_a > 0.0):
        raise UsageError("The ammeter's figures can't be meant: --meter-pct is 0 to 50, a count above 0.")
    unit = unit_from(args, DEFAULT_UNIT)
    period_s = record.period_s
    sheets = {
        Role.SOURCE: MeterSheet(rated_current_a=args.source_a),
        Role.SOURCE_CURRENT: MeterSheet(
            accuracy=(_accuracy(Quantity.AC_CURRENT, args.meter_pct, args.meter_counts, args.meter_count_a),),
            turns=args.turns,
        ),
        Role.INLET_VOLTAGE: MeterSheet(accuracy=(_accuracy(Quantity.AC_VOLTAGE, 0.5, 2.0, 0.1),)),
    }
    roles = _ROLES if record.p_w is not None else _ROLES[:2]
    reference = load_references(args.reference)
    plan = make_plan(
        unit,
        sheets,
        [role for role, _ in roles],
        hand_set=True,
        lamp_w=args.lamp,
        reference=reference,
        file=load_plan(args.plan) if args.plan else None,
    )
    return set_up(
        plan,
        unit,
        sheets,
        dict.fromkeys((role for role, _ in roles), period_s),
        hand_set=True,
        lamp_w=args.lamp,
        soak_s=soak_seconds(args),
        reference=reference,
    )


def _accuracy(quantity: Quantity, pct: float, counts: float, count: float) -> Accuracy:
    return Accuracy(quantity=quantity, reading_fraction=pct / 100.0, counts=counts, count=count)


def csv_events(record: SlowRecord) -> Iterator[tuple[int, Told]]:
    """Every reading as an event, voltage before current; each lasts the median period and ends at its time.

    Instants rise strictly and begin at zero, with the first period before the first reading's end.
    """
    took_us = microseconds(record.period_s)
    first_s = float(record.t_s[0])
    now_us = 0
    for k, t_s in enumerate(record.t_s.tolist()):
        end_us = microseconds(t_s - first_s) + took_us
        for (role, quantity), values in zip(_ROLES, _columns(record), strict=False):
            now_us = max(end_us, now_us + 1)
            yield now_us, ReadingTaken(_reading(role, quantity, float(values[k]), end_us, took_us))


def _columns(record: SlowRecord) -> tuple[Floats, ...]:
    both = (record.v_v, record.i_a)
    return both if record.p_w is None else (*both, record.p_w)


def _reading(role: Role, quantity: Quantity, value: float, end_us: int, took_us: int) -> Reading:
    channel = Channel(role, quantity, "CSV")
    setting = Setting(aperture_us=took_us)
    start_us = end_us - took_us
    if math.isnan(value):
        return Unusable(channel, Status.NOT_A_NUMBER, start_us, end_us, setting)
    return Measured(channel, value, start_us, end_us, setting)


def end_us(record: SlowRecord) -> int:
    """The instant of the last reading's end."""
    return microseconds(float(record.t_s[-1] - record.t_s[0]) + record.period_s) + US // 1000
