"""Sessions as commands take them: a session file, or a document that has one inside."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchlog.model.errors import SessionFault
from benchlog.report.pages import is_document, session_inside


@contextmanager
def session_file(path: Path) -> Iterator[Path]:
    """The session file itself, or a copy of the one inside a document, for looking only.

    `SessionFault` and `SessionDamaged` as `session_inside`.
    """
    if not is_document(path):
        yield path
        return
    _, content = session_inside(path)
    with tempfile.TemporaryDirectory(prefix="benchlog-inside-") as folder:
        copy = Path(folder) / f"{path.stem}.benchlog"
        copy.write_bytes(content)
        yield copy


def take_out(path: Path) -> Path:
    """Put the session inside a document beside it, under its own stem; `SessionFault` where that exists."""
    _, content = session_inside(path)
    out = path.with_suffix(".benchlog")
    try:
        with out.open("xb") as file:
            file.write(content)
    except FileExistsError as error:
        raise SessionFault(f"{out} exists already. Open it, or move it away first.") from error
    except OSError as error:
        raise SessionFault(
            f"The session in {path} can't be put at {out}: {error.strerror}. Copy the document elsewhere."
        ) from error
    return out
