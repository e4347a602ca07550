"""A window without a screen, for tests of the recorder: HOW LOG. It obeys the line protocol as HOW says.

``good`` answers everything · ``mute`` paints and never reads again · ``frozen`` paints, reads, never answers
· ``no-display`` complains and ends · ``abort`` ends as Qt does without a display · ``mad`` says what is
no message · ``enter`` sends an entry and a fault · ``cut`` presses the key ·
``close`` and ``leave`` want to close.
"""

import os
import sys
import time
from pathlib import Path

from benchlog.model.event import Key, KeyPressed
from benchlog.model.history import Noted, RunTold
from benchlog.model.protocol import (
    Closed,
    Closing,
    EntryAdded,
    FromWindow,
    Painted,
    Ping,
    Pong,
    PowerState,
    Pressed,
    RunClosed,
    Trouble,
    WantsToClose,
    decode_to_window,
    encode,
)


def say(message: FromWindow) -> None:
    os.write(1, encode(message))


def main(how: str, log_path: str) -> None:
    if how == "no-display":
        print("Qt can't be loaded here: libEGL.so.1: cannot open shared object file.", file=sys.stderr)
        sys.exit(4)
    if how == "abort":
        print("could not connect to display", file=sys.stderr, flush=True)
        os.abort()
    say(Painted())
    if how == "mute":
        time.sleep(60.0)
    with Path(log_path).open("a", encoding="utf-8") as log:
        listen(how, log)


def listen(how: str, log) -> None:  # type: ignore[no-untyped-def]
    wanted = False
    powered = 0
    for line in sys.stdin.buffer:
        message = decode_to_window(line)
        log.write(f"{os.getpid()} {type(message).__name__} {message}\n")
        log.flush()
        if isinstance(message, Ping):
            if how == "frozen":
                time.sleep(60.0)
            say(Pong(message.n, 0.0))
            powered += powered > 0
            wanted = wanted or mischief(how, powered)
        elif isinstance(message, PowerState):
            powered = powered or message.on
        elif isinstance(message, RunClosed) and not wanted:
            wanted = True
            say(WantsToClose(power_off=False))
        elif isinstance(message, Closing):
            say(Closed())


def mischief(how: str, n: int) -> bool:
    if how == "mad":
        os.write(1, b'{"type": "nonsense"}\n\xff\xfe garbage\n' + b"x" * 200_000 + b"\n")
        say(EntryAdded(RunTold(KeyPressed(Key.REARM))))
    elif how == "enter" and n == 3:
        say(EntryAdded(Noted("seen through the window", by="A.")))
        say(Trouble("a planted fault"))
    elif how == "cut" and n == 5:
        say(Pressed(Key.CUT_OFF, "smoke"))
    elif how == "close" and n == 5:
        say(WantsToClose(power_off=True))
        return True
    elif how == "leave" and n == 5:
        say(WantsToClose(power_off=False))
        return True
    return False


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
