"""A reference unit from a finished session or from a reference file of another workshop."""

from pathlib import Path

import msgspec

from benchlog.job.index import Index, usable_as_reference
from benchlog.model.errors import UsageError
from benchlog.model.history import RunBegun, RunEnded
from benchlog.model.reference import Reference, ReferencePoint
from benchlog.model.step import Outcome, StepRecord
from benchlog.session.place import sessions_folder
from benchlog.session.reader import SessionReader

BAND = 1.25
"""Upper edge of the band around one unit's curve where no spread between units is known. Source: ours."""


def load_reference(path: Path) -> Reference:
    """The reference in a JSON file, or the settled idle currents of the last completed run of a session.

    A job's number stands for its file among the user's own sessions. `UsageError` where the file holds
    neither.
    """
    if path.suffix == ".json":
        try:
            return msgspec.json.decode(path.read_bytes(), type=Reference)
        except (OSError, msgspec.DecodeError) as error:
            raise UsageError(f"{path} holds no reference: {error}.") from error
    with SessionReader(_named(path), untrusted=True) as reader:
        runs, job = reader.runs(), reader.job()
    for run in reversed(runs):
        begun, ended = run.begun.payload, run.ended.payload if run.ended is not None else None
        if not isinstance(begun, RunBegun) or not isinstance(ended, RunEnded):
            continue
        if ended.outcome is Outcome.COMPLETED:
            mains_v = begun.setup.unit.mains_v
            return Reference(
                f"job {job.number}", mains_v, _points(ended.steps, mains_v), invented=job.invented
            )
    raise UsageError(f"{path} holds no completed bring-up. A reference needs one that ran to full voltage.")


def _named(path: Path) -> Path:
    """The file itself, or that of the finished job with that number among the user's own sessions."""
    folder = sessions_folder()
    if path.exists() or path.suffix or path.name != str(path) or not folder.is_dir():
        return path
    with Index(folder) as index:
        index.refresh()
        found = [d for d in usable_as_reference(index.search()) if d.number == path.name]
    if len({d.path for d in found}) > 1:
        raise UsageError(f"Several finished jobs are called '{path}'. Name the session file of one.")
    return Path(found[0].path) if found else path


def _points(steps: tuple[StepRecord, ...], mains_v: float) -> tuple[ReferencePoint, ...]:
    return tuple(
        ReferencePoint(s.measured_v / mains_v, s.idle_a, s.idle_a * BAND, s.power_w)
        for s in steps
        if s.measured_v is not None and s.idle_a is not None
    )
