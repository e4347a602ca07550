"""What an audio interface with its sensors states of itself, for limits and plans.

audio_sheet(audio) -> MeterSheet
"""

import math

from benchlog.model.audio import AudioInput, AudioSetup
from benchlog.model.instrument import Accuracy, Coupling, MeterSheet
from benchlog.model.quantity import Quantity

_BOUND = 2.0 / math.sqrt(3.0)
"""The bound of the limits takes a sheet's accuracy so many times for U (JCGM 100:2008, 4.3.7)."""
_COUNTS = 2.0


def _accuracy(
    quantity: Quantity, full: float, u_fraction: float, count: float, per_second: float
) -> Accuracy:
    return Accuracy(
        quantity,
        u_fraction / _BOUND,
        _COUNTS,
        count,
        range=full,
        per_second=per_second,
        low_hz=40.0,
        high_hz=70.0,
    )


def _count(one: AudioInput) -> float:
    """The input's noise, rounded up to 1, 2 or 5 of a decade."""
    noise = max(one.noise * abs(one.per_full_scale), 1e-6)
    decade = 10.0 ** math.floor(math.log10(noise))
    return next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if step * decade >= noise * (1.0 - 1e-9))


def audio_sheet(audio: AudioSetup) -> MeterSheet:
    """Half-cycle readings of current, voltage and power: true r.m.s. of the AC part, twice a cycle."""
    per_second = 2.0 * audio.mains_hz
    current, voltage = audio.current, audio.voltage
    full_a, full_v = (abs(one.per_full_scale) / math.sqrt(2.0) for one in (current, voltage))
    count_a, count_v = _count(current), _count(voltage)
    both = math.hypot(current.u_fraction, voltage.u_fraction)
    return MeterSheet(
        accuracy=(
            _accuracy(Quantity.AC_CURRENT, full_a, current.u_fraction, count_a, per_second),
            _accuracy(Quantity.AC_VOLTAGE, full_v, voltage.u_fraction, count_v, per_second),
            _accuracy(Quantity.ACTIVE_POWER, full_a * full_v, both, count_a * full_v, per_second),
        ),
        coupling=Coupling.AC,
    )
