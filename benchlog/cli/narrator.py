"""A bring-up as lines of text: instructions, steps, and what holds it up."""

from benchlog.bringup.claims import unseen
from benchlog.bringup.wording import NO_CURRENT_SEEN
from benchlog.cli.output import say
from benchlog.model.event import Instruct, Judged, Marked, Said, StepDone
from benchlog.model.step import StepVerdict
from benchlog.report.wording import VERDICT_WORDS

_ROUTINE = frozenset({"first-readings", "inrush", "turning", "settling", "short-check", "dwell", "accepted"})
"""Rules of verdicts that pass by themselves at each step and need no line."""
_TOLD = {
    "warning": "",
    "storing": "",
    "link-down": "Link lost. ",
    "link-up": "Link back. ",
    "not-watched": "",
    "soak-not-steady": "",
}
"""Marks that are told, and what stands before their detail."""


_NO_READING = "Alarm: no reading from "
_TYPED = (
    ("Press the key to go", "Type g and Enter to go"),
    ("go on with a reason, or stop", "type g REASON and Enter to go on, or s and Enter to stop"),
)
"""How a key is spoken of, and what it is at a terminal."""


class Narrator:
    """Says the run's instructions, steps, and what holds it up as lines of text."""

    def __init__(self, terminal: bool = False) -> None:
        """``terminal``: keys are typed where the lines are read, so that each is named."""
        self._terminal = terminal
        self._last = ""
        self._silent = ""

    def hear(self, t_us: int, said: Said) -> None:
        """A line for an instruction that is new, a step that is done, or what holds it up."""
        self._readings_back(t_us, said)
        match said:
            case Instruct(text=text) if text != self._last:
                self._say(t_us, text)
            case Judged(verdict=verdict, reason=text, rule=rule) if (
                verdict is not StepVerdict.CUT_OFF
                and rule not in _ROUTINE
                and text.removeprefix("Wait: ") != self._last.removeprefix("Alarm: ").removeprefix("Wait: ")
            ):
                self._say(t_us, text)
            case Marked(what=what, detail=detail) if what in _TOLD:
                self._say(t_us, f"{_TOLD[what]}{detail}")
            case StepDone(record=record):
                idle = "not settled" if record.idle_a is None else f"{record.idle_a:.3g} A idle"
                told = f"{VERDICT_WORDS[record.verdict]} ({record.decided_by.value})"
                blind = f"; {NO_CURRENT_SEEN}" if unseen(record) else ""
                say(f"{t_us / 1e6:8.1f} s  step {record.set_v:.4g} V: {idle}, {told}{blind}")
            case _:
                pass

    def _readings_back(self, t_us: int, said: Said) -> None:
        """After an alarm that readings are missing, the first verdict that does not miss them says so."""
        match said:
            case Instruct(text=text) if text.startswith(_NO_READING):
                self._silent = text.removeprefix(_NO_READING)
            case Judged(rule=rule, verdict=verdict) if self._silent and not rule.startswith("stale:"):
                if verdict is not StepVerdict.CUT_OFF:
                    self._say(t_us, f"Readings from {self._silent} are back")
                self._silent = ""
            case _:
                pass

    def _say(self, t_us: int, text: str) -> None:
        self._last = text
        for words, named in _TYPED if self._terminal else ():
            text = text.replace(words, named)
        say(f"{t_us / 1e6:8.1f} s  {text}")
