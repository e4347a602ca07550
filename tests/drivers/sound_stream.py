"""Plays a known sound into a sound server's null sink and hears it through the audio adaptor.

    python tests/drivers/sound_stream.py --folder DIR --seconds 600 [--kill-at 60] [--server] [--callbacks]

With ``--server`` it starts (and, with ``--kill-at``, kills and starts again) a private server itself. Prints
JSON: samples played and found again exact and in order, gaps, CPU shares, drift. With ``--callbacks`` the
stream runs in this process instead, and what its callbacks take is printed.
"""

import argparse
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from sound_server import INPUT, OUTPUT, SoundServer

from benchlog.bench.file import InstrumentConfig
from benchlog.model.audio import AudioInput, AudioSetup, SampleBlock, SampleGap
from benchlog.model.clock import RealClock
from benchlog.model.errors import InstrumentFault
from benchlog.model.role import Role
from benchlog_drivers.adaptors.audio import AudioAdaptor
from benchlog_drivers.transports.audio import AudioLine, Order
from benchlog_drivers.transports.audio_child import LOOK_S, open_stream
from benchlog_drivers.transports.audio_ring import BlockRing

RATE, BLOCK = 48_000, 256
LEAD_S = 0.4


def counted(first: int, count: int) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    """Two columns that tell a sample's number, exact in 24 bits: high part and low part."""
    n = np.arange(first, first + count, dtype=np.int64) + 1
    return np.stack([(n >> 16) / 2.0**20 + 2.0**-21, (n & 0xFFFF) / 2.0**17], axis=1).astype(np.float32)


def numbers(samples: Any) -> Any:
    """The numbers back; 0 where there is silence."""
    n = np.round((samples[:, 0].astype(np.float64) - 2.0**-21) * 2.0**20).astype(np.int64) << 16
    n = n + np.round(samples[:, 1].astype(np.float64) * 2.0**17).astype(np.int64)
    return np.where(samples[:, 0] == 0.0, 0, n)


class Listener:
    """Counts what comes, as it comes; nothing is kept."""

    def __init__(self) -> None:
        self.exact = self.joined = self.gaps = self.missing = 0
        self.last: int | None = None

    def take(self, one: SampleBlock | SampleGap) -> None:
        if isinstance(one, SampleGap):
            self.gaps, self.missing, self.last = self.gaps + 1, self.missing + one.missing, None
            return
        n = numbers(one.samples)
        n = n[n > 0]
        if not len(n):
            return
        steps = np.diff(n if self.last is None else np.concatenate([[self.last], n]))
        self.exact += int(np.count_nonzero(steps == 1))
        self.joined += int(np.count_nonzero(steps != 1))
        self.last = int(n[-1])


class Player:
    """Plays numbered samples after some silence, in a process of its own (a dead server makes it hang)."""

    def __init__(self, seconds: float) -> None:
        words = [sys.executable, __file__, "--play", "--folder", ".", "--seconds", str(seconds)]
        self._process = subprocess.Popen(words, stderr=subprocess.DEVNULL)

    def end(self) -> None:
        self._process.kill()
        self._process.wait(10.0)


def play(seconds: float) -> None:
    import sounddevice

    lead, first = round(LEAD_S * RATE), [0]

    def fill(out: Any, count: int, _times: object, _status: object) -> None:
        at = first[0] - lead
        first[0] += count
        out[:] = counted(at, count) if at >= 0 else 0.0

    stream = sounddevice.OutputStream(
        device=OUTPUT, samplerate=RATE, channels=2, blocksize=1024, latency=0.3, dtype="float32",
        clip_off=True, dither_off=True, callback=fill,
    )  # fmt: skip
    stream.start()
    time.sleep(seconds + 5.0)
    os._exit(0)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=2.0)
    parser.add_argument("--samples", type=int, help="end once so many came exact and in order")
    parser.add_argument("--kill-at", type=float)
    parser.add_argument("--play", action="store_true", help="only play; the listener starts it so")
    parser.add_argument("--server", action="store_true")
    parser.add_argument("--callbacks", action="store_true", help="only time the callbacks")
    args = parser.parse_args()
    if args.play:
        play(args.seconds)
    server = SoundServer(args.folder) if args.server else None
    if server is not None:
        os.environ.update(server.environment)
        server.start()
    try:
        print(json.dumps(callbacks(args.seconds) if args.callbacks else run(args, server)))
    finally:
        if server is not None:
            server.kill()
    return 0


def run(args: argparse.Namespace, server: SoundServer | None) -> dict[str, Any]:
    setup = AudioSetup(AudioInput(2, 1.0), AudioInput(1, 1.0), rate_hz=RATE, block=BLOCK)
    config = InstrumentConfig("ears", "audio", (Role.SOURCE_CURRENT, Role.INLET_VOLTAGE), INPUT, audio=setup)
    line = AudioLine(INPUT, RATE, BLOCK, 2)
    clock = RealClock()
    adaptor = AudioAdaptor(config, line, clock)
    identity, player = adaptor.open(), Player(args.seconds)
    listener, faults, enough = Listener(), [], args.samples or sys.maxsize
    late_us: list[int] = []
    begin, cpu, resumed = time.monotonic(), time.process_time(), None
    try:
        while (passed := time.monotonic() - begin) < args.seconds and listener.exact < enough:
            if args.kill_at is not None and server is not None and passed > args.kill_at:
                args.kill_at = None
                server.kill()
            try:
                for one in adaptor.listen():
                    listener.take(one)
                    if isinstance(one, SampleBlock):
                        late_us.append(clock.now() - one.end_us)
            except InstrumentFault as fault:
                faults.append(f"{passed:.2f} s: {type(fault).__name__}: {fault}")
                if server is not None:
                    server.kill()
                    server.start()
                adaptor.close()
                player.end()
                again(adaptor)
                listener.last, resumed = None, time.monotonic() - begin - passed
                player = Player(args.seconds)
        cpu = time.process_time() - cpu
        child = line._child
        stream_s = cpu_s_of(child.pid) if child is not None and args.kill_at is None else None
        drift = adaptor.sample_clock.drift()
    finally:
        player.end()
        adaptor.close()
    return {
        "identity": identity.description, "exact": listener.exact, "joined": listener.joined,
        "gaps": listener.gaps, "missing": listener.missing, "faults": faults, "resumed_after_s": resumed,
        "recorder_cpu_percent": 100.0 * cpu / passed, "drift_ppm": drift,
        "late_ms_median": float(np.median(late_us)) / 1e3,
        "late_ms_p99": float(np.quantile(late_us, 0.99)) / 1e3,
        "stream_cpu_percent": None if stream_s is None else 100.0 * stream_s / passed,
    }  # fmt: skip


class TimedRing(BlockRing):
    """Keeps what each `put` took, in seconds."""

    def __init__(self, blocks: int, frames: int, channels: int) -> None:
        super().__init__(blocks, frames, channels)
        self.took: list[float] = []

    def put(self, *words: Any, **more: Any) -> None:
        begin = time.perf_counter()
        super().put(*words, **more)
        self.took.append(time.perf_counter() - begin)


def callbacks(seconds: float) -> dict[str, Any]:
    """The child's own stream in this process, emptied as the child does."""
    ring = TimedRing(1000, BLOCK, 2)
    device, stream = open_stream(Order(INPUT, RATE, BLOCK, 2), ring)
    begin, cpu, count = time.monotonic(), time.process_time(), 0
    while time.monotonic() - begin < seconds:
        count += sum(len(block.samples) for block in ring.take())
        time.sleep(LOOK_S)
    passed = time.monotonic() - begin
    cpu = time.process_time() - cpu
    stream.stop()
    micro = 1e6 * np.array(ring.took)
    return {
        "device": device.name, "samples": count, "found_no_room": ring.lost, "callbacks": len(micro),
        "callback_us_median": float(np.median(micro)), "callback_us_p99": float(np.quantile(micro, 0.99)),
        "callback_us_worst": float(micro.max()), "block_us": 1e6 * BLOCK / RATE,
        "stream_cpu_percent": 100.0 * cpu / passed,
    }  # fmt: skip


def cpu_s_of(pid: int) -> float:
    """Processor time of a process, in s (Linux)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def again(adaptor: AudioAdaptor) -> None:
    """As the recorder does: until it works."""
    for _ in range(50):
        try:
            adaptor.open()
            return
        except InstrumentFault:
            time.sleep(0.2)
    raise SystemExit("the stream did not come back")


if __name__ == "__main__":
    sys.exit(main())
