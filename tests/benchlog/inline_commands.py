"""Runs a command in this process and gathers what it left: quick, for what starts no other process."""

import contextlib
import io
import json
from pathlib import Path
from typing import Any, NamedTuple

from benchlog.cli.main import main


class Done(NamedTuple):
    """What a command left."""

    code: int
    out: str
    err: str

    def json(self) -> Any:
        """The one object on standard output."""
        return json.loads(self.out)


def command(*words: str | Path) -> Done:
    """Run ``benchlog`` with these words."""
    out, err = io.TextIOWrapper(io.BytesIO(), encoding="utf-8"), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = main([str(word) for word in words])
        except SystemExit as exit_:
            code = int(exit_.code or 0)
    out.flush()
    return Done(code, out.buffer.getvalue().decode(), err.getvalue())  # type: ignore[attr-defined]
