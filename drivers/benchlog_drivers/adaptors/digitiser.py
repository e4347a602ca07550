"""One-shot capture of voltage and current, for the true inrush of a step: arm, wait, fetch, or cancel."""

import time
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import CaptureWords, ScpiWords
from benchlog.model.clock import Clock
from benchlog.model.errors import ProtocolFault
from benchlog.model.wave import Waveform
from benchlog_drivers.adaptors.conversation import Conversation
from benchlog_drivers.adaptors.recognise import Recognition
from benchlog_drivers.codecs.block import parse_preamble, samples, scaled_samples
from benchlog_drivers.codecs.scpi import still_busy
from benchlog_drivers.transports.line import Line

_POLL_S = 0.02
_FETCH_S = 10.0


class Digitiser:
    """Implements `benchlog.bench.adaptor.Capture`. ``fetch`` may take seconds."""

    def __init__(
        self, config: InstrumentConfig, words: CaptureWords, scpi: ScpiWords, line: Line, clock: Clock
    ) -> None:
        """Not yet open."""
        self.talk = Conversation(line, scpi)
        self._words = words
        self._clock = clock
        self._armed_us = 0
        self._recognition = Recognition(config)

    def open(self) -> Identity:
        """Open and check who answers."""
        return self._recognition.check(self.talk.open())

    def close(self) -> None:
        """Close the line; never raises."""
        self.talk.close()

    def arm(self) -> None:
        """Begin to wait for the trigger; an error the instrument queues is a `ProtocolFault`."""
        self.talk.configure(*self._words.arm)
        self._armed_us = self._clock.now()

    def done(self) -> bool:
        """Whether the capture is complete."""
        busy = still_busy(self.talk.ask(self._words.busy), self._words.busy_bit, self._words.done_bit)
        if busy is None:
            raise self._wrong("did not say whether it is still capturing")
        return not busy

    def wait(self, timeout_s: float, cancelled: Callable[[], bool] = lambda: False) -> bool:
        """Wait until it is complete; False, and disarmed, when ``cancelled`` or the time is over."""
        until = time.monotonic() + timeout_s
        while not self.done():
            if cancelled() or time.monotonic() > until:
                self.cancel()
                return False
            time.sleep(_POLL_S)
        return True

    def cancel(self) -> None:
        """Disarm."""
        for command in self._words.cancel:
            self.talk.tell(command)

    def fetch(self) -> Waveform:
        """Both channels, in volts and amperes. `ProtocolFault` where they don't belong together."""
        voltage, rate_hz = self._channel(self._words.voltage_channel)
        current, other_hz = self._channel(self._words.current_channel)
        if voltage.size != current.size or abs(rate_hz - other_hz) > 1e-6 * rate_hz:
            raise self._wrong("gave two channels that were not sampled together")
        return Waveform(
            voltage * self._words.voltage_per_unit,
            current * self._words.current_per_unit,
            rate_hz,
            self._armed_us,
        )

    def _channel(self, name: str) -> tuple[npt.NDArray[np.float64], float]:
        """(samples, rate in Hz) of one channel."""
        reply = self.talk.ask(self._words.preamble.format(channel=name))
        preamble = parse_preamble(reply, self._words.preamble_fields)
        if preamble is None or not preamble.get("interval_s", 0.0) > 0.0:
            raise self._wrong(f"gave the preamble {reply!r}, which its profile does not describe")
        content = self.talk.ask_block(self._words.data.format(channel=name), _FETCH_S, self._words.longest)
        raw = samples(content, self._words.code, self._words.little_endian)
        if raw is None or ("points" in preamble and raw.size != int(preamble["points"])):
            raise self._wrong("gave samples that are not what its preamble says")
        return scaled_samples(raw, preamble), 1.0 / preamble["interval_s"]

    def _wrong(self, what: str) -> ProtocolFault:
        return ProtocolFault(f"{self.talk.line.link.where}: the digitiser {what}. Check its profile.")
