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
    DIGITISER = "digitiser"
    """The bench meter, and a digitiser with the true waveform beside it."""


class ChannelSheet(msgspec.Struct, frozen=True):
    """One channel of an instrument: the part it plays and what its maker states of it."""

    role: Role
    accuracy: Accuracy
    ranges: tuple[float, ...] = ()
    """Full scales of an autoranging channel, smallest first; the count goes with them."""

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
    streaming: bool = True
    """Sends by itself over a serial line; otherwise it is asked over a socket."""

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

_HANDHELD_S = 0.4
_BENCH_S = 0.1


def _handheld(
    name: str, description: str, role: Role, accuracy: Accuracy, ranges: tuple[float, ...] = ()
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


def _ammeter(description: str, accuracy: Accuracy, ranges: tuple[float, ...] = ()) -> InstrumentSheet:
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
        streaming=False,
    )


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
        return _ammeter("autoranging multimeter (invented)", HANDHELD_AMMETER, (0.4, 4.0, 10.0))
    meter = _ammeter("hand-held multimeter (invented)", HANDHELD_AMMETER)
    return replace(meter, auto_power_off_min=15.0) if kind is MeterKind.SWITCHES_OFF else meter


def instruments(kind: MeterKind, turns: int = 1) -> tuple[InstrumentSheet, ...]:
    """The instruments of a bench with this kind of current meter.

    ``turns`` of the conductor through a clamp.
    """
    if kind in (MeterKind.BENCH, MeterKind.DIGITISER):
        return (_bench_meter(),)
    voltmeter = _handheld("voltmeter", "hand-held voltmeter (invented)", Role.INLET_VOLTAGE, VOLTMETER)
    return (_current_meter(kind, turns), voltmeter)
