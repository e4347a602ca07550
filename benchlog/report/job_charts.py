"""Charts beside those of the course of the bring-up: the soak, and the waveform of a switch-on."""

import numpy as np

from benchlog.measure.waveform import figures
from benchlog.model.clock import US
from benchlog.model.errors import UsageError
from benchlog.model.event import Marked
from benchlog.model.history import RunSaid
from benchlog.model.role import Role
from benchlog.model.wave import Waveform
from benchlog.report.bringup_charts import HALF_HEIGHT, HALF_WIDTH
from benchlog.report.charts import ACCEPT, CURRENT, VOLTAGE, Panel, Series
from benchlog.report.content import Chart
from benchlog.report.figures import plain
from benchlog.session.reader import Run, SessionReader
from benchlog.session.reduction import reduce_points
from benchlog.session.series import Trace

SOAK_POINTS = 600
SOAK_SHARE = 0.2
WAVE_POINTS = 1500
MOST_WAVES = 2
"""Waveforms that are drawn; the rest stay in the session."""

SHOWN_S = 0.3
"""Of a waveform, from a little before the switch-on."""


def trace_of(reader: SessionReader, role: Role, span_us: tuple[int, int], points: int) -> Trace | None:
    """Curve of the first channel with a role; None where it has no reading with a value there."""
    channel = next((c for c in reader.channels() if c.role is role), None)
    if channel is None:
        return None
    trace = reader.window(channel, *span_us, points)
    return trace if np.isfinite(trace.value).any() else None


def soak_charts(reader: SessionReader, run: Run) -> tuple[Chart, ...]:
    """Idle current and, where read, heat sink temperature during the soak; none where there was no soak."""
    begun_us = _soak_begun(reader, run)
    if begun_us is None:
        return ()
    span_us = begun_us, min(run.span_us[1], reader.span_us[1])
    current = trace_of(reader, Role.SOURCE_CURRENT, span_us, SOAK_POINTS)
    heat = trace_of(reader, Role.HEATSINK, span_us, SOAK_POINTS)
    charts = []
    if current is not None:
        charts.append(_soak_chart(current, begun_us, "soak.svg", "current, A", "source current", CURRENT))
    if heat is not None:
        charts.append(_soak_chart(heat, begun_us, "heat.svg", "heat sink, °C", "heat sink", ACCEPT))
    return tuple(charts)


def _soak_begun(reader: SessionReader, run: Run) -> int | None:
    for entry in reader.entries(after=run.begun.seq):
        match entry.payload:
            case RunSaid(said=Marked(what="soak-begun")):
                return entry.t_us
            case _:
                pass
    return None


def _soak_chart(trace: Trace, begun_us: int, file: str, axis: str, label: str, colour: str) -> Chart:
    minutes = tuple(((trace.t_us - begun_us) / (60.0 * US)).tolist())
    series = Series(label, minutes, tuple(trace.value.tolist()), colour)
    panel = Panel(
        "time of soak, min", axis, (series,), HALF_HEIGHT, HALF_WIDTH, from_zero=False, least_share=SOAK_SHARE
    )
    low, high = float(np.nanmin(trace.value)), float(np.nanmax(trace.value))
    between = f"from {plain(low, 3)} to {plain(high, 3)} {axis.split(', ')[1]}"
    text = f"Soak, {plain(minutes[-1], 3)} min: {label} {between}."
    return Chart(file, panel, text, half=True)


def wave_charts(reader: SessionReader) -> tuple[Chart, ...]:
    """Current and voltage of the first waveforms in the session, from the switch-on."""
    return tuple(
        _wave_chart(reader.wave(record.number), record.number, record.note)
        for record in reader.waves()[:MOST_WAVES]
        if record.samples
    )


def _wave_chart(wave: Waveform, number: int, note: str) -> Chart:
    text = f"Waveform {number}" + (f" ({note})" if note else "")
    start_s, said = 0.0, ""
    try:
        found = figures(wave)
        start_s = max((found.switch_on_s or 0.0) - 0.02, 0.0)
        said = _figures_text(found.inrush_peak_a, found.i2t_100ms_a2s)
    except UsageError:
        said = "; it carries no figures"
    current = _piece("current, A", wave.i_a, wave.rate_hz, start_s, CURRENT)
    volts = _piece("voltage ÷ 100, V", wave.v_v / 100.0, wave.rate_hz, start_s, VOLTAGE, "3 2")
    panel = Panel("time in the record, ms", "", (current, volts), HALF_HEIGHT, HALF_WIDTH)
    return Chart(f"wave-{number}.svg", panel, f"{text}{said}.", half=True)


def _figures_text(peak_a: float | None, i2t: float | None) -> str:
    peak = f": largest current {plain(peak_a, 3)} A (peak)" if peak_a is not None else ""
    return peak + (f", I²t of the first 100 ms {plain(i2t, 3)} A²s" if i2t is not None else "")


def _piece(
    label: str,
    samples: "np.ndarray[tuple[int, ...], np.dtype[np.float64]]",
    rate_hz: float,
    start_s: float,
    colour: str,
    dash: str = "",
) -> Series:
    """A stretch of a waveform, with no peak lost."""
    first = int(start_s * rate_hz)
    cut = samples[first : first + max(int(SHOWN_S * rate_hz), 2)]
    t_us = np.round((first + np.arange(cut.size)) * (US / rate_hz)).astype(np.int64)
    t_us, value = reduce_points(t_us, np.ascontiguousarray(cut), WAVE_POINTS)
    return Series(label, tuple((t_us / 1000.0).tolist()), tuple(value.tolist()), colour, dash)
