"""Sessions made of exports: our own JSON, or our own CSV files of history, readings and waveforms.

    import_json(path, out, now) -> what was read in
    import_csv(paths, out, now) -> what was read in

What is read in gets a chain of its own, which begins with the import; the last entry says so and names the
chain that it had. The history keeps its numbers: where an entry was withheld a note stands in its place.
"""

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from itertools import chain, islice
from pathlib import Path

import msgspec
import numpy as np

from benchlog.exchange.historycsv import read_history
from benchlog.exchange.isotime import instant
from benchlog.exchange.readingscsv import read_readings
from benchlog.exchange.rows import read_rows
from benchlog.exchange.sessionjson import entries_of, read_json, readings_of, wave_of
from benchlog.model.clock import Anchor, microseconds
from benchlog.model.errors import UsageError
from benchlog.model.history import Entry, JobEntered, Noted, Withheld
from benchlog.model.job import Job
from benchlog.model.reading import Reading
from benchlog.model.wave import Waveform
from benchlog.session.writer import SessionWriter

AT_ONCE = 50_000
"""Readings in one commit."""

BY = "recorder"
"""Who signs what the program itself enters."""

Told = tuple[Reading, int]


class Imported(msgspec.Struct, frozen=True):
    """How much was read in."""

    entries: int
    readings: int
    waveforms: int


class _Anchor(msgspec.Struct, frozen=True):
    t_us: int
    wall: datetime
    scale: float = 1.0


def import_json(path: Path, out: Path, now: datetime) -> Imported:
    """Make a session of an export; ``now`` (aware) is when. `UsageError` where it is no export of ours.

    `SessionFault` where ``out`` exists or can't be written.
    """
    exported = read_json(path)
    entries = entries_of(exported)
    readings = chain.from_iterable(readings_of(channel) for channel in exported.channels)
    waves = [(wave_of(wave), wave.note) for wave in exported.waveforms]
    anchors = [_Anchor(microseconds(a.t_s), a.time, a.scale) for a in exported.anchors]
    fallback = Job(simulated=exported.simulated, invented=exported.invented)
    origin = f"Imported from {path.name}; the head of its chain there is {exported.head}."
    return _make(out, entries, fallback, anchors, readings, waves, origin, now)


def import_csv(paths: Sequence[Path], out: Path, now: datetime) -> Imported:
    """Make a session of CSV files, or of a folder of them, as the export wrote them. Faults as `import_json`.

    Without a history the job is empty, and nothing says whether the readings were simulated.
    """
    files = [f for path in paths for f in (sorted(path.glob("*.csv")) if path.is_dir() else [path])]
    kinds = {path: _kind(path) for path in files}
    entries = tuple(e for path in files if kinds[path] == "history" for e in read_history(path))
    of_readings = [path for path in files if kinds[path] == "readings"]
    waves = [(_wave(path), path.stem) for path in files if kinds[path] == "waveform"]
    if not files or not (entries or of_readings or waves):
        raise UsageError("Nothing to import: name CSV files, or a folder, that 'benchlog export' wrote.")
    readings = chain.from_iterable(map(read_readings, of_readings))
    anchors = sorted((a for path in of_readings for a in _first_time(path)), key=lambda a: a.t_us)[:1]
    origin = f"Imported from {', '.join(path.name for path in files)}."
    fallback = Job(number=files[0].stem)
    return _make(out, entries, fallback, anchors, readings, waves, origin, now)


def _kind(path: Path) -> str:
    """What a CSV file of ours holds, by its header. `UsageError` for a file that is none of ours."""
    for needed, kind in ((("payload",), "history"), (("told_s",), "readings"), (("v_v", "i_a"), "waveform")):
        try:
            next(read_rows(path, needed), None)
        except UsageError as error:
            if "lacks the columns" not in str(error):
                raise
        else:
            return kind
    raise UsageError(f"{path} is none of our CSV files: its header names no payload, told_s or v_v and i_a.")


def _first_time(path: Path) -> Iterator[_Anchor]:
    """The wall-clock time of the first reading of a file."""
    for line, row in islice(read_rows(path, ("time", "t_s")), 1):
        try:
            yield _Anchor(instant(float(row["t_s"])), datetime.fromisoformat(row["time"]))
        except ValueError as error:
            raise UsageError(f"{path}, line {line}: {error}. Mend that line.") from error


def _wave(path: Path) -> Waveform:
    """A waveform of its CSV file, at its own place on the session's axis."""
    try:
        rows = np.array(
            [
                [float(row[n]) for n in ("t_s", "v_v", "i_a")]
                for _, row in read_rows(path, ("t_s", "v_v", "i_a"))
            ]
        )
        if len(rows) < 2 or not rows[-1, 0] > rows[0, 0]:
            raise ValueError("fewer than two samples, or a time that stands still")
    except ValueError as error:
        raise UsageError(f"{path} is no waveform ({error}). Export it again.") from error
    rate_hz = (len(rows) - 1) / float(rows[-1, 0] - rows[0, 0])
    return Waveform(rows[:, 1].copy(), rows[:, 2].copy(), rate_hz, instant(float(rows[0, 0])))


def _make(
    out: Path,
    entries: tuple[Entry, ...],
    fallback: Job,
    anchors: Sequence[_Anchor],
    readings: Iterable[Told],
    waves: Sequence[tuple[Waveform, str]],
    origin: str,
    now: datetime,
) -> Imported:
    first = entries[0] if entries and isinstance(entries[0].payload, JobEntered) else None
    job = first.payload.job if first is not None and isinstance(first.payload, JobEntered) else fallback
    begin = _begin(first, anchors, now)
    writer = SessionWriter.create(out, job, begin.wall, t_us=begin.t_us, scale=begin.scale)
    try:
        for anchor in anchors:
            writer.add_anchor(Anchor(anchor.t_us, anchor.wall), anchor.scale)
        rest = entries[1:] if first is not None else entries
        last_us = _add_entries(writer, rest, begin.t_us)
        count, told_us = _add_readings(writer, readings)
        for wave, note in waves:
            writer.add_wave(wave, note)
        writer.add_entry(Noted(origin, by=BY), max(last_us, told_us), now)
        writer.commit()
    except ValueError as error:
        writer.close()
        out.unlink(missing_ok=True)
        raise UsageError(f"What was exported can't be a session ({error}). Export it again.") from error
    except BaseException:
        writer.close()
        out.unlink(missing_ok=True)
        raise
    writer.close()
    return Imported(len(entries), count, len(waves))


def _begin(first: Entry | None, anchors: Sequence[_Anchor], now: datetime) -> _Anchor:
    """Where the axis begins: at the intake, else at the first time that is known, else now."""
    scale = anchors[0].scale if anchors else 1.0
    if first is not None:
        return _Anchor(first.t_us, first.wall, scale)
    if anchors:
        wall = anchors[0].wall
        return _Anchor(min(anchors[0].t_us, 0), wall, scale)
    return _Anchor(0, now)


def _add_entries(writer: SessionWriter, entries: Iterable[Entry], last_us: int) -> int:
    for entry in entries:
        payload = entry.payload
        if isinstance(payload, Withheld):
            payload = Noted(f"A {payload.kind} entry stood here; it was withheld.", by=BY)
        writer.add_entry(payload, entry.t_us, entry.wall)
        last_us = max(last_us, entry.t_us)
    return last_us


def _add_readings(writer: SessionWriter, readings: Iterable[Told]) -> tuple[int, int]:
    """How many were added, and the last instant at which one was told."""
    left, count, last_us = iter(readings), 0, 0
    while part := list(islice(left, AT_ONCE)):
        writer.add_readings(part)
        writer.commit()
        count += len(part)
        last_us = max(last_us, *(told for _, told in part))
    return count, last_us
