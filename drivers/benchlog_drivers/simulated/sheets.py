"""The instruments of the simulated bench by their sheets: what each states of itself.

All invented for the simulated bench. The three current meters (`bench`, `handheld`, `clamp`) and the
voltmeter are the ones that the stop rules were tried on; their figures are fixed.
"""

from enum import StrEnum

import msgspec

from benchlog.model.instrument import Accuracy, Coupling, MeterSheet, Response
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role


class MeterKind(StrEnum):
    """With what the source current is read; decides the other meters of the bench too."""

    BENCH = "bench"
    """True r.m.s., ten a second, with watts, rails and output DC in one instrument."""
    HANDHELD = "handheld"
    CLAMP = "clamp"
    AVERAGE = "average"
    """Hand-held, average-responding, behind a clamp without DC."""
    AC_COUPLED = "ac-coupled"
    """Hand-held, true r.m.s. of the AC part only."""
    AUTORANGING = "autoranging"
    SWITCHES_OFF = "switches-off"
    """Hand-held; switches itself off after 15 minutes."""
    SEGMENTS = "segments"
    """Hand-held meters that send their displays segment by segment; AC-coupled."""
    PACKED_BCD = "packed-bcd"
    """Bench multimeters with packed-BCD frames, five a second."""
    POWER_METER = "power-meter"
    """An AC power meter read by Modbus, five a second; AC-coupled."""
    DIGITISER = "digitiser"
    """The bench meter, and a digitiser with the true waveform beside it."""
    AUDIO = "audio"
    """An audio interface with isolated sensors: half cycles of current, voltage and power; the bench meter
    beside it reads rails and output DC."""


class ProbeKind(StrEnum):
    """The meter in the technician's hand during cold checks."""

    NONE = "none"
    SEGMENTS = "segments"
    """Ohms, segment by segment."""
    PACKED_BCD = "packed-bcd"
    """Ohms, packed BCD."""
    ESR = "esr"
    LCR = "lcr"
    SCPI = "scpi"
    """A bench multimeter: volts, amperes, ohms, junction, continuity, capacitance, frequency, temperature."""
    SCPI_LCR = "scpi-lcr"


Ranges = tuple[tuple[float, float], ...]


class ChannelSheet(msgspec.Struct, frozen=True):
    """One channel of an instrument: the part it plays and what its maker states of it."""

    role: Role
    accuracy: Accuracy
    ranges: Ranges = ()
    """Of an autoranging channel: full scale and count of each range, smallest first."""

    @property
    def quantity(self) -> Quantity:
        """What it measures."""
        return self.accuracy.quantity


class InstrumentSheet(msgspec.Struct, frozen=True):
    """One instrument that gives readings."""

    name: str
    description: str
    profile: str
    channels: tuple[ChannelSheet, ...]
    period_s: float
    aperture_s: float
    response: Response = Response.TRUE_RMS
    coupling: Coupling = Coupling.AC_DC
    crest_factor: float | None = None
    auto_power_off_min: float | None = None
    turns: int = 1
    adaptor: str = "serial-text"
    """Name in the adaptor registry of what reads it."""

    @property
    def autorange(self) -> bool:
        """Whether any channel changes its range by itself."""
        return any(channel.ranges for channel in self.channels)

    def meter_sheet(self) -> MeterSheet:
        """The same as the bench file states it."""
        return MeterSheet(
            accuracy=tuple(channel.accuracy for channel in self.channels),
            response=self.response,
            coupling=self.coupling,
            crest_factor=self.crest_factor,
            autorange=self.autorange,
            auto_power_off_min=self.auto_power_off_min,
            turns=self.turns,
        )


BENCH_AMMETER = Accuracy(Quantity.AC_CURRENT, 0.003, 10, 0.001, range=50.0, per_second=10)
HANDHELD_AMMETER = Accuracy(Quantity.AC_CURRENT, 0.01, 5, 0.001, range=10.0, per_second=2.5)
CLAMP = Accuracy(Quantity.AC_CURRENT, 0.02, 5, 0.01, range=40.0, least=0.05, per_second=2.5)
VOLTMETER = Accuracy(Quantity.AC_VOLTAGE, 0.005, 2, 0.1, range=600.0, per_second=2.5)
BENCH_VOLTMETER = msgspec.structs.replace(VOLTMETER, range=300.0, per_second=10)
WATTMETER = Accuracy(Quantity.ACTIVE_POWER, 0.005, 5, 0.1, range=15000.0, per_second=10)
RAIL_VOLTMETER = Accuracy(Quantity.DC_VOLTAGE, 0.001, 2, 0.01, range=200.0, per_second=10)
OUTPUT_VOLTMETER = Accuracy(Quantity.DC_VOLTAGE, 0.001, 5, 0.001, range=200.0, per_second=10)

SEGMENT_AMMETER = Accuracy(Quantity.AC_CURRENT, 0.012, 5, 0.001, range=6.0, per_second=2)
SEGMENT_VOLTMETER = Accuracy(Quantity.AC_VOLTAGE, 0.008, 3, 0.1, range=600.0, per_second=2)
BCD_AMMETER = Accuracy(Quantity.AC_CURRENT, 0.003, 200, 1e-5, range=5.99999, per_second=5)
BCD_VOLTMETER = Accuracy(Quantity.AC_VOLTAGE, 0.002, 200, 0.001, range=599.999, per_second=5)
POWER_METER_V = Accuracy(Quantity.AC_VOLTAGE, 0.005, 2, 0.1, range=300.0, per_second=5)
POWER_METER_A = Accuracy(Quantity.AC_CURRENT, 0.005, 3, 0.001, range=20.0, per_second=5)
POWER_METER_W = Accuracy(Quantity.ACTIVE_POWER, 0.01, 5, 0.1, range=6000.0, per_second=5)

AUDIO_A = Accuracy(Quantity.AC_CURRENT, 0.0087, 2, 0.001, range=70.0, per_second=120)
AUDIO_V = Accuracy(Quantity.AC_VOLTAGE, 0.0087, 2, 0.005, range=283.0, per_second=120)
AUDIO_W = Accuracy(Quantity.ACTIVE_POWER, 0.0123, 2, 0.2, range=20000.0, per_second=120)
"""U of 1 % by calibration against a bench meter, noise 100 dB below a full scale of 100 A and 400 V peak."""

_HANDHELD_S = 0.4
_BENCH_S = 0.1


def _handheld(
    name: str, description: str, role: Role, accuracy: Accuracy, ranges: Ranges = ()
) -> InstrumentSheet:
    return InstrumentSheet(
        name=name,
        description=description,
        profile="simulated-handheld",
        channels=(ChannelSheet(role, accuracy, ranges),),
        period_s=_HANDHELD_S,
        aperture_s=_HANDHELD_S,
        crest_factor=3.0,
    )


def _ammeter(description: str, accuracy: Accuracy, ranges: Ranges = ()) -> InstrumentSheet:
    return _handheld("ammeter", description, Role.SOURCE_CURRENT, accuracy, ranges)


def _bench_meter() -> InstrumentSheet:
    return InstrumentSheet(
        name="bench-meter",
        description="multi-channel bench meter (invented)",
        profile="simulated-bench-meter",
        channels=(
            ChannelSheet(Role.SOURCE_CURRENT, BENCH_AMMETER),
            ChannelSheet(Role.INLET_VOLTAGE, BENCH_VOLTMETER),
            ChannelSheet(Role.SOURCE_POWER, WATTMETER),
            ChannelSheet(Role.RAIL_PLUS, RAIL_VOLTMETER),
            ChannelSheet(Role.RAIL_MINUS, RAIL_VOLTMETER),
            ChannelSheet(Role.OUTPUT_DC, OUTPUT_VOLTMETER),
        ),
        period_s=_BENCH_S,
        aperture_s=_BENCH_S,
        crest_factor=5.0,
        adaptor="scpi",
    )


def _audio(mains_hz: float) -> tuple[InstrumentSheet, InstrumentSheet]:
    meter = _bench_meter()
    rails = (Role.RAIL_PLUS, Role.RAIL_MINUS, Role.OUTPUT_DC)
    beside = msgspec.structs.replace(
        meter, channels=tuple(channel for channel in meter.channels if channel.role in rails)
    )
    half_s = 0.5 / mains_hz
    ears = InstrumentSheet(
        name="ears",
        description="audio interface with isolated sensors (invented)",
        profile="",
        channels=(
            ChannelSheet(Role.SOURCE_CURRENT, AUDIO_A),
            ChannelSheet(Role.INLET_VOLTAGE, AUDIO_V),
            ChannelSheet(Role.SOURCE_POWER, AUDIO_W),
        ),
        period_s=half_s,
        aperture_s=half_s,
        coupling=Coupling.AC,
        adaptor="audio",
    )
    return ears, beside


def _current_meter(kind: MeterKind, turns: int) -> InstrumentSheet:
    replace = msgspec.structs.replace
    if kind is MeterKind.CLAMP:
        return replace(_ammeter("clamp meter (invented)", CLAMP), turns=turns, coupling=Coupling.AC)
    if kind is MeterKind.AVERAGE:
        meter = _ammeter("average-responding multimeter (invented)", HANDHELD_AMMETER)
        return replace(meter, response=Response.AVERAGE, coupling=Coupling.AC, crest_factor=None)
    if kind is MeterKind.AC_COUPLED:
        meter = _ammeter("AC-coupled multimeter (invented)", HANDHELD_AMMETER)
        return replace(meter, coupling=Coupling.AC)
    if kind is MeterKind.AUTORANGING:
        return _ammeter(
            "autoranging multimeter (invented)", HANDHELD_AMMETER, ((0.4, 1e-4), (4.0, 1e-3), (10.0, 1e-3))
        )
    meter = _ammeter("hand-held multimeter (invented)", HANDHELD_AMMETER)
    return replace(meter, auto_power_off_min=15.0) if kind is MeterKind.SWITCHES_OFF else meter


def _framed(kind: MeterKind, role: Role, accuracy: Accuracy) -> InstrumentSheet:
    """An ammeter or voltmeter with display or packed-BCD frames."""
    segments = kind is MeterKind.SEGMENTS
    current = role is Role.SOURCE_CURRENT
    what = "hand-held, segment-coded" if segments else "bench multimeter, packed BCD"
    return InstrumentSheet(
        name="ammeter" if current else "voltmeter",
        description=f"{what} (invented)",
        profile="simulated-segment-meter" if segments else "simulated-bcd-meter",
        channels=(ChannelSheet(role, accuracy),),
        period_s=0.5 if segments else 0.2,
        aperture_s=0.4 if segments else 0.2,
        coupling=Coupling.AC if segments else Coupling.AC_DC,
        crest_factor=3.0 if segments else 4.0,
        adaptor="serial-segments" if segments else "serial-frame",
    )


def _power_meter() -> InstrumentSheet:
    return InstrumentSheet(
        name="power-meter",
        description="AC power meter (invented)",
        profile="simulated-power-meter",
        channels=(
            ChannelSheet(Role.INLET_VOLTAGE, POWER_METER_V),
            ChannelSheet(Role.SOURCE_CURRENT, POWER_METER_A),
            ChannelSheet(Role.SOURCE_POWER, POWER_METER_W),
        ),
        period_s=0.2,
        aperture_s=0.2,
        coupling=Coupling.AC,
        crest_factor=4.0,
        adaptor="modbus",
    )


def instruments(kind: MeterKind, turns: int = 1, mains_hz: float = 60.0) -> tuple[InstrumentSheet, ...]:
    """The instruments of a bench with this kind of current meter.

    ``turns`` of the conductor through a clamp; ``mains_hz`` for what reads half cycles.
    """
    if kind in (MeterKind.BENCH, MeterKind.DIGITISER):
        return (_bench_meter(),)
    if kind is MeterKind.POWER_METER:
        return (_power_meter(),)
    if kind is MeterKind.AUDIO:
        return _audio(mains_hz)
    if kind in (MeterKind.SEGMENTS, MeterKind.PACKED_BCD):
        segments = kind is MeterKind.SEGMENTS
        return (
            _framed(kind, Role.SOURCE_CURRENT, SEGMENT_AMMETER if segments else BCD_AMMETER),
            _framed(kind, Role.INLET_VOLTAGE, SEGMENT_VOLTMETER if segments else BCD_VOLTMETER),
        )
    voltmeter = _handheld("voltmeter", "hand-held voltmeter (invented)", Role.INLET_VOLTAGE, VOLTMETER)
    return (_current_meter(kind, turns), voltmeter)


def _function(quantity: Quantity, fraction: float, counts: float, count: float, full: float) -> ChannelSheet:
    return ChannelSheet(Role.PROBE, Accuracy(quantity, fraction, counts, count, range=full))


_MULTIMETER = (
    _function(Quantity.RESISTANCE, 0.0005, 5, 0.001, 1e8),
    _function(Quantity.DC_VOLTAGE, 0.0003, 5, 1e-5, 1000.0),
    _function(Quantity.AC_VOLTAGE, 0.002, 20, 1e-4, 750.0),
    _function(Quantity.DC_CURRENT, 0.001, 10, 1e-6, 10.0),
    _function(Quantity.AC_CURRENT, 0.003, 20, 1e-5, 10.0),
    _function(Quantity.JUNCTION_VOLTAGE, 0.0005, 5, 1e-5, 5.0),
    _function(Quantity.CONTINUITY, 0.001, 10, 0.01, 1000.0),
    _function(Quantity.CAPACITANCE, 0.01, 5, 1e-9, 0.01),
    _function(Quantity.FREQUENCY, 1e-4, 2, 0.001, 1e6),
    _function(Quantity.TEMPERATURE, 0.001, 5, 0.1, 600.0),
)
_OHMS_SEGMENTS = ((600.0, 0.1), (6e3, 1.0), (60e3, 10.0), (600e3, 100.0), (6e6, 1e3))
_OHMS_BCD = ((599.999, 0.001), (599_999.0, 1.0))


def _probe(
    name: str, profile: str, adaptor: str, period_s: float, *channels: ChannelSheet
) -> InstrumentSheet:
    return InstrumentSheet(
        name="probe", description=f"{name} (invented)", profile=profile, channels=channels,
        period_s=period_s, aperture_s=min(period_s, 0.4), adaptor=adaptor,
    )  # fmt: skip


def probe(kind: ProbeKind) -> InstrumentSheet | None:
    """The meter in the technician's hand; None for none."""

    def channel(quantity: Quantity, fraction: float, counts: float, ranges: Ranges) -> ChannelSheet:
        full = ranges[-1][0]
        stated = Accuracy(quantity, fraction, counts, ranges[0][1], range=full)
        return ChannelSheet(Role.PROBE, stated, ranges if len(ranges) > 1 else ())

    if kind is ProbeKind.NONE:
        return None
    if kind is ProbeKind.SEGMENTS:
        ohms = channel(Quantity.RESISTANCE, 0.008, 3, _OHMS_SEGMENTS)
        return _probe("multimeter, segment-coded", "simulated-segment-meter", "serial-segments", 0.5, ohms)
    if kind is ProbeKind.PACKED_BCD:
        ohms = channel(Quantity.RESISTANCE, 0.001, 20, _OHMS_BCD)
        return _probe("multimeter, packed BCD", "simulated-bcd-meter", "serial-frame", 0.2, ohms)
    if kind is ProbeKind.SCPI:
        return _probe("bench multimeter, SCPI", "scpi-multimeter:resistance", "scpi", 0.5, *_MULTIMETER)
    if kind is ProbeKind.ESR:
        esr = channel(Quantity.ESR, 0.02, 10, ((99.999, 0.001),))
        farads = channel(Quantity.CAPACITANCE, 0.05, 5, ((0.0099999, 1e-7),))
        return _probe("ESR meter", "simulated-esr-meter", "serial-text", 0.5, esr, farads)
    esr = channel(Quantity.ESR, 0.005, 20, ((3.9999, 1e-4),))
    farads = channel(Quantity.CAPACITANCE, 0.005, 5, ((39_999e-7, 1e-7),))
    if kind is ProbeKind.SCPI_LCR:
        loss = channel(Quantity.DISSIPATION_FACTOR, 0.01, 5, ((99.999, 1e-4),))
        return _probe("bench LCR meter, SCPI", "scpi-lcr-meter", "scpi", 0.5, esr, farads, loss)
    return _probe("LCR meter", "simulated-lcr-meter", "serial-frame", 0.25, esr, farads)
