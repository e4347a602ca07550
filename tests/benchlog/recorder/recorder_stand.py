"""One bench with its recorder, ready to run in this process."""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

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
from benchlog.model.event import Said
from benchlog.model.job import Job
from benchlog.model.role import Role
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
        self.recorder = Recorder(
            store, bench(*roles), self._open, self.clock, self.watch, begun(self.watch.hand_set),
            options=Options(**options),
        )  # fmt: skip
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
