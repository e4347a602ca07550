"""A recorder in a process of its own, for tests that kill or stop it: PORT SESSION SECONDS."""

import sys
from pathlib import Path

from recorder_fakes import CURRENT, VOLTAGE, FakeMeter, SmallWatch, TcpSource, begun, bench

from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import Clock, RealClock
from benchlog.model.job import Job
from benchlog.model.role import Role
from benchlog.recorder.contract import Options
from benchlog.recorder.recorder import Recorder
from benchlog.session.writer import SessionWriter


def main(port: int, session: Path, length_s: float) -> None:
    clock = RealClock()
    store = SessionWriter.create(session, Job(simulated=True), clock.wall())

    def opener(config: InstrumentConfig, clock: Clock) -> object:
        if config.roles == (Role.SOURCE,):
            return TcpSource(port)
        channel = CURRENT if config.roles == (Role.SOURCE_CURRENT,) else VOLTAGE
        return FakeMeter(channel, clock, 0.05, lambda: 0.1)

    recorder = Recorder(
        store,
        bench(Role.SOURCE, Role.SOURCE_CURRENT, Role.INLET_VOLTAGE),
        opener,
        clock,
        SmallWatch(length_s=length_s),
        begun(),
        options=Options(answer_not_judged="go-on", show=lambda text: print(text, flush=True)),
    )
    result = recorder.run()
    print("ended", result.ended, flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3]))
