"""One sitting after another behind one window: recording, a bring-up, recording again, another job.

A sitting is a recorder with one session and one bench. What the window asks for ends the present sitting in
order and begins the next; the window stays. A simulated bench gets a job of its own: what it gives never goes
into the session of a real unit.
"""

import argparse
import logging
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path

import msgspec

from benchlog.bench.check import ask_before_power, check_bench, check_parts
from benchlog.bench.file import Bench, InstrumentConfig, load_bench, save_bench
from benchlog.bringup.watch import BringUp
from benchlog.cli.benches import known_benches, remember_bench
from benchlog.cli.conduct import open_store
from benchlog.cli.inside import take_out
from benchlog.cli.narrator import Narrator
from benchlog.cli.output import say
from benchlog.cli.plan import plan_for
from benchlog.cli.reference import load_references
from benchlog.cli.rehearse import DEFAULT_SCALE, free_name
from benchlog.cli.setup import run_setup
from benchlog.job.settings import usable_settings, workshop_of
from benchlog.model.clock import Clock, RealClock
from benchlog.model.errors import BenchlogError, EnvironmentFault, PlanRefused, SessionFault, UsageError
from benchlog.model.history import RunBegun
from benchlog.model.job import Job
from benchlog.model.protocol import (
    Answered,
    BenchAsked,
    Inquiry,
    JobAsked,
    Raw,
    RawAsked,
    ReferenceAsked,
    ReferenceNow,
    RehearsalAsked,
    Request,
    RolesGiven,
    RunAsked,
)
from benchlog.recorder.contract import Desk, Options, RunResult
from benchlog.recorder.recorder import Recorder
from benchlog.recorder.window import WindowLink
from benchlog.report.pages import is_document
from benchlog.session.place import new_session_path, sessions_folder
from benchlog.session.reader import SessionReader
from benchlog.session.writer import SessionWriter
from benchlog_drivers.registry import make_tapped
from benchlog_drivers.simulated.options import make_options
from benchlog_drivers.simulated.process import Spawned, spawn
from benchlog_drivers.traits import with_traits

NO_BENCH = Bench(name="no instruments", instrument=())
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a sitting takes place."""

    session: Path
    bench: Bench = NO_BENCH
    bench_path: Path | None = None
    begun: RunBegun | None = None
    """The bring-up of the sitting; None where it only records."""
    said: str = ""
    """What the technician has to be told at its beginning."""
    rehearsal: bool = False
    simulated: bool | None = None
    """Whether the session holds anything simulated; None while it is new and nothing is recorded yet."""


def first_place(args: argparse.Namespace) -> Place:
    """Session and bench that a command names, or those of the last time."""
    session = args.session or new_session_path(sessions_folder(), datetime.now().astimezone())
    if is_document(session):
        session = take_out(session)
        say(f"The session inside was put at {session}; entries go there, not into the document.")
    place = place_of(session)
    if args.no_bench:
        return place
    if args.bench is not None:
        return with_bench(place, args.bench)
    known = known_benches()
    if not known or place.simulated:
        return place
    try:
        return with_bench(place, known[0])
    except BenchlogError as error:
        return replace(place, said=str(error))


def place_of(session: Path) -> Place:
    """A session that is not being recorded here, or a new one, without instruments."""
    if not session.exists():
        return Place(session)
    with SessionReader(session, untrusted=True) as reader:
        return Place(session, simulated=reader.simulated)


def with_bench(place: Place, path: Path) -> Place:
    """The same session with the instruments of a bench file. `UsageError`, `PlanRefused`.

    The session is not looked into: it may be being recorded, and this process opens it no other way.
    """
    bench = with_traits(load_bench(path))
    sham = bench.simulated is not None
    if sham and place.simulated is False:
        raise PlanRefused(
            "A simulated bench never goes into the job of a real unit. Rehearse instead: that makes a job "
            "of its own."
        )
    if not sham:
        if place.simulated:
            raise PlanRefused("This job is simulated. Begin or open another job for real instruments.")
        remember_bench(path)
    return replace(place, bench=bench, bench_path=path, begun=None, simulated=sham)


class Sittings:
    """Everything behind one window, from its opening to its closing."""

    def __init__(self, link: WindowLink, place: Place) -> None:
        """``link``: the window, perhaps started already."""
        self._link = link
        self._place = place
        self._next: Place | Request | None = None
        self._simulated: Spawned | None = None
        self._raw = False

    def run(self) -> RunResult | None:
        """Sit until the window is closed; how the last sitting ended."""
        result: RunResult | None = None
        try:
            while True:
                result = self._sit()
                asked, self._next = self._next, None
                if asked is None:
                    return result
                self._move(asked)
        finally:
            if self._simulated is not None:
                self._simulated.close()

    def _sit(self) -> RunResult | None:
        """One sitting; a run that can't begin is told in the next one."""
        place = self._place = replace(self._place, simulated=bool(self._place.simulated))
        try:
            return self._recorder(place).run()
        except SessionFault:
            raise
        except (EnvironmentFault, UsageError, PlanRefused) as fault:
            if place.begun is None and not place.bench.instrument:
                raise
            bench = place.bench if place.begun is not None else NO_BENCH
            self._next = replace(place, bench=bench, begun=None, said=str(fault))
            return None

    def _recorder(self, place: Place) -> Recorder:
        scale = place.bench.simulated.time_scale if place.bench.simulated else 1.0
        clock, store, job = self._open(place, scale)
        desk = Desk(
            self._link,
            self._ask,
            str(place.bench_path or ""),
            tuple(str(path) for path in known_benches()),
            place.said,
        )
        begun = place.begun
        engine = BringUp(begun.setup) if begun is not None else None
        narrator = Narrator().hear if begun is not None else None
        options = Options(desk=desk, show=say, listener=narrator)
        return Recorder(store, place.bench, self._make, clock, engine, begun, job, options)

    def _open(self, place: Place, scale: float) -> tuple[RealClock, SessionWriter, Job]:
        """A clock, the session's writer and its job; the session is begun where it is not there."""
        simulated = place.bench.simulated is not None
        workshop = workshop_of(usable_settings())
        number = place.session.stem
        job = Job(number, simulated=simulated, invented=place.rehearsal, workshop=workshop)
        if simulated and place.bench.unit is not None:
            job = msgspec.structs.replace(job, unit=place.bench.unit)
        if place.session.exists():
            with SessionReader(place.session, untrusted=True) as reader:
                job = reader.job()
        else:
            say(f"Session: {place.session}")
        what = "bring-up" if place.begun is not None else "window"
        clock, store = open_store(place.session, job, scale, what)
        return clock, store, job

    def _make(self, config: InstrumentConfig, clock: Clock) -> object:
        return make_tapped(config, clock, self._seen)

    def _seen(self, name: str, way: str, data: bytes) -> None:
        if self._raw:
            text = data.decode("latin-1").encode("unicode_escape").decode("ascii")
            self._link.outbox.add(Raw(((name, way, text),)))

    # ---- what the window asks for, on the thread that listens to it -----------------------------------

    def _ask(self, request: Request | Inquiry) -> Answered | None:
        """Why it is refused; None where it is taken."""
        try:
            match request:
                case RawAsked():
                    self._raw = request.on
                case ReferenceAsked():
                    self._link.outbox.add(_reference(request))
                case RunAsked():
                    return self._ask_run(request)
                case BenchAsked():
                    self._next = self._with_bench(request.path)
                case RolesGiven():
                    self._next = self._with_roles(request)
                case JobAsked():
                    self._next = self._other_job(request)
                case RehearsalAsked():
                    make_options(**_words(request))
                    self._next = request
        except BenchlogError as error:
            return Answered(str(error), refused=True)
        return None

    def _ask_run(self, request: RunAsked) -> Answered | None:
        """Begin it, or ask what plan and bench ask before power; what the job asks, the window asks."""
        begun, asked = self._begin(request)
        if asked and not request.checked.strip():
            return Answered("\n".join(asked), refused=True, question=True)
        if asked:
            warnings = (*begun.warnings, f"Answered before power: {request.checked}")
            begun = msgspec.structs.replace(begun, warnings=warnings)
        self._next = replace(self._place, begun=begun, said="")
        return None

    def _begin(self, request: RunAsked) -> tuple[RunBegun, tuple[str, ...]]:
        """The bring-up that is asked for and its questions. `PlanRefused`, `UsageError`."""
        bench = self._place.bench
        if not bench.instrument:
            raise PlanRefused("No instruments are read. Choose a bench file first (instruments, F5).")
        with tempfile.TemporaryDirectory() as folder:
            args = _arguments(request, Path(folder))
            plan = plan_for(bench, request.unit, args)
            setup = run_setup(bench, request.unit, plan, args)
        today = date.today()
        begun = RunBegun(setup=setup, warnings=(*plan.warnings, *check_bench(bench, setup, today)))
        return begun, (*plan.asked, *ask_before_power(bench, request.unit, today))

    def _with_bench(self, path: str) -> Place:
        if not path:
            return replace(self._place, bench=NO_BENCH, bench_path=None, begun=None, said="")
        return with_bench(replace(self._place, said=""), Path(path))

    def _with_roles(self, request: RolesGiven) -> Place:
        """The bench file with other parts for its instruments; the old file stays beside it."""
        path = self._place.bench_path
        if path is None:
            raise UsageError("No bench file is in use. Choose one first.")
        bench = load_bench(path)
        given = tuple(
            msgspec.structs.replace(one, roles=request.roles.get(one.name, one.roles))
            for one in bench.instrument
        )
        changed = msgspec.structs.replace(bench, instrument=given)
        check_parts(changed)
        try:
            path.with_name(path.name + ".before").write_bytes(path.read_bytes())
            save_bench(changed, path)
        except OSError as error:
            raise EnvironmentFault(f"The bench file {path} can't be written: {error.strerror}.") from error
        return with_bench(replace(self._place, said=""), path)

    def _other_job(self, request: JobAsked) -> Place:
        """Another session on the same bench, as far as the two belong together."""
        new = new_session_path(sessions_folder(), datetime.now().astimezone())
        session = Path(request.path) if request.path else new
        if session.resolve() == self._place.session.resolve():
            raise UsageError("This job is the one that is open.")
        if request.path and not session.exists():
            raise UsageError(f"There is no session {session}.")
        if is_document(session):
            session = take_out(session)
        place, now = place_of(session), self._place
        if now.bench_path is not None and now.bench.simulated is None and not place.simulated:
            return replace(place, bench=now.bench, bench_path=now.bench_path)
        known = known_benches()
        return with_bench(place, known[0]) if known and not place.simulated else place

    # ---- between two sittings --------------------------------------------------------------------------

    def _move(self, asked: Place | Request) -> None:
        """Go where the next sitting takes place; where that fails, stay and say why."""
        try:
            if isinstance(asked, RehearsalAsked):
                self._place = self._rehearse(asked)
            elif isinstance(asked, Place):
                self._place = asked
        except BenchlogError as error:
            self._place = replace(self._place, begun=None, said=str(error))

    def _rehearse(self, request: RehearsalAsked) -> Place:
        """A simulated bench in a process of its own, and a job of its own."""
        if self._simulated is not None:
            self._simulated.close()
            self._simulated = None
        self._simulated = spawn(make_options(**_words(request)))
        session = free_name(sessions_folder())
        return Place(
            session,
            load_bench(self._simulated.bench_path),
            self._simulated.bench_path,
            rehearsal=True,
            simulated=True,
        )


def _words(request: RehearsalAsked) -> dict[str, object]:
    """Options of a simulated bench from words; numbers as numbers. `UsageError` for what is none."""
    words: dict[str, object] = {"time_scale": DEFAULT_SCALE}
    numbers: Sequence[str] = ("time_scale", "seed", "turns", "mains_v", "lamp_w")
    for name, text in request.words.items():
        if name not in numbers:
            words[name] = text
            continue
        with suppress(ValueError):
            words[name] = int(text) if name in ("seed", "turns") else float(text)
            continue
        raise UsageError(f"{name} '{text}' is no number.")
    return words


def _reference(request: ReferenceAsked) -> ReferenceNow:
    """What the named units drew, or why that can't be told."""
    try:
        found = load_references([Path(name) for name in request.names])
    except BenchlogError as error:
        return ReferenceNow(request.names, fault=str(error))
    return ReferenceNow(request.names, found)


def _arguments(request: RunAsked, folder: Path) -> argparse.Namespace:
    """A request as the options of a command."""
    plan: Path | None = None
    if request.plan:
        plan = folder / "plan.toml"
        plan.write_text(request.plan, encoding="utf-8")
    return argparse.Namespace(
        lamp=request.lamp_w,
        soak=request.soak_min,
        ask=request.ask,
        reference=[Path(name) for name in request.references],
        plan=plan,
        checked=request.checked,
    )
