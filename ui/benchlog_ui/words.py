"""Words, figures and shapes of the screen: one place, so that every view says the same thing the same way."""

from benchlog.model.reading import Status
from benchlog.model.role import Role
from benchlog.model.step import StepVerdict
from benchlog_ui.marks import Shape

VERDICT: dict[StepVerdict, tuple[str, Shape, str]] = {
    StepVerdict.GO_UP: ("go up", Shape.UP, "go_up"),
    StepVerdict.WAIT: ("wait", Shape.LEVEL, "wait"),
    StepVerdict.CUT_OFF: ("cut off", Shape.OPEN_CONTACT, "stop"),
    StepVerdict.CANNOT_JUDGE: ("cannot judge", Shape.DASHED_RING, "cannot"),
}
"""Verdict → word, shape, name of its colour."""

STATUS: dict[Status, tuple[str, Shape]] = {
    Status.OVERLOAD: ("OVER RANGE", Shape.OVER),
    Status.OPEN_LEADS: ("OPEN LEADS", Shape.BROKEN),
    Status.NOT_A_NUMBER: ("NO NUMBER", Shape.BROKEN),
    Status.GARBLED: ("UNREADABLE", Shape.BROKEN),
    Status.STALE: ("STALE", Shape.HOURGLASS),
    Status.AUTORANGING: ("CHANGING RANGE", Shape.HOURGLASS),
    Status.REFUSED: ("METER REFUSES", Shape.BROKEN),
}

CHANNEL: dict[str, tuple[str, str, int]] = {
    Role.SOURCE_CURRENT: ("source current", "A", 3),
    Role.INLET_VOLTAGE: ("inlet voltage", "V", 1),
    Role.SOURCE_POWER: ("source power", "W", 1),
    Role.OUTPUT_DC: ("output DC", "V", 3),
    Role.RAIL_PLUS: ("rail +", "V", 1),
    Role.RAIL_MINUS: ("rail −", "V", 1),
    Role.RESERVOIR: ("reservoir", "V", 1),
    Role.HEATSINK: ("heatsink", "°C", 1),
    Role.BIAS: ("bias", "V", 4),
    Role.PROBE: ("probe", "", 3),
}
"""Channel → name, unit of measure, decimals."""


def channel_words(channel: str) -> tuple[str, str, int]:
    """Name, unit of measure and decimals of a channel; one that is not listed speaks for itself."""
    return CHANNEL.get(channel, (channel.replace("-", " "), "", 3))


def figure(value: float, decimals: int) -> str:
    """A number for the screen, with a true minus sign and at most six digits."""
    if abs(value) >= 1000:
        decimals = min(decimals, 1)
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def with_unit(value: float, channel: str) -> str:
    """A channel's value with its unit of measure."""
    _, unit, decimals = channel_words(channel)
    return f"{figure(value, decimals)} {unit}".rstrip()


def amperes(value: float) -> str:
    """Amperes with as many decimals as they need: 0.021 A, 1.38 A, 21.0 A."""
    decimals = 3 if abs(value) < 1 else 2 if abs(value) < 20 else 1
    return f"{figure(value, decimals)} A"


def volts(value: float) -> str:
    """Volts: 6.0 V, 24 V, 119.6 V; whole volts lose their zero from 10 V."""
    text = figure(value, 1)
    if abs(value) >= 10 and text.endswith(".0"):
        text = text[:-2]
    return f"{text} V"


def percent(fraction: float) -> str:
    """A fraction of nominal in per cent."""
    return f"{figure(fraction * 100, 0)} %"


def short_source(source: str, longest: int = 34) -> str:
    """Where a limit comes from, cut to what fits beside its line: no brackets, then no detail."""
    if len(source) <= longest:
        return source
    head = source.split(" (")[0]
    return head if len(head) <= longest else head.split(":")[0]


def age(age_s: float) -> str:
    """How old a reading is: ``now``, ``0.4 s``, ``12 s``, ``3 min``."""
    if age_s < 0.15:
        return "now"
    if age_s < 10:
        return f"{age_s:.1f} s old"
    if age_s < 120:
        return f"{age_s:.0f} s old"
    return f"{age_s / 60:.0f} min old"


def span(duration_s: float) -> str:
    """A duration: ``8 s``, ``4 min``, ``1 h 10 min``."""
    if duration_s < 90:
        return f"{duration_s:.0f} s"
    minutes = round(duration_s / 60)
    if minutes < 90:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def elapsed(t_s: float) -> str:
    """Time since the start of the session as ``m:ss`` or ``h:mm:ss``."""
    whole = max(int(t_s), 0)
    hours, rest = divmod(whole, 3600)
    minutes, seconds = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"


def sham_words(time_scale: float) -> str:
    """What the band of a simulated bench says."""
    return "SIMULATED" if time_scale == 1 else f"SIMULATED ×{time_scale:g}"
