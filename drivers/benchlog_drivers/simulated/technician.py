"""A simulated technician: what somebody answers when the program can't decide a step by itself."""

from enum import StrEnum

import msgspec
import numpy as np

from benchlog.model.clock import US
from benchlog.model.event import Ended, Judged, Key, KeyPressed, Said, SetSource, StepDone
from benchlog.model.step import StepVerdict

_UNDECIDED = frozenset({StepVerdict.WAIT, StepVerdict.CANNOT_JUDGE})
_PATIENCE_S = {StepVerdict.CANNOT_JUDGE: 30.0, StepVerdict.WAIT: 125.0}
"""How long a verdict stands before the technician acts; a `wait` longer than the longest dwell, 120 s."""
_NAME = "simulated technician"


def _accepting(judged: Judged) -> str:
    """The reason given for going on: what the program said last."""
    return f"seen and accepted: {judged.reason}"


class TechnicianKind(StrEnum):
    """What the technician does at a step that the program leaves undecided."""

    GOES_ON = "goes-on"
    STOPS = "stops"
    LEAVES = "leaves"
    """Is not there: nothing is answered, nobody watches."""


class Technician:
    """Hears what the watch says and presses keys, late as people do. Instants on the session's axis, µs."""

    def __init__(
        self, kind: TechnicianKind, seed: int, asked: bool = False, longest_dwell_s: float = 120.0
    ) -> None:
        """``asked``: every step up waits for the key. ``longest_dwell_s``: 120, valve 300."""
        self.kind = kind
        self._asked = asked
        self._extra_s = longest_dwell_s - 120.0
        self._random = np.random.default_rng([seed, 0x7EC4])
        self._due_us: int | None = None
        self._key: KeyPressed | None = None
        self._standing: tuple[int, StepVerdict] | None = None

    @property
    def watches(self) -> bool:
        """Whether somebody is at the bench."""
        return self.kind is not TechnicianKind.LEAVES

    def due_us(self) -> int | None:
        """When the next key will be pressed; None when none is to be."""
        return self._due_us

    def hear(self, said: Said, now_us: int) -> None:
        """Take note of what the watch says."""
        if isinstance(said, Ended | StepDone | SetSource):
            self._forget()
        elif isinstance(said, Judged):
            self._weigh(said, now_us)

    def act(self, now_us: int) -> KeyPressed | None:
        """The key that is pressed at ``now_us``; None before it is due."""
        if self._due_us is None or now_us < self._due_us:
            return None
        key = self._key
        self._forget()
        return key

    def _weigh(self, judged: Judged, now_us: int) -> None:
        if (judged.step, judged.verdict) == self._standing:
            if self._key is not None and self._key.reason:
                self._key = msgspec.structs.replace(self._key, reason=_accepting(judged))
            return
        self._forget()
        self._standing = (judged.step, judged.verdict)
        if not self.watches or judged.verdict is StepVerdict.CUT_OFF:
            return
        if judged.verdict is StepVerdict.GO_UP:
            if self._asked:
                self._plan(Key.GO_ON, "", now_us, 2.0)
        elif judged.verdict in _UNDECIDED:
            patience_s = _PATIENCE_S[judged.verdict]
            if judged.verdict is StepVerdict.WAIT:
                patience_s += self._extra_s
            key = Key.GO_ON if self.kind is TechnicianKind.GOES_ON else Key.STOP
            self._plan(key, _accepting(judged), now_us, patience_s)

    def _plan(self, key: Key, reason: str, now_us: int, after_s: float) -> None:
        late_s = after_s + float(self._random.uniform(0.5, 4.0))
        self._due_us = now_us + round(late_s * US)
        self._key = KeyPressed(key, reason=reason if key is Key.GO_ON else "", by=_NAME)

    def _forget(self) -> None:
        self._due_us, self._key, self._standing = None, None, None
