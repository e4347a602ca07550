"""The window's child process: started, fed, listened to, and started again when it dies."""

import logging
import os
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress

import msgspec

from benchlog.model.clock import Clock, RealClock
from benchlog.model.protocol import (
    Closed,
    Closing,
    EntryAdded,
    FromWindow,
    Hello,
    Painted,
    Ping,
    Pressed,
    SaidNow,
    WantsToClose,
    decode_from_window,
    encode,
)
from benchlog.recorder.outbox import Outbox
from benchlog.recorder.realtime import real_s
from benchlog.recorder.threads import OnFailure, Thread

AGAIN_S = 0.1
"""Real seconds after which a window that died is started again."""
PAINT_S = 30.0
"""Real seconds that a window may take to its first frame."""
DEAF_S = 5.0
"""Real seconds without an answer to the heartbeat after which a window is ended and started again."""
PING_S = 0.1
TELLING = (3, 4)
"""Exit codes of a window that has said itself, in a sentence, why it can't be shown."""
MOST_LINE = 4_000_000
"""Bytes of one line from the window; a longer one is no message."""

_log = logging.getLogger(__name__)


def window_command() -> tuple[str, ...]:
    """What starts the window."""
    return (sys.executable, "-m", "benchlog_ui")


Greeting = Callable[[], tuple[Hello, tuple[SaidNow, ...]]]
"""Makes the first messages to a window: what the sitting is, and the lines in force."""


class WindowLink:
    """The window as the recorder sees it. A window that is gone, mute or mad never holds up anything else.

    It may outlive a sitting: `pause` at the end of one, `attach` and `start` for the next.
    """

    def __init__(
        self,
        argv: Sequence[str],
        clock: Clock | None = None,
        hello: Greeting | None = None,
        hear: Callable[[FromWindow], None] | None = None,
        on_failure: OnFailure | None = None,
    ) -> None:
        """``argv`` starts the window; ``hello`` makes its first messages; ``hear`` gets what it says."""
        self._argv = list(argv)
        self._clock = clock or RealClock()
        self._hello = hello
        self._hear = hear or self._keep
        self._on_failure = on_failure or _log_failure
        self._paused = False
        self._kept: list[FromWindow] = []
        """Keys that came between two sittings."""
        self.outbox = Outbox()
        self.starts = 0
        """How often it was started."""
        self.no_display = ""
        """Why there is no window, in one sentence; empty while there is one."""
        self.answered_s: float | None = None
        """Real seconds of the clock at the last answer to the heartbeat; None before the first."""
        self._child: subprocess.Popen[bytes] | None = None
        self._complaints: deque[str] = deque(maxlen=40)
        self._painted = threading.Event()
        self._settled = threading.Event()
        self._gone = threading.Event()
        self._closed = threading.Event()
        self._leaving = False
        self._wants_to_close = False
        self._closing_said = False
        self._born_s = 0.0
        self._ping_s = 0.0
        self._pings = 0
        self._started = False
        self._keeper = Thread("window", self._work, self._fail)

    @property
    def pid(self) -> int | None:
        """Process number of the window; None where there is none."""
        child = self._child
        return None if child is None else child.pid

    @property
    def open(self) -> bool:
        """Whether there is a window, or one being started again, that the technician has not closed."""
        return not self._gone.is_set() and not self._wants_to_close

    @property
    def painted(self) -> bool:
        """Whether the present window has shown its first frame."""
        return self._painted.is_set()

    def attach(self, hello: Greeting, hear: Callable[[FromWindow], None], on_failure: OnFailure) -> None:
        """Serve another sitting; `start` greets the window anew."""
        self._hello, self._on_failure, self._hear = hello, on_failure, hear
        self.answered_s = real_s(self._clock)
        self._closed.clear()
        self._closing_said = self._leaving = self._paused = False
        self.outbox.forget()

    def start(self) -> None:
        """Start it; a window that is there already is greeted again and what it said meanwhile is heard."""
        if not self._started:
            self._started = True
            self._keeper.start()
            return
        self._greet()
        if self._painted.is_set():
            self._hear(Painted())
        kept, self._kept = self._kept, []
        for message in kept:
            self._hear(message)

    def pause(self, timeout_s: float = 2.0) -> bool:
        """End of a sitting, not of the window: it closes its reader. What it says is kept until `start`."""
        self._hear, self._paused = self._keep, True
        self._closed.clear()
        if self._gone.is_set() or self._child is None:
            return True
        self.outbox.add(Closing())
        rounds = range(int(timeout_s / 0.02))
        return any(self._closed.wait(0.02) or self._gone.is_set() for _ in rounds)

    def _greet(self) -> None:
        """First messages; none while there is no sitting yet."""
        if self._hello is not None:
            self.outbox.begin_again(*self._hello())
        else:
            self.outbox.open_again()

    def _keep(self, message: FromWindow) -> None:
        if isinstance(message, Pressed | WantsToClose | EntryAdded):
            self._kept.append(message)

    def _fail(self, name: str, error: Exception) -> None:
        self._on_failure(name, error)

    def wait_painted(self) -> bool:
        """Wait for its first frame; False when there is no display, `no_display` says why."""
        self._settled.wait(PAINT_S + 5.0)
        return not self.no_display

    def beat(self) -> None:
        """Called by the ticker: the heartbeat, and an end to a window that no longer answers. Never waits."""
        now_s = real_s(self._clock)
        if now_s - self._ping_s < PING_S or self._gone.is_set():
            return
        self._ping_s = now_s
        self._pings += 1
        self.outbox.add(Ping(self._pings))
        child = self._child
        if child is None or self._leaving:
            return
        last_s = self.answered_s if self.answered_s is not None else self._born_s
        if now_s - max(last_s, self._born_s) > (DEAF_S if self._painted.is_set() else PAINT_S):
            self._complaints.append("It did not answer.")
            child.kill()

    def say_closing(self) -> None:
        """Begin the closing handshake: the window closes its reader, answers and goes."""
        self._leaving = True
        if not self._closing_said:
            self._closing_said = True
            self.outbox.add(Closing())

    def leave(self, timeout_s: float = 2.0) -> bool:
        """Closing handshake: True when the window said that it has closed its reader, or there is none."""
        if self._gone.is_set() or self._child is None:
            return True
        self.say_closing()
        rounds = range(int(timeout_s / 0.02))
        return any(self._closed.wait(0.02) or self._gone.is_set() for _ in rounds)

    def stop(self) -> None:
        """End it; a window that does not go by itself within a second is ended."""
        self._leaving = True
        self._keeper.stopping.set()
        self.outbox.close()
        if not self._gone.wait(1.0) and (child := self._child) is not None:
            child.kill()
        self._keeper.stop()

    # ---- the keeper thread ------------------------------------------------------------------------

    def _work(self, stopping: threading.Event) -> None:
        try:
            while self._live_once() and not stopping.wait(AGAIN_S):
                pass
        finally:
            self._gone.set()
            self._settled.set()

    def _live_once(self) -> bool:
        """One window from start to end; True when it is to be started again."""
        self._painted.clear()
        self._greet()
        try:
            child = self._spawn()
        except OSError as error:
            self.no_display = f"The window can't be started ({error.strerror}); going on as text."
            return False
        threads = [Thread("window-sender", lambda _: self._send(child), self._fail)]
        threads.append(Thread("window-complaints", lambda _: self._note(child), self._fail))
        for thread in threads:
            thread.start()
        self._listen(child)
        code = child.wait()
        self._child = None
        self.outbox.close()
        for thread in threads:
            thread.stop()
        _shut(child)
        return self._again(code)

    def _again(self, code: int) -> bool:
        if self._leaving:
            return False
        if self._painted.is_set():
            _log.warning("the window ended with %s and is started again", code)
            return True
        reason = self._reason(code)
        why = reason if code in TELLING else f"No display ({reason})"
        self.no_display = f"{why}; going on as text."
        return False

    def _reason(self, code: int) -> str:
        words = [line for line in self._complaints if line.strip()]
        telling = [w for w in words if "rror" in w or "display" in w or "platform plugin" in w]
        if telling or words:
            return (telling or words)[-1].strip().rstrip(".")[:200]
        return f"the window ended with {code} before its first frame"

    def _spawn(self) -> subprocess.Popen[bytes]:
        self._born_s = real_s(self._clock)
        self.answered_s = None
        self.starts += 1
        child = subprocess.Popen(
            self._argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0
        )
        self._child = child
        return child

    def _listen(self, child: subprocess.Popen[bytes]) -> None:
        assert child.stdout is not None
        rest = b""
        while True:
            try:
                some = os.read(child.stdout.fileno(), 65536)
            except OSError:
                return
            if not some:
                return
            *lines, rest = (rest + some).split(b"\n")
            if len(rest) > MOST_LINE:
                rest = b""
            for line in lines:
                self._understand(line)

    def _understand(self, line: bytes) -> None:
        try:
            message = decode_from_window(line)
        except msgspec.DecodeError:
            _log.warning("the window said something that is no message: %.200r", line)
            return
        self.answered_s = real_s(self._clock)
        if isinstance(message, Painted):
            self._painted.set()
            self._settled.set()
        elif isinstance(message, Closed):
            self._closed.set()
            if not self._paused:
                self.outbox.close()
        elif isinstance(message, WantsToClose):
            self._leaving = self._wants_to_close = True
        self._hear(message)

    def _send(self, child: subprocess.Popen[bytes]) -> None:
        assert child.stdin is not None
        pipe = child.stdin.fileno()
        while (messages := self.outbox.take()) is not None:
            for message in messages:  # one at a time: a long batch made in one go would hold everything up
                text = memoryview(encode(message))
                try:
                    while text:
                        text = text[os.write(pipe, text) :]
                except OSError:
                    return
        with suppress(OSError):
            child.stdin.close()

    def _note(self, child: subprocess.Popen[bytes]) -> None:
        assert child.stderr is not None
        with suppress(OSError, ValueError):
            for line in child.stderr:
                text = line.decode(errors="replace").rstrip()
                self._complaints.append(text)
                _log.info("window: %s", text)


def _log_failure(name: str, error: Exception) -> None:
    _log.error("a part of the window's link failed (%s)", name, exc_info=error)


def _shut(child: subprocess.Popen[bytes]) -> None:
    for pipe in (child.stdin, child.stdout, child.stderr):
        if pipe is not None:
            with suppress(OSError):
                pipe.close()
