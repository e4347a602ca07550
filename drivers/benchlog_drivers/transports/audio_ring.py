"""What an audio callback may do: copy its block into room that is already there, and note when.

`BlockRing.put` runs on the sound library's own thread and does nothing else; `take` runs on another.
One writer and one reader; the counters are whole numbers, each changed by one side only.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """What came with one call."""

    samples: npt.NDArray[np.float32]
    """A copy; one row an instant."""
    at_us: int
    """When it was handed over."""
    adc_s: float
    """When its first sample was taken, by the sound library's clock; 0 where it does not say."""
    overflowed: bool
    """The library lost samples before this block."""
    dropped: int
    """Samples before it that found no room here."""


class BlockRing:
    """Room for the blocks of some seconds."""

    def __init__(self, blocks: int, frames: int, channels: int) -> None:
        """``frames`` of the largest block; a larger one takes several places."""
        self._data = np.zeros((blocks, frames, channels), np.float32)
        self._frames = np.zeros(blocks, np.int64)
        self._at_us = np.zeros(blocks, np.int64)
        self._adc_s = np.zeros(blocks)
        self._overflowed = np.zeros(blocks, np.bool_)
        self._dropped = np.zeros(blocks, np.int64)
        self._blocks = blocks
        self._size = frames
        self._written = 0
        self._read = 0
        self._waiting = 0
        """Samples dropped since the last block that found room."""
        self.lost = 0
        """Samples that found no room, in all."""

    def put(
        self, samples: npt.NDArray[np.float32], at_us: int, adc_s: float, overflowed: bool, dropped: int = 0
    ) -> None:
        """Copy a block; on the callback's thread. Never waits, never makes an array.

        ``dropped``: samples before it that another ring had no room for.
        """
        self._waiting += dropped
        for begin in range(0, len(samples), self._size):
            count = min(self._size, len(samples) - begin)
            if self._written - self._read >= self._blocks:
                self._waiting += count
                self.lost += count
                continue
            slot = self._written % self._blocks
            self._data[slot, :count] = samples[begin : begin + count]
            self._frames[slot] = count
            self._at_us[slot] = at_us
            self._adc_s[slot] = adc_s if begin == 0 else 0.0
            self._overflowed[slot] = overflowed and begin == 0
            self._dropped[slot] = self._waiting
            self._waiting = 0
            self._written += 1

    def take(self) -> list[Block]:
        """Everything that came since; on the reader's thread."""
        found = []
        while self._read < self._written:
            slot = self._read % self._blocks
            found.append(
                Block(
                    self._data[slot, : self._frames[slot]].copy(),
                    int(self._at_us[slot]),
                    float(self._adc_s[slot]),
                    bool(self._overflowed[slot]),
                    int(self._dropped[slot]),
                )
            )
            self._read += 1
        return found
