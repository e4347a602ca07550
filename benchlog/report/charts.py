"""Charts of the document as SVG text, written here so that they are vectors and need no screen.

All inputs are plain sequences; points that are NaN are gaps and stay gaps. Colours are told apart by line
style as well, so that a copy in grey still reads.
"""

import math
from collections.abc import Callable
from html import escape

import msgspec

INK = "#1f2a30"
FAINT = "#c3cbce"
CURRENT = "#0b4f6c"
VOLTAGE = "#8a4b08"
STOP = "#a3142e"
ACCEPT = "#3f6b21"


class Series(msgspec.Struct, frozen=True):
    """One line: ``x`` and ``y`` of the same length, y may hold NaN."""

    label: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    colour: str = INK
    dash: str = ""
    marks: bool = False
    bars: tuple[float, ...] = ()
    """± for each point; empty for none."""


class Panel(msgspec.Struct, frozen=True):
    """A chart with one x and one y axis."""

    x_label: str
    y_label: str
    series: tuple[Series, ...]
    height: float = 170.0
    width: float = 520.0

    from_zero: bool = True
    """Whether the y axis begins at zero where all values are above it."""
    least_share: float = 0.0
    """Of the largest value the y axis spans at least this share: a last digit shall not look large."""


_LEFT, _RIGHT, _BOTTOM = 36.0, 8.0, 25.0
_ROW = 11.0
"""Height of a row of the key, which stands above the axes."""

_LETTER, _SAMPLE, _GAP = 3.9, 16.0, 12.0
"""Width of a letter, of the piece of line that stands for a series, and what is left free behind it."""

FONT = 'font-family="Libertinus Serif" font-size="8.5"'


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round values that divide ``low``…``high`` into about ``about`` parts (steps of 1, 2 or 5 × 10ⁿ)."""
    span = high - low
    if not math.isfinite(span) or span <= 0:
        return [low]
    raw = span / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(s * power for s in (1.0, 2.0, 5.0, 10.0) if s * power >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [i * step for i in range(first, last + 1)]


def _extent(panel: Panel) -> tuple[float, float, float, float]:
    xs = [x for s in panel.series for x in s.x if math.isfinite(x)]
    ys = [y for s in panel.series for y in s.y if math.isfinite(y)]
    ys += [y + b for s in panel.series for y, b in zip(s.y, s.bars, strict=False) if math.isfinite(y + b)]
    if not xs or not ys:
        return 0.0, 1.0, 0.0, 1.0
    x0, x1 = min(xs), max(xs)
    low, high = min(ys), max(ys)
    room = 0.06 * (high - low) or 0.06 * abs(high) or 1.0
    room = max(room, (panel.least_share * abs(high) - (high - low)) / 2.0)
    y0 = min(0.0, low) if panel.from_zero else low - room
    y1 = high + room
    return x0, x1 if x1 > x0 else x0 + 1.0, y0, y1 if y1 > y0 else y0 + 1.0


def draw(panel: Panel) -> str:
    """The panel as an SVG document."""
    x0, x1, y0, y1 = _extent(panel)
    key, rows = _key(panel)
    top = 5.0 + _ROW * rows
    inner_w = panel.width - _LEFT - _RIGHT
    inner_h = panel.height - top - _BOTTOM

    def to_x(x: float) -> float:
        return _LEFT + (x - x0) / (x1 - x0) * inner_w

    def to_y(y: float) -> float:
        return top + (1.0 - (y - y0) / (y1 - y0)) * inner_h

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{panel.width}" height="{panel.height}" '
        f'viewBox="0 0 {panel.width} {panel.height}" {FONT}>'
    ]
    parts += [_grid_x(to_x(t), t, panel) for t in ticks(x0, x1, 8)]
    parts += [_grid_y(to_y(t), t, panel) for t in ticks(y0, y1, 5)]
    for series in panel.series:
        parts.append(_line(series, to_x, to_y))
    parts += [_x_name(panel), key]
    return "\n".join(parts) + "\n</svg>\n"


def _number(value: float) -> str:
    return f"{value:.6g}"


def _grid_x(x: float, value: float, panel: Panel) -> str:
    bottom = panel.height - _BOTTOM
    return (
        f'<line x1="{x:.2f}" y1="{bottom:.2f}" x2="{x:.2f}" y2="{bottom + 3:.2f}" '
        f'stroke="{INK}" stroke-width=".6"/>'
        f'<text x="{x:.2f}" y="{bottom + 11:.2f}" text-anchor="middle" fill="{INK}">{_number(value)}</text>'
    )


def _grid_y(y: float, value: float, panel: Panel) -> str:
    right = panel.width - _RIGHT
    return (
        f'<line x1="{_LEFT}" y1="{y:.2f}" x2="{right:.2f}" y2="{y:.2f}" stroke="{FAINT}" stroke-width=".5"/>'
        f'<text x="{_LEFT - 4}" y="{y + 3:.2f}" text-anchor="end" fill="{INK}">{_number(value)}</text>'
    )


def _x_name(panel: Panel) -> str:
    return (
        f'<text x="{panel.width - _RIGHT}" y="{panel.height - 4}" text-anchor="end" fill="{INK}">'
        f"{escape(panel.x_label)}</text>"
    )


def _key(panel: Panel) -> tuple[str, int]:
    """Name of the y axis and of the lines, each with a piece of its line, above the axes; how many rows."""
    out = [f'<text x="2" y="9" fill="{INK}">{escape(panel.y_label)}</text>']
    x, row = 2.0 + _LETTER * len(panel.y_label) + _GAP, 1
    for series in panel.series:
        if not series.label:
            continue
        wide = _SAMPLE + 4.0 + _LETTER * len(series.label)
        if x + wide > panel.width - _RIGHT:
            x, row = _LEFT, row + 1
        y = 9.0 + _ROW * (row - 1)
        dash = f' stroke-dasharray="{series.dash}"' if series.dash else ""
        out.append(
            f'<line x1="{x:.1f}" y1="{y - 3}" x2="{x + _SAMPLE:.1f}" y2="{y - 3}" stroke="{series.colour}" '
            f'stroke-width="1.4"{dash}/>'
            f'<text x="{x + _SAMPLE + 4:.1f}" y="{y}" fill="{INK}">{escape(series.label)}</text>'
        )
        x += wide + _GAP
    return "".join(out), row


def _line(series: Series, to_x: Callable[[float], float], to_y: Callable[[float], float]) -> str:
    """Path of a series; a NaN lifts the pen, a lone point between gaps is drawn as a dot."""
    dash = f' stroke-dasharray="{series.dash}"' if series.dash else ""
    pieces: list[str] = []
    dots: list[str] = []
    pen_down = False
    for i, (x, y) in enumerate(zip(series.x, series.y, strict=True)):
        if not (math.isfinite(x) and math.isfinite(y)):
            pen_down = False
            continue
        pieces.append(f"{'L' if pen_down else 'M'}{to_x(x):.2f} {to_y(y):.2f}")
        pen_down = True
        if series.marks:
            dots.append(f'<circle cx="{to_x(x):.2f}" cy="{to_y(y):.2f}" r="2" fill="{series.colour}"/>')
        if i < len(series.bars):
            dots.append(
                f'<path d="M{to_x(x):.2f} {to_y(y - series.bars[i]):.2f}V{to_y(y + series.bars[i]):.2f}" '
                f'stroke="{series.colour}" stroke-width=".8"/>'
            )
    return (
        f'<path d="{"".join(pieces)}" fill="none" stroke="{series.colour}" stroke-width="1" '
        f'stroke-linejoin="round" stroke-linecap="round"{dash}/>' + "".join(dots)
    )
