"""Follows a supply through time: waveform after a change, then jumps, then a held steady state.

After every change the waveform is computed cycle by cycle. Where successive cycles approach their end
geometrically, several are jumped at once; when less than half a percent of the mean square current is left to
change, the rates are held. Held rates move linearly with the load's drift (bias, heaters, forming) and with
slow changes of the source's voltage, until either has gone too far; then waveform renews them. A DC offset of
the flux dies away meanwhile.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Generic, Protocol, Self, TypeVar

from benchlog_drivers.simulated.physics_offset import FluxOffset
from benchlog_drivers.simulated.physics_trace import Rates, merge

CYCLE_BLOCKS = 16
BIG_CHANGE, SMALL_CHANGE = 6, 2
"""Cycles of waveform at least, after a change from outside."""

_LEFT = 0.004
"""Remaining relative change of the mean square current below which the rates are held."""
_STATE_LEFT = 0.002
"""Remaining relative change of the slow electrical states below which the rates are held."""
_FIRST_DRIFT, _DRIFT = 0.012, 0.06
"""Drift of the load at which held rates are renewed: without and with a known slope."""
_HASTE = 0.001
"""Drift within one cycle at which nothing is held."""
_SIDE = 0.02
"""Relative change of the source's voltage that held rates follow by themselves."""
_CREEP_PER_S = 0.02
"""Relative change of the source's voltage per second that counts as slow."""


class Circuit(Protocol):
    """A supply at waveform level."""

    block_s: float
    peak_v: float
    settling: int
    """How many of the states, the first ones, must have settled before anything is held."""

    def run(self, blocks: int, before_block: Callable[[Self], None]) -> Rates: ...  # noqa: D102
    def twin(self) -> Self: ...  # noqa: D102
    def states(self) -> tuple[float, ...]: ...  # noqa: D102
    def scales(self) -> tuple[float, ...]: ...  # noqa: D102
    def project(self, changes: tuple[float, ...]) -> None: ...  # noqa: D102
    def move_rails(self, plus_v: float, minus_v: float) -> None: ...  # noqa: D102
    def retune(self, factor: float) -> None: ...  # noqa: D102
    def offset(self, rates: Rates, dc_shift_a: float, shift: tuple[float, ...]) -> FluxOffset: ...  # noqa: D102
    def move_offset(self, offset: FluxOffset) -> None: ...  # noqa: D102
    def may_hold(self, rates: Rates) -> bool: ...  # noqa: D102
    def may_jump(self) -> bool: ...  # noqa: D102
    def warm(self, seconds: float, square_a2: float) -> None: ...  # noqa: D102
    def series_w(self, rates: Rates) -> float: ...  # noqa: D102


C = TypeVar("C", bound=Circuit)


@dataclass(slots=True)
class _Held:
    """A steady state: its rates, how they move with drift, and the steady states at voltages beside it."""

    rates: Rates
    demand_w: float
    before: Rates | None
    before_drift: float
    """Drift of this state as seen from the one before."""
    offset: FluxOffset
    seconds: float = 0.0
    """Held since."""
    tune: float = 0.0
    """Relative change of the source's voltage since."""
    tuned_s: float = 0.0
    """When the source's voltage last changed."""
    low: Rates | None = None
    high: Rates | None = None

    def allowed(self) -> float:
        """Drift up to which the rates may be moved linearly."""
        if self.before is None:
            return _FIRST_DRIFT
        return min(_DRIFT, max(_FIRST_DRIFT, 3.0 * abs(self.before_drift)))

    def now(self, drift: float) -> Rates:
        rates = self.rates
        if self.before is not None:
            rates = rates.moved(rates, self.before, -drift / self.before_drift)
        side = self.high if self.tune > 0.0 else self.low
        if side is not None:
            rates = rates.moved(self.rates, side, abs(self.tune) / _SIDE)
        dc = self.offset.dc_a
        square = max(0.0, rates.i2 - self.rates.i_dc**2 + dc**2)
        peak = self.rates.peak_a * math.sqrt(square / self.rates.i2) if self.rates.i2 > 0.0 else 0.0
        power = min(rates.power_w, math.sqrt(square * rates.v2))
        return replace(rates, i_dc=dc, i2=square, peak_a=peak, power_w=power)


class _Approach:
    """The last cycles, and by what ratio each slow quantity approaches its end."""

    def __init__(self, least_cycles: int) -> None:
        self.to_go = least_cycles
        self.ratios: tuple[float, ...] | None = None
        """By how much each change shrank from cycle to cycle, as it came out."""
        self._last: tuple[float, ...] | None = None
        self._rates: Rates | None = None
        self._previous: Rates | None = None
        self.shift: tuple[float, ...] | None = None
        """Change over the last cycle: mean square current without DC, then the states."""
        self.drift = 0.0

    def add(self, rates: Rates, states: tuple[float, ...], drift: float) -> None:
        """Take a cycle's rates and end states; ``drift`` is the load's own relative change over it."""
        self.drift = abs(drift)
        now = (rates.i2 - rates.i_dc**2, *states)
        self.to_go -= 1
        before, last, self._last = self.shift, self._last, now
        self._previous, self._rates = self._rates, rates
        if last is None:
            return
        self.shift = tuple(a - b for a, b in zip(now, last, strict=True))
        if before is not None:
            self.ratios = tuple(a / b if b != 0.0 else 0.0 for a, b in zip(self.shift, before, strict=True))

    @property
    def dc_shift_a(self) -> float:
        """Change of the DC over the last cycle, in A."""
        return self._rates.i_dc - self._previous.i_dc if self._rates and self._previous else 0.0

    def forget(self) -> None:
        """Begin anew after a jump."""
        self._last = self.shift = self.ratios = None

    def left(self, scales: tuple[float, ...]) -> tuple[float, ...] | None:
        """What is left to change, of the scales, besides the load's drift; None while that can't be told."""
        if self.to_go > 0 or self.shift is None or self.ratios is None:
            return None
        return tuple(
            max(0.0, abs(d) / scale - 3.0 * self.drift) / (1.0 - (min(q, 0.98) if q > 0.0 else 0.8))
            for d, q, scale in zip(self.shift, self.ratios, scales, strict=True)
        )

    def jumpable(self, left: tuple[float, ...]) -> int:
        """How many cycles at most may be jumped: seven tenths of the way, and none where a change grows."""
        assert self.ratios is not None
        count = 1000
        for part, ratio in zip(left, self.ratios, strict=True):
            if part > 0.001:
                count = min(count, int(math.log(0.3) / math.log(ratio)) if 0.0 < ratio < 0.999 else 0)
        return count

    def further(self, count: int) -> tuple[float, ...]:
        """Change of mean square current and states over the next ``count`` cycles."""
        assert self.shift is not None and self.ratios is not None
        return tuple(d * _further(q, count) for d, q in zip(self.shift, self.ratios, strict=True))

    def mean_rates(self, count: int) -> Rates:
        """Mean rates over the next ``count`` cycles: all go on with the mean square current's ratio."""
        assert self.ratios is not None and self._rates is not None and self._previous is not None
        middle = 0.5 * (count + 1)
        mean = self._rates.moved(self._previous, self._rates, _further(self.ratios[0], middle))
        dc = self._rates.i_dc + (self._rates.i_dc - self._previous.i_dc) * middle
        dc = dc if dc * self._rates.i_dc > 0.0 else 0.0
        return replace(mean, i_dc=dc, i2=max(0.0, mean.i2 - mean.i_dc**2) + dc**2, peak_a=self._rates.peak_a)


class Follower(Generic[C]):
    """Decides, cycle by cycle, whether a circuit is computed, jumped or held."""

    def __init__(
        self, circuit: C, before_block: Callable[[C], None], demand_w: Callable[[Rates], float]
    ) -> None:
        """Begin with the waveform.

        ``before_block(circuit)`` sets what hangs on a circuit. ``demand_w(rates)`` is what the load, as it is
        by now, would draw at the voltages of ``rates``: its relative change is the drift.
        """
        self.circuit = circuit
        self._before_block = before_block
        self._demand_w = demand_w
        self._held: _Held | None = None
        self._renewed: tuple[Rates, float] | None = None
        self._approach = _Approach(BIG_CHANGE)
        self._parts: list[tuple[float, Rates]] = []
        self._demand: tuple[Rates, float] | None = None
        """The last cycle's rates and what the load drew there."""

    @property
    def held(self) -> Rates | None:
        """The rates held at present, without drift; None while the waveform is computed."""
        return self._held.rates if self._held is not None else None

    @property
    def due(self) -> bool:
        """Whether what is held has drifted so far that the waveform has to renew it."""
        return self._held is not None and abs(self._drift(self._held)) > self._held.allowed()

    # --- changes from outside -------------------------------------------------------------------------------
    def wake(self, least_cycles: int) -> None:
        """Back to the waveform because of a change from outside, at the phase the source has reached."""
        if self._held is not None:
            ghost = round(self._held.seconds / self.circuit.block_s) % CYCLE_BLOCKS
            self._leave_held()
            if ghost:
                self.circuit.run(ghost, self._before_block)
        self._renewed = None
        self._approach = _Approach(max(least_cycles, self._approach.to_go))
        self._parts = []

    def change_voltage(self, peak_v: float) -> None:
        """The source's amplitude becomes ``peak_v`` (V); a slow change of held rates needs no waveform."""
        factor = peak_v / self.circuit.peak_v if self.circuit.peak_v > 0.0 else 0.0
        if self._held is not None and self._creeps(self._held, factor - 1.0):
            return
        change = abs(factor - 1.0)
        self.wake(BIG_CHANGE if change > 0.03 else SMALL_CHANGE)
        self.circuit.peak_v = peak_v

    def _creeps(self, held: _Held, tune: float) -> bool:
        """Follow a slow change of the voltage without waveform, if it is one."""
        since_s = max(0.1, held.seconds - held.tuned_s)
        if abs(tune) > 1.2 * _SIDE or abs(tune - held.tune) > _CREEP_PER_S * min(since_s, 1.0):
            return False
        if tune > 0.0 and held.high is None:
            held.high = self._beside(1.0 + _SIDE)
        if tune < 0.0 and held.low is None:
            held.low = self._beside(1.0 - _SIDE)
        held.tune, held.tuned_s = tune, held.seconds
        return True

    def _beside(self, factor: float) -> Rates:
        """The steady state at a voltage beside the held one, found on a copy of the circuit."""
        twin = self.circuit.twin()
        twin.retune(factor)
        finder = Follower(twin, self._before_block, self._demand_w)
        finder._approach = _Approach(SMALL_CHANGE)
        rates = None
        for _ in range(40):
            _, rates = finder.advance(0.5)
            if finder.held is not None:
                return finder.held
        assert rates is not None
        return rates

    # --- time -----------------------------------------------------------------------------------------------
    def advance(self, seconds: float) -> tuple[float, Rates]:
        """Move on by at most ``seconds``, at least by one block; returns how far (s) and the rates there."""
        held = self._held
        if held is None:
            return self._compute(seconds)
        drift = self._drift(held)
        if abs(drift) > held.allowed():
            self._leave_held()
            self._renewed = (held.rates, drift) if held.tune == 0.0 else None
            self._approach = _Approach(SMALL_CHANGE)
            return self._compute(seconds)
        self.pass_held(seconds)
        return seconds, held.now(drift)

    def pass_held(self, seconds: float) -> None:
        """Let time pass in a held state, whatever the load has drifted meanwhile."""
        held = self._held
        assert held is not None
        held.seconds += seconds
        held.offset.advance(seconds)
        self.circuit.warm(seconds, held.rates.i2)

    def _drift(self, held: _Held) -> float:
        now_w = self._demand_w(held.rates) + self.circuit.series_w(held.rates)
        return now_w / max(held.demand_w, 1e-6) - 1.0

    def _leave_held(self) -> None:
        """Bring the circuit to where the held rates have moved."""
        held = self._held
        assert held is not None
        now = held.now(self._drift(held))
        self.circuit.move_rails(now.plus_v - held.rates.plus_v, now.minus_v - held.rates.minus_v)
        self.circuit.move_offset(held.offset)
        if held.tune != 0.0:
            self.circuit.retune(1.0 + held.tune)
        self._held = None
        self._parts = []

    def _compute(self, seconds: float) -> tuple[float, Rates]:
        block_s = self.circuit.block_s
        done = int(sum(blocks for blocks, _ in self._parts))
        blocks = min(CYCLE_BLOCKS - done, max(1, int(seconds / block_s + 1e-6)))
        rates = self.circuit.run(blocks, self._before_block)
        self._parts.append((blocks, rates))
        elapsed = blocks * block_s
        if done + blocks < CYCLE_BLOCKS:
            return elapsed, rates
        count, mean = self._close_cycle(seconds - elapsed)
        jumped_s = count * CYCLE_BLOCKS * block_s
        return elapsed + jumped_s, merge([(elapsed, rates), (jumped_s, mean)]) if count else rates

    def _close_cycle(self, spare_s: float) -> tuple[int, Rates]:
        """A cycle is complete: hold, jump (how many cycles, and their mean rates) or go on."""
        rates, approach = merge(self._parts), self._approach
        self._parts = []
        approach.add(rates, self.circuit.states(), self._cycle_drift(rates))
        left = approach.left((max(rates.i2, 1e-9), *self.circuit.scales()))
        if left is None or not self.circuit.may_jump():
            return 0, rates
        near = (
            left[0] < _LEFT
            and max(left[1 : 1 + self.circuit.settling]) < _STATE_LEFT
            and approach.drift < _HASTE
        )
        if near and self.circuit.may_hold(rates):
            self._hold(rates)
            return 0, rates
        return self._jump(spare_s, rates, left)

    def _cycle_drift(self, rates: Rates) -> float:
        """Relative change of the load itself since the cycle before."""
        last = self._demand
        self._demand = (rates, self._demand_w(rates))
        return self._demand_w(last[0]) / max(last[1], 1e-6) - 1.0 if last is not None else 0.0

    def _hold(self, rates: Rates) -> None:
        assert self._approach.shift is not None
        offset = self.circuit.offset(rates, self._approach.dc_shift_a, self._approach.shift[1:])
        before, drift = self._renewed or (None, 0.0)
        if abs(drift) < 0.002:
            before = None
        demand_w = self._demand_w(rates) + self.circuit.series_w(rates)
        self._held = _Held(rates, demand_w, before, drift, offset)
        self._renewed = None

    def _jump(self, spare_s: float, rates: Rates, left: tuple[float, ...]) -> tuple[int, Rates]:
        """Carry the geometric approach on for several cycles at once, at most seven tenths of the way."""
        approach = self._approach
        count = int(spare_s / (CYCLE_BLOCKS * self.circuit.block_s) + 1e-6)
        count = min(count, approach.jumpable((0.0, *left[1:])))
        if count < 1:
            return 0, rates
        further = approach.further(count)
        # What has all but settled is left alone: an old ratio would only stir it.
        self.circuit.project(
            tuple(
                change if part > 0.0005 or math.isinf(scale) else 0.0
                for change, part, scale in zip(further[1:], left[1:], self.circuit.scales(), strict=True)
            )
        )
        mean = approach.mean_rates(count)
        approach.forget()
        return count, mean


def _further(ratio: float, count: float) -> float:
    """Sum of ``count`` further terms of a geometric approach, of the last term."""
    q = min(max(ratio, 0.0), 0.999)
    return q * (1.0 - q**count) / (1.0 - q) if q > 0.0 else 0.0
