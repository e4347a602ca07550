"""A simulated technician for rehearsals: answers what the program leaves to a person."""

from collections.abc import Callable, Sequence

from benchlog.model.clock import US
from benchlog.model.event import Ended, Judged, Key, KeyPressed, Marked, Said, StepDone
from benchlog.model.step import Step, StepVerdict
from benchlog.recorder.contract import NotJudged

PATIENCE_S = 2.0
"""Session seconds after a step's longest dwell at which he answers."""


class Technician:
    """Follows what is said; where a step is not judged in its longest dwell, he answers once."""

    def __init__(
        self, steps: Sequence[Step], answer: NotJudged, press: Callable[[KeyPressed], object]
    ) -> None:
        """``press`` is called from `look`."""
        self._steps = steps
        self._answer = answer
        self._press = press
        self._step = 0
        self._since_us: int | None = None
        self._left_to_him = False
        self._answered = False

    def hear(self, t_us: int, said: Said) -> None:
        """Something was said."""
        if isinstance(said, Ended):
            self._since_us = None
        elif isinstance(said, Marked) and said.what == "arrival":
            self._arrive(t_us, said.step)
        elif isinstance(said, StepDone):
            self._arrive(None, said.step + 1)
        elif isinstance(said, Judged):
            self._left_to_him = said.verdict in {StepVerdict.WAIT, StepVerdict.CANNOT_JUDGE}

    def look(self, now_us: int) -> None:
        """Called by the ticker: answer when the longest dwell is over."""
        if (
            self._since_us is None
            or self._answered
            or not self._left_to_him
            or self._step >= len(self._steps)
        ):
            return
        dwell_s = self._steps[self._step].dwell_max_s + PATIENCE_S
        if now_us - self._since_us < dwell_s * US:
            return
        self._answered = True
        key, reason = (
            (Key.GO_ON, "Looks as expected; going on in the rehearsal.")
            if self._answer == "go-on"
            else (Key.STOP, "Not judged; ending the rehearsal.")
        )
        self._press(KeyPressed(key, reason=reason, by="rehearsal"))

    def _arrive(self, t_us: int | None, step: int | None) -> None:
        self._since_us = t_us
        if step is not None:
            self._step = step
        self._answered = False
        self._left_to_him = False
