"""Whether somebody is watching: asked by the ticker, told to the watch when it changes."""

INPUT_S = 600.0
"""Real seconds since the last input in the window after which nobody counts as watching."""
ANSWER_S = 2.0
"""Real seconds without an answer to the heartbeat after which the window shows nobody anything."""


class Attention:
    """Watched: the window answers and had input in ten minutes, or a terminal or technician is there."""

    def __init__(self, terminal: bool, technician: bool) -> None:
        """``terminal``: standard input is one; ``technician``: a simulated technician runs."""
        self._always = terminal or technician
        self._answered_s: float | None = None
        self._input_s: float | None = None
        self._born_s = 0.0
        self._first = True

    def window_started(self, now_s: float) -> None:
        """The first start of the window is the technician's doing; one after a crash is nobody's input."""
        self._born_s = now_s
        if self._first:
            self._input_s = now_s
        self._first = False

    def answered(self, now_s: float, input_age_s: float) -> None:
        """The window answered the heartbeat and said how long ago it had input."""
        self._answered_s = now_s
        input_s = now_s - max(0.0, input_age_s)
        if input_s > self._born_s + ANSWER_S and input_s > (self._input_s or 0.0):
            self._input_s = input_s

    def touched(self, now_s: float) -> None:
        """The technician pressed something."""
        self._input_s = now_s

    def watched(self, now_s: float) -> bool:
        """Whether somebody watches now."""
        if self._always:
            return True
        if self._answered_s is None or self._input_s is None:
            return False
        return now_s - self._answered_s < ANSWER_S and now_s - self._input_s < INPUT_S
