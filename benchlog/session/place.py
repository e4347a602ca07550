"""Where session files are kept while they are recorded, and whether there is room for one.

The platform's local data folder: write-ahead logging fails on network shares, and folders that are
synchronised copy a file half-way through. A finished session may be copied anywhere.
"""

import re
import shutil
from datetime import datetime
from pathlib import Path

import platformdirs

from benchlog.model.errors import SessionFault
from benchlog.session.faults import mapped

SUFFIX = ".benchlog"

BYTES_PER_READING = 48
"""What a reading takes on the disk at most, with its share of chain and summary (measured
35 to 40, see the benchmarks)."""

LEAST_FREE = 50_000_000
"""Bytes that stay free beside the recording: write-ahead log, a compact copy, the document."""


def sessions_folder() -> Path:
    """The folder of this user's sessions; made when it is not there. `SessionFault` where it can't be."""
    folder = platformdirs.user_data_path("benchlog", appauthor=False, roaming=False) / "sessions"
    with mapped(folder):
        folder.mkdir(parents=True, exist_ok=True)
    return folder


def new_session_path(folder: Path, wall: datetime, number: str = "") -> Path:
    """A name that is free in ``folder``: the day, the job's number where there is one, a counter."""
    plain = re.sub(r"[^A-Za-z0-9-]+", "-", number).strip("-")[:40]
    stem = f"{wall:%Y-%m-%d}-{plain}" if plain else f"{wall:%Y-%m-%d-%H%M}"
    path = folder / (stem + SUFFIX)
    count = 2
    while path.exists():
        path = folder / f"{stem}-{count}{SUFFIX}"
        count += 1
    return path


def space_needed(readings_per_s: float, duration_s: float) -> int:
    """Bytes that a recording may take."""
    return LEAST_FREE + int(readings_per_s * duration_s * BYTES_PER_READING)


def check_space(path: Path, needed: int) -> None:
    """Called before power is switched on. `SessionFault` where the disk of ``path`` has too little room."""
    folder = path if path.is_dir() else path.parent
    with mapped(path):
        free = shutil.disk_usage(folder).free
    if free < needed:
        raise SessionFault(
            f"The disk of {folder} has {free // 1_000_000} MB free; this recording may need "
            f"{-(-needed // 1_000_000)} MB. Make room, or record on another disk."
        )
