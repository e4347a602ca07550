"""What was recorded before this window knew of it: a run in progress, or the last one there was."""

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec

from benchlog.model.event import Ended, Marked, Said, SetSource, StepDone, SwitchOff
from benchlog.model.history import BenchSet, Entry, RunBegun, RunSaid
from benchlog.model.protocol import SaidNow
from benchlog.model.run import RunSetup
from benchlog_ui.board import Board


@dataclass(frozen=True, slots=True)
class Recalled:
    """A run as the history tells it."""

    setup: RunSetup
    said: tuple[tuple[int, Said], ...]
    begun_us: int
    old: bool
    """True for a run of an earlier sitting, shown because nothing is running now."""


def recall(entries: Sequence[Entry], running: bool) -> Recalled | None:
    """The run of this sitting, or, while none is running, the last one there was; None where there is none.

    A sitting begins with the line that names its instruments.
    """
    sitting = max((n for n, e in enumerate(entries) if isinstance(e.payload, BenchSet)), default=-1)
    begun = max((n for n, e in enumerate(entries) if isinstance(e.payload, RunBegun)), default=None)
    if begun is None or (running and begun < sitting):
        return None
    payload = entries[begun].payload
    assert isinstance(payload, RunBegun)
    said = [(e.t_us, e.payload.said) for e in entries[begun:] if isinstance(e.payload, RunSaid)]
    again = max(
        (n for n, (_, s) in enumerate(said) if isinstance(s, Marked) and s.what == "rearmed"), default=0
    )
    return Recalled(
        payload.setup, tuple(said[again:]), entries[begun].t_us, old=begun < sitting or not running
    )


def put_back(board: Board, recalled: Recalled) -> None:
    """Give the board what it missed; what it heard since stays as it is."""
    board.setup = recalled.setup
    if recalled.old:
        _show_old(board, recalled)
        return
    set_v = [said.set_v for _, said in recalled.said if isinstance(said, SetSource)]
    if board.set_v is None and set_v:
        board.set_v = set_v[-1]
    for t_us, said in recalled.said:
        match said:
            case StepDone():
                board.records.setdefault(said.step, said.record)
            case SwitchOff(latched=True):
                board.cut_off_us = board.cut_off_us or t_us
            case Ended() if board.ended is None:
                board.ended = said
    board.changed.add("said")


def _show_old(board: Board, recalled: Recalled) -> None:
    hello = board.hello
    if hello is None:
        return
    setup = recalled.setup
    board.hello = msgspec.structs.replace(hello, steps=setup.steps, mains_v=setup.unit.mains_v)
    for t_us, said in recalled.said:
        board.take(SaidNow(t_us, said), 0.0)
        board.old_end_us = t_us
    board.hello = msgspec.structs.replace(board.hello, programmed=not setup.hand_set)
