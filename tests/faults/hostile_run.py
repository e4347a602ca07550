"""One command on one file, in this process; what it printed is looked at as a terminal would."""

import re
import sys
import traceback
import warnings
from pathlib import Path
from unittest.mock import patch

from hostile_files import make

import benchlog.cli.main as program
from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profilefile import load_profile
from benchlog.model.clock import RealClock
from benchlog.model.errors import BenchlogError
from benchlog.model.role import Role
from benchlog_drivers.adaptors.played_back import PlayedBack
from benchlog_drivers.codecs.decoded import Codec
from benchlog_drivers.codecs.frames import FrameCodec
from benchlog_drivers.codecs.segments import SegmentCodec
from benchlog_drivers.codecs.text import TextCodec

__all__ = ["make", "run", "unfit"]

LONGEST_MESSAGE = 2_000
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")
_LINES = (b"1" * 190, b"a" * 190, b"1" * 60 + b"V", b"+1.23,4.5V;A", bytes(range(256)), b"1" * 5_000, b"")


def run(words: list[str]) -> tuple[int, str]:
    """Exit code, and the trace of a bug."""
    crashes: list[str] = []

    def keep(text: str) -> Path:
        crashes.append(text)
        return Path("crash.log")

    with warnings.catch_warnings(), patch.object(program, "write_crash_log", keep):
        warnings.simplefilter("ignore")
        try:
            special = {"benchlog-decode": _decode, "benchlog-play": _play}.get(words[0])
            code = special(Path(words[1])) if special else program.main(words)
        except SystemExit as end:
            code = int(end.code or 0)
        except BaseException:  # noqa: BLE001 - whatever it is, it is told
            code, crashes = 70, [traceback.format_exc()]
    return code, "".join(crashes)


def unfit(said: str, code: int) -> list[str]:
    """What should not stand in an output."""
    found = []
    if _CONTROL.search(said):
        place = _CONTROL.search(said).start()  # type: ignore[union-attr]
        found.append(f"control characters reach the terminal: {said[max(0, place - 40) : place + 20]!r}")
    message = [line for line in said.splitlines() if line.startswith("benchlog: ")]
    if code in (1, 2, 5, 6) and message and len(message[-1]) > LONGEST_MESSAGE:
        found.append(f"a message of {len(message[-1])} characters")
    return found


def _decode(path: Path) -> int:
    """A profile that passes its check is put to work on lines of any kind."""
    try:
        profile = load_profile(path)
    except BenchlogError as error:
        return int(error.exit_code)
    codecs: list[Codec] = [TextCodec(profile.text, b"\r\n")] if profile.text else []
    codecs += [SegmentCodec(profile.segments)] if profile.segments else []
    codecs += [FrameCodec(profile.frame)] if profile.frame else []
    for codec in codecs:
        _feed(codec)
    return 0


def _feed(codec: Codec) -> None:
    for line in _LINES:
        buffer = line + b"\r\n"
        for _ in range(400):
            used, _found = codec.decode(buffer)
            buffer = buffer[used:]
            if not used or not buffer:
                break


def _play(path: Path) -> int:
    """A recording as an instrument."""
    config = InstrumentConfig(
        name="m", adaptor="played-back", roles=(Role.SOURCE_CURRENT,), connection=str(path)
    )  # fmt: skip
    player = PlayedBack(config, RealClock(1e6))
    try:
        player.open()
        for _ in range(20):
            player.read()
    except BenchlogError as error:
        print(f"benchlog: {error}", file=sys.stderr)
        return int(error.exit_code)
    return 0
