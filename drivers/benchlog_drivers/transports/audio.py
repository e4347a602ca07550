"""Audio inputs by PortAudio: devices by a name that stays, one stream, its errors in a technician's words.

The only importer of ``sounddevice`` among the adaptors; it comes with the extra ``audio``.
"""

import contextlib
import queue
import re
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import IO, TYPE_CHECKING, Any

import msgspec
import numpy as np
import numpy.typing as npt

from benchlog.model.errors import InstrumentFault, LinkLost, PortRefused

if TYPE_CHECKING:
    from collections.abc import Iterable

Put = Callable[[npt.NDArray[np.float32], int, float, bool, int], None]
"""Given a block, how many microseconds ago it was handed over, when its first sample was taken by PortAudio's
clock (s), whether samples were lost before it, and how many found no room; on the line's thread."""

HEADER = struct.Struct("<qdqBI")
"""Ahead of each block from the stream's process: monotonic ns, clock s, dropped, overflowed, frames."""
OPEN_S = 15.0
CLOSE_S = 2.0

_CARD = re.compile(r"\s*[\[(]hw:\d+,\d+[\])]\s*$")
_PREFERRED = ("ASIO", "Windows WASAPI", "Core Audio", "ALSA", "Windows WDM-KS", "JACK Audio Connection Kit")
BUSY, RATE, CHANNELS, GONE = -9985, -9997, -9998, -9996
"""PortAudio's codes (portaudio.h, PaErrorCode)."""
_NEEDS = (
    "Audio inputs need the extra 'audio' (pip install 'benchlog[audio]'), and on Linux the system's library "
    "(Debian: apt install libportaudio2)"
)


class Device(msgspec.Struct, frozen=True):
    """One audio input as the system has it now."""

    index: int
    name: str
    """Without the number of its card, which changes from plug to plug."""
    api: str
    inputs: int
    rate_hz: float
    """The rate it states as its own."""


class Order(msgspec.Struct, frozen=True):
    """What the stream's process is asked for."""

    wanted: str
    rate_hz: int
    block: int
    channels: int


class Answer(msgspec.Struct, frozen=True):
    """Its first line: the device it streams from, or why not."""

    device: Device | None = None
    refused: str = ""


def stable_name(name: str) -> str:
    """A device's name without the card's number at its end."""
    return _CARD.sub("", name).strip()


def devices_of(found: "Iterable[Mapping[str, Any]]", apis: Sequence[Mapping[str, Any]]) -> tuple[Device, ...]:
    """Inputs among what PortAudio lists, the system's own audio service first where it is there twice."""
    inputs = [
        Device(k, stable_name(one["name"]), apis[one["hostapi"]]["name"], one["max_input_channels"],
               float(one["default_samplerate"]))
        for k, one in enumerate(found)
        if one["max_input_channels"] > 0
    ]  # fmt: skip
    rank = {name: k for k, name in enumerate(_PREFERRED)}
    return tuple(sorted(inputs, key=lambda d: (rank.get(d.api, len(rank)), d.index)))


def choose(devices: Sequence[Device], wanted: str) -> Device:
    """The input of that name (``NAME`` or ``API: NAME``). `PortRefused` lists what there is."""
    plain = stable_name(wanted)
    for device in devices:
        if plain in (device.name, f"{device.api}: {device.name}"):
            return device
    alike = [device for device in devices if plain and plain.casefold() in device.name.casefold()]
    if len({device.name for device in alike}) == 1:
        return alike[0]
    there = "; ".join(dict.fromkeys(device.name for device in devices)) or "none at all"
    why = "fits several inputs" if alike else "is not there"
    raise PortRefused(
        f"The audio interface '{wanted}' {why}. Inputs that are there: {there}. Plug it in, switch it on, "
        "and write its name in the bench file as it stands here."
    )


def check_channels(device: Device, needed: int) -> None:
    """`PortRefused` where the device has fewer inputs than ``needed``."""
    if device.inputs >= needed:
        return
    many = "one input (mono)" if device.inputs == 1 else f"{device.inputs} inputs"
    raise PortRefused(
        f"The audio interface '{device.name}' has {many}, and input {needed} is asked for. Voltage and "
        "current need two inputs of one interface, taken by one clock. Use a stereo input, or mend the "
        "channels in the bench file."
    )


def refusal(device: Device, rate_hz: int, code: int, text: str) -> PortRefused:
    """Why a stream can't be opened, by PortAudio's code."""
    name = f"The audio interface '{device.name}'"
    if code == RATE:
        own = f"{device.rate_hz:.0f}"
        return PortRefused(
            f"{name} does not run at {rate_hz} samples a second; it says {own} of itself. Set it to "
            f"{rate_hz} with its own panel, or write rate_hz = {own} in [instrument.audio] and calibrate "
            "again."
        )
    if code == CHANNELS:
        return PortRefused(
            f"{name} does not give as many inputs as are asked for. Mend the channels in the bench file."
        )
    if code == BUSY:
        return PortRefused(
            f"{name} is busy: another program has it, or the system forbids it. Close that program (a "
            "recorder, a browser with the microphone on) and try again."
        )
    if code == GONE:
        return PortRefused(f"{name} is not there any more. Plug it in again.")
    return PortRefused(
        f"{name} can't be opened: {text.rstrip('.')}. Check that it is plugged in and not in use."
    )


class AudioLine:
    """One input stream, in a process of its own. Opened and closed by the worker that owns it.

    A sound service that dies can leave PortAudio's thread spinning and its calls hanging for good; there
    that costs a process that is killed, and not the recorder.
    """

    def __init__(self, wanted: str, rate_hz: int, block: int, channels: int) -> None:
        """Not yet open. ``wanted`` names the device; ``channels`` are taken from its first on."""
        self.wanted = wanted
        self._order = Order(wanted, rate_hz, block, channels)
        self._child: subprocess.Popen[bytes] | None = None
        self._reader: threading.Thread | None = None

    def open(self, put: Put) -> Device:
        """Start the stream anew and wait until it runs. `PortRefused` says why it does not."""
        self.close()
        words = [sys.executable, "-m", "benchlog_drivers.transports.audio_child"]
        child = self._child = subprocess.Popen(
            [*words, msgspec.json.encode(self._order).decode()],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        answers: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._reader = threading.Thread(
            target=read_stream,
            args=(child.stdout, answers, put, self._order.channels),
            name="audio",
            daemon=True,
        )
        self._reader.start()
        try:
            line = answers.get(timeout=OPEN_S)
        except queue.Empty:
            line = b""
        if not line:
            self.close()
            raise PortRefused(
                f"The audio interface '{self.wanted}' did not begin within {OPEN_S:g} s. Check the system's "
                "sound settings, and that no other program holds it."
            )
        answer = msgspec.json.decode(line, type=Answer)
        if answer.device is None:
            self.close()
            raise PortRefused(answer.refused)
        return answer.device

    def check(self) -> None:
        """`LinkLost` where the stream has ended by itself."""
        if self._child is not None and self._child.poll() is not None:
            raise self.gone()

    def gone(self) -> InstrumentFault:
        """The fault of a device that went away."""
        return LinkLost(
            f"The audio interface '{self.wanted}' is gone: unplugged, switched off, or its sound service "
            "ended. Plug it in again; the program goes on trying to reach it."
        )

    def close(self) -> None:
        """End the stream's process; never raises."""
        child, self._child = self._child, None
        reader, self._reader = self._reader, None
        if child is None:
            return
        child.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(CLOSE_S)
        if reader is not None:
            reader.join(CLOSE_S)
        for pipe in (child.stdin, child.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


def read_stream(pipe: IO[bytes], answers: "queue.SimpleQueue[bytes]", put: Put, channels: int) -> None:
    """Everything the other end says, until it ends; on a thread of its own."""
    try:
        answers.put(pipe.readline())
        while len(head := pipe.read(HEADER.size)) == HEADER.size:
            at_ns, adc_s, dropped, overflowed, frames = HEADER.unpack(head)
            data = pipe.read(4 * frames * channels)
            if len(data) < 4 * frames * channels:
                return
            samples = np.frombuffer(data, "<f4").reshape(frames, channels)
            put(samples, max(time.monotonic_ns() - at_ns, 0) // 1000, adc_s, bool(overflowed), dropped)
    except (OSError, ValueError):  # the pipe was closed meanwhile
        return


def inputs_there() -> tuple[Device, ...]:
    """Every audio input of this machine; none without the library."""
    try:
        sounddevice = library()
        return devices_of(list(sounddevice.query_devices()), list(sounddevice.query_hostapis()))
    except PortRefused:
        return ()


def library() -> Any:
    """The module ``sounddevice``. `PortRefused` says what to install."""
    try:
        import sounddevice
    except (ImportError, OSError) as error:
        raise PortRefused(f"{_NEEDS} ({error}).") from error
    return sounddevice
