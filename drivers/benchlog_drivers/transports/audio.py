"""Audio inputs by PortAudio: devices by a name that stays, one stream, its errors in a technician's words.

The only importer of ``sounddevice`` among the adaptors; it comes with the extra ``audio``.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import msgspec
import numpy as np
import numpy.typing as npt

from benchlog.model.errors import InstrumentFault, LinkLost, PortRefused

if TYPE_CHECKING:
    from collections.abc import Iterable

Put = Callable[[npt.NDArray[np.float32], float, bool], None]
"""Given a block, when its first sample was taken by PortAudio's clock (s), and whether samples were lost
before it; on PortAudio's thread."""

_CARD = re.compile(r"\s*[\[(]hw:\d+,\d+[\])]\s*$")
_PREFERRED = ("ASIO", "Windows WASAPI", "Core Audio", "ALSA", "Windows WDM-KS", "JACK Audio Connection Kit")
_BUSY, _RATE, _CHANNELS, _GONE = -9985, -9997, -9998, -9996
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
    if code == _RATE:
        own = f"{device.rate_hz:.0f}"
        return PortRefused(
            f"{name} does not run at {rate_hz} samples a second; it says {own} of itself. Set it to "
            f"{rate_hz} with its own panel, or write rate_hz = {own} in [instrument.audio] and calibrate again."
        )
    if code == _CHANNELS:
        return PortRefused(
            f"{name} does not give as many inputs as are asked for. Mend the channels in the bench file."
        )
    if code == _BUSY:
        return PortRefused(
            f"{name} is busy: another program has it, or the system forbids it. Close that program (a "
            "recorder, a browser with the microphone on) and try again."
        )
    if code == _GONE:
        return PortRefused(f"{name} is not there any more. Plug it in again.")
    return PortRefused(
        f"{name} can't be opened: {text.rstrip('.')}. Check that it is plugged in and not in use."
    )


@dataclass(slots=True)
class AudioLine:
    """One input stream. Opened and closed by the worker that owns it."""

    wanted: str
    rate_hz: int
    block: int
    channels: int
    device: Device | None = None
    _stream: Any = None

    def open(self, put: Put) -> Device:
        """Find the device anew, open its stream and start it. `PortRefused` says why not."""
        self.close()
        sounddevice = _library()
        try:
            sounddevice._terminate()  # the list of devices is as old as the library's beginning
            sounddevice._initialize()
            listed, apis = list(sounddevice.query_devices()), list(sounddevice.query_hostapis())
        except sounddevice.PortAudioError as error:
            raise PortRefused(
                f"The system's audio can't be asked: {error}. Restart its sound service."
            ) from error
        self.device = choose(devices_of(listed, apis), self.wanted)
        check_channels(self.device, self.channels)

        def heard(samples: npt.NDArray[np.float32], _count: int, times: Any, status: Any) -> None:
            put(samples, times.inputBufferAdcTime, status.input_overflow)

        try:
            self._stream = sounddevice.InputStream(
                device=self.device.index, samplerate=self.rate_hz, blocksize=self.block,
                channels=self.channels, dtype="float32", clip_off=True, dither_off=True, callback=heard,
            )  # fmt: skip
            self._stream.start()
        except sounddevice.PortAudioError as error:
            self.close()
            code = next((a for a in error.args if isinstance(a, int)), 0)
            raise refusal(self.device, self.rate_hz, code, str(error)) from error
        return self.device

    def check(self) -> None:
        """`LinkLost` where the stream has ended by itself."""
        if self._stream is not None and not self._stream.active:
            raise self.gone()

    def gone(self) -> InstrumentFault:
        """The fault of a device that went away."""
        return LinkLost(
            f"The audio interface '{self.wanted}' is gone: unplugged, switched off, or its sound service "
            "ended. Plug it in again; the program goes on trying to reach it."
        )

    def close(self) -> None:
        """Stop and close the stream; never raises."""
        stream, self._stream = self._stream, None
        if stream is None:
            return
        try:
            stream.abort(ignore_errors=True)
            stream.close(ignore_errors=True)
        except Exception:  # noqa: BLE001, S110 - a device that is gone may answer anything
            pass


def inputs_there() -> tuple[Device, ...]:
    """Every audio input of this machine; none without the library."""
    try:
        sounddevice = _library()
        return devices_of(list(sounddevice.query_devices()), list(sounddevice.query_hostapis()))
    except PortRefused:
        return ()


def _library() -> Any:
    try:
        import sounddevice
    except (ImportError, OSError) as error:
        raise PortRefused(f"{_NEEDS} ({error}).") from error
    return sounddevice
