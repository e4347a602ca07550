"""Strategies and small builders for sessions; shared by the tests of the session file and of the exports."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
from hypothesis import strategies as st

from benchlog.model.clock import Anchor
from benchlog.model.event import Key, KeyPressed
from benchlog.model.history import (
    Approved,
    BenchSet,
    Corrected,
    JobEntered,
    Noted,
    PartChanged,
    Payload,
    RunTold,
    Taken,
)
from benchlog.model.job import Customer, Job
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting, Status, Unusable
from benchlog.model.role import Role
from benchlog.model.wave import Waveform
from benchlog.session.writer import SessionWriter

WALL = datetime(2026, 1, 5, 9, 0, tzinfo=timezone(timedelta(hours=-5)))
JOB = Job(
    number="2026-001",
    customer=Customer(name="Invented Customer", contact="telephone 555-0100"),
    invented=True,
)

CURRENT = Channel(Role.SOURCE_CURRENT, Quantity.AC_CURRENT, "clamp meter")
VOLTAGE = Channel(Role.INLET_VOLTAGE, Quantity.AC_VOLTAGE, "bench meter")
HEATSINK = Channel(Role.HEATSINK, Quantity.TEMPERATURE, "probe Ω")
USUAL = Setting(range=10.0)
CHANNELS = (CURRENT, VOLTAGE, HEATSINK)

texts = st.text(st.characters(codec="utf-8"), max_size=40)
FORMULAS = ("=1+1", "+49 555", "-5", "@SUM(A1)", "\t=1", "\r=1", "\uff1d1", "'quoted", "''", "'=")
MARKUP = ('"', 'a "b", c', "line\nbreak", "a\r\nb", "#set", "\u202egnp", "")
nasty_texts = st.one_of(texts, st.sampled_from((*FORMULAS, *MARKUP)))
values = st.floats(allow_nan=False, allow_infinity=False)
walls = st.datetimes(
    datetime(2020, 1, 1),
    datetime(2035, 1, 1),
    timezones=st.sampled_from([UTC, WALL.tzinfo]),  # type: ignore[list-item]
)
settings_of_channels = st.builds(
    Setting,
    range=st.none() | st.floats(0.001, 1000),
    resolution=st.none() | st.floats(1e-9, 1),
    aperture_us=st.integers(0, 10**6),
    turns=st.integers(1, 20),
    test_frequency_hz=st.none() | st.sampled_from([100.0, 120.0, 1000.0, 100_000.0]),
    note=nasty_texts,
)
payloads: st.SearchStrategy[Payload] = st.one_of(
    st.builds(Noted, text=nasty_texts, by=nasty_texts),
    st.builds(
        Approved, approved=st.booleans(), amount=texts, who=nasty_texts, how=texts, when=st.none() | walls
    ),
    st.builds(PartChanged, position=texts, direction=st.sampled_from(["in", "out"]), value=nasty_texts),
    st.builds(JobEntered, job=st.builds(Job, number=texts, customer=st.builds(Customer, name=nasty_texts))),
    st.builds(RunTold, event=st.builds(KeyPressed, key=st.sampled_from(Key), reason=texts)),
    st.builds(Corrected, corrects=st.integers(1, 9), text=nasty_texts),
    st.builds(BenchSet, instruments=st.just(()), simulated=st.booleans()),
    st.builds(
        Taken,
        point=st.builds(TestPoint, name=nasty_texts, kind=st.sampled_from(PointKind)),
        quantity=st.sampled_from(Quantity),
        value=st.none() | values,
        u=st.none() | st.floats(0, 1e3),
    ),
)


@st.composite
def told_readings(draw: st.DrawFn) -> list[tuple[Reading, int]]:
    """Readings of several channels, each with the instant at which it was told, in the order of telling."""
    told_us = 0
    found: list[tuple[Reading, int]] = []
    for _ in range(draw(st.integers(0, 12))):
        told_us += draw(st.integers(1, 5_000_000))
        channel, setting = draw(st.sampled_from(CHANNELS)), draw(settings_of_channels)
        end = told_us - draw(st.integers(0, 2000))
        start = end - draw(st.integers(0, 500_000))
        status = draw(st.none() | st.sampled_from(Status))
        if status is None:
            found.append((Measured(channel, draw(values), start, max(end, 0), setting), told_us))
        else:
            found.append((Unusable(channel, status, start, max(end, 0), setting), told_us))
    return found


waves = st.builds(
    lambda samples, start: Waveform(np.array(samples), np.array(samples[::-1]), 20_000.0, start),
    st.lists(st.floats(width=32, allow_nan=False, allow_infinity=False), min_size=0, max_size=50),
    st.integers(0, 10**9),
)


@dataclass
class Sitting:
    """What is put in, commit by commit: readings with their instants, entries, waveforms."""

    commits: list[tuple[list[tuple[Reading, int]], list[Payload], list[Waveform]]] = field(
        default_factory=list
    )


sittings = st.builds(
    Sitting,
    st.lists(
        st.tuples(told_readings(), st.lists(payloads, max_size=3), st.lists(waves, max_size=1)), max_size=4
    ),
)


def later(readings: list[tuple[Reading, int]], by_us: int) -> list[tuple[Reading, int]]:
    """The same readings so much later."""
    moved: list[tuple[Reading, int]] = []
    for reading, told_us in readings:
        start, end = reading.start_us + by_us, reading.end_us + by_us
        if isinstance(reading, Measured):
            moved.append(
                (Measured(reading.channel, reading.value, start, end, reading.setting), told_us + by_us)
            )
        else:
            moved.append(
                (Unusable(reading.channel, reading.status, start, end, reading.setting), told_us + by_us)
            )
    return moved


def measured(channel: Channel, value: float, end_us: int, setting: Setting = USUAL) -> tuple[Reading, int]:
    """A reading of 20 ms that was told 1.5 ms after its end."""
    return Measured(channel, value, end_us - 20_000, end_us, setting), end_us + 1500


def fill(writer: SessionWriter, count: int, period_us: int = 100_000) -> None:
    """``count`` readings of two channels, a commit every ten, a note every hundred, an anchor a minute."""
    for k in range(count):
        at = writer.start_us + (k + 1) * period_us
        writer.add_readings(
            [measured(CURRENT, 0.25 + 0.01 * (k % 7), at), measured(VOLTAGE, 120.0 + k % 3, at + 7)]
        )
        if k % 100 == 0:
            writer.add_entry(Noted(f"note {k}"), at, WALL + timedelta(microseconds=at))
        if at % 60_000_000 < period_us:
            writer.add_anchor(Anchor(at, WALL + timedelta(microseconds=at)))
        if k % 10 == 9:
            writer.commit()


def make(path: Path, count: int = 100) -> Path:
    """A closed session of ``count`` readings of two channels, with a waveform."""
    writer = SessionWriter.create(path, JOB, WALL)
    fill(writer, count)
    samples = np.linspace(-5.0, 5.0, 2000)
    writer.add_wave(Waveform(samples, samples[::-1].copy(), 20_000.0, 5), "inrush")
    assert writer.close()
    return path
