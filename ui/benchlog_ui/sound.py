"""Sound, where there is a library and a device for it; nothing on the screen ever depends on it.

The extra ``sound`` brings the library. A tone can follow current ÷ stop limit: eyes stay on the probe.
"""

import threading
from typing import Any, Protocol

import numpy as np

from benchlog_ui.tones import EDGE_S, RATE, Samples, alarm, glide, pitch_hz, taken

_LOUD = 0.25


class Stream(Protocol):
    """An output that is being played."""

    def start(self) -> None:
        """Begin to ask for samples."""
        ...

    def stop(self) -> None:
        """Ask for no more."""
        ...

    def close(self) -> None:
        """Let go of the device."""
        ...


class Voice:
    """What is to be heard, handed out block by block; filled from one thread, told from another."""

    def __init__(self) -> None:
        """Silent."""
        self._lock = threading.Lock()
        self._clip: Samples = np.empty(0, np.float32)
        self._share: float | None = None
        self._hertz = pitch_hz(0.0)
        self._phase = 0.0
        self._loud = 0.0

    def play(self, clip: Samples) -> None:
        """Play a sound after those that still are; more than three seconds of them are not kept."""
        with self._lock:
            if len(self._clip) < 3 * RATE:
                self._clip = np.concatenate([self._clip, clip])

    def follow(self, share: float | None) -> None:
        """Let the tone follow current ÷ stop limit; None ends it."""
        with self._lock:
            self._share = share

    def fill(self, count: int) -> Samples:
        """The next samples."""
        with self._lock:
            clip, self._clip = self._clip[:count], self._clip[count:]
            share = self._share
        block = self._tone(share, count)
        block[: len(clip)] += clip
        return np.clip(block, -1.0, 1.0)

    def _tone(self, share: float | None, count: int) -> Samples:
        """The tone of a block: pitch and loudness go evenly from where they were."""
        wanted = _LOUD if share is not None else 0.0
        if self._loud == 0.0 and wanted == 0.0:
            return np.zeros(count, np.float32)
        to_hz = pitch_hz(share) if share is not None else self._hertz
        if self._loud == 0.0:
            self._hertz = to_hz
        samples, self._phase = glide(self._hertz, to_hz, count, self._phase)
        self._hertz = to_hz
        most = _LOUD * count / (EDGE_S * RATE)
        step = min(max(wanted - self._loud, -most), most)
        ramp = np.linspace(self._loud, self._loud + step, count, dtype=np.float32)
        self._loud = max(self._loud + step, 0.0)
        return samples * ramp


class Speaker:
    """The way to the loudspeaker. ``why_not`` says why nothing is heard."""

    def __init__(self) -> None:
        """Nothing is opened yet."""
        self.voice = Voice()
        self.tone = False
        """Whether the tone follows the current."""
        self.why_not = "sound was not opened yet"
        self._stream: Stream | None = None

    def open(self) -> None:
        """Open the device of the platform; without library or device it stays silent and says why."""
        try:
            import sounddevice
        except (ImportError, OSError) as error:
            self.why_not = f"no sound library ({error}); install the extra 'sound'"
            return
        try:
            stream: Stream = sounddevice.OutputStream(
                samplerate=RATE, channels=1, dtype="float32", callback=self._fill
            )
            stream.start()
        except sounddevice.PortAudioError as error:
            self.why_not = f"no sound device ({error})"
            return
        self._stream, self.why_not = stream, ""

    def close(self) -> None:
        """Let go of the device."""
        stream, self._stream = self._stream, None
        if stream is not None:
            stream.stop()
            stream.close()

    def alarm(self) -> None:
        """The alarm."""
        self.voice.play(alarm())

    def taken(self) -> None:
        """A reading was taken."""
        self.voice.play(taken())

    def follow(self, share: float | None) -> None:
        """Current ÷ stop limit now; None where either is not known."""
        self.voice.follow(share if self.tone else None)

    def _fill(self, out: Any, count: int, _time: object, _status: object) -> None:
        out[:, 0] = self.voice.fill(count)
