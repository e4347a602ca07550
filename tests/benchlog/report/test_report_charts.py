"""The drawings are true: a spike of one sample stands where and as high as it was, and a gap stays open."""

import math
import re
from pathlib import Path
from xml.etree import ElementTree

import msgspec
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from report_sessions import BENCH, CURRENT, SHEET, UNIT, Building, ended, setup

from benchlog.bringup.plan import make_plan
from benchlog.model.history import RunBegun
from benchlog.model.reading import Measured
from benchlog.model.reference import Reference, ReferencePoint
from benchlog.model.role import Role
from benchlog.report.applied import applied_limits
from benchlog.report.bringup_charts import idle_chart
from benchlog.report.charts import CURRENT as INK_OF_CURRENT
from benchlog.report.charts import Panel, Series, draw, ticks
from benchlog.report.content import Layout, Paper
from benchlog.report.document import gather
from benchlog.session.reader import SessionReader

SVG = "{http://www.w3.org/2000/svg}"


def paths(svg: str, colour: str) -> list[list[tuple[float, float]]]:
    """Points of each unbroken piece of the lines of a colour, in the units of the drawing."""
    found = []
    for element in ElementTree.fromstring(svg).iter(f"{SVG}path"):
        if element.get("stroke") == colour and element.get("fill") == "none":
            for piece in element.attrib["d"].split("M")[1:]:
                numbers = [float(x) for x in re.findall(r"-?[\d.]+", piece)]
                found.append(list(zip(numbers[::2], numbers[1::2], strict=True)))
    return found


def scale(svg: str) -> tuple[float, float]:
    """Height in the drawing of value 0 and of one unit of measure, from its own tick labels."""
    marks = [
        (float(t.attrib["y"]) - 3.0, float(t.text or "nan"))
        for t in ElementTree.fromstring(svg).iter(f"{SVG}text")
        if t.get("text-anchor") == "end" and re.fullmatch(r"-?[\d.]+", t.text or "")
    ]
    (y0, v0), (y1, v1) = marks[0], marks[-1]
    unit = (y1 - y0) / (v1 - v0)
    return y0 - v0 * unit, unit


@pytest.mark.parametrize("at", [0, 3_210, 7_999])
def test_a_spike_of_one_sample_in_eight_thousand(tmp_path: Path, at: int) -> None:
    building = Building(tmp_path / "a.benchlog").add(BENCH, RunBegun(setup()))
    start = round(building.t_s * 1e6)
    ends = [start + 20_000 * (k + 1) for k in range(8_000)]
    values = [7.5 if k == at else 0.2 + 0.01 * (k % 5) for k in range(8_000)]
    building.writer.add_readings(
        [(Measured(CURRENT, v, e - 20_000, e), e + 10) for v, e in zip(values, ends, strict=True)]
    )
    building.t_s += 160.0
    with SessionReader(building.add(ended()).close()) as reader:
        content = gather(reader, "", Layout.FILE, Paper.A4)
    chart = next(chart for chart in content.charts if chart.file == "current.svg")
    assert "largest reading 7.5 A" in chart.text
    points = [p for piece in paths(chart.svg(), INK_OF_CURRENT) for p in piece]
    zero, unit = scale(chart.svg())
    drawn = [(y - zero) / unit for _, y in points]
    assert max(drawn) == pytest.approx(7.5, abs=0.02)
    assert sorted(drawn)[-2] < 0.3
    x = points[drawn.index(max(drawn))][0]
    left, right = points[0][0], points[-1][0]
    assert (x - left) / (right - left) == pytest.approx(at / 7_999, abs=1e-3)


@given(st.lists(st.one_of(st.none(), st.floats(-1e6, 1e6)), min_size=1, max_size=40))
def test_gaps_stay_open(values: list[float | None]) -> None:
    y = tuple(math.nan if v is None else v for v in values)
    svg = draw(Panel("t", "v", (Series("a", tuple(map(float, range(len(y)))), y, INK_OF_CURRENT),)))
    pieces = [len(p) for p in paths(svg, INK_OF_CURRENT)]
    runs = [len(run) for run in "".join("x" if v is not None else " " for v in values).split()]
    assert pieces == runs


@given(st.floats(-1e9, 1e9), st.floats(1e-6, 1e9), st.integers(3, 10))
def test_ticks_are_round_and_inside(low: float, span: float, about: int) -> None:
    assume(span > 1e-6 * abs(low))
    high = low + span
    found = ticks(low, high, about)
    assert all(low - 1e-6 * span <= t <= high + 1e-6 * span for t in found)
    assert 1 <= len(found) <= 2 * about + 1
    assert all(f"{step:.0e}"[0] in "125" for step in np.diff(found))


def test_a_flat_soak_does_not_look_rough() -> None:
    """The last digit of a meter shall not fill the drawing."""
    y = tuple(0.534 + 0.001 * (k % 5) for k in range(100))
    series = Series("a", tuple(map(float, range(100))), y, INK_OF_CURRENT)
    svg = draw(Panel("min", "A", (series,), from_zero=False, least_share=0.2))
    heights = [p[1] for piece in paths(svg, INK_OF_CURRENT) for p in piece]
    assert max(heights) - min(heights) < 0.1 * 170.0


def test_the_reference_unit_is_drawn(tmp_path: Path) -> None:
    points = tuple(ReferencePoint(f, 0.3 * f, 0.4 * f) for f in (0.1, 0.5, 1.0))
    with_one = msgspec.structs.replace(setup(), reference=Reference("J-7", 120.0, points))
    chart = idle_chart(with_one, ended().steps)
    assert chart is not None
    assert ">reference<" in chart.svg()
    assert "and the reference unit" in chart.text
    plain = idle_chart(setup(), ended().steps)
    assert plain is not None
    assert "reference" not in plain.svg() + plain.text


def test_limits_are_drawn_as_they_were_applied() -> None:
    """Where this version computes other limits than were recorded, the recorded ones are drawn."""
    recorded = setup()
    applied = applied_limits(recorded)
    assert applied is not None
    assert applied.from_steps
    for step in recorded.steps:
        assert applied.acceptance_a(step.fraction) == pytest.approx(step.acceptance.value)
        assert applied.stop_a(step.fraction) == pytest.approx(step.stop.value)
    chart = idle_chart(recorded, ended().steps)
    assert chart is not None
    assert "limits as recorded, straight from step to step" in chart.text


def test_limits_that_are_still_the_same_are_drawn_in_full() -> None:
    plan = make_plan(UNIT, {Role.SOURCE_CURRENT: SHEET}, {Role.SOURCE_CURRENT, Role.INLET_VOLTAGE})
    now = msgspec.structs.replace(setup(), steps=plan.steps)
    applied = applied_limits(now)
    assert applied is not None
    assert not applied.from_steps
    assert applied_limits(msgspec.structs.replace(now, steps=(), sheets={})) is None
