"""The standby: a tiny process that takes the source away when the recorder dies or falls silent.

Run by its path or as ``python -m benchlog.recorder.standby``. Its standard input is the heartbeat: one
line of JSON (the order), then a byte each tenth of a second. ``q`` ends it without doing anything. When the
pipe closes, or stays silent for the time in the order, it sends *off*: over a TCP connection of its own, or
into the serial port whose descriptor it inherited. It imports nothing but the standard library.
"""

import base64
import contextlib
import json
import os
import queue
import select
import signal
import socket
import sys
import threading
from dataclasses import dataclass

CONNECT_S = 0.5
WRITE_S = 0.3
REPEATS_S = (0.0, 0.1, 0.2, 0.5, 1.0, 2.0)
"""Pauses before each sending: off is sent again, since an instrument may just have been busy."""


_kept: list[socket.socket] = []
"""Connections stay open until the process ends: closing one at once could overtake what it carried."""


@dataclass(frozen=True, slots=True)
class Order:
    """What to send, where to, and after how long a silence."""

    off: bytes
    host: str
    port: int
    fileno: int
    silence_s: float


def parse_order(line: bytes) -> Order:
    """The order of the first line. Raises `ValueError` or `KeyError` for anything else."""
    raw = json.loads(line)
    return Order(
        off=base64.b64decode(raw["off"], validate=True),
        host=str(raw["host"]),
        port=int(raw["port"]),
        fileno=int(raw["fileno"]),
        silence_s=float(raw["silence_s"]),
    )


def connect(order: Order) -> socket.socket | None:
    """A connection of the standby's own; None for a serial source or when nobody answers."""
    if not order.port:
        return None
    try:
        line = socket.create_connection((order.host, order.port), CONNECT_S)
    except OSError:
        return None
    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    line.settimeout(WRITE_S)
    return line


def send_off(order: Order, line: socket.socket | None) -> bool:
    """Send off once, by every way there is; True when at least one took it."""
    if order.port:
        return any([_send(line, order.off), _send_anew(order)])
    return _write_serial(order)


def _send_anew(order: Order) -> bool:
    fresh = connect(order)
    if fresh is not None:
        _kept.append(fresh)
    return _send(fresh, order.off)


def _send(line: socket.socket | None, text: bytes) -> bool:
    if line is None:
        return False
    try:
        line.sendall(text)
    except OSError:
        return False
    return True


def _write_serial(order: Order) -> bool:
    left = order.off
    while left:
        try:
            if not select.select([], [order.fileno], [], WRITE_S)[1]:
                return False
            left = left[os.write(order.fileno, left) :]
        except OSError:
            return False
    return True


def say(word: str) -> None:
    """One word to the recorder; a recorder that is gone or does not read is no trouble."""
    with contextlib.suppress(OSError):
        os.write(sys.stdout.fileno(), word.encode() + b"\n")


def watch(order: Order, line: socket.socket | None) -> bool:
    """Listen to the heartbeat. True when off has to be sent, False when the recorder said that it is done."""
    heard: queue.Queue[bytes] = queue.Queue()
    threading.Thread(target=_listen, args=(heard,), daemon=True).start()
    while True:
        try:
            beats = heard.get(timeout=order.silence_s)
        except queue.Empty:
            return True
        if not beats:
            return True
        if b"q" in beats:
            return False
        say("here")
        if line is not None:
            _drain(line)


def _listen(heard: "queue.Queue[bytes]") -> None:
    beats = b"."
    while beats:
        try:
            beats = os.read(sys.stdin.fileno(), 4096)
        except OSError:
            beats = b""
        heard.put(beats)


def _drain(line: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while select.select([line], [], [], 0)[0] and line.recv(4096):
            pass


def _read_order() -> Order | None:
    line = b""
    while not line.endswith(b"\n"):
        byte = os.read(sys.stdin.fileno(), 1)
        if not byte or len(line) > 65536:
            return None
        line += byte
    try:
        return parse_order(line)
    except (ValueError, KeyError, TypeError):
        return None


def main() -> int:
    """Be the standby until the recorder is done, dead or silent. Exit 0 when done, 3 when off was sent."""
    for name in ("SIGINT", "SIGHUP", "SIGTERM", "SIGPIPE"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    order = _read_order()
    if order is None:
        return 2
    with contextlib.suppress(OSError, AttributeError):
        os.set_blocking(sys.stdout.fileno(), False)
    line = connect(order)
    say("ready" if line is not None or not order.port else "unreachable")
    if not watch(order, line):
        return 0
    sent = False
    pause = threading.Event()
    for pause_s in REPEATS_S:
        pause.wait(pause_s)
        if send_off(order, line):
            if not sent:
                say("off-sent")
            sent = True
    return 3 if sent else 4


if __name__ == "__main__":
    sys.exit(main())
