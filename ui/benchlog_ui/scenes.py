"""Invented runs as the messages of a recorder: for the program's own pictures and for tests without a bench.

Nothing here is measured. Currents follow the shape of a 300 VA class AB unit on a linear supply with a
toroid; every scene is marked simulated and invented.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from benchlog.model.clock import US
from benchlog.model.event import Ended, Instruct, Judged, Marked, Said, SetSource, StepDone, SwitchOff
from benchlog.model.job import Customer, Job
from benchlog.model.limit import Confidence, Limit
from benchlog.model.protocol import (
    Hello,
    LimitsNow,
    Live,
    Point,
    PowerState,
    RunClosed,
    SaidNow,
    StorageState,
    ToWindow,
)
from benchlog.model.step import DecidedBy, Outcome, Step, StepRecord, StepVerdict
from benchlog.model.unit import Fuse, Plate, PlateKind, Unit

MAINS_V = 120.0
FRACTIONS = (0.05, 0.10, 0.15, 0.20, 0.30, 0.40, 0.50, 0.65, 0.80, 0.90, 1.00)
_IDLE = (
    (0.0, 0.05),
    (0.05, 0.12),
    (0.10, 0.23),
    (0.15, 0.37),
    (0.2, 0.46),
    (0.3, 0.6),
    (0.5, 0.76),
    (1.0, 1.0),
)
_FULL_A = 0.46
_PLATE = "nameplate 300 VA"


@dataclass(frozen=True, slots=True)
class Scene:
    """What is invented: how the unit behaves, with which source, and where the story stops."""

    name: str
    programmed: bool = True
    time_scale: float = 1.0
    short_ohm: float | None = None
    """A short behind the transformer, as seen from the inlet."""
    runaway_from: float | None = None
    """Fraction of nominal from which the current runs away."""
    coarse: bool = False
    """A clamp that can't judge the low steps."""
    rails: bool = True
    upto: int = len(FRACTIONS)
    """Number of steps before the story stops in mid-step."""
    silent_meter: bool = False
    storing: bool = True
    near_zero: bool = False
    dwell_s: float = 16.0
    noise: float = 0.004


def _between(v: float, table: Sequence[tuple[float, float]]) -> float:
    for (x0, y0), (x1, y1) in pairwise(table):
        if v <= x1:
            return y0 + (y1 - y0) * (v - x0) / (x1 - x0)
    return table[-1][1]


def idle_a(fraction: float) -> float:
    """Idle current of the invented unit at a fraction of nominal, in A."""
    return _FULL_A * _between(fraction, _IDLE) * 0.55


def limits_at(fraction: float) -> tuple[float, float]:
    """Acceptance and stop limit of the invented unit, in A."""
    acceptance = max(1.25 * _FULL_A * _between(fraction, _IDLE) * 0.9, 0.05)
    return acceptance, acceptance * 1.5


def steps(coarse: bool = False) -> tuple[Step, ...]:
    """The plan of the scenes."""
    made = []
    for fraction in FRACTIONS:
        acceptance, stop = limits_at(fraction)
        judgeable = not coarse or acceptance > 0.13
        made.append(
            Step(
                fraction,
                round(fraction * MAINS_V, 1),
                Limit("acceptance", acceptance, "A", _PLATE, Confidence.OURS),
                Limit("stop", stop, "A", f"1.5 × acceptance, {_PLATE}", Confidence.OURS),
                judgeable,
                "" if judgeable else "5 turns of the conductor through the clamp would do.",
            )
        )
    return tuple(made)


def job() -> Job:
    """The invented job."""
    unit = Unit(
        mains_v=MAINS_V,
        plate=Plate(PlateKind.VOLT_AMPERES, 300.0),
        fuse=Fuse("T3.15AL250V", 3.15, "T", "L"),
        model_text="integrated amplifier (invented)",
    )
    return Job(
        number="J-014",
        customer=Customer("invented"),
        complaint="blows its fuse",
        unit=unit,
        simulated=True,
        invented=True,
    )


@dataclass(slots=True)
class Teller:
    """Tells a scene message by message, on the session's own time."""

    scene: Scene
    t_us: int = 2 * US
    volts: float = 0.0
    _count: int = 0

    def tell(self) -> Iterator[ToWindow]:
        """All messages of the scene, in order."""
        yield self._hello()
        yield StorageState(self.scene.storing, "" if self.scene.storing else "the disk does not answer")
        yield PowerState(False, False, False)
        plan = steps(self.scene.coarse)
        for number, step in enumerate(plan[: self.scene.upto]):
            yield from self._step(number, step)
            if self._ended:
                return
        if self.scene.upto == len(FRACTIONS):
            yield from self._completed()
        else:
            yield from self._middle(plan)

    _ended: bool = False

    def _hello(self) -> Hello:
        s = self.scene
        return Hello(
            "invented.benchlog", job(), steps(s.coarse), MAINS_V, s.programmed, True, s.time_scale, self.t_us
        )

    def _said(self, said: Said) -> SaidNow:
        return SaidNow(self.t_us, said)

    def _step(self, number: int, step: Step) -> Iterator[ToWindow]:
        if self.scene.programmed:
            yield self._said(SetSource(step.set_v))
            text = f"Wait: the source goes to {step.set_v:g} V"
        else:
            text = f"Turn the source to {step.set_v:g} V"
        yield self._said(Instruct(text, step.set_v))
        yield PowerState(True, False, False)
        yield from self._raise(step)
        yield self._said(Marked("arrival", "", number))
        yield from self._inrush(number, step)
        yield self._said(Instruct(f"Wait: still settling at {step.set_v:g} V"))
        yield self._said(Judged(number, StepVerdict.WAIT, "still settling", rule="settling"))
        if self._shorted(step):
            yield from self._cut(number, step)
            return
        yield from self._readings(self.scene.dwell_s, step.fraction)
        if self.scene.runaway_from is not None and step.fraction >= self.scene.runaway_from:
            yield from self._run_away(number, step)
            return
        yield from self._leave(number, step)

    def _shorted(self, step: Step) -> bool:
        return self._current(step.fraction) > limits_at(step.fraction)[1]

    def _current(self, fraction: float) -> float:
        current = idle_a(fraction)
        if self.scene.short_ohm is not None:
            current += fraction * MAINS_V / self.scene.short_ohm
        return current

    def _raise(self, step: Step) -> Iterator[ToWindow]:
        start, ticks = self.volts, 4 if self.scene.programmed else 22
        for tick in range(1, ticks + 1):
            self.volts = start + (step.set_v - start) * tick / ticks
            yield from self._tick(self._current(self.volts / MAINS_V) * 1.05)

    def _inrush(self, number: int, step: Step) -> Iterator[ToWindow]:
        settled = self._current(step.fraction)
        for tick in range(30):
            yield from self._tick(settled + (0.55 * step.fraction + 0.22) * math.exp(-tick / 2.2))
        yield self._said(Marked("window-closed", "", number))

    def _readings(self, duration_s: float, fraction: float) -> Iterator[ToWindow]:
        for _ in range(int(duration_s * 10)):
            yield from self._tick(self._current(fraction))

    def _tick(self, current_a: float) -> Iterator[ToWindow]:
        """A tenth of a second: one reading of each channel, and the limits."""
        self.t_us += US // 10
        self._count += 1
        wobble = 1 + self.scene.noise * math.sin(self._count * 12.9898) * math.cos(self._count * 4.1414)
        fraction = self.volts / MAINS_V
        points = [Point("inlet-voltage", self.t_us, round(self.volts * (1 + (wobble - 1) / 4), 2))]
        if not (self.scene.silent_meter and self._count > 880):
            digits = 2 if self.scene.coarse else 3
            points.append(Point("source-current", self.t_us, round(current_a * wobble, digits)))
        if self.scene.rails:
            points += self._rail_points(current_a, wobble)
        acceptance, stop = limits_at(fraction)
        yield Live(self.t_us, tuple(points))
        yield LimitsNow(fraction, acceptance, _PLATE, stop, "1.5 × acceptance")

    def _rail_points(self, current_a: float, wobble: float) -> list[Point]:
        rail = max(self.volts * 0.405 - 1.4, 0.0)
        if self.scene.short_ohm is not None:
            rail *= 0.12
        power = self.volts * current_a * 0.58
        return [
            Point("rail-plus", self.t_us, round(rail * wobble, 2)),
            Point("rail-minus", self.t_us, round(-rail * wobble, 2)),
            Point("output-dc", self.t_us, round(0.012 * wobble * min(rail / 5, 1), 4)),
            Point("source-power", self.t_us, round(power * wobble, 1)),
        ]

    def _record(self, number: int, step: Step) -> StepRecord:
        acceptance, stop = limits_at(step.fraction)
        current = self._current(step.fraction)
        u = 0.03 if self.scene.coarse else 0.004 + 0.012 * current
        verdict = StepVerdict.GO_UP if step.judgeable else StepVerdict.CANNOT_JUDGE
        ahead = FRACTIONS[number + 1] if number + 1 < len(FRACTIONS) else None
        middle = idle_a(ahead) if ahead is not None else 0.0
        return StepRecord(
            step.fraction, step.set_v, self.volts, current + 0.6 * step.fraction + 0.2, True, current, u,
            acceptance, _PLATE, stop, "1.5 × acceptance", verdict,
            DecidedBy.PROGRAM if step.judgeable else DecidedBy.TECHNICIAN,
            "settled, with U below acceptance" if step.judgeable else "went on: low voltage",
            14.2, (middle * 0.86, middle, middle * 1.18) if ahead is not None else None,
        )  # fmt: skip

    def _leave(self, number: int, step: Step) -> Iterator[ToWindow]:
        record = self._record(number, step)
        reason = record.decision_reason if step.judgeable else "U is more than half of the acceptance limit"
        yield self._said(Judged(number, record.verdict, reason, rule="settled"))
        if record.forecast_next_a is not None and step.judgeable:
            low, _, high = record.forecast_next_a
            text = (
                f"Go up to {FRACTIONS[number + 1] * MAINS_V:g} V: {low:.2f} to {high:.2f} A expected "
                "if nothing new wakes up"
            )
            yield self._said(Instruct(text, FRACTIONS[number + 1] * MAINS_V))
        elif not step.judgeable:
            yield self._said(Instruct(f"Can't judge {step.set_v:g} V with this clamp: {step.remedy}"))
        stays = number + 1 == self.scene.upto < len(FRACTIONS)
        if not stays:
            yield self._said(StepDone(number, record))

    def _middle(self, plan: tuple[Step, ...]) -> Iterator[ToWindow]:
        last = plan[self.scene.upto - 1]
        if self.scene.silent_meter:
            reason = "the source-current meter is silent; the source goes off if it stays so"
            yield self._said(Judged(self.scene.upto - 1, StepVerdict.WAIT, reason, rule="stale"))
            yield self._said(Instruct("Wait: no reading of the source current", urgent=True))
        yield from self._readings(2.0, last.fraction)

    def _completed(self) -> Iterator[ToWindow]:
        yield from self._readings(6.0, 1.0)
        reason = "settled at 120 V; every step was judged to go up by the program"
        yield self._said(SwitchOff(reason, latched=False))
        yield from self._falling()
        yield PowerState(False, False, True)
        yield self._said(Ended(Outcome.COMPLETED, reason))
        yield RunClosed(Outcome.COMPLETED, reason, "J-014.pdf")

    def _falling(self) -> Iterator[ToWindow]:
        """The source is away: current gone at once, rails fall slowly."""
        top = max(self.volts * 0.405 - 1.4, 0.0) * (0.12 if self.scene.short_ohm is not None else 1.0)
        self.volts = 0.0
        for tick in range(50):
            self.t_us += US // 10
            rail = top * math.exp(-tick / 160)
            points = [Point("inlet-voltage", self.t_us, 0.02), Point("source-current", self.t_us, 0.0)]
            if self.scene.rails:
                points += [
                    Point("rail-plus", self.t_us, round(rail, 3)),
                    Point("rail-minus", self.t_us, round(-rail * 0.97, 3)),
                ]
            yield Live(self.t_us, tuple(points))

    def _cut(self, number: int, step: Step) -> Iterator[ToWindow]:
        yield from self._readings(0.4, step.fraction)
        current = self._current(step.fraction)
        reason = (
            f"{current:.2f} A at {step.set_v:g} V, like {step.set_v / current:.0f} Ω: "
            "a short behind the transformer"
        )
        yield from self._take_away(number, step, reason, "stop-limit")

    def _run_away(self, number: int, step: Step) -> Iterator[ToWindow]:
        here = self._current(step.fraction)
        for tick in range(280):
            yield from self._tick(here * (1 + 0.42 * (math.exp(tick / 280) - 1)))
        reason = f"the current rose by 14 % in 30 s at {step.set_v:g} V: bias runs away"
        yield from self._take_away(number, step, reason, "rise-30s")

    def _take_away(self, number: int, step: Step, reason: str, rule: str) -> Iterator[ToWindow]:
        yield self._said(Judged(number, StepVerdict.CUT_OFF, reason, rule=rule))
        yield self._said(SwitchOff(reason, latched=True))
        record = replace_record(self._record(number, step), reason)
        yield self._said(StepDone(number, record))
        self._ended = True
        if self.scene.programmed:
            yield self._said(Instruct(f"Cut off. {reason[0].upper()}{reason[1:]}", urgent=True))
            yield from self._falling()
            yield PowerState(False, True, True)
            yield self._said(Ended(Outcome.CUT_OFF, reason, step.fraction, step.fraction))
            return
        yield self._said(Instruct("Bench switch off. Dial to zero. Unplug.", 0.0, urgent=True))
        yield PowerState(True, True, False)
        yield from self._readings(1.2, step.fraction)
        if self.scene.near_zero:
            yield from self._falling()
            yield PowerState(False, True, True)
        yield self._said(Ended(Outcome.ALARMED, reason, step.fraction, step.fraction))


def replace_record(record: StepRecord, reason: str) -> StepRecord:
    """The record of a step at which the source was cut off."""
    import msgspec

    return msgspec.structs.replace(
        record,
        verdict=StepVerdict.CUT_OFF,
        decision_reason=reason,
        decided_by=DecidedBy.PROGRAM,
        forecast_next_a=None,
    )


SCENES = (
    Scene("middle", time_scale=20.0, upto=6),
    Scene("completed"),
    Scene("rail-short", short_ohm=13.0),
    Scene("runaway", runaway_from=0.5),
    Scene("cannot-judge", coarse=True, programmed=False, rails=False, upto=2),
    Scene("hand-set", programmed=False, short_ohm=13.0),
    Scene("hand-set-turning", programmed=False, upto=4, rails=False),
    Scene("stale", upto=5, silent_meter=True),
    Scene("not-stored", upto=5, storing=False),
)
