"""Where the details of a bug are kept: a text file in the platform's log folder."""

import os
from datetime import UTC, datetime
from pathlib import Path

import platformdirs


def write_crash_log(text: str) -> Path:
    """Keep the details of a bug and return the file; one process adds to its file of the same second."""
    folder = Path(platformdirs.user_log_dir("benchlog", appauthor=False))
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"crash-{datetime.now(UTC):%Y%m%dT%H%M%S}-{os.getpid()}.log"
    with path.open("a", encoding="utf-8") as log:
        log.write(text)
    return path
