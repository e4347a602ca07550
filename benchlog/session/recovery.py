"""A new session made of what is intact in a damaged one; the damaged file is not changed."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from benchlog.model.clock import US, Anchor
from benchlog.model.errors import SessionFault
from benchlog.model.history import BenchSet, JobEntered, Noted
from benchlog.model.job import Job
from benchlog.model.reading import Channel, Measured, Reading, Setting, Unusable
from benchlog.session.connection import check_new
from benchlog.session.salvage import Salvage, salvage
from benchlog.session.schema import CODE_STATUS
from benchlog.session.series import Series
from benchlog.session.writer import SessionWriter

BY = "recovery"
AT_ONCE = 50_000
"""Readings added between two commits."""
ANCHOR_US = 60 * US
"""Least distance of two instants that are tied to the wall clock again."""


@dataclass(frozen=True, slots=True)
class Recovered:
    """What came over."""

    entries: int
    """Proved by their digests."""
    missing: tuple[tuple[int, int], ...]
    """Numbers (first, last) of entries that were not intact; a line of the history stands for each."""
    withheld: tuple[int, ...]
    readings: int
    """As they were found; nothing proves each of them."""
    waveforms: int
    """Proved by their digests."""
    faults: tuple[str, ...]
    """What `verify` says of the damaged file; empty where it was whole."""


def recover(path: Path, out: Path, now: datetime) -> Recovered:
    """Make ``out`` of what is intact in ``path`` and in the log beside it.

    Entries keep their numbers and times: a line that says so stands for each one that was lost or
    withheld. Raises `SessionHeld` while it is being recorded, `SessionFault` where nothing intact was
    found, where ``path`` can't be read or ``out`` can't be written or exists.
    """
    check_new(out)
    found = salvage(path)
    if not found.entries and not found.channels:
        raise SessionFault(f"Nothing intact was found in {path}. Look for a copy, or for its document (PDF).")
    job, wall, t_us = _beginning(found, now)
    writer = SessionWriter.create(out, job, wall, t_us=t_us)
    try:
        _add_history(writer, found, now)
        readings = _add_readings(writer, found)
        for wave, note in found.waves:
            writer.add_wave(wave, note)
        recovered = _told(found, readings)
        writer.add_entry(Noted(account(recovered, path), by=BY, stage="recovery"), None, now)
    except BaseException:
        writer.close()
        out.unlink(missing_ok=True)
        raise
    writer.close()
    return recovered


def account(recovered: Recovered, path: Path) -> str:
    """What came over and what did not, in a sentence or two for the history and the screen."""
    lost = sum(last - first + 1 for first, last in recovered.missing)
    words = [
        f"Recovered from {path.name}: {recovered.entries} entries and {recovered.waveforms} waveforms proved "
        f"by their digests, {recovered.readings} readings as they were found."
    ]
    if lost:
        words.append(f"{lost} entries in between were not intact.")
    if recovered.withheld:
        words.append(f"{len(recovered.withheld)} entries had been withheld.")
    words.append("What was written last may be missing without a trace.")
    return " ".join(words)


def _told(found: Salvage, readings: int) -> Recovered:
    return Recovered(
        entries=len(found.entries),
        missing=found.missing,
        withheld=found.withheld,
        readings=readings,
        waveforms=len(found.waves),
        faults=found.verification.faults,
    )


def _beginning(found: Salvage, now: datetime) -> tuple[Job, datetime, int]:
    """The job as it was first entered, the wall-clock time, and the instant from which all else counts."""
    jobs = [entry.payload.job for entry in found.entries if isinstance(entry.payload, JobEntered)]
    simulated = any(isinstance(e.payload, BenchSet) and e.payload.simulated for e in found.entries)
    job = jobs[0] if jobs else Job(simulated=simulated)
    instants = [int(series.t_us[0]) for series in _sound(found.channels)]
    if not found.entries:
        return job, now, min(instants)
    first = found.entries[0]
    return job, first.wall, min([first.t_us, *instants])


def _add_history(writer: SessionWriter, found: Salvage, now: datetime) -> None:
    """Every entry under its old number; where one is gone a line says so."""
    intact = {entry.seq: entry for entry in found.entries}
    last = max([*intact, *found.withheld], default=1)
    wall, t_us, anchored_us = now, writer.start_us, writer.start_us
    for seq in range(1, last + 1):
        entry = intact.get(seq)
        if entry is not None:
            wall, t_us = entry.wall, entry.t_us
        if t_us >= anchored_us + ANCHOR_US:
            writer.add_anchor(Anchor(t_us, wall))
            anchored_us = t_us
        if seq == 1:
            continue  # the first entry of every session is its job, written when the session is made
        writer.add_entry(entry.payload if entry else _gone(seq, found), t_us, wall)
    if 1 not in intact and intact:
        writer.add_entry(_gone(1, found), t_us, wall)
    writer.commit()


def _gone(seq: int, found: Salvage) -> Noted:
    why = "had been withheld" if seq in found.withheld else "was not intact"
    return Noted(f"Entry {seq} {why}.", by=BY, stage="recovery")


def _sound(channels: Mapping[Channel, Series]) -> Iterator[Series]:
    return (series for series in channels.values() if series.t_us.size)


def _add_readings(writer: SessionWriter, found: Salvage) -> int:
    count = 0
    waiting: list[tuple[Reading, int]] = []
    for series in _sound(found.channels):
        for reading in _readings(series, found.settings):
            waiting.append(reading)
            if len(waiting) >= AT_ONCE:
                writer.add_readings(waiting)
                writer.commit()
                waiting.clear()
            count += 1
    writer.add_readings(waiting)
    writer.commit()
    return count


def _readings(series: Series, settings: Mapping[int, Setting]) -> Iterator[tuple[Reading, int]]:
    columns = (series.t_us, series.took_us, series.late_us, series.value, series.status, series.setting)
    for end_us, took_us, late_us, value, status, number in zip(*(c.tolist() for c in columns), strict=True):
        setting = settings.get(number, Setting())
        start_us = end_us - took_us
        if status == 0:
            reading: Reading = Measured(series.channel, value, start_us, end_us, setting)
        else:
            reading = Unusable(series.channel, CODE_STATUS[status], start_us, end_us, setting)
        yield reading, end_us + late_us
