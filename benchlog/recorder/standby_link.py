"""The recorder's end of the standby: starts it, beats, hears whether it is there."""

import base64
import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from benchlog.bench.adaptor import StandbyOrder
from benchlog.model.clock import Clock
from benchlog.recorder.realtime import real_s

BEAT_S = 0.1
SILENCE_S = 1.0
"""Real seconds of silence after which the standby takes the source away."""
DEAF_S = 2.0
"""Real seconds without a word from the standby after which it is started again."""


class StandbyLink:
    """One standby process. `beat` is called by the ticker, so that a watch that hangs falls silent too."""

    def __init__(
        self, clock: Clock, silence_s: float = SILENCE_S, on_word: Callable[[str], None] | None = None
    ):
        """``on_word`` is told what the standby did by itself, ``off-sent`` or ``gone``, on its own thread."""
        self._clock = clock
        self._silence_s = silence_s
        self._on_word = on_word
        self._lock = threading.Lock()
        self._order: StandbyOrder | None = None
        self._child: subprocess.Popen[bytes] | None = None
        self._beat_s = 0.0
        self._heard_s = 0.0
        self._word = threading.Event()
        self.state = ""
        """The standby's last word on itself: ``ready``, ``unreachable``, ``gone``; empty before the first."""

    @property
    def pid(self) -> int | None:
        """Process number of the standby; None where there is none."""
        child = self._child
        return None if child is None else child.pid

    def start(self, order: StandbyOrder, wait_s: float = 2.0) -> str:
        """Start it with this order, in place of one that has another; returns its state once it is said.

        A serial port that was opened again is another one, whatever its number.
        """
        with self._lock:
            same = order == self._order and order.fileno < 0
            if same and self._child is not None and self._child.poll() is None:
                return self.state
        self.stop()
        self._order = order
        self._spawn(order)
        self._word.wait(wait_s)
        return self.state

    def beat(self) -> None:
        """Beat when it is time; starts a standby that is gone again. Never waits."""
        now_s = real_s(self._clock)
        with self._lock:
            child = self._child
            if child is None or child.stdin is None or now_s - self._beat_s < BEAT_S:
                return
            self._beat_s = now_s
            with suppress(OSError):
                os.write(child.stdin.fileno(), b".")
            gone = child.poll() is not None or now_s - self._heard_s > DEAF_S
        if gone and self._order is not None:
            self._start_again(child)

    def stop(self, done: bool = True) -> None:
        """Tell it that all is done; it ends without sending anything. Not ``done``: it sends off."""
        with self._lock:
            child, self._child = self._child, None
        if child is None or child.stdin is None:
            return
        if done:
            with suppress(OSError):
                os.write(child.stdin.fileno(), b"q")
        with suppress(OSError):
            child.stdin.close()
        if not done:
            threading.Thread(target=child.wait, name="benchlog-standby-last", daemon=True).start()
            return
        try:
            child.wait(1.0)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()

    def _spawn(self, order: StandbyOrder) -> None:
        text = json.dumps(
            {
                "off": base64.b64encode(order.off).decode(),
                "host": order.host,
                "port": order.port,
                "fileno": order.fileno,
                "silence_s": self._silence_s,
            }
        )
        keep = (order.fileno,) if order.fileno >= 0 and sys.platform != "win32" else ()
        self._word.clear()
        self.state = ""
        child = subprocess.Popen(
            [sys.executable, "-I", "-S", str(Path(__file__).with_name("standby.py"))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            pass_fds=keep,
            start_new_session=True,
        )
        assert child.stdin is not None
        os.write(child.stdin.fileno(), text.encode() + b"\n")
        with suppress(OSError, AttributeError):
            os.set_blocking(child.stdin.fileno(), False)
        with self._lock:
            self._heard_s = self._beat_s = real_s(self._clock)
            self._child = child
        threading.Thread(target=self._listen, args=(child,), name="benchlog-standby", daemon=True).start()

    def _listen(self, child: subprocess.Popen[bytes]) -> None:
        assert child.stdout is not None
        with child.stdout as words:
            for line in words:
                self._hear(child, line.decode(errors="replace").strip())

    def _hear(self, child: subprocess.Popen[bytes], word: str) -> None:
        with self._lock:
            if child is not self._child:
                return
            self._heard_s = real_s(self._clock)
        if word in {"ready", "unreachable"}:
            self.state = word
            self._word.set()
        elif word == "off-sent" and self._on_word is not None:
            self._on_word(word)

    def _start_again(self, old: subprocess.Popen[bytes]) -> None:
        with self._lock:
            if self._child is not old or self._order is None:
                return
            self._child = None
            order = self._order
        threading.Thread(
            target=self._replace, args=(old, order), name="benchlog-standby-start", daemon=True
        ).start()

    def _replace(self, old: subprocess.Popen[bytes], order: StandbyOrder) -> None:
        old.kill()
        old.wait()
        if old.stdin is not None:
            with suppress(OSError):
                old.stdin.close()
        self.state = "gone"
        if self._on_word is not None:
            self._on_word("gone")
        self._spawn(order)
