"""The simulated bench in real time: one thread takes it along with the clock, others see what is finished.

No reply waits for the physics: servers read finished apertures, and leave commands with their instant.
"""

import threading
import time
from collections.abc import Callable

from benchlog_drivers.simulated.bench import SimulatedBench
from benchlog_drivers.simulated.meters import Finished

LARGEST_CHUNK_S = 0.4
"""Bench seconds of physics between two looks at orders and listeners."""
_LONGEST_SLEEP_S = 0.02
_SHORTEST_SLEEP_S = 0.0001
_PATIENCE_S = 5.0
_EPS_S = 1e-6

Order = Callable[[float], None]
"""Something to do on the bench's own thread; it is given the present bench seconds."""


class LiveBench:
    """Drives a `SimulatedBench` at ``scale`` bench seconds per real second."""

    def __init__(
        self, bench: SimulatedBench, scale: float = 1.0, longest_sleep_s: float = _LONGEST_SLEEP_S
    ) -> None:
        """Not yet running; the bench's zero is the instant of ``start``.

        ``longest_sleep_s``: real seconds between two looks at the clock, where a stream has to flow.
        """
        self.bench = bench
        self.scale = scale
        self._longest_sleep_s = longest_sleep_s
        self.started_ns = time.monotonic_ns()
        self._listeners: list[Callable[[Finished], None]] = []
        self._orders: list[tuple[float, Order]] = []
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._work, name="simulated-bench", daemon=True)
        self.failure: BaseException | None = None

    def listen(self, listener: Callable[[Finished], None]) -> None:
        """Call ``listener`` with each finished aperture, on the bench's thread; it must not wait."""
        self._listeners.append(listener)

    def start(self) -> None:
        """Begin."""
        self.started_ns = time.monotonic_ns()
        self._thread.start()

    def stop(self) -> None:
        """End the thread."""
        self._stopping.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(_PATIENCE_S)

    def now_s(self) -> float:
        """Bench seconds by the machine's monotonic clock."""
        return (time.monotonic_ns() - self.started_ns) * 1e-9 * self.scale

    def ns_at(self, bench_s: float | None) -> int | None:
        """``CLOCK_MONOTONIC`` nanoseconds of an instant of the bench; None stays None."""
        return None if bench_s is None else self.started_ns + int(bench_s / self.scale * 1e9)

    def catch_up(self, timeout_s: float = 0.2) -> None:
        """Wait, at most ``timeout_s`` real seconds, until the bench has reached the present instant."""
        now_s, until = self.now_s(), time.monotonic() + timeout_s
        while self.bench.now_s < now_s and time.monotonic() < until and self._thread.is_alive():
            self._wake.set()
            time.sleep(_SHORTEST_SLEEP_S)

    @property
    def behind_s(self) -> float:
        """Real seconds that the physics lag behind the clock."""
        return max(0.0, (self.now_s() - self.bench.now_s) / self.scale)

    def leave(self, order: Order) -> None:
        """Leave an order for the bench's thread; it is carried out in turn with its own instant."""
        with self._lock:
            self._orders.append((self.now_s(), order))
        self._wake.set()

    def _work(self) -> None:
        try:
            while not self._stopping.is_set():
                self._once()
        except Exception as error:  # noqa: BLE001 - kept for whoever asks; the process ends with it
            self.failure = error

    def _once(self) -> None:
        now_s = self.now_s()
        due_s = self._orders[0][0] if self._orders else now_s
        to_s = min(now_s, due_s, self.bench.now_s + LARGEST_CHUNK_S)
        for finished in self.bench.advance_to(to_s):
            for listener in self._listeners:
                listener(finished)
        self._carry_out()
        if to_s < now_s:
            return
        ends_s = min((meter.end_s for meter in self.bench.meters), default=now_s + 1.0)
        sleep_s = (ends_s - self.now_s()) / self.scale
        self._wake.wait(min(max(sleep_s, _SHORTEST_SLEEP_S), self._longest_sleep_s))
        self._wake.clear()

    def _carry_out(self) -> None:
        """The orders left for instants that the bench has reached."""
        while self._orders and self._orders[0][0] <= self.bench.now_s + _EPS_S:
            with self._lock:
                _, order = self._orders.pop(0)
            order(self.bench.now_s)
