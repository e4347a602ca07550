"""Puts a simulated bench together from its options: for the servers and, in virtual time, for populations."""

import math
import zlib
from dataclasses import dataclass, replace
from datetime import date, timedelta

import msgspec

from benchlog.bench.file import Bench, InstrumentConfig, Simulation
from benchlog.model.instrument import Accuracy, Earth, MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.unit import Unit
from benchlog_drivers.simulated.bench import TICK_S, SimulatedBench, Wander
from benchlog_drivers.simulated.contactor import HOLD_S, SimulatedContactor
from benchlog_drivers.simulated.digitiser import Digitiser
from benchlog_drivers.simulated.feed import SoundFeed, stated_inputs
from benchlog_drivers.simulated.hand import Hand
from benchlog_drivers.simulated.meters import Probe, SimulatedMeter
from benchlog_drivers.simulated.options import ContactorKind, SimulateOptions, SourceKind, instrument_names
from benchlog_drivers.simulated.population import draw_unit
from benchlog_drivers.simulated.population_plate import wire_of
from benchlog_drivers.simulated.power_meter import POWER_METER_IDENTITY
from benchlog_drivers.simulated.sheets import (
    BENCH_AMMETER,
    BENCH_VOLTMETER,
    WATTMETER,
    ChannelSheet,
    InstrumentSheet,
    MeterKind,
    instruments,
)
from benchlog_drivers.simulated.sheets import probe as probe_sheet
from benchlog_drivers.simulated.source import REGULATION, ProgrammedSource, dial_full_scale, programmed_rating
from benchlog_drivers.simulated.trouble import TroubleBox
from benchlog_drivers.simulated.unit import SimulatedUnit
from benchlog_drivers.simulated.unit_params import SourceImpedance, UnitParams, variable_transformer

ISOLATING_VA = 1000.0
ISOLATING_REGULATION = 0.04
"""An isolating transformer of 1 kVA behind the variable transformer (usual figure, ours)."""
_PROGRAMMED_OHM = 0.1
SOUND_HZ = 48_000
"""Samples a second of the simulated audio interface."""
_CALIBRATED_FOR_DAYS = 365


def _calibration_due() -> str:
    """A year from today: a simulated instrument is never overdue by itself."""
    return (date.today() + timedelta(days=_CALIBRATED_FOR_DAYS)).isoformat()


@dataclass(frozen=True, slots=True)
class Made:
    """A bench that was put together."""

    bench: SimulatedBench
    physics: SimulatedUnit
    unit: Unit
    """What a technician would know of the unit."""
    params: UnitParams
    sheets: tuple[InstrumentSheet, ...]
    """One for each of the bench's meters, in order; without the source's own measurement."""
    boxes: dict[str, TroubleBox]
    """Troubles by the instrument's name."""
    own_meter: SimulatedMeter | None
    """The programmed source's own measurement, begun on demand."""
    probe: Probe
    """What the meter in the technician's hand touches."""


def source_meter_sheet() -> InstrumentSheet:
    """What a programmed source measures of itself, begun on demand, over 0.1 s."""
    return InstrumentSheet(
        name="source",
        description="programmable AC source (invented)",
        profile="simulated-ac-source",
        channels=(
            ChannelSheet(Role.INLET_VOLTAGE, BENCH_VOLTMETER),
            ChannelSheet(Role.SOURCE_CURRENT, BENCH_AMMETER),
            ChannelSheet(Role.SOURCE_POWER, WATTMETER),
        ),
        period_s=0.1,
        aperture_s=0.1,
        crest_factor=5.0,
        adaptor="scpi",
    )


def mains_hz(options: SimulateOptions) -> float:
    """Frequency of the mains: 60 Hz up to 130 V, else 50 Hz."""
    return 60.0 if options.mains_v <= 130.0 else 50.0


def source_impedance(options: SimulateOptions) -> SourceImpedance:
    """What lies ahead of the unit: a stiff programmed source, or variable and isolating transformer."""
    if options.source is SourceKind.PROGRAMMED:
        scale = (options.mains_v / 120.0) ** 2
        return SourceImpedance(_PROGRAMMED_OHM * scale, 5e-5 * scale)
    return variable_transformer(options.mains_v).behind_isolating_transformer(
        ISOLATING_VA, options.mains_v, ISOLATING_REGULATION
    )


def make_bench(options: SimulateOptions, served: bool = False) -> Made:
    """Unit, source, hand and meters of the options, at zero seconds. The same for the same options.

    ``served``: an audio interface gives its samples, as it does over a line; in virtual time it gives half
    cycles.
    """
    params, unit = draw_unit(
        options.amplifier, options.supply, options.core, options.mains_v, options.seed, options.rated_va
    )
    params, unit = _as_ordered(params, unit, options)
    physics = SimulatedUnit(
        params, options.fault, options.fault_at_s, options.lamp_w, source_impedance(options)
    )
    sheets = instruments(options.meters, options.turns, mains_hz(options))
    heard = served and options.meters is MeterKind.AUDIO
    boxes = {name: _box(name, options) for name in instrument_names(options)}
    seed = options.seed
    meters = tuple(
        SimulatedMeter(sheet, seed, _phase(sheet, seed), boxes[sheet.name])
        for sheet in sheets
        if not (heard and sheet.adaptor == "audio")
    )
    sound = SoundFeed(SOUND_HZ, seed, boxes["ears"]) if heard else None
    digitiser = Digitiser(seed) if options.meters is MeterKind.DIGITISER else None
    hold_s = HOLD_S * options.time_scale
    contactor = SimulatedContactor(hold_s) if "contactor" in boxes else None
    probe, held = Probe(), probe_sheet(options.probe)
    if held is not None:
        asked = held.adaptor == "scpi"
        meters = (*meters, SimulatedMeter(held, seed, 0.0, boxes[held.name], asked, probe))
    if options.source is SourceKind.PROGRAMMED:
        source = ProgrammedSource(programmed_rating(options.mains_v))
        own = SimulatedMeter(source_meter_sheet(), seed, 0.0, boxes["source"], on_demand=True)
        meters = (*meters, own)
        bench = SimulatedBench(physics, meters, source, None, None, digitiser, contactor, sound)
        return Made(bench, physics, unit, params, sheets, boxes, own, probe)
    hand = Hand(options.hand, dial_full_scale(options.mains_v), options.mains_v, seed)
    wander = Wander(options.wander, seed)
    bench = SimulatedBench(physics, meters, None, hand, wander, digitiser, contactor, sound)
    return Made(bench, physics, unit, params, sheets, boxes, None, probe)


def _as_ordered(params: UnitParams, unit: Unit, options: SimulateOptions) -> tuple[UnitParams, Unit]:
    """The drawn unit with what was ordered: plate, fuse, what the maker's papers say of its idle."""
    given = {name: getattr(options, name) for name in ("plate", "fuse", "idle_w", "idle_a")}
    unit = msgspec.structs.replace(unit, **{name: one for name, one in given.items() if one is not None})
    if options.fuse is not None:
        params = replace(params, fuse=wire_of(options.fuse))
    return params, unit


def _box(name: str, options: SimulateOptions) -> TroubleBox:
    return TroubleBox(tuple(one for one in options.troubles if one.instrument == name))


def _phase(sheet: InstrumentSheet, seed: int) -> float:
    """Meters don't begin together: a whole number of ticks within the period, by seed and name."""
    ticks = max(1, math.floor(sheet.period_s / TICK_S + 0.5))
    return TICK_S * (zlib.crc32(f"{seed}/{sheet.name}".encode()) % ticks)


def bench_file(
    options: SimulateOptions,
    connections: dict[str, str] | None = None,
    control: str = "",
    unit: Unit | None = None,
) -> Bench:
    """The bench file of such a bench: what a technician would know of the instruments and the unit.

    ``connections`` by the instrument's name; without them the file serves virtual time only.
    """
    there = connections or {}
    sheets = instruments(options.meters, options.turns, mains_hz(options))
    entries = [_source_entry(options, there, control)]
    entries += [_meter_entry(sheet, there.get(sheet.name, ""), mains_hz(options)) for sheet in sheets]
    if options.meters is MeterKind.DIGITISER:
        entries.append(_digitiser_entry(there.get("digitiser", "")))
    held = probe_sheet(options.probe)
    if held is not None:
        entries.append(_meter_entry(held, there.get(held.name, ""), mains_hz(options)))
    if options.contactor is not ContactorKind.NONE:
        entries.append(_contactor_entry(options.contactor, there.get("contactor", "")))
    return Bench(
        name="simulated bench (invented)",
        instrument=tuple(entries),
        mains_v=options.mains_v,
        lamp_w=options.lamp_w,
        simulated=Simulation(time_scale=options.time_scale, control=control),
        unit=unit,
    )


def _source_entry(options: SimulateOptions, there: dict[str, str], control: str) -> InstrumentConfig:
    if options.source is SourceKind.HAND_SET:
        rating = programmed_rating(options.mains_v)
        return InstrumentConfig(
            name="dial",
            adaptor="hand-set",
            roles=(Role.SOURCE,),
            connection=control,
            description="variable transformer with isolating transformer (invented)",
            serial_number="SIM-D1",
            earth=Earth.FLOATING,
            sheet=MeterSheet(
                rated_current_a=rating.current_a,
                rated_voltage_v=dial_full_scale(options.mains_v),
                regulation=_regulation(options, rating.current_a),
            ),
        )
    rating = programmed_rating(options.mains_v)
    return InstrumentConfig(
        name="source",
        adaptor="scpi",
        roles=(Role.SOURCE,),
        connection=there.get("source", ""),
        profile="simulated-ac-source",
        description="programmable AC source (invented)",
        serial_number="SIM-S1",
        calibration_due=_calibration_due(),
        earth=Earth.FLOATING,
        sheet=MeterSheet(
            accuracy=(Accuracy(Quantity.AC_VOLTAGE, 0.002, 1, 0.1, range=rating.voltage_v),),
            rated_current_a=rating.current_a,
            rated_voltage_v=rating.voltage_v,
            regulation=REGULATION,
        ),
    )


def _regulation(options: SimulateOptions, rated_a: float) -> float:
    """What dial and isolating transformer give way by at rated current, of nominal; rounded up to 1 %."""
    ohms = source_impedance(options).ohm
    return math.ceil(100.0 * ohms * rated_a / options.mains_v) / 100.0


def _meter_entry(sheet: InstrumentSheet, connection: str, mains_hz: float) -> InstrumentConfig:
    listens = sheet.adaptor == "audio"
    return InstrumentConfig(
        name=sheet.name,
        adaptor=sheet.adaptor,
        roles=tuple(dict.fromkeys(channel.role for channel in sheet.channels)),
        connection=connection,
        profile=sheet.profile,
        description=sheet.description,
        serial_number=serial_number(sheet),
        calibration_due=_calibration_due(),
        earth=Earth.EARTHED if listens else Earth.FLOATING,
        sheet=sheet.meter_sheet(),
        audio=stated_inputs(SOUND_HZ, mains_hz) if listens else None,
    )


def _digitiser_entry(connection: str) -> InstrumentConfig:
    return InstrumentConfig(
        name="digitiser",
        adaptor="digitiser",
        roles=(Role.WAVEFORM,),
        connection=connection,
        profile="simulated-digitiser",
        description="two-channel digitiser (invented)",
        serial_number="SIM-W1",
        calibration_due=_calibration_due(),
        earth=Earth.FLOATING,
    )


def _contactor_entry(kind: ContactorKind, connection: str) -> InstrumentConfig:
    return InstrumentConfig(
        name="contactor",
        adaptor="contactor",
        roles=(Role.CUT_OFF,),
        connection=connection,
        profile=f"simulated-contactor-{kind.value}",
        description="cut-off contactor (invented)",
        serial_number="SIM-C1",
        earth=Earth.FLOATING,
    )


def serial_number(sheet: InstrumentSheet) -> str:
    """Serial number of a simulated meter, as the meter tells it where it can."""
    if sheet.adaptor == "modbus":
        return POWER_METER_IDENTITY
    return f"SIM-{sheet.name.upper()}-1"
