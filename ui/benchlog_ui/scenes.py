"""Invented runs for the program's own pictures, and for tests without a bench.

Nothing here is measured: an invented unit draws a current of the right shape, and the limit watch itself
judges it, in virtual time. What comes out are the messages of a recorder. Every scene is marked simulated
and invented.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from benchlog.bringup.plan import make_plan, set_up
from benchlog.model.instrument import Accuracy, MeterSheet
from benchlog.model.job import Customer, Job
from benchlog.model.quantity import Quantity
from benchlog.model.reference import Reference, ReferencePoint
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.unit import Fuse, Plate, PlateKind, Unit
from benchlog.model.wave import Waveform

MAINS_V = 120.0
_SHAPE = (
    (0.0, 0.0),
    (0.05, 0.05),
    (0.1, 0.12),
    (0.15, 0.2),
    (0.2, 0.34),
    (0.3, 0.5),
    (0.5, 0.72),
    (1.0, 1.0),
)
_FULL_A = 0.31


@dataclass(frozen=True, slots=True)
class Scene:
    """What is invented: how the unit behaves, which instruments watch it, and where the story stops."""

    name: str
    programmed: bool = True
    time_scale: float = 1.0
    short_ohm: float | None = None
    """A short behind the transformer, as seen from the inlet."""
    runaway: bool = False
    """The bias runs away from half of nominal on."""
    coarse: bool = False
    """A clamp with one turn, which can't judge the low steps."""
    plate_va: float = 300.0
    rails: bool = True
    stop_step: int | None = None
    """Stop the story so many seconds after this step (counted from 0) was arrived at."""
    stop_after_s: float = 9.0
    silent_s: float | None = None
    """The ammeter falls silent so many seconds after that arrival."""
    storing: bool = True
    again: bool = False
    """The window was started again in the middle of it."""
    wave: bool = False
    """A digitiser captured the last switch-on."""
    reference: bool = False
    """Another unit of the model is on file."""
    soak_s: float = 0.0


SCENES = (
    Scene("middle", time_scale=20.0, stop_step=5),
    Scene("completed"),
    Scene("rail-short", short_ohm=13.0),
    Scene("runaway", runaway=True),
    Scene(
        "cannot-judge",
        coarse=True,
        plate_va=80.0,
        programmed=False,
        rails=False,
        stop_step=1,
        stop_after_s=21.0,
    ),
    Scene("hand-set", programmed=False, short_ohm=13.0),
    Scene("hand-set-turning", programmed=False, stop_step=3, stop_after_s=20.5, rails=False),
    Scene("stale", stop_step=4, silent_s=8.0, stop_after_s=8.8),
    Scene("not-stored", stop_step=4, storing=False),
    Scene("started-again", stop_step=5, again=True),
    Scene("switch-on", stop_step=6, wave=True, reference=True),
)

SOAK = Scene("soak", stop_step=10, stop_after_s=380.0, soak_s=600.0)
"""In the middle of a soak; longer to tell than the others, and told for its stage alone."""


def named(name: str) -> Scene:
    """A scene by its name."""
    return next(s for s in SCENES if s.name == name)


def job(plate_va: float = 300.0) -> Job:
    """The invented job."""
    unit = Unit(
        mains_v=MAINS_V,
        plate=Plate(PlateKind.VOLT_AMPERES, plate_va),
        fuse=Fuse("T3.15AL250V", 3.15, "T", "L"),
        protective_earth=False,
        model_text="integrated amplifier",
        serial="0000",
    )
    return Job(
        number="J-014",
        customer=Customer("invented"),
        complaint="blows its fuse",
        unit=unit,
        simulated=True,
        invented=True,
    )


def setup(scene: Scene) -> RunSetup:
    """What the limit watch of a scene is set up with."""
    unit = job(scene.plate_va).unit
    assert unit is not None
    sheets = {
        Role.SOURCE_CURRENT: _ammeter(scene.coarse),
        Role.INLET_VOLTAGE: MeterSheet((Accuracy(Quantity.AC_VOLTAGE, 0.005, 2, 0.1),)),
        Role.SOURCE: MeterSheet(rated_current_a=10.0, rated_voltage_v=130.0),
    }
    period_s = 0.4 if scene.coarse else 0.1
    roles = [Role.SOURCE_CURRENT, Role.INLET_VOLTAGE]
    if scene.rails:
        roles += [Role.RAIL_PLUS, Role.RAIL_MINUS, Role.OUTPUT_DC, Role.SOURCE_POWER]
    reference = _reference() if scene.reference else None
    plan = make_plan(unit, sheets, roles, hand_set=not scene.programmed, reference=reference)
    return set_up(
        plan,
        unit,
        sheets,
        dict.fromkeys(roles, period_s),
        hand_set=not scene.programmed,
        time_scale=scene.time_scale,
        soak_s=scene.soak_s,
        reference=reference,
    )


def _reference() -> Reference:
    """An invented unit of the model."""
    points = [ReferencePoint(v, idle_a(v) * 0.96, idle_a(v) * 1.2) for v in (0.05, 0.1, 0.2, 0.4, 0.65, 1.0)]
    return Reference("J-009, invented", MAINS_V, tuple(points), invented=True)


def waveform() -> Waveform:
    """An invented switch-on at 60 Hz: a core that saturates, then charging pulses that decay to idle."""
    t = np.arange(8000) / 10_000.0
    phase = 2.0 * np.pi * 60.0 * (t - 0.021) + 0.6
    on = t >= 0.021
    decay = np.exp(-np.clip(t - 0.021, 0.0, None) / 0.028)
    pulse = np.sign(np.sin(phase)) * np.abs(np.sin(phase)) ** 5
    current = pulse * (0.42 + 7.5 * decay) + 5.0 * decay * np.clip(np.sin(phase), 0.0, None) ** 3
    return Waveform(np.where(on, 78.0 * 2**0.5 * np.sin(phase), 0.0), np.where(on, current, 0.0), 10_000.0)


def _ammeter(coarse: bool) -> MeterSheet:
    if coarse:
        return MeterSheet((Accuracy(Quantity.AC_CURRENT, 0.02, 5, 0.01, least=0.05),))
    return MeterSheet((Accuracy(Quantity.AC_CURRENT, 0.003, 10, 0.001),))


def idle_a(fraction: float) -> float:
    """Settled current of the invented unit at a fraction of nominal, in A."""
    for (x0, y0), (x1, y1) in pairwise(_SHAPE):
        if fraction <= x1:
            return _FULL_A * (y0 + (y1 - y0) * (fraction - x0) / (x1 - x0))
    return _FULL_A


def current_a(scene: Scene, volts: float, since_s: float) -> float:
    """What the unit draws ``since_s`` seconds after the voltage last rose, in A."""
    fraction = volts / MAINS_V
    settled = idle_a(fraction) * (scene.plate_va / 300.0) * (1.0 + 0.06 * math.exp(-since_s / 3.0))
    switch_on = (0.9 * fraction + 0.05) * (scene.plate_va / 300.0) * math.exp(-since_s / 0.22)
    if scene.short_ohm is not None:
        settled += volts / scene.short_ohm
    if scene.runaway and fraction >= 0.48:
        settled *= math.exp(max(since_s - 18.0, 0.0) / 130.0)
    return settled + (switch_on if volts > 1.0 else 0.0)


def rail_v(scene: Scene, volts: float) -> float:
    """Voltage of a rail at an inlet voltage."""
    return max(volts * 0.405 - 1.4, 0.0) * (0.12 if scene.short_ohm is not None else 1.0)
