"""The recorder from port to session file, in process, over a loopback source."""

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from recorder_fakes import (
    CURRENT,
    VOLTAGE,
    FakeContactor,
    FakeDial,
    FakeMeter,
    SmallWatch,
    SourceServer,
    TcpSource,
    begun,
    bench,
)

from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import Clock, RealClock
from benchlog.model.errors import InstrumentFault, LinkLost, PlanRefused, ProtocolFault
from benchlog.model.event import Ended, LinkChanged, Said, SwitchOff
from benchlog.model.history import BenchSet, Noted, RunBegun, RunEnded, RunSaid, RunTold
from benchlog.model.job import Job
from benchlog.model.role import Role
from benchlog.model.step import Outcome
from benchlog.recorder.contract import Options, RunResult
from benchlog.recorder.recorder import Recorder
from benchlog.session.reader import SessionReader
from benchlog.session.writer import SessionWriter

THREE = (Role.SOURCE, Role.SOURCE_CURRENT, Role.INLET_VOLTAGE)


@dataclass
class Stand:
    """One bench with its recorder, ready to run."""

    path: Path
    server: SourceServer
    watch: SmallWatch
    clock: RealClock = field(default_factory=RealClock)
    current_a: float = 0.1
    adaptors: dict[Role, Any] = field(default_factory=dict)
    said: list[tuple[int, Said]] = field(default_factory=list)
    shown: list[str] = field(default_factory=list)
    recorder: Recorder | None = None

    def make(self, roles: tuple[Role, ...] = THREE, **options: Any) -> Recorder:
        store = SessionWriter.create(self.path, Job(simulated=True), self.clock.wall())
        options.setdefault("answer_not_judged", "go-on")
        options = {"listener": self._listen, "show": self.shown.append, **options}
        try:
            self.recorder = Recorder(
                store, bench(*roles), self._open, self.clock, self.watch, begun(self.watch.hand_set),
                options=Options(**options),
            )  # fmt: skip
        except BaseException:
            store.close()
            raise
        return self.recorder

    def run(self, roles: tuple[Role, ...] = THREE, **options: Any) -> RunResult:
        return self.make(roles, **options).run()

    def _listen(self, t_us: int, said: Said) -> None:
        self.said.append((t_us, said))

    def _open(self, config: InstrumentConfig, clock: Clock) -> object:
        role = config.roles[0]
        if role not in self.adaptors:
            self.adaptors[role] = self._make(role, clock)
        return self.adaptors[role]

    def _make(self, role: Role, clock: Clock) -> object:
        if role is Role.SOURCE:
            return FakeDial() if self.watch.hand_set else TcpSource(self.server.port)
        if role is Role.CUT_OFF:
            return FakeContactor()
        if role is Role.SOURCE_CURRENT:
            return FakeMeter(CURRENT, clock, 0.02, lambda: self.current_a)
        return FakeMeter(VOLTAGE, clock, 0.02, lambda: float(self.server.state["set_v"] or 0.0))

    def after(self, delay_s: float, act: Callable[[], object]) -> None:
        timer = threading.Timer(delay_s, act)
        timer.daemon = True
        timer.start()

    def when_on(self, act: Callable[[], object], delay_s: float = 0.2) -> None:
        """Do something once the source is on."""

        def wait() -> None:
            assert self.server.on.wait(10.0)
            time.sleep(delay_s)
            act()

        threading.Thread(target=wait, daemon=True).start()

    def entries(self) -> list[Any]:
        with SessionReader(self.path) as reader:
            return [entry.payload for entry in reader.entries()]


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Stand]:
    server = SourceServer()
    yield Stand(tmp_path / "unit.benchlog", server, SmallWatch())
    server.close()


def test_a_run_completes_and_is_on_the_disk(stand: Stand) -> None:
    result = stand.run()
    assert result.ended == Ended(Outcome.COMPLETED, "Done.")
    assert stand.server.seen[:3] == ["LIMIT 1.1 4.0", "V 12.0", "ON"]
    assert stand.server.seen[-1] == "OFF"
    assert not stand.server.state["output_on"]
    kinds = [type(payload) for payload in stand.entries()]
    assert kinds.index(BenchSet) < kinds.index(RunBegun) < kinds.index(RunSaid) < kinds.index(RunEnded)
    with SessionReader(stand.path) as reader:
        readings = reader.readings(reader.channels()[0])
    assert 20 < len(readings.t_us) < 80
    assert stand.said[-1][1] == result.ended


def test_two_high_readings_cut_off_and_are_timed(stand: Stand) -> None:
    stand.watch.length_s = 20.0
    stand.when_on(lambda: setattr(stand, "current_a", 2.0))
    result = stand.run()
    assert result.ended is not None
    assert (result.ended.outcome, result.ended.reason) == (Outcome.CUT_OFF, "stop-limit")
    (times,) = result.times
    assert times.reading_end_us is not None
    assert times.sent_us is not None
    assert times.confirmed_us is not None
    assert times.reading_end_us <= times.told_us <= times.said_us <= times.sent_us <= times.confirmed_us
    assert times.by == "first connection"
