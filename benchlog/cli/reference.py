"""Reference units from finished sessions or from reference files of another workshop."""

from collections.abc import Sequence
from pathlib import Path

import msgspec

from benchlog.job.index import Index, usable_as_reference
from benchlog.measure.forecast import ONE_UNIT_BAND, merge_references
from benchlog.model.errors import EnvironmentFault, UsageError
from benchlog.model.history import RunBegun, RunEnded
from benchlog.model.reference import Reference, ReferencePoint
from benchlog.model.step import Outcome, StepRecord
from benchlog.model.textfile import read_bounded
from benchlog.session.place import sessions_folder
from benchlog.session.reader import Run, SessionReader

_LEAST_POINTS = 2
_MOST_BYTES = 1_000_000


def load_references(paths: Sequence[Path] | None) -> Reference | None:
    """The reference of one file, or what several units of the model have in common; None without a file.

    `UsageError` where a file holds none, or their mains voltages differ.
    """
    if not paths:
        return None
    found = [load_reference(path) for path in paths]
    if len(found) == 1:
        return found[0]
    return merge_references(found, ", ".join(dict.fromkeys(one.name for one in found)))


def load_reference(path: Path) -> Reference:
    """The reference in a JSON file, or the settled idle currents of the last completed run of a session.

    A job's number stands for its file among the user's own sessions. `UsageError` where the file holds
    neither, or fewer than two steps that rise.
    """
    reference = _of_file(path) if path.suffix == ".json" else _of_session(path)
    rising = all(
        a.fraction < b.fraction for a, b in zip(reference.points, reference.points[1:], strict=False)
    )
    if len(reference.points) < _LEAST_POINTS or not rising or any(p.current_a <= 0 for p in reference.points):
        raise UsageError(
            f"The reference in {path} needs two steps or more with a current above zero, by rising voltage. "
            "Take a run that went to full voltage."
        )
    return reference


def save_reference(reference: Reference, path: Path) -> None:
    """Write a reference as a JSON file, for another workshop; `EnvironmentFault` where that can't be."""
    try:
        path.write_bytes(msgspec.json.format(msgspec.json.encode(reference), indent=1) + b"\n")
    except OSError as error:
        raise EnvironmentFault(
            f"{path} can't be written: {error.strerror}. Choose another folder."
        ) from error


def _of_file(path: Path) -> Reference:
    try:
        return msgspec.json.decode(read_bounded(path, _MOST_BYTES), type=Reference)
    except (OSError, msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise UsageError(f"{path} holds no reference: {error}.") from error


def _of_session(path: Path) -> Reference:
    with SessionReader(_named(path), untrusted=True) as reader:
        runs, job = reader.runs(), reader.job()
    for run in reversed(runs):
        found = _of_run(run, f"job {job.number}", job.invented)
        if found is not None:
            return found
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


def _of_run(run: Run, name: str, invented: bool) -> Reference | None:
    begun, ended = run.begun.payload, run.ended.payload if run.ended is not None else None
    if not isinstance(begun, RunBegun) or not isinstance(ended, RunEnded):
        return None
    if ended.outcome is not Outcome.COMPLETED:
        return None
    mains_v = begun.setup.unit.mains_v
    return Reference(name, mains_v, _points(ended.steps, mains_v), invented=invented)


def _points(steps: tuple[StepRecord, ...], mains_v: float) -> tuple[ReferencePoint, ...]:
    """Steps at which something was drawn; a step seen again counts as it was seen last."""
    by_fraction = {s.measured_v / mains_v: s for s in steps if s.measured_v and s.idle_a}
    return tuple(
        ReferencePoint(v, s.idle_a, s.idle_a * ONE_UNIT_BAND, s.power_w)
        for v, s in sorted(by_fraction.items())
        if s.idle_a
    )
