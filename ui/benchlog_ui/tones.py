"""The samples of every sound: pure functions of numpy, 48 000 a second, float32 between -1 and 1.

Sounds begin and end at zero along half a cosine, and a tone whose pitch changes goes on with its phase, so
that nothing clicks. Pitches: ours.
"""

import math

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float32]

RATE = 48_000
EDGE_S = 0.012
"""Length of the edges; a step of the envelope that is slower is not heard as a click (ours)."""
LOW_HZ, HIGH_HZ = 220.0, 880.0
"""Pitch of the tone at no current, and at the stop limit: two octaves apart."""
_MOST = 1.5
"""Beyond so many stop limits the pitch rises no further."""


def pitch_hz(share: float) -> float:
    """Pitch for current ÷ stop limit: equal shares of the limit are equal intervals to the ear."""
    return float(LOW_HZ * (HIGH_HZ / LOW_HZ) ** min(max(share, 0.0), _MOST))


def glide(from_hz: float, to_hz: float, count: int, phase: float) -> tuple[Samples, float]:
    """``count`` samples whose pitch goes evenly from one to the other; and the phase after them.

    Phase in radians. The amplitude is one.
    """
    hertz = from_hz + (to_hz - from_hz) * (np.arange(1, count + 1) / max(count, 1))
    phases = phase + np.cumsum(2.0 * math.pi * hertz / RATE)
    after = float(phases[-1]) if count else phase
    return np.sin(phases).astype(np.float32), math.fmod(after, 2.0 * math.pi)


def edged(samples: Samples) -> Samples:
    """The same with both edges drawn out, over `EDGE_S` or a third of it where it is short."""
    edge = min(int(EDGE_S * RATE), len(samples) // 3)
    if edge:
        rise = ((1.0 - np.cos(np.linspace(0.0, math.pi, edge))) / 2.0).astype(np.float32)
        samples = samples.copy()
        samples[:edge] *= rise
        samples[-edge:] *= rise[::-1]
    return samples


def note(hertz: float, seconds: float, loud: float = 0.5) -> Samples:
    """One tone with its edges."""
    samples, _ = glide(hertz, hertz, int(seconds * RATE), 0.0)
    return edged(samples) * np.float32(loud)


def silence(seconds: float) -> Samples:
    """Nothing, for so long."""
    return np.zeros(int(seconds * RATE), np.float32)


def alarm() -> Samples:
    """Two tones a wide interval apart, three times: louder than anything else here, 1.5 s."""
    pair = np.concatenate([note(988.0, 0.22, 0.9), silence(0.03), note(659.0, 0.22, 0.9), silence(0.03)])
    return np.concatenate([pair, pair, pair])


def taken() -> Samples:
    """A reading was taken: one short high tone."""
    return note(1319.0, 0.09, 0.35)
