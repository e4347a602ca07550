"""The window's end of the pipe: a thread that reads and decodes, a thread that writes.

The main thread never waits for the pipe: it empties `Link.inbox` once a frame and queues its messages.
"""

import os
import queue
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchlog.model.protocol import FromWindow, ToWindow

_READ_BYTES = 1 << 16
_FLUSH_S = 1.0


class Link:
    """Both directions of the protocol. `inbox` holds (message, real monotonic seconds), oldest first."""

    def __init__(self, read_fd: int, write_fd: int) -> None:
        """Take the two file descriptors; nothing is read before `start`."""
        self.inbox: deque[tuple[ToWindow, float]] = deque()
        self.ended = threading.Event()
        """Set when the recorder's end is closed and everything before that is in the inbox."""
        self.refused: deque[str] = deque(maxlen=20)
        """Lines that could not be read, for the crash log."""
        self._read_fd = read_fd
        self._write_fd = write_fd
        self._outbox: queue.SimpleQueue[FromWindow | None] = queue.SimpleQueue()
        self._sent = self._written = 0
        self._threads = [self._thread(self._read, "pipe in"), self._thread(self._write, "pipe out")]

    @staticmethod
    def _thread(run: Callable[[], None], name: str) -> threading.Thread:
        return threading.Thread(target=run, name=name, daemon=True)

    def start(self) -> None:
        """Begin to read and write."""
        for thread in self._threads:
            thread.start()

    def send(self, message: "FromWindow") -> None:
        """Queue a message; returns at once."""
        self._sent += 1
        self._outbox.put(message)

    @property
    def idle(self) -> bool:
        """Whether everything that was sent is written, or can't be any more."""
        return self._sent == self._written or not self._threads[1].is_alive()

    def answer_pings(self, input_age_s: float) -> None:
        """Answer the heartbeats in the inbox and leave the rest there, in order."""
        from benchlog.model.protocol import Ping, Pong

        waiting = [self.inbox.popleft() for _ in range(len(self.inbox))]
        for message, _ in waiting:
            if isinstance(message, Ping):
                self.send(Pong(message.n, input_age_s))
        self.inbox.extendleft(m for m in reversed(waiting) if not isinstance(m[0], Ping))

    def close(self) -> None:
        """Write what is queued, for at most a second."""
        self._outbox.put(None)
        writer = self._threads[1]
        if writer.is_alive():
            writer.join(_FLUSH_S)

    def _read(self) -> None:
        from benchlog.model import protocol

        rest = b""
        while True:
            try:
                block = os.read(self._read_fd, _READ_BYTES)
            except OSError:
                block = b""
            if not block:
                break
            heard_s = time.monotonic()
            *lines, rest = (rest + block).split(b"\n")
            for line in lines:
                self._decode(protocol.decode_to_window, line, heard_s)
        self.ended.set()

    def _decode(self, decode: "Callable[[bytes], ToWindow]", line: bytes, heard_s: float) -> None:
        import msgspec

        try:
            self.inbox.append((decode(line), heard_s))
        except msgspec.DecodeError as error:
            self.refused.append(f"{error}: {line[:200]!r}")

    def _write(self) -> None:
        from benchlog.model import protocol

        while (message := self._outbox.get()) is not None:
            rest = protocol.encode(message)
            try:
                while rest:
                    rest = rest[os.write(self._write_fd, rest) :]
                self._written += 1
            except OSError:
                return
