"""An audio interface as digitiser: one stream of voltage and current, gaps told with their length.

It gives samples only (`benchlog.bench.adaptor.Listening`); readings and waveforms are made of them above.
"""

import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Protocol

import numpy as np
import numpy.typing as npt

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import InstrumentConfig
from benchlog.model.audio import AudioSetup, SampleBlock, SampleGap
from benchlog.model.clock import Clock
from benchlog.model.errors import InstrumentFault, ProtocolFault, UsageError
from benchlog_drivers.adaptors.audio_clock import SampleClock
from benchlog_drivers.transports.audio import Device, Put
from benchlog_drivers.transports.audio_ring import Block, BlockRing

ROOM_S = 5.0
"""What the ring holds, in seconds: the worker may be held up for so long."""
SILENT_S = 0.5
"""A stream that gives nothing for so long is lost: it has no pauses of its own."""
FIRST_S = 5.0
"""The same before the first block."""
SLICE_S = 0.003
LATE_S = 1.0
"""Real seconds that samples may have waited (ours); what is later is let go of for the watch to keep up."""
ADC_S = 4.0
"""So far back the library's own times are kept, against a loss that nobody told of."""
STEADILY_US = 5_000_000
"""Three losses within it that nobody told of are no losses: the device runs at another rate."""
WRONG_RATE = 2e-3
"""Fraction by which the rate may be off before it is another rate than the one asked for (ours)."""


Samples = npt.NDArray[np.float32]


class InputLine(Protocol):
    """What is asked of a stream's line (`transports.audio.AudioLine`)."""

    def open(self, put: Put) -> Device: ...  # noqa: D102
    def check(self) -> None: ...  # noqa: D102
    def gone(self) -> InstrumentFault: ...  # noqa: D102
    def close(self) -> None: ...  # noqa: D102


class AudioAdaptor:
    """Owned by one worker thread; the callback only copies."""

    def __init__(
        self,
        config: InstrumentConfig,
        line: InputLine,
        clock: Clock,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        """Not yet open. `UsageError` where the bench file does not say how the inputs are used."""
        self.audio = audio_of(config)
        self._name = config.name
        self._line = line
        self._clock = clock
        self._now = now
        self._columns = [self.audio.voltage.channel - 1, self.audio.current.channel - 1]
        self.gaps = 0
        self.missing = 0
        """Samples lost, in all."""
        self._begin()

    def _begin(self) -> None:
        frames = max(self.audio.block, 64)
        blocks = max(int(ROOM_S * self.audio.rate_hz / frames), 8)
        self._ring = BlockRing(blocks, frames, max(self._columns) + 1)
        self._time = SampleClock(self.audio.rate_hz)
        self._next = 0
        self._heard_s = self._now()
        self._adc: deque[tuple[float, int]] = deque()
        """When the sample of that number was taken, by the sound library's clock; of the last seconds."""
        self._told: deque[SampleGap] = deque(maxlen=16)
        self._unsaid: list[tuple[int, int]] = []
        """When, and before which sample, some were found missing that nobody had told of."""
        self._end_us: int | None = None
        self._left_us: int | None = None
        """Where the stream stood before it was opened anew."""

    @property
    def sample_clock(self) -> SampleClock:
        """The stream's clock against the machine's."""
        return self._time

    def open(self) -> Identity:
        """Open the stream and say which device it is. May be called again after a fault."""
        self._line.close()
        position, left_us = self._next, self._end_us
        self._begin()
        ring, clock = self._ring, self._clock

        def put(samples: Samples, ago_us: int, adc_s: float, lost: bool, dropped: int) -> None:
            ring.put(samples, clock.now() - round(ago_us * clock.scale), adc_s, lost, dropped)

        device = self._line.open(put)
        self._next, self._left_us = position, left_us
        self._heard_s = self._now()
        return Identity(f"{device.api}: {device.name}")

    def close(self) -> None:
        """Close the stream; never raises."""
        self._line.close()

    def listen(self) -> Sequence[SampleBlock | SampleGap]:
        """What came since; waits `SLICE_S` where nothing did. See `Listening` for the faults."""
        blocks = self._ring.take()
        if not blocks:
            self._line.check()
            time.sleep(SLICE_S)
            blocks = self._ring.take()
        if not blocks:
            return self._nothing()
        self._heard_s = self._now()
        found: list[SampleBlock | SampleGap] = []
        for block in self._timely(blocks, found):
            self._take(block, found)
        self._check_rate()
        return found

    def _timely(self, blocks: list[Block], found: list[SampleBlock | SampleGap]) -> list[Block]:
        """Without those that are so late that the watch would look at the past: they are a gap."""
        now_us, late_us = self._clock.now(), LATE_S * 1e6 * self._clock.scale
        if self._left_us is not None or now_us - blocks[0].at_us <= late_us:
            return blocks
        timely = [block for block in blocks if now_us - block.at_us <= 0.5 * late_us]
        left = blocks[: len(blocks) - len(timely)]
        missing = sum(len(block.samples) + block.dropped for block in left)
        self._lose(missing, "the program was held up", found)
        return timely

    def _nothing(self) -> Sequence[SampleBlock | SampleGap]:
        patience_s = FIRST_S if self._end_us is None else SILENT_S
        if self._now() - self._heard_s < patience_s:
            return ()
        self._heard_s = self._now()
        raise self._line.gone()

    def _take(self, block: Block, found: list[SampleBlock | SampleGap]) -> None:
        if self._left_us is not None:
            away = round((block.at_us - self._left_us) * 1e-6 * self.audio.rate_hz) - len(block.samples)
            self._left_us = None
            self._lose(max(away, 1), "the interface was away", found)
        if block.dropped:
            self._lose(block.dropped, "the program was held up", found)
        if block.overflowed:
            self._lose(self._missing_by_adc(block), "the sound system lost them", found)
        end = self._next + len(block.samples)
        unsaid = self._time.hear(end, block.at_us)
        if unsaid > 0 and self._is_whole(block, unsaid):
            self._time.hear(end, block.at_us)
        elif unsaid > 0:
            self._unsaid = [*self._unsaid[-2:], (block.at_us, self._next)]
            self._lose(unsaid, "they never came, and nobody said so", found)
            end = self._next + len(block.samples)
            self._time.hear(end, block.at_us)
        self._end_us = self._time.instant_us(end)
        found.append(SampleBlock(self._next, block.samples[:, self._columns], self._end_us))
        if block.adc_s > 0.0:
            self._adc.append((block.adc_s, self._next))
            while self._adc[0][0] < block.adc_s - ADC_S:
                self._adc.popleft()
        self._next = end

    def _is_whole(self, block: Block, unsaid: int) -> bool:
        """Whether the library's own times say that nothing is missing: the machine was only held up."""
        if not self._adc or block.adc_s <= 0.0:
            return False
        (from_s, first), (last_s, _) = self._adc[0], self._adc[-1]
        expected_s = from_s + (self._next - first) / self.audio.rate_hz
        covers = last_s - from_s > 0.5 * ADC_S
        return covers and abs(block.adc_s - expected_s) * self.audio.rate_hz < 0.5 * unsaid

    def _missing_by_adc(self, block: Block) -> int:
        """How many samples the library's own times say are missing; at least one."""
        if not self._adc or block.adc_s <= 0.0:
            return 1
        at_s, position = self._adc[-1]
        expected_s = at_s + (self._next - position) / self.audio.rate_hz
        return max(round((block.adc_s - expected_s) * self.audio.rate_hz), 1)

    def _lose(self, missing: int, reason: str, found: list[SampleBlock | SampleGap]) -> None:
        gap = SampleGap(self._next, missing, reason)
        found.append(gap)
        self._told.append(gap)
        self._next += missing
        self._adc.clear()
        self.gaps += 1
        self.missing += missing
        self._time.restart()

    def _check_rate(self) -> None:
        """`ProtocolFault` where the device runs at another rate than it was opened with."""
        drift = self._time.drift()
        if drift is not None and abs(drift[0]) > WRONG_RATE * 1e6 + drift[1]:
            raise self._wrong_rate(self.audio.rate_hz / (1.0 + drift[0] * 1e-6))
        if len(self._unsaid) < 3 or self._unsaid[-1][0] - self._unsaid[0][0] > STEADILY_US:
            return
        (first_us, first), (last_us, last) = self._unsaid[0], self._unsaid[-1]
        seconds = (last_us - first_us) * 1e-6
        self._unsaid = []
        raise self._wrong_rate((last - first) / seconds - self._lost_between(first, last) / seconds)

    def _lost_between(self, first: int, last: int) -> int:
        """Samples that were found missing between two positions, the first of them included."""
        return sum(gap.missing for gap in self._told if first <= gap.first < last)

    def _wrong_rate(self, really_hz: float) -> ProtocolFault:
        return ProtocolFault(
            f"{self._name}: {really_hz:.0f} samples a second come where {self.audio.rate_hz} were asked for. "
            "Set the interface to that rate with its own panel, or mend rate_hz in [instrument.audio]."
        )


def audio_of(config: InstrumentConfig) -> AudioSetup:
    """The inputs of an instrument. `UsageError` where they are missing or can't be."""
    audio = config.audio
    if audio is None:
        raise UsageError(
            f"The instrument {config.name!r} is an audio interface, but the bench file does not say what its "
            "inputs stand for. Add [instrument.audio] with current and voltage."
        )
    if not config.connection:
        raise UsageError(
            f"The instrument {config.name!r} names no device. Add its connection: the name of it."
        )
    if (
        audio.current.channel == audio.voltage.channel
        or min(audio.current.channel, audio.voltage.channel) < 1
    ):
        raise UsageError(
            f"The instrument {config.name!r}: voltage and current need an input each, counted from 1."
        )
    for one in (audio.current, audio.voltage):
        if (
            one.per_full_scale == 0.0
            or not 0.0 < one.u_fraction < 1.0
            or any(c <= 0.0 for c in one.corners_hz)
        ):
            raise UsageError(
                f"The instrument {config.name!r}: per_full_scale, u_fraction and corners_hz of input "
                f"{one.channel} must be above zero."
            )
    if not 8_000 <= audio.rate_hz <= 768_000:
        raise UsageError(f"The instrument {config.name!r}: {audio.rate_hz} samples a second can't be meant.")
    return audio
