"""Meters that err as their sheets say they may.

A reading is gain · (what the meter senses) + offset + noise, rounded to whole counts. Gain and offset are
drawn once a run: gain 1 ± a and offset ± n counts, both rectangular (every value in the stated band equally
likely, JCGM 100:2008 4.3.7); noise 0.3 count, normal. The draw depends on seed, instrument and role only:
it is the same whatever else happens on the bench.
"""

import math
import zlib

import msgspec
import numpy as np

from benchlog.model.instrument import Accuracy, Coupling, Response
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog.model.role import Role
from benchlog_drivers.simulated.aperture import Averages, Collector, Truth
from benchlog_drivers.simulated.ears import PutBack
from benchlog_drivers.simulated.sheets import ChannelSheet, InstrumentSheet
from benchlog_drivers.simulated.trouble import Trouble, TroubleBox

FORM_FACTOR = math.pi / (2.0 * math.sqrt(2.0))
"""R.m.s. over rectified mean of a sine: what an average-responding meter multiplies by (1.1107)."""
NOISE_COUNTS = 0.3
_SIGNED = frozenset({Quantity.DC_CURRENT, Quantity.DC_VOLTAGE, Quantity.ACTIVE_POWER, Quantity.TEMPERATURE})
_ZERO_WHEN_OPEN = frozenset(
    {
        Quantity.AC_VOLTAGE,
        Quantity.DC_VOLTAGE,
        Quantity.AC_CURRENT,
        Quantity.DC_CURRENT,
        Quantity.FREQUENCY,
        Quantity.CAPACITANCE,
    }
)
_SENSED = {
    Role.INLET_VOLTAGE: "voltage_rms_v",
    Role.SOURCE_POWER: "power_w",
    Role.RAIL_PLUS: "rail_plus_v",
    Role.RAIL_MINUS: "rail_minus_v",
    Role.OUTPUT_DC: "output_dc_v",
    Role.HEATSINK: "heatsink_c",
    Role.BIAS: "bias_a",
}
_RANGE_DOWN = 0.9
"""Share of the next smaller full scale below which it goes down."""
_BLANK_READINGS = 2
_EPS_S = 1e-6


class Draw(msgspec.Struct, frozen=True):
    """The errors of one channel for one run: factor on the value, and counts added."""

    gain: float
    offset_counts: float


class Indication(msgspec.Struct, frozen=True):
    """One channel of one finished aperture, as the meter shows it (times the turns through a clamp)."""

    role: Role
    quantity: Quantity
    value: float | None
    """In the quantity's SI unit of measure, whole counts; None when the status is not None."""
    status: Status | None
    range: float | None
    count: float


class Finished(msgspec.Struct, frozen=True):
    """All channels of one aperture of one instrument."""

    instrument: str
    sequence: int
    """Whole number that grows by one per aperture; the same number is the same reading."""
    start_s: float
    end_s: float
    """Bench seconds."""
    indications: tuple[Indication, ...]
    peak_a: float = 0.0
    """Largest magnitude of the current in it, with its sign, as sensed."""


class Probe:
    """What the technician's probes touch: values by quantity, in SI units; nothing while leads are open."""

    def __init__(self) -> None:
        """Leads open."""
        self._touched: dict[Quantity, float] = {}

    def touch(self, values: dict[Quantity, float]) -> None:
        """Touch something; an empty dictionary lifts the probes."""
        self._touched = dict(values)

    def value(self, quantity: Quantity) -> float | None:
        """What a meter set to ``quantity`` has between its probes; None where open leads read overload."""
        if quantity is Quantity.DISSIPATION_FACTOR and quantity not in self._touched:
            return self._dissipation()
        return self._touched.get(quantity, 0.0 if quantity in _ZERO_WHEN_OPEN else None)

    def _dissipation(self) -> float | None:
        """Of a capacitor with its series resistance at 100 kHz: 2π·f·C·R (any handbook of capacitors)."""
        esr, farads = (self._touched.get(q) for q in (Quantity.ESR, Quantity.CAPACITANCE))
        return None if esr is None or farads is None else 2.0 * math.pi * 100_000.0 * farads * esr


def draw_errors(accuracy: Accuracy, seed: int, instrument: str, role: Role) -> Draw:
    """The errors of a channel for the run of a seed: gain 1 ± a, offset ± n counts, rectangular."""
    random = np.random.default_rng([seed, zlib.crc32(f"{instrument}/{role.value}".encode())])
    gain, offset = random.uniform(-1.0, 1.0, 2)
    return Draw(1.0 + accuracy.reading_fraction * float(gain), accuracy.counts * float(offset))


def clipped_share(peak: float, limit: float) -> float:
    """Share of the r.m.s. that is left when peaks of a triangular pulse train are cut at ``limit``.

    Of a triangular pulse of height p cut at c, the mean square keeps 3q² − 2q³, q = c/p (own integration).
    """
    if peak <= limit:
        return 1.0
    q = limit / peak
    return math.sqrt(q * q * (3.0 - 2.0 * q))


def sensed_current(truth: Truth, response: Response, coupling: Coupling) -> float:
    """What the current path of a meter senses, in A: true r.m.s. or scaled mean, with or without the DC."""
    if response is Response.TRUE_RMS:
        return truth.current_rms_a if coupling is Coupling.AC_DC else truth.current_ac_rms_a
    mean = truth.current_rectified_mean_a
    if coupling is Coupling.AC:
        mean *= truth.current_ac_rms_a / truth.current_rms_a if truth.current_rms_a > 0.0 else 1.0
    return FORM_FACTOR * mean


def sensed(truth: Truth, role: Role, sheet: InstrumentSheet, full_scale: float) -> float:
    """What a channel senses before its errors, in SI units, times the turns; `KeyError` for other roles."""
    if role is Role.SOURCE_CURRENT:
        current = sensed_current(truth, sheet.response, sheet.coupling) * sheet.turns
        if sheet.crest_factor is None:
            return current
        return current * clipped_share(
            abs(truth.current_peak_a) * sheet.turns, sheet.crest_factor * full_scale
        )
    return float(getattr(truth, _SENSED[role]))


def displayed(value: float, accuracy: Accuracy, draw: Draw, noise: float) -> float:
    """The value on the display: errors added, rounded to whole counts. ``noise`` in counts."""
    count = accuracy.count
    counts = round((value * draw.gain) / count + draw.offset_counts + noise)
    if counts < 0 and accuracy.quantity not in _SIGNED:
        counts = 0
    return counts * count


class _Ranging:
    """The range that an autoranging channel stands at, and the blank readings after a change."""

    def __init__(self, channel: ChannelSheet) -> None:
        fixed = (channel.accuracy.range or math.inf, channel.accuracy.count)
        self._ranges = channel.ranges or (fixed,)
        self._top = len(self._ranges) - 1
        self.accuracies = tuple(
            msgspec.structs.replace(channel.accuracy, count=count) for _, count in self._ranges
        )
        """What is stated of the channel, by range with its count."""
        self._at = 0
        self._blank = 0

    @property
    def full_scale(self) -> float:
        """Infinite where the sheet states none."""
        return self._ranges[self._at][0]

    @property
    def accuracy(self) -> Accuracy:
        """What is stated of the channel, with the count of this range."""
        return self.accuracies[self._at]

    def blank(self, value: float) -> bool:
        """Follow the value; True while the display is blank."""
        if self._blank > 0:
            self._blank -= 1
            return True
        if value > self.full_scale and self._at < self._top:
            self._at += 1
        elif self._at > 0 and value < _RANGE_DOWN * self._ranges[self._at - 1][0]:
            self._at -= 1
        else:
            return False
        self._blank = _BLANK_READINGS - 1
        return True


class _Channel:
    """One channel in a run: its sheet, its drawn errors, its range."""

    def __init__(
        self, sheet: ChannelSheet, instrument: InstrumentSheet, seed: int, probe: Probe | None
    ) -> None:
        self.sheet = sheet
        self.instrument = instrument
        self.probe = probe
        key = f"{instrument.name}/{sheet.quantity.value}" if probe is not None else instrument.name
        self.draw = draw_errors(sheet.accuracy, seed, key, sheet.role)
        self.ranging = _Ranging(sheet)
        self.frozen: float | None = None

    def indicate(self, truth: Truth, noise: float, acting: dict[Trouble, float]) -> Indication:
        full = self.ranging.full_scale
        drift = acting.get(Trouble.DRIFTING, 0.0)
        sense = self.probe.value(self.sheet.quantity) if self.probe is not None else None
        if self.probe is None:
            sense = sensed(truth, self.sheet.role, self.instrument, full)
        if sense is None:
            return self._shows(None, Status.OVERLOAD)
        value = sense * (1.0 + drift)
        if Trouble.AUTORANGE_BLANKING in acting or self.ranging.blank(abs(value)):
            return self._shows(None, Status.AUTORANGING)
        if Trouble.OVERLOAD in acting or abs(value) > full:
            return self._shows(None, Status.OVERLOAD)
        shown = displayed(value, self.ranging.accuracy, self.draw, noise)
        if Trouble.FROZEN in acting:
            shown = self.frozen if self.frozen is not None else shown
        self.frozen = shown
        return self._shows(shown, None)

    def _shows(self, value: float | None, status: Status | None) -> Indication:
        full, accuracy = self.ranging.full_scale, self.ranging.accuracy
        stated = full if full < math.inf else None
        return Indication(self.sheet.role, accuracy.quantity, value, status, stated, accuracy.count)


class SimulatedMeter:
    """One instrument over a run: takes true averages, gives a finished aperture each period.

    Apertures follow each other from ``phase_s`` on; with ``on_demand`` there is one for each ``begin_at``.
    Driven by one thread at a time.
    """

    def __init__(
        self,
        sheet: InstrumentSheet,
        seed: int,
        phase_s: float = 0.0,
        troubles: TroubleBox | None = None,
        on_demand: bool = False,
        probe: Probe | None = None,
    ) -> None:
        """Draw the errors of this run; the first aperture begins at ``phase_s`` (bench seconds)."""
        self.sheet = sheet
        self.troubles = troubles or TroubleBox()
        self.last: Finished | None = None
        """The last finished aperture; replaced as a whole, so any thread may look at it."""
        self._channels = [_Channel(channel, sheet, seed, probe) for channel in sheet.channels]
        self._noise = np.random.default_rng([seed, zlib.crc32(sheet.name.encode()), 1])
        self._collector = Collector()
        self._put_back = PutBack() if sheet.adaptor == "audio" else None
        self._phase_s = phase_s
        self._done = 0
        self._on_demand = on_demand
        self._idle = on_demand

    def begin_at(self, start_s: float) -> None:
        """Begin an aperture at that instant, whatever was under way."""
        self._collector.clear()
        self._idle = False
        self._phase_s = start_s + self.sheet.aperture_s - (self._done + 1) * self.sheet.period_s

    @property
    def end_s(self) -> float:
        """Bench seconds at which the present aperture ends; infinite while there is none."""
        if self._idle:
            return float("inf")
        return self._phase_s + (self._done + 1) * self.sheet.period_s

    @property
    def start_s(self) -> float:
        """Bench seconds at which the present aperture began."""
        return self.end_s - self.sheet.aperture_s

    def edge_s(self, now_s: float) -> float:
        """The next instant after ``now_s`` at which an aperture of it begins or ends."""
        end_s = self.end_s
        start_s = end_s - self.sheet.aperture_s
        return start_s if start_s > now_s + _EPS_S else end_s

    def add(self, part: Averages, start_s: float, seconds: float) -> Finished | None:
        """Take a stretch that does not pass the aperture's end; the finished aperture when it reaches it."""
        if self._idle:
            return None
        if start_s >= self.start_s - _EPS_S:
            self._collector.add(part, seconds)
        end_s = self.end_s
        if start_s + seconds < end_s - _EPS_S:
            return None
        finished = self._finish(end_s) if self._collector.seconds > 0.5 * self.sheet.aperture_s else None
        self._collector.clear()
        self._done += 1
        self._idle = self._on_demand
        return finished

    def is_off(self, now_s: float) -> bool:
        """Whether it has switched itself off, by its own timer or as a trouble."""
        limit_min = self.sheet.auto_power_off_min
        if limit_min is not None and now_s >= 60.0 * limit_min:
            return True
        return self.troubles.find(Trouble.SWITCHED_OFF, now_s) is not None

    def _finish(self, end_s: float) -> Finished | None:
        if self.is_off(end_s):
            return None
        truth = self._collector.truth()
        if self._put_back is not None:
            heard_a = self._put_back.take(truth, self.sheet.aperture_s)
            truth = msgspec.structs.replace(truth, current_ac_rms_a=heard_a)
        noise = NOISE_COUNTS * self._noise.standard_normal(len(self._channels))
        acting = {
            trouble.kind: trouble.per_minute * (end_s - trouble.start_s) / 60.0
            for trouble in self.troubles.acting(end_s)
        }
        indications = tuple(
            channel.indicate(truth, float(one), acting)
            for channel, one in zip(self._channels, noise, strict=True)
        )
        start_s, peak_a = end_s - self.sheet.aperture_s, truth.current_peak_a
        finished = Finished(self.sheet.name, self._done + 1, start_s, end_s, indications, peak_a)
        self.last = finished
        return finished
