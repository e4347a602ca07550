"""Follows a supply through time: waveform after a change, then jumps, then a held steady state.

After every change the waveform is computed cycle by cycle. Where successive cycles approach their end
geometrically, several cycles are jumped at once; when what is left to change is below half a percent the
rates are held, and moved linearly with the demand on the supply until that has shifted too far.
"""

from collections.abc import Callable
from typing import Protocol

from benchlog_drivers.simulated.physics_trace import Rates

CYCLE_BLOCKS = 16
_SETTLED = 0.004
"""Remaining relative change of the mean square current at which the rates are held."""


class Circuit(Protocol):
    """A supply at waveform level."""

    block_s: float
    phase: int

    @property
    def plus_v(self) -> float:
        """Plus reservoir in V."""
        ...

    def run(self, blocks: int, before_block: Callable[[float], None]) -> Rates:
        """Move on by ``blocks`` blocks."""
        ...

    def states(self) -> tuple[float, ...]:
        """The slow electrical states, as they can be projected."""
        ...

    def project(self, changes: tuple[float, ...]) -> None:
        """Add to the slow electrical states."""
        ...

    def scales(self) -> tuple[float, ...]:
        """What counts as a large change of each slow electrical state."""
        ...


class Follower:
    """Decides, cycle by cycle, whether a circuit is computed, jumped or held."""

    def __init__(self, circuit: Circuit, before_block: Callable[[float], None]) -> None:
        """Begin with the waveform."""
        self.circuit = circuit
        self.before_block = before_block
        self.held: Rates | None = None
        self.held_demand = 0.0
        self._slope: tuple[Rates, float] | None = None
        self._least_cycles = 0
        self._held_blocks = 0.0
        self._begin(6)

    def _begin(self, least_cycles: int) -> None:
        self._least_cycles = least_cycles
        self._cycles = 0
        self._last: tuple[Rates, tuple[float, ...]] | None = None
        self._change: tuple[float, tuple[float, ...]] | None = None
        self._partial: list[tuple[int, Rates]] = []

    def wake(self, least_cycles: int) -> None:
        """Back to the waveform after a change from outside, at the phase the source has meanwhile reached."""
        if self.held is not None:
            ghost = int(self._held_blocks) % CYCLE_BLOCKS
            if ghost:
                self.circuit.run(ghost, self.before_block)
        self.held = None
        self._slope = None
        self._begin(least_cycles)

    def drift(self, demand: float) -> None:
        """Tell what the supply must now deliver (W); a shift too far from the held state wakes the waveform."""
        if self.held is None:
            return
        shift = abs(demand - self.held_demand)
        allowed = 0.01 if self._slope is None else 0.06
        self._demand = demand
        if shift > allowed * max(self.held_demand, 1e-3):
            self._old = (self.held, self.held_demand)
            self.held = None
            self._begin(2)

    def rates(self) -> Rates:
        """Held rates, moved along with the demand."""
        assert self.held is not None
        if self._slope is None:
            return self.held
        other, other_demand = self._slope
        return self.held.toward(other, (self._demand - self.held_demand) / (other_demand - self.held_demand))

    def advance(self, seconds: float, demand: Callable[[], float]) -> tuple[float, Rates]:
        """Move on by at most ``seconds``; returns how far (s, at least a block's length less than asked) and the rates."""
        block_s = self.circuit.block_s
        if self.held is not None:
            self._held_blocks += seconds / block_s
            return seconds, self.rates()
        done = sum(blocks for blocks, _ in self._partial)
        blocks = min(CYCLE_BLOCKS - done, max(1, int(seconds / block_s + 1e-6)))
        rates = self.circuit.run(blocks, self.before_block)
        self._partial.append((blocks, rates))
        elapsed = blocks * block_s
        if done + blocks == CYCLE_BLOCKS:
            jumped, mean = self._close_cycle(seconds - elapsed, demand)
            if jumped > 0.0:
                rates = rates.toward(mean, jumped / (elapsed + jumped))
                elapsed += jumped
        return elapsed, rates

    def _close_cycle(self, spare_s: float, demand: Callable[[], float]) -> tuple[float, Rates]:
        """A cycle is complete: hold, jump (seconds, mean rates there) or go on."""
        rates = _merge(self._partial)
        self._partial = []
        states = self.circuit.states()
        self._cycles += 1
        last, before = self._last, self._change
        self._last = (rates, states)
        if last is None:
            return 0.0, rates
        change = rates.i2 - last[0].i2
        shift = tuple(now - then for now, then in zip(states, last[1], strict=True))
        self._change = (change, shift)
        if before is None or self._cycles < self._least_cycles:
            return 0.0, rates
        ratios = tuple(_ratio(now, then) for now, then in zip(shift, before[1], strict=True))
        ratio = _ratio(change, before[0])
        remaining = max(
            abs(d) / (1.0 - q) / scale
            for d, q, scale in zip(shift, ratios, self.circuit.scales(), strict=True)
        )
        left = abs(change) / (1.0 - ratio)
        if left < _SETTLED * rates.i2 + 1e-9 and remaining < 0.002:
            self._hold(rates, demand())
            return 0.0, rates
        return self._jump(spare_s, rates, ratios, shift)

    def _hold(self, rates: Rates, demand: float) -> None:
        old = getattr(self, "_old", None)
        self._slope = None
        if old is not None and abs(old[1] - demand) > 0.004 * max(demand, 1e-3):
            self._slope = old
        self._old = None
        self.held, self.held_demand, self._demand = rates, demand, demand
        self._held_blocks = 0.0

    def _jump(
        self, spare_s: float, rates: Rates, ratios: tuple[float, ...], shift: tuple[float, ...]
    ) -> tuple[float, Rates]:
        cycle_s = CYCLE_BLOCKS * self.circuit.block_s
        spare = int(spare_s / cycle_s + 1e-6)
        count = min(spare, 8)
        if count < 1 or min(ratios) < 0.0:
            return 0.0, rates
        self.circuit.project(
            tuple(d * q * (1.0 - q**count) / (1.0 - q) for d, q in zip(shift, ratios, strict=True))
        )
        assert self._change is not None and self._last is not None
        self._last = None
        self._change = None
        return count * cycle_s, rates


def _ratio(now: float, before: float) -> float:
    """By how much a change shrank since the cycle before, held to 0 … 0.98."""
    if before == 0.0:
        return 0.0
    return min(0.98, max(0.0, now / before))


def _merge(parts: list[tuple[int, Rates]]) -> Rates:
    """Rates over consecutive parts, weighted by their blocks."""
    merged, total = parts[0][1], parts[0][0]
    for blocks, rates in parts[1:]:
        total += blocks
        peak = merged.peak_a if abs(merged.peak_a) >= abs(rates.peak_a) else rates.peak_a
        mixed = merged.toward(rates, blocks / total)
        merged = Rates(
            mixed.i2, mixed.i_dc, mixed.i_abs, mixed.v2, mixed.power_w, mixed.plus_v, mixed.minus_v, peak
        )
    return merged
