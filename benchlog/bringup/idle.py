"""Figures of a settled step that are shown and stored beside the verdict: full uncertainty, power factor."""

from benchlog.bringup.assess import wattmeter
from benchlog.bringup.bounds import by_lamp, voltmeter_u_v
from benchlog.bringup.state import Run
from benchlog.limits import bringup as rules
from benchlog.limits.forecast import power_u_w
from benchlog.measure import power
from benchlog.measure.settling import Floats
from benchlog.measure.slow import idle_budget
from benchlog.measure.uncertainty import accuracy_for
from benchlog.model.instrument import Accuracy, MeterSheet, Response
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role


def idle_u_a(run: Run, level_a: float, earlier: bool = False) -> float | None:
    """Half-width in A of the 95 % interval of the settled current ``level_a``, by the full budget.

    ``earlier``: of the readings before the voltage moved on. None where nothing is stated for such a current,
    or no reading is left.
    """
    accuracy = _accuracy(run)
    window = _window(run, earlier)
    if accuracy is None or window is None or not len(window[0]):
        return None
    return idle_budget(*window, level_a, accuracy, run.limits.meter.turns, accuracy.crest_extra).expanded


def power_factor(run: Run, level_a: float | None, power_w: float | None) -> float | None:
    """W ÷ VA at the present inlet voltage; None without watts, or where their few counts can't tell it."""
    if power_w is None or not level_a:
        return None
    volts = run.volts
    u_v = voltmeter_u_v(run.setup.sheets.get(Role.INLET_VOLTAGE), volts)
    apparent_u_va = volts * rules.u_a(run.limits, level_a) + level_a * u_v
    stated = wattmeter(run)
    u_w = apparent_u_va if stated is None else power_u_w(power_w, stated)
    return power.power_factor(power_w, u_w, volts * level_a, apparent_u_va)


def _window(run: Run, earlier: bool) -> tuple[Floats, Floats] | None:
    if earlier:
        return run.visit.window if run.visit is not None else None
    return run.drift.window


def _accuracy(run: Run) -> Accuracy | None:
    """The stated accuracy that holds for the idle current of a unit, whose peaks a slow meter can't tell.

    An average-responding meter states none: it is right for a sine only. What a sheet adds for peaky currents
    is taken in full, since an idling unit draws them.
    """
    if by_lamp(run.setup):
        meter = run.limits.meter
        return Accuracy(Quantity.AC_CURRENT, meter.a, meter.counts, meter.count_a)
    sheet = run.setup.sheets.get(Role.SOURCE_CURRENT, MeterSheet())
    if sheet.response is Response.AVERAGE:
        return None
    range_a = None if run.range_a is None else run.range_a * run.limits.meter.turns
    hz = run.setup.unit.mains_hz
    stated = accuracy_for(sheet, Quantity.AC_CURRENT, range_a, hz).accuracy
    return stated or accuracy_for(sheet, Quantity.AC_CURRENT, None, hz).accuracy
