"""Keeps the computer from sleeping while power is on, or says that it can't."""

import ctypes
import os
import shutil
import signal
import subprocess
import sys
import threading
from contextlib import suppress

_WHY = "A unit is under power and being watched"
_ES_CONTINUOUS = 0x80000000
_ES_SYSTEM_REQUIRED = 0x00000001


class Awake:
    """Holds off sleep from `hold` to `release`; ends with the process whatever happens."""

    def __init__(self) -> None:
        """Nothing is held yet."""
        self._child: subprocess.Popen[bytes] | None = None
        self._let_go = threading.Event()
        self._thread: threading.Thread | None = None

    def hold(self, wait_s: float = 2.0) -> str:
        """Hold off sleep. Returns why that can't be done, in one sentence; empty when it is done."""
        if sys.platform == "win32":
            return self._hold_windows(wait_s)
        argv = _command()
        if argv is None:
            return _cannot(f"{_tool()} is not on this machine")
        return self._hold_by(argv, wait_s)

    def release(self) -> None:
        """Let the computer sleep again."""
        self._let_go.set()
        if self._thread is not None:
            self._thread.join(1.0)
            self._thread = None
        child, self._child = self._child, None
        if child is None:
            return
        if child.stdin is not None:
            child.stdin.close()
        with suppress(subprocess.TimeoutExpired):
            child.wait(1.0)
        if child.poll() is None:
            _kill_group(child)
            child.wait()
        if child.stdout is not None:
            child.stdout.close()

    def _hold_by(self, argv: list[str], wait_s: float) -> str:
        try:
            child = subprocess.Popen(
                argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
                start_new_session=True,
            )  # fmt: skip
        except OSError as error:
            return _cannot(str(error.strerror))
        self._child = child
        said: list[bytes] = []
        assert child.stdout is not None
        out = child.stdout
        listener = threading.Thread(target=lambda: said.append(out.readline()), daemon=True)
        listener.start()
        listener.join(wait_s)
        if said and said[0].startswith(b"held"):
            return ""
        self.release()
        listener.join(1.0)
        return _cannot(f"{_tool()} does not work here")

    def _hold_windows(self, wait_s: float) -> str:
        done = threading.Event()
        taken: list[bool] = []

        def keep() -> None:
            kernel = getattr(ctypes, "windll").kernel32  # noqa: B009 - the name exists on Windows only
            taken.append(bool(kernel.SetThreadExecutionState(_ES_CONTINUOUS | _ES_SYSTEM_REQUIRED)))
            done.set()
            self._let_go.wait()
            kernel.SetThreadExecutionState(_ES_CONTINUOUS)

        self._let_go.clear()
        self._thread = threading.Thread(target=keep, name="benchlog-awake", daemon=True)
        self._thread.start()
        done.wait(wait_s)
        return "" if taken and taken[0] else _cannot("the system refused")


def _kill_group(child: subprocess.Popen[bytes]) -> None:
    """End the tool and what it runs; they are a session of their own, which nobody else belongs to."""
    if sys.platform == "win32":
        child.kill()
    else:
        os.killpg(child.pid, signal.SIGKILL)


def _tool() -> str:
    return "caffeinate" if sys.platform == "darwin" else "systemd-inhibit"


def _command() -> list[str] | None:
    tool = shutil.which(_tool())
    if tool is None:
        return None
    keep = ["sh", "-c", "echo held; exec cat"]
    if sys.platform == "darwin":
        return [tool, "-i", "-w", str(os.getpid()), *keep]
    what = ["--what=sleep:idle:handle-lid-switch", "--who=benchlog", f"--why={_WHY}", "--mode=block"]
    return [tool, *what, *keep]


def _cannot(why: str) -> str:
    return f"The computer can't be kept from sleeping ({why}): switch sleep off by hand while power is on."
