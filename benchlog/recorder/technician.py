"""A simulated technician for rehearsals: answers what the program leaves to a person."""

import queue
from collections.abc import Callable

from benchlog.model.clock import US
from benchlog.model.event import Ended, Judged, Key, KeyPressed, Marked, Said, StepDone
from benchlog.model.step import StepVerdict
from benchlog.recorder.contract import NotJudged

PAUSE_US = US
"""Session time he takes to answer."""
AGAIN_US = 5 * US
"""Session time after which he tries again where his answer was not taken."""
TRIES = 10


class Technician:
    """Follows what is said; a step that the program leaves undecided he answers as he was told to."""

    def __init__(self, answer: NotJudged, ask: bool, press: Callable[[KeyPressed], object]) -> None:
        """``ask``: the run steps up at the key only. ``press`` is called from `look`."""
        self._answer = answer
        self._ask = ask
        self._press = press
        self._heard: queue.SimpleQueue[tuple[int, Said]] = queue.SimpleQueue()
        self._due_us: int | None = None
        self._tries = 0
        self._reply = KeyPressed(Key.GO_ON)

    def hear(self, t_us: int, said: Said) -> None:
        """Something was said; any thread."""
        self._heard.put((t_us, said))

    def look(self, now_us: int) -> None:
        """Called by the ticker: answer when it is time."""
        while not self._heard.empty():
            self._consider(*self._heard.get())
        if self._due_us is not None and now_us >= self._due_us and self._tries < TRIES:
            self._due_us = now_us + AGAIN_US
            self._tries += 1
            self._press(self._reply)

    def _consider(self, t_us: int, said: Said) -> None:
        if isinstance(said, Ended | StepDone):
            self._due_us = None
        elif isinstance(said, Marked) and said.what in {"undecided", "word"}:
            self._due_us = None if said.what == "word" else t_us + PAUSE_US
            self._tries = 0
            self._reply = self._word()
        elif isinstance(said, Judged) and self._ask and said.verdict is StepVerdict.GO_UP:
            self._due_us = t_us + PAUSE_US
            self._tries = 0
            self._reply = KeyPressed(Key.GO_ON, reason="within the limit", by="rehearsal")

    def _word(self) -> KeyPressed:
        if self._answer == "go-on":
            reason = "gone on without a look"
            return KeyPressed(Key.GO_ON, reason=reason, by="rehearsal")
        return KeyPressed(Key.STOP, reason="ended there", by="rehearsal")
