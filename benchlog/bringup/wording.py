"""The sentences that a bring-up says: one each, in a technician's words."""

import math
from collections.abc import Callable

from benchlog.model.role import Role
from benchlog.model.unit import Amplifier, Supply, Unit

Hint = Callable[[Unit, float, float], str]
"""Given the unit, the inlet volts and the amperes of a cut-off: what it looks like, or an empty text."""

SWITCH_OFF_BY_HAND = "Bench switch off. Dial to zero. Unplug."
STOP_TURNING = "Stop turning"

_METER = {
    Role.SOURCE_CURRENT: "the ammeter",
    Role.INLET_VOLTAGE: "the voltmeter at the inlet",
    Role.SOURCE: "the source",
}


def meter(role: Role) -> str:
    """How a role is spoken of."""
    return _METER.get(role, f"the instrument for {role.value.replace('-', ' ')}")


def amps(current_a: float) -> str:
    """A current with the digits that matter, e.g. ``0.14 A``, ``0.045 A``, ``12 A``."""
    if math.isinf(current_a):
        return "Overload"
    size = abs(current_a)
    digits = 0 if size >= 9.95 else 2 if size >= 0.0995 else 3
    return f"{current_a:.{digits}f} A"


def volts(value_v: float) -> str:
    """A voltage with the digits that matter, e.g. ``36 V``, ``11.5 V``."""
    if abs(value_v) >= 19.95 or abs(value_v - round(value_v)) < 0.05:
        return f"{value_v:.0f} V"
    return f"{value_v:.1f} V"


def fine_volts(value_v: float) -> str:
    """A DC voltage at an output or a rail, in mV below 1 V."""
    return f"{value_v * 1000.0:+.0f} mV" if abs(value_v) < 0.9995 else f"{value_v:+.1f} V"


def ohms(value_ohm: float) -> str:
    """A resistance to two digits."""
    if value_ohm <= 0.0 or not math.isfinite(value_ohm):
        return "0 Ω"
    digits = max(1 - math.floor(math.log10(value_ohm)), 0)
    return f"{round(value_ohm, 1 - math.floor(math.log10(value_ohm))):.{digits}f} Ω"


def span(duration_s: float) -> str:
    """A length of time, e.g. ``45 s``, ``12 min``."""
    return f"{duration_s:.0f} s" if duration_s < 119.5 else f"{duration_s / 60.0:.0f} min"


def like(unit: Unit, inlet_v: float, current_a: float) -> str:
    """What a cut-off current looks like by its size and the voltage alone, e.g. ``like 13 Ω: a short …``.

    Below 15 % of nominal an amplifier's front end sleeps, so whatever draws is behind the transformer; from
    there a shorted output device draws too, once the other half wakes; above 40 % so does a wrong bias
    (common practice). Empty where there is nothing to go by.
    """
    if current_a <= 0.0 or math.isinf(current_a) or inlet_v <= 0.0:
        return ""
    looks, v = f"like {ohms(inlet_v / current_a)}", inlet_v / unit.mains_v
    if unit.supply is Supply.SWITCH_MODE:
        return f"{looks}: a short at the rectifier or the bulk capacitor" if v <= 0.25 else looks
    if unit.amplifier not in (Amplifier.CLASS_AB, Amplifier.CLASS_D) or v > 0.95:
        return looks
    if v <= 0.15:
        return f"{looks}: a short behind the transformer"
    if v <= 0.40:
        return f"{looks}: a short behind the transformer, or a shorted output device"
    return f"{looks}: a shorted output device, a bias far too high, or shorted turns"


def turn_to(target_v: float) -> str:
    """Hand-set source: where to turn it."""
    return f"Turn the source to {volts(target_v)}"


def going_to(target_v: float) -> str:
    """Programmed source: where it is going."""
    return f"The source goes to {volts(target_v)}"


def go_up(target_v: float, forecast_a: tuple[float, float, float] | None) -> str:
    """The next step, with what is to be expected there."""
    if forecast_a is None:
        return f"Go up to {volts(target_v)}"
    low, _, high = forecast_a
    unit_a = amps(high)
    digits = len(unit_a.split(".")[1].split(" ")[0]) if "." in unit_a else 0
    return f"Go up to {volts(target_v)}: {low:.{digits}f} to {unit_a} expected if nothing new wakes up"


NO_CURRENT_SEEN = "no current seen: can't be told from an open fuse, switch or cord"
"""Said wherever the settled current is not above the meter's own bound."""


def go_up_blind(target_v: float) -> str:
    """The next step where the meter could not tell the current from none."""
    return f"Go up to {volts(target_v)}: {NO_CURRENT_SEEN}"


def last_step_blind(at_v: float) -> str:
    """The last step where the meter could not tell the current from none."""
    return f"Below the limit at {volts(at_v)}, but {NO_CURRENT_SEEN}"


def last_step(at_v: float, left_s: float) -> str:
    """Accepted at the last step; the run goes on for a while."""
    if left_s > 0.5:
        return f"Within the limit at {volts(at_v)}: watched for {span(left_s)} more"
    return f"Within the limit at {volts(at_v)}"


def cut_off_current(unit: Unit, inlet_v: float, current_a: float, why: str, hint: Hint) -> str:
    """Cut off because of a current; ``why`` in half a sentence."""
    looks = hint(unit, inlet_v, current_a)
    amount = f"Cut off. {amps(current_a)} at {volts(inlet_v)}"
    return f"{amount}, {looks} ({why})" if looks else f"{amount} ({why})"


def output_at_rail(output_v: float, rail_v: float) -> str:
    """The output sits at a rail."""
    return (
        f"Cut off. The output sits at {fine_volts(output_v)} of a {rail_v:.1f} V rail: a shorted output "
        "device, or a driver stage that holds it there"
    )


def offset_early(output_v: float) -> str:
    """DC at the output below half voltage."""
    return f"{fine_volts(output_v)} at the output; not judged below half voltage"


def offset(output_v: float, expected_v: float, limit_v: float) -> str:
    """DC at the output from half voltage on, away from what its kind of output should show."""
    if abs(expected_v) > limit_v:
        usual = f"{fine_volts(expected_v)} is usual there"
        return f"Wait: {fine_volts(output_v)} at the output; {usual}: connect no loudspeaker"
    most = f"{limit_v * 1000.0:.0f} mV"
    return f"Wait: {fine_volts(output_v)} at the output, more than {most}: connect no loudspeaker"


def rails_unequal(plus_v: float, minus_v: float) -> str:
    """Rails that differ."""
    return f"Wait: rails unequal, +{plus_v:.1f} V and −{minus_v:.1f} V: a rail fuse, or a reservoir"


def rise(at_v: float, before_a: float, after_a: float, over_s: float) -> str:
    """A current that rises at one voltage."""
    return (
        f"The current rose from {amps(before_a)} to {amps(after_a)} in {over_s:.0f} s at {volts(at_v)}: "
        "something heats up and draws more, like a bias runaway"
    )


def above(level_a: float, u_a: float, acceptance_a: float, source: str) -> str:
    """Settled, but not within the acceptance limit."""
    if level_a > acceptance_a:
        return f"Wait: {amps(level_a)} is above the acceptance limit of {amps(acceptance_a)} ({source})"
    return (
        f"Wait: {amps(level_a)} ± {amps(u_a)} can't be told from the acceptance limit of "
        f"{amps(acceptance_a)} ({source})"
    )


def no_current(at_v: float) -> str:
    """Nothing is drawn where something should be."""
    return f"Wait: no current at {volts(at_v)}: fuse, switch or cord"


def too_many_watts(watts_w: float, inlet_v: float, current_a: float) -> str:
    """More watts than volts and amperes can make."""
    return (
        f"Wait: {watts_w:.1f} W at {volts(inlet_v)} and {amps(current_a)} can't be: the current reads low. "
        "Look at the range, the turns through the clamp and the leads"
    )
