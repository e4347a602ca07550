"""An audio interface at work: half-cycle readings for the watch, and the waveform of each arrival.

The adaptor gives samples and gaps; here they become readings as of any meter, and one-shot waveforms. What
the inputs took off is put back as the samples come (`benchlog.measure`), a few per cent of one processor.
"""

import threading
from collections import deque
from collections.abc import Callable, Sequence

import numpy as np

from benchlog.bench.adaptor import Identity, Listening
from benchlog.bench.file import InstrumentConfig
from benchlog.measure.arrivals import Arrival, Arrivals, Early
from benchlog.measure.halfcycles import HalfCycle, HalfCycles, Input
from benchlog.measure.level import LevelWatch, looks_swapped
from benchlog.measure.uncertainty import linear_u
from benchlog.model.audio import AudioInput, SampleBlock, SampleGap
from benchlog.model.clock import Clock
from benchlog.model.event import InrushMeasured
from benchlog.model.instrument import MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting, Status, Unusable
from benchlog.model.role import Role
from benchlog.model.wave import Waveform
from benchlog.recorder.meter import MeterWorker, Tell
from benchlog.recorder.threads import OnFailure

SILENT_S = 1.0
"""An input whose samples are all the same for so long has no signal, not even noise."""
_PAST_S = 3.0
_LEAST_HALF_CYCLES = 4
_QUANTITY = {
    Role.SOURCE_CURRENT: Quantity.AC_CURRENT,
    Role.INLET_VOLTAGE: Quantity.AC_VOLTAGE,
    Role.SOURCE_POWER: Quantity.ACTIVE_POWER,
}


def input_of(one: AudioInput) -> Input:
    """An input as the computation takes it."""
    return Input(
        abs(one.per_full_scale), one.u_fraction, one.corners_hz, one.corner_u_fraction, one.noise, one.delay_s
    )


class HalfCycleMeter:
    """Implements `benchlog.bench.adaptor.Meter` on a stream of samples."""

    def __init__(
        self, stream: Listening, config: InstrumentConfig, nominal_v: float, trouble: Callable[[str], None]
    ) -> None:
        """``nominal_v``: of the mains of the bench; ``trouble`` is told, once each, what is wrong."""
        audio = stream.audio
        self._stream = stream
        self._name = config.name
        self._trouble = trouble
        self._told: set[str] = set()
        self.channels = tuple(Channel(r, _QUANTITY[r], config.name) for r in config.roles if r in _QUANTITY)
        self.period_s = 0.5 / audio.mains_hz
        self._cut = HalfCycles(
            input_of(audio.voltage), input_of(audio.current), audio.rate_hz, audio.mains_hz
        )
        self._arrivals = Arrivals(audio.rate_hz, nominal_v)
        self._signs = np.sign([audio.voltage.per_full_scale, audio.current.per_full_scale])
        self._same: list[tuple[float, int]] = [(np.nan, 0), (np.nan, 0)]
        self._settings = {channel: self._setting(channel, config) for channel in self.channels}
        self._end = (0, 0)
        self._last_us = 0
        self._rate_hz = audio.rate_hz
        self._lock = threading.Lock()
        self._past: deque[tuple[int, int, float, float]] = deque(maxlen=round(_PAST_S / self.period_s))
        """Of the last seconds: start, end, amperes, volts."""
        self._levels = {
            "current": LevelWatch(audio.current.u_fraction),
            "voltage": LevelWatch(audio.voltage.u_fraction),
        }
        self._beside: dict[str, tuple[float, float]] = {}
        self.inrushes: list[InrushMeasured] = []
        """What was seen of switch-ons since the caller last emptied it."""
        self.waves: list[Waveform] = []

    def compare(self, reading: Reading, sheet: MeterSheet) -> None:
        """What another meter of the bench read of current or voltage meanwhile; any thread.

        A ratio that has changed (the gain was moved) and inputs that look exchanged are told.
        """
        stated = sheet.find(reading.channel.quantity)
        if not isinstance(reading, Measured) or stated is None or reading.channel.instrument == self._name:
            return
        with self._lock:
            own = [x for x in self._past if reading.start_us <= x[0] and x[1] <= reading.end_us]
        if len(own) < _LEAST_HALF_CYCLES:
            return
        squares = np.array([(i, v) for _, _, i, v in own]) ** 2
        amperes, volts = np.sqrt(squares.mean(axis=0)).tolist()
        meter_u = linear_u(reading.value, stated.reading_fraction, stated.counts, stated.count)
        if reading.channel.quantity is Quantity.AC_CURRENT:
            self._compared("current", amperes, reading.value, meter_u)
        elif reading.channel.quantity is Quantity.AC_VOLTAGE:
            self._compared("voltage", volts, reading.value, meter_u)

    def _compared(self, name: str, own: float, meter: float, meter_u: float) -> None:
        with self._lock:
            ratio = self._levels[name].take(own, meter, meter_u)
            self._beside[name] = (own, meter)
            beside = dict(self._beside)
        if ratio is None:
            return
        audio = self._stream.audio
        per_v, per_i = abs(audio.voltage.per_full_scale), abs(audio.current.per_full_scale)
        if len(beside) == 2:
            (own_v, volts), (own_i, amperes) = beside["voltage"], beside["current"]
            if looks_swapped(own_v / per_v, own_i / per_i, volts, amperes, per_v, per_i):
                self._tell(
                    "swapped",
                    f"{self._name}: voltage and current look exchanged against the bench's meters. Exchange "
                    "the leads, or the channels in the bench file.",
                )
                return
        self._tell(
            f"gain-{name}",
            f"{self._name}: the {name} reads {ratio:.2f} times what the bench's meter reads. The gain was "
            "moved, or the sensor has slipped. Put the knob back, or calibrate again.",
        )

    def _setting(self, channel: Channel, config: InstrumentConfig) -> Setting:
        stated = config.sheet.find(channel.quantity)
        return Setting(
            range=stated.range if stated else None,
            resolution=stated.count if stated else None,
            aperture_us=round(self.period_s * 1e6),
            note="half cycles; direct current is not judged",
        )

    def open(self) -> Identity:
        """Open the stream and say which device it is."""
        found = self._stream.open()
        self._cut.clear(0)
        self._arrivals.clear()
        return found

    def close(self) -> None:
        """Close the stream; what was heard of an arrival under way becomes a waveform. Never raises."""
        self._stream.close()
        arrival = self._arrivals.rest()
        if arrival is not None:
            self._finish(arrival)

    def read(self) -> Sequence[Reading]:
        """Readings of the half cycles that were completed; see `Meter.read`."""
        readings: list[Reading] = []
        for one in self._stream.listen():
            if isinstance(one, SampleGap):
                self._lose(one)
            else:
                self._hear(one, readings)
        return readings

    def _lose(self, gap: SampleGap) -> None:
        self._cut.clear(gap.first + gap.missing)
        self._arrivals.clear()
        seconds = gap.missing / self._rate_hz
        self._tell("gap", f"{self._name}: {gap.missing} samples ({seconds:.3f} s) are missing: {gap.reason}.")

    def _tell(self, kind: str, text: str) -> None:
        if kind not in self._told:
            self._told.add(kind)
            self._trouble(text)

    def _hear(self, block: SampleBlock, readings: list[Reading]) -> None:
        self._end = (block.first + len(block.samples), block.end_us)
        silent = [self._is_silent(k, block) for k in range(2)]
        samples = block.samples * self._signs.astype(np.float32)
        found = self._cut.feed(samples[:, 0], samples[:, 1])
        first = block.first
        for v, i in self._cut.restored:
            self._arrivals.hear(first, v, i)
            first += len(v)
        self._cut.restored.clear()
        for one in found:
            readings += self._readings(one, silent)
            self._tell_inrush(self._arrivals.take(one))
        arrival = self._arrivals.finished()
        if arrival is not None and not any(silent):
            self._finish(arrival)

    def _is_silent(self, k: int, block: SampleBlock) -> bool:
        """Whether an input has been one and the same number for long: not even noise is on it."""
        column = block.samples[:, k]
        value, count = self._same[k]
        last = float(column[-1])
        same = bool((column == column[0]).all()) and (count == 0 or float(column[0]) == value)
        self._same[k] = (last, count + len(column)) if same else (last, 0)
        silent = self._same[k][1] > SILENT_S * self._rate_hz
        if silent:
            name = ("voltage", "current")[k]
            self._tell(
                f"silent-{name}",
                f"{self._name}: the input of the {name} is silent, not even noise is on it. Check sensor and "
                "lead, and the channels in the bench file.",
            )
        return silent

    def _at_us(self, position: float) -> int:
        end, end_us = self._end
        return end_us - round((end - 1 - position) / self._rate_hz * 1e6)

    def _readings(self, one: HalfCycle, silent: list[bool]) -> list[Reading]:
        start_us = max(self._at_us(one.start), self._last_us)  # the stream's clock is corrected as it runs
        end_us = self._last_us = max(self._at_us(one.end), start_us + 1)
        with self._lock:
            self._past.append((start_us, end_us, one.current_a, one.voltage_v))
        if one.clipped or one.clipped_v:
            name = "current" if one.clipped else "voltage"
            self._tell(
                f"clipped-{name}",
                f"{self._name}: the input of the {name} is at full scale. Turn its gain down and calibrate "
                "again.",
            )
        values = {
            Role.SOURCE_CURRENT: (one.current_a, one.clipped, silent[1]),
            Role.INLET_VOLTAGE: (one.voltage_v, one.clipped_v, silent[0]),
            Role.SOURCE_POWER: (one.power_w, one.clipped or one.clipped_v, any(silent)),
        }
        readings: list[Reading] = []
        for channel in self.channels:
            value, over, dead = values[channel.role]
            setting = self._settings[channel]
            if over or dead:
                status = Status.OPEN_LEADS if dead else Status.OVERLOAD
                readings.append(Unusable(channel, status, start_us, end_us, setting))
            else:
                readings.append(Measured(channel, value, start_us, end_us, setting))
        return readings

    def _tell_inrush(self, early: Early | None) -> None:
        if early is not None:
            self.inrushes.append(
                InrushMeasured(early.peak_a, early.i2t_a2s, early.peak_u_a, lower_bound=early.clipped)
            )

    def _finish(self, arrival: Arrival) -> None:
        wave = arrival.wave
        self.waves.append(Waveform(wave.v_v, wave.i_a, wave.rate_hz, max(self._at_us(arrival.first), 0)))
        self.inrushes.append(
            InrushMeasured(arrival.peak_a, arrival.i2t_a2s, arrival.peak_u_a, lower_bound=arrival.clipped)
        )


class AudioWorker(MeterWorker):
    """A meter's worker that hands on waveforms and inrushes too."""

    def __init__(
        self,
        meter: HalfCycleMeter,
        config: InstrumentConfig,
        clock: Clock,
        tell: Tell,
        on_failure: OnFailure,
        patient: Callable[[str], None] | None,
        store: Callable[[Waveform], object],
    ) -> None:
        """``store`` keeps a waveform; the rest as of a `MeterWorker`."""
        super().__init__(meter, config, clock, tell, on_failure, patient)
        self._listener = meter
        self._hand_on = tell
        self._store = store

    def _work(self, stopping: threading.Event) -> None:
        super()._work(stopping)
        self._hand_over()

    def _read_once(self, stopping: threading.Event) -> None:
        super()._read_once(stopping)
        self._hand_over()

    def _hand_over(self) -> None:
        while self._listener.inrushes:
            self._hand_on(self._listener.inrushes.pop(0))
        while self._listener.waves:
            self._store(self._listener.waves.pop(0))
