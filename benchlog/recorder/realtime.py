"""Real time, whatever the scale of the session's axis: silence of a link is judged in it."""

from benchlog.model.clock import US, Clock


def real_s(clock: Clock) -> float:
    """Real seconds on the clock's axis, whatever its scale."""
    return clock.now() / (US * clock.scale)
