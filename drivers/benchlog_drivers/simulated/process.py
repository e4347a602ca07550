"""The simulated bench as a process: servers, bench file, one ready line, until its input closes."""

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from types import FrameType
from typing import IO, Any

import msgspec

from benchlog.bench.file import save_bench
from benchlog.model.errors import EnvironmentFault, Exit
from benchlog.model.unit import Unit
from benchlog_drivers.simulated.control import Control
from benchlog_drivers.simulated.faults import Fault
from benchlog_drivers.simulated.feed import SoundFeed
from benchlog_drivers.simulated.instruments import SourceInstrument
from benchlog_drivers.simulated.live import LiveBench
from benchlog_drivers.simulated.loudly import Player
from benchlog_drivers.simulated.make import Made, bench_file, make_bench
from benchlog_drivers.simulated.options import SerialKind, SimulateOptions, check_options, sound_ways
from benchlog_drivers.simulated.server import HOST, line_talk
from benchlog_drivers.simulated.serving import Serving
from benchlog_drivers.simulated.trouble import TroubleBox
from benchlog_drivers.simulated.waveform import DigitiserInstrument

SWITCH_INTERVAL_S = 0.00005
"""How soon a server thread gets its turn while the physics compute."""
_START_S = 30.0
_LOOK_S = 0.2
_FLOW_S = 0.008
"""Between two blocks of sound, about as an interface hands them over."""
_TOO_LATE_S = 0.5
"""Behind by so much, readings come later than a watch's stale time."""


class Ready(msgspec.Struct, frozen=True, tag="ready"):
    """The line that says that the bench can be used."""

    bench: str
    """Path of the bench file."""
    control: str
    """``host:port`` of the control line."""
    connections: dict[str, str]
    unit: Unit
    """What a technician would know of the unit."""
    time_scale: float
    pid: int


class BenchProcess:
    """Everything that runs in the process. `start` once, `stop` once."""

    def __init__(self, options: SimulateOptions, folder: Path) -> None:
        """Put bench and servers together; ``folder`` holds pseudo-terminal links and the bench file."""
        check_options(options)
        self.options = options
        self.made: Made = make_bench(options, served=True)
        flows = self.made.bench.sound is not None
        self.live = LiveBench(self.made.bench, options.time_scale, *((_FLOW_S,) if flows else ()))
        over_tcp = options.serial is SerialKind.TCP
        self.serving = Serving(self.live, folder, over_tcp, options.seed)
        panel = self._add_source()
        self._add_the_rest()
        self.control = Control(
            self.live,
            self.made.boxes,
            self.serving.counts,
            None if options.fault is Fault.NONE else options.fault_at_s,
            panel,
            self.made.probe,
        )
        outlet = self.serving.outlet(TroubleBox())
        control = self.serving.add_server("control", line_talk(self.control.handle, outlet), outlet)
        self.control_address = f"{HOST}:{control.port}"
        self.bench_path = Path(options.write_bench) if options.write_bench else folder / "bench.toml"

    def start(self) -> Ready:
        """Begin to serve, write the bench file, and say how the bench is reached.

        `EnvironmentFault` where the file can't be written.
        """
        self.live.start()
        self.serving.start()
        connections = self.serving.connections
        file = bench_file(self.options, connections, self.control_address, self.made.unit)
        try:
            save_bench(file, self.bench_path)
        except OSError as error:
            raise EnvironmentFault(
                f"The bench file {self.bench_path} can't be written: {error.strerror}. "
                "Give another place with --write-bench."
            ) from error
        return Ready(
            str(self.bench_path),
            self.control_address,
            connections,
            self.made.unit,
            self.options.time_scale,
            os.getpid(),
        )

    def stop(self) -> None:
        """End every thread and close every port."""
        self.serving.stop()
        self.live.stop()

    def _add_source(self) -> SourceInstrument | None:
        own, source = self.made.own_meter, self.made.bench.source
        if source is None or own is None:
            return None
        panel = SourceInstrument(source, self.live, own, "SIM-S1")
        self.serving.add_scpi("source", panel, self.serving.outlet(self.made.boxes["source"]))
        return panel

    def _add_the_rest(self) -> None:
        bench, boxes, serving = self.made.bench, self.made.boxes, self.serving
        for meter in bench.meters:
            if meter is not self.made.own_meter:
                serving.add_meter(meter, self.made.unit.mains_hz)
        if bench.digitiser is not None:
            instrument = DigitiserInstrument(bench.digitiser, "SIM-W1")
            serving.add_scpi("digitiser", instrument, serving.outlet(boxes["digitiser"]))
        if bench.sound is not None:
            self._add_sound(bench.sound)
        if bench.contactor is not None:
            serving.add_contactor(bench.contactor, self.options.contactor, boxes["contactor"])

    def _add_sound(self, feed: SoundFeed) -> None:
        if self.options.sound:
            output, heard_at = sound_ways(self.options)
            self.serving.add_player("ears", Player(output, heard_at, feed))
        else:
            self.serving.add_sound("ears", feed, self.serving.outlet(self.made.boxes["ears"]))


def run(options: SimulateOptions) -> int:
    """Serve until standard input closes or a signal asks to end; the exit code.

    Prints one JSON line (`Ready`) on standard output when the bench can be used.
    """
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    ending = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, _setter(ending))
    with tempfile.TemporaryDirectory(prefix="benchlog-simulated-") as folder:
        process = BenchProcess(options, Path(folder))
        try:
            ready = process.start()
            sys.stdout.write(msgspec.json.encode(ready).decode() + "\n")
            sys.stdout.flush()
            threading.Thread(target=_await_end_of_input, args=(ending,), daemon=True).start()
            _watch(process.live, ending)
        finally:
            process.stop()
    return Exit.DONE


def _watch(live: LiveBench, ending: threading.Event) -> None:
    """Wait for the end; raise what stopped the physics; say once when they can't keep up with the clock."""
    told = False
    while not ending.wait(_LOOK_S):
        if live.failure is not None:
            raise live.failure
        if live.behind_s > _TOO_LATE_S and not told:
            told = True
            sys.stderr.write(
                f"The simulated bench is {live.behind_s:.1f} s behind at time scale {live.scale:g}: its "
                "readings come late. Use a smaller --time-scale or a less busy machine.\n"
            )


def _setter(ending: threading.Event) -> Any:
    def on_signal(_number: int, _frame: FrameType | None) -> None:
        ending.set()

    return on_signal


def _await_end_of_input(ending: threading.Event) -> None:
    with contextlib.suppress(OSError, ValueError):
        while sys.stdin.buffer.raw.read(4096) if hasattr(sys.stdin.buffer, "raw") else sys.stdin.read(1):
            pass
    ending.set()


class Spawned:
    """A simulated bench in a process of its own; ends with ``close`` or when its parent ends."""

    def __init__(self, process: "subprocess.Popen[bytes]", ready: Ready) -> None:
        """Take the process and what it said."""
        self.process = process
        self.ready = ready

    @property
    def bench_path(self) -> Path:
        """Path of the bench file."""
        return Path(self.ready.bench)

    def close(self, timeout_s: float = 10.0) -> int:
        """Close its input, wait for its end, and give its exit code; killed after ``timeout_s``."""
        if self.process.stdin is not None:
            with contextlib.suppress(OSError):
                self.process.stdin.close()
        try:
            code = self.process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            self.process.kill()
            code = self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()
        return code

    def __enter__(self) -> "Spawned":
        """Itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close it."""
        self.close()


def spawn(options: SimulateOptions, timeout_s: float = _START_S) -> Spawned:
    """Start the bench as a child process and wait until it can be used.

    `EnvironmentFault` when it does not come up in ``timeout_s`` real seconds.
    """
    words = msgspec.json.encode(options).decode()
    process = subprocess.Popen(
        [sys.executable, "-m", "benchlog_drivers.simulated", words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,
    )
    assert process.stdout is not None
    line = _first_line(process, process.stdout, timeout_s)
    try:
        ready = msgspec.json.decode(line, type=Ready)
    except msgspec.MsgspecError as error:
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()
        raise EnvironmentFault(
            "The simulated bench did not come up. Run 'benchlog simulate' by itself to see what it says."
        ) from error
    return Spawned(process, ready)


def _first_line(process: "subprocess.Popen[bytes]", stdout: IO[bytes], timeout_s: float) -> bytes:
    """Its first line; empty when it ends or stays silent."""
    timer = threading.Timer(timeout_s, process.kill)
    timer.start()
    try:
        return stdout.readline()
    finally:
        timer.cancel()
        timer.join()
