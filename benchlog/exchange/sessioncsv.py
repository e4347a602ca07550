"""A whole session as a folder of CSV files."""

from pathlib import Path

from benchlog.exchange.historycsv import export_history
from benchlog.exchange.readingscsv import export_readings, readings_file_name
from benchlog.exchange.rows import write_rows, written
from benchlog.model.clock import seconds
from benchlog.session.reader import SessionReader

HISTORY = "history.csv"


def export_csv(reader: SessionReader, folder: Path, bom: bool = False) -> tuple[Path, ...]:
    """Write ``history.csv``, a file for each channel and one for each waveform; returns them in that order.

    The folder is made where it is missing; files of the same names are written over. `SessionFault` where
    it can't be written.
    """
    with written(folder):
        folder.mkdir(parents=True, exist_ok=True)
    made = [folder / HISTORY]
    export_history(reader, made[0], bom)
    for channel in reader.channels():
        made.append(_free(folder / readings_file_name(channel), made))
        export_readings(reader, channel, made[-1], bom)
    for record in reader.waves():
        made.append(folder / f"waveform-{record.number}.csv")
        export_waveform(reader, record.number, made[-1], bom)
    return tuple(made)


def _free(path: Path, taken: list[Path]) -> Path:
    """Two instruments' names may read alike in plain letters."""
    count, free = 2, path
    while free in taken:
        free = path.with_stem(f"{path.stem}-{count}")
        count += 1
    return free


def export_waveform(reader: SessionReader, number: int, path: Path, bom: bool = False) -> int:
    """Write a waveform as ``t_s`` (from the session's start), ``v_v``, ``i_a``; returns how many samples."""
    wave = reader.wave(number)
    start_s = seconds(wave.start_us)
    pairs = zip(wave.v_v.tolist(), wave.i_a.tolist(), strict=True)
    write_rows(
        path,
        ("t_s", "v_v", "i_a"),
        ((start_s + k / wave.rate_hz, v, i) for k, (v, i) in enumerate(pairs)),
        bom,
    )
    return int(wave.v_v.size)
