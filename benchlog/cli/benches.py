"""Bench files that were used before, the latest first: one path a line, in the user's state folder."""

from contextlib import suppress
from pathlib import Path

import platformdirs

MOST = 12


def list_path() -> Path:
    """Where the list is kept."""
    return platformdirs.user_state_path("benchlog", appauthor=False) / "benches"


def known_benches() -> list[Path]:
    """Those that are still there."""
    try:
        lines = list_path().read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return []
    return [path for path in map(Path, lines) if path.is_file()]


def remember_bench(path: Path) -> None:
    """Put a bench file at the head of the list. A list that can't be written is no reason not to work."""
    here = path.resolve()
    kept = [here, *(other for other in known_benches() if other != here)][:MOST]
    with suppress(OSError):
        list_path().parent.mkdir(parents=True, exist_ok=True)
        list_path().write_text("".join(f"{one}\n" for one in kept), encoding="utf-8")
