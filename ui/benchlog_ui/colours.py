"""Colours, for light and dark: measurements in ink, limits in coloured pencil.

Every ink is at least 4.5 : 1 against the papers it is written on (`contrast`, WCAG 2.2 success criterion
1.4.3); nothing is told by colour alone.
"""

from dataclasses import dataclass, fields


@dataclass(frozen=True, slots=True)
class Colours:
    """One set of colours as ``#rrggbb``."""

    name: str
    desk: str
    """Behind the papers."""
    paper: str
    """Behind figures and curves."""
    ink: str
    faint: str
    """Secondary words."""
    rule: str
    """Lines that divide; carries no meaning, so no contrast is asked of it."""
    acceptance: str
    stop: str
    forecast: str
    go_up: str
    wait: str
    cannot: str
    trip: str
    """The cut-off bar, and the alarm."""
    on_trip: str
    latched: str
    on_latched: str
    sham: str
    """The band of a simulated bench."""
    on_sham: str


LIGHT = Colours(
    name="light",
    desk="#e9e4d6",
    paper="#fbf8ef",
    ink="#1a1c1f",
    faint="#55585a",
    rule="#c9c2b0",
    acceptance="#0b559f",
    stop="#a8330a",
    forecast="#6a3d9a",
    go_up="#00594a",
    wait="#6f4b00",
    cannot="#583a94",
    trip="#9b1a12",
    on_trip="#ffffff",
    latched="#1a1c1f",
    on_latched="#ffffff",
    sham="#2d4a6b",
    on_sham="#ffffff",
)

DARK = Colours(
    name="dark",
    desk="#101214",
    paper="#1b1e21",
    ink="#f2eee3",
    faint="#aeb1b3",
    rule="#3d4246",
    acceptance="#78bcff",
    stop="#ff9063",
    forecast="#cfa8ff",
    go_up="#57d3b4",
    wait="#f0be55",
    cannot="#c5abff",
    trip="#a51c13",
    on_trip="#ffffff",
    latched="#f2eee3",
    on_latched="#15171a",
    sham="#a9c7ea",
    on_sham="#10202f",
)


def luminance(colour: str) -> float:
    """Relative luminance of ``#rrggbb``, 0…1 (WCAG 2.2, definition of relative luminance)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1…21 (WCAG 2.2, definition of contrast ratio)."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def pairs(colours: Colours) -> tuple[tuple[str, str, float], ...]:
    """Every ink with the paper it is written on, and their contrast."""
    inks = ("ink", "faint", "acceptance", "stop", "forecast", "go_up", "wait", "cannot")
    written = [(ink, paper) for ink in inks for paper in ("paper", "desk")]
    written += [("on_trip", "trip"), ("on_latched", "latched"), ("on_sham", "sham")]
    value = {f.name: str(getattr(colours, f.name)) for f in fields(colours)}
    return tuple((a, b, contrast(value[a], value[b])) for a, b in written)
