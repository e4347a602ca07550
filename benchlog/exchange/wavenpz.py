"""The waveforms of a session as one file of numpy arrays (NPZ): exact, and quick to read by other programs.

Of waveform *n*: ``v_v_n`` and ``i_a_n`` (volts, amperes), ``rate_hz_n``, ``start_s_n`` from the session's
start, ``note_n``; all of them are listed in ``numbers``. Nothing in it needs pickle.
"""

from pathlib import Path
from zipfile import BadZipFile

import numpy as np

from benchlog.exchange.rows import written
from benchlog.model.clock import microseconds, seconds
from benchlog.model.errors import UsageError
from benchlog.model.wave import Waveform
from benchlog.session.reader import SessionReader


def export_npz(reader: SessionReader, path: Path) -> int:
    """Write every waveform; returns how many. `SessionFault` where the file can't be written."""
    records = reader.waves()
    arrays: dict[str, np.ndarray[tuple[int, ...], np.dtype[np.generic]]] = {
        "numbers": np.array([r.number for r in records], np.int64)
    }
    for record in records:
        wave, n = reader.wave(record.number), record.number
        arrays |= {
            f"v_v_{n}": wave.v_v,
            f"i_a_{n}": wave.i_a,
            f"rate_hz_{n}": np.array(wave.rate_hz),
            f"start_s_{n}": np.array(seconds(wave.start_us)),
            f"note_{n}": np.array(record.note),
        }
    with written(path), path.open("wb") as file:
        np.savez_compressed(file, allow_pickle=False, **arrays)
    return len(records)


def read_npz(path: Path) -> tuple[tuple[Waveform, str], ...]:
    """Waveforms with their notes of a file that `export_npz` wrote. `UsageError` where it is not one."""
    try:
        with path.open("rb") as data, np.load(data, allow_pickle=False) as file:
            return tuple(
                (
                    Waveform(
                        file[f"v_v_{n}"],
                        file[f"i_a_{n}"],
                        float(file[f"rate_hz_{n}"]),
                        microseconds(float(file[f"start_s_{n}"])),
                    ),
                    str(file[f"note_{n}"]),
                )
                for n in file["numbers"].tolist()
            )
    except (OSError, ValueError, KeyError, EOFError, BadZipFile) as error:
        raise UsageError(f"{path} is no file of waveforms ({error}). Export it again.") from error
