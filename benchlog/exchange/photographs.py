"""The photographs of a session as the files that they are."""

import hashlib
from pathlib import Path

from benchlog.exchange.rows import written
from benchlog.model.errors import SessionDamaged
from benchlog.model.work import Photographed
from benchlog.session.reader import SessionReader

_SUFFIX = {"image/jpeg": ".jpg", "image/png": ".png"}


def export_photographs(reader: SessionReader, folder: Path) -> list[Path]:
    """Write each into the folder, named by the number of its entry; returns the files.

    Nothing of a photograph's own name or text gets into a file name. `SessionFault` where a file can't be
    written, `SessionDamaged` where a picture is not what its digest says.
    """
    made: list[Path] = []
    with written(folder):
        folder.mkdir(parents=True, exist_ok=True)
    for entry in reader.photographs():
        photograph = entry.payload
        if not isinstance(photograph, Photographed):
            continue
        if hashlib.sha256(photograph.data).hexdigest() != photograph.sha256:
            raise SessionDamaged(
                f"The photograph of entry {entry.seq} is not what it was. Run 'benchlog verify'."
            )
        path = folder / f"photograph-{entry.seq:04d}{_SUFFIX.get(photograph.media_type, '.bin')}"
        with written(path):
            path.write_bytes(photograph.data)
        made.append(path)
    return made
