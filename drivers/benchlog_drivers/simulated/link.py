"""How an answer leaves a simulated instrument, troubles included."""

import random
import threading
from collections.abc import Callable

from benchlog_drivers.simulated.trouble import Trouble, TroubleBox

Write = Callable[[bytes], None]
_SWALLOWS = frozenset({Trouble.SILENT, Trouble.SWITCHED_OFF, Trouble.CLOSED})
_DELAYS = frozenset({Trouble.LATE, Trouble.SLOW})


class Outlet:
    """Sends the answers of one instrument and lets its troubles act on them. Used by several threads."""

    def __init__(self, troubles: TroubleBox, now_s: Callable[[], float], seed: int = 0) -> None:
        """``now_s`` tells bench seconds."""
        self.troubles = troubles
        self.now_s = now_s
        self.stopping = threading.Event()
        self.late = 0
        """Answers that were held back for longer than the time allowed."""
        self._random = random.Random(seed)

    def acts(self, kind: Trouble) -> bool:
        """Whether a trouble acts now."""
        return self.troubles.find(kind, self.now_s()) is not None

    def is_clear(self) -> bool:
        """Whether nothing troubles it now."""
        return not self.troubles.acting(self.now_s())

    def deliver(self, data: bytes, write: Write) -> None:
        """Send an answer with its terminator, as the troubles let it pass."""
        dribble_s = 0.0
        for trouble in self.troubles.acting(self.now_s()):
            if trouble.share < 1.0 and self._random.random() >= trouble.share:
                continue
            if trouble.kind in _SWALLOWS:
                return
            if trouble.kind in _DELAYS and self.stopping.wait(trouble.wait_s):
                return
            self.late += trouble.kind is Trouble.LATE
            if trouble.kind is Trouble.GARBAGE:
                data = self._random.randbytes(max(len(data) - 2, 4)) + data[-1:]
            elif trouble.kind is Trouble.HALF_A_REPLY:
                data = data[: len(data) // 2]
            elif trouble.kind is Trouble.DRIBBLING:
                dribble_s = trouble.wait_s
        if dribble_s == 0.0:
            write(data)
            return
        for i in range(len(data)):
            if self.stopping.wait(dribble_s):
                return
            write(data[i : i + 1])
