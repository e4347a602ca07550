"""The last cycle of a unit's waveform, played again while nothing changes.

What is held needs no waveform for its figures; somebody who listens still wants to hear it. The cycle is
scaled to the rates that the held state moves to.
"""

import math
from collections import deque

import numpy as np

from benchlog_drivers.simulated.physics_trace import Floats, Rates

CYCLE_BLOCKS = 16


class Tape:
    """Blocks of volts and amperes, one cycle of them."""

    def __init__(self) -> None:
        """Nothing heard yet."""
        self._blocks: deque[tuple[Floats, Floats]] = deque(maxlen=CYCLE_BLOCKS)
        self._cycle: tuple[Floats, Floats] | None = None
        self._at = 0

    @property
    def whole(self) -> bool:
        """Whether there is a cycle to play."""
        return len(self._blocks) == CYCLE_BLOCKS

    def clear(self) -> None:
        """Forget what was heard."""
        self._blocks.clear()
        self._cycle = None

    def add(self, v_v: Floats, i_a: Floats) -> None:
        """A block of waveform."""
        self._blocks.append((v_v, i_a))
        self._cycle, self._at = None, 0

    def play(self, blocks: int, rates: Rates) -> tuple[Floats, Floats]:
        """So many blocks from where it stands, scaled to ``rates``."""
        if self._cycle is None:
            v, i = zip(*self._blocks, strict=True)
            self._cycle = np.concatenate(v), np.concatenate(i)
        v_v, i_a = self._cycle
        size = len(v_v) // CYCLE_BLOCKS
        at = (self._at * size + np.arange(blocks * size)) % len(v_v)
        self._at = (self._at + blocks) % CYCLE_BLOCKS
        middle = float(np.mean(i_a))
        alternating = math.sqrt(float(np.mean(np.square(i_a - middle))))
        wanted = math.sqrt(max(rates.i2 - rates.i_dc**2, 0.0))
        mean_v2 = float(np.mean(np.square(v_v)))
        factor = wanted / alternating if alternating > 0.0 else 0.0
        level = math.sqrt(rates.v2 / mean_v2) if mean_v2 > 0.0 else 0.0
        return level * v_v[at], rates.i_dc + factor * (i_a[at] - middle)
