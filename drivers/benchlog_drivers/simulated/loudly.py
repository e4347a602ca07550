"""Plays what the simulated audio interface hears to a sound output, for a program that listens at an input.

Where a sound service has a sink whose monitor can be listened to, the stream then takes the way of a real
interface: PortAudio, the service, its buffers.
"""

import contextlib
import sys
import threading
from typing import Any

import numpy as np

from benchlog.model.errors import PortRefused
from benchlog_drivers.simulated.feed import Listener, SoundFeed
from benchlog_drivers.transports.audio import library

_LEAD_S = 0.2
"""Silence ahead: so much may the two clocks come apart before the sound stutters."""
_LOOK_S = 0.05
_PATIENCE_S = 5.0


class Player:
    """Plays to one output by name; made when the bench begins, `stop` once."""

    def __init__(self, output: str, heard_at: str, feed: SoundFeed) -> None:
        """``heard_at``: the name of the input that hears it. `PortRefused` where it can't be played."""
        sounddevice = library()
        self.counted = 0
        """Blocks played."""
        self._heard_at = heard_at
        self._stutters = 0
        self._feed = feed
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._work, name="player", daemon=True)
        try:
            self._stream: Any = sounddevice.OutputStream(
                device=output, samplerate=feed.rate_hz, channels=2, latency=_LEAD_S, dtype="float32",
                clip_off=True, dither_off=True,
            )  # fmt: skip
        except (ValueError, sounddevice.PortAudioError) as error:
            raise PortRefused(f"Nothing can be played to the sound output '{output}': {error}.") from error

    def connection(self) -> str:
        """How the bench file names the interface that hears it."""
        return self._heard_at

    def start(self) -> None:
        """Begin to play."""
        self._stream.start()
        self._thread.start()

    def stop(self) -> None:
        """End."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(_PATIENCE_S)
        with contextlib.suppress(Exception):
            self._stream.abort()
        if self._stutters:
            sys.stderr.write(
                f"The sound output ran empty {self._stutters} times: there the input heard silence that was "
                "not on the bench. The machine is too busy.\n"
            )

    def _work(self) -> None:
        listener = Listener()
        self._stream.write(np.zeros((round(_LEAD_S * self._feed.rate_hz), 2), np.float32))
        self._feed.add(listener)
        while not self._stopping.is_set():
            block = listener.next(_LOOK_S)
            if block is not None:
                self._stutters += bool(self._stream.write(np.ascontiguousarray(block.samples)))
                self.counted += 1
