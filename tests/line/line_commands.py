"""Runs the commands as a user does: each in a process of its own, JSON on standard output."""

import contextlib
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any, NamedTuple

from benchlog.cli.main import main

_DISPLAYS = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
WITHOUT_DISPLAY = {k: v for k, v in os.environ.items() if k not in _DISPLAYS}


class Done(NamedTuple):
    """What a command left."""

    code: int
    out: str
    err: str

    def json(self) -> Any:
        """The one object on standard output."""
        return json.loads(self.out)


def command(*words: str | Path, timeout_s: float = 110.0, env: dict[str, str] | None = None) -> Done:
    """Run ``benchlog`` with these words."""
    done = subprocess.run(
        [sys.executable, "-m", "benchlog", *map(str, words)],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=timeout_s,
        env=env or WITHOUT_DISPLAY,
        check=False,
    )
    return Done(done.returncode, done.stdout, done.stderr)


def inline(*words: str | Path) -> Done:
    """Run a command in this process: quicker, for what starts no other process."""
    out, err = io.TextIOWrapper(io.BytesIO(), encoding="utf-8"), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = main([str(word) for word in words])
        except SystemExit as exit_:
            code = int(exit_.code or 0)
    out.flush()
    return Done(code, out.buffer.getvalue().decode(), err.getvalue())  # type: ignore[attr-defined]
