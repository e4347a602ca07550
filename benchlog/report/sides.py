"""One side of a comparison: what of a session can be held against another's."""

from collections.abc import Sequence
from pathlib import Path

import msgspec

from benchlog.cold.corrections import in_force
from benchlog.model.history import Entry, Taken
from benchlog.model.role import Role
from benchlog.model.step import StepRecord
from benchlog.model.work import Adjusted, FinalChecked
from benchlog.report import heading
from benchlog.report.job_charts import trace_of
from benchlog.report.tables import point_name
from benchlog.report.work import FINAL_WORDS
from benchlog.session.reader import SessionReader

COURSE_POINTS = 900


class Side(msgspec.Struct, frozen=True):
    """One of the sessions."""

    session: str
    job: str
    unit: str
    head: str
    simulated: bool


class Figure(msgspec.Struct, frozen=True):
    """A figure that both may have, with its expanded uncertainty."""

    value: float | None
    u: float | None
    unit: str
    """Unit of measure."""


class Course(msgspec.Struct, frozen=True):
    """Source current over the seconds of the last bring-up; NaN is a gap."""

    t_s: tuple[float, ...]
    current_a: tuple[float, ...]


class Read(msgspec.Struct, frozen=True):
    """What was read of a session."""

    side: Side
    steps: tuple[StepRecord, ...]
    figures: dict[str, Figure]
    """By name: checks at test points, the last of each; final checks and adjustments by channel."""
    course: Course | None


def read_side(path: Path, name: str, group: str = "") -> Read:
    """Read a session; with ``group`` only what belongs to that board or channel, under names without it."""
    with SessionReader(path, untrusted=True) as reader:
        entries = reader.entries(photographs=False)
        simulated, head = reader.simulated, reader.head()
        course = None if group else _course(reader)
    unit = heading.unit_of(entries)
    described = heading.describe_unit(unit) if unit is not None else "–"
    shown = f"{name} ({group})" if group else name
    side = Side(shown, heading.latest_job(entries).number, described, head, simulated)
    ended = None if group else heading.last_end(entries)
    steps = tuple(s for s in ended.steps if s.visited) if ended is not None else ()
    return Read(side, steps, _figures(in_force(entries), group), course)


def _course(reader: SessionReader) -> Course | None:
    runs = reader.runs()
    if not runs:
        return None
    start_us, end_us = runs[-1].span_us
    span_us = start_us, min(end_us, reader.span_us[1])
    trace = trace_of(reader, Role.SOURCE_CURRENT, span_us, COURSE_POINTS)
    if trace is None:
        return None
    return Course(tuple(((trace.t_us - start_us) / 1e6).tolist()), tuple(trace.value.tolist()))


def _figures(entries: Sequence[Entry], group: str) -> dict[str, Figure]:
    """The last figure of each name."""
    found: dict[str, Figure] = {}
    for entry in entries:
        match entry.payload:
            case Taken(point=point, quantity=quantity, value=value, u=u) if group in ("", point.group):
                name = point.name if group else point_name(point)
                found[f"{name} ({quantity.label})"] = Figure(value, u, quantity.unit)
            case FinalChecked(check=check, channel=channel, value=value, u=u, quantity=quantity) if (
                value is not None and quantity is not None and group in ("", channel)
            ):
                found[_of(f"final check, {FINAL_WORDS[check]}", channel, group)] = Figure(
                    value, u, quantity.unit
                )
            case Adjusted(what=what, channel=channel, after=after, u=u, quantity=quantity) if (
                after is not None and group in ("", channel)
            ):
                found[_of(f"{what.value} as set", channel, group)] = Figure(after, u, quantity.unit)
            case _:
                pass
    return found


def _of(words: str, channel: str, group: str) -> str:
    return words if group or not channel else f"{words}, {channel}"
