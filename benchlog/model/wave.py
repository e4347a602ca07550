"""Sampled waveforms."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True, eq=False)
class Waveform:
    """Voltage and current sampled together at an even rate.

    ``v_v`` and ``i_a`` are one-dimensional float arrays of the same length (volts, amperes);
    ``rate_hz`` samples per second; ``start_us`` the session instant of the first sample.
    """

    v_v: npt.NDArray[np.float64]
    i_a: npt.NDArray[np.float64]
    rate_hz: float
    start_us: int = 0
