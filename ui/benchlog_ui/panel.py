"""How a panel takes its place in a stage.

A panel is a widget that is derived from `Panel` and named in `PANELS`: stage → ``module:Class``. It is
imported and made when its stage is first opened, with a `Place` that holds all it may use. After that it is
told what is new (`Panel.take`), drawn while it is open (`Panel.refresh`), and told when colours or sizes
change (`Panel.restyle`). Its keys (`Panel.deeds`) work while its stage is open and stand on the page of keys.
"""

import importlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtWidgets import QWidget

from benchlog.model.history import Entry
from benchlog.model.protocol import FromWindow
from benchlog_ui.board import Board
from benchlog_ui.keys import Deed
from benchlog_ui.look import Look
from benchlog_ui.question import Answer
from benchlog_ui.stages import Ledger, Stage

if TYPE_CHECKING:
    from benchlog_ui.traces import Traces

PANELS: dict[Stage, str] = {
    Stage.COLD: "benchlog_ui.panels.coldpanel:ColdPanel",
    Stage.PARTS: "benchlog_ui.panels.partspanel:PartsPanel",
    Stage.SOAK: "benchlog_ui.soakpanel:SoakPanel",
    Stage.FINAL: "benchlog_ui.panels.finalpanel:FinalPanel",
    Stage.HAND_OVER: "benchlog_ui.handover:HandOverPanel",
}
"""One line a panel, e.g. ``Stage.COLD: "benchlog_ui.panels.cold:ColdPanel"``."""

Ask = Callable[[str, Sequence[Answer], str | None], None]
"""Asks inside the window: words, answers, and what the field is for (None: no field). Never a dialog of the
platform, which would swallow the cut-off key."""


@dataclass(frozen=True, slots=True)
class Place:
    """What a panel is given."""

    look: Look
    send: Callable[[FromWindow], None]
    """To the recorder, e.g. ``EntryAdded(Taken(…))``; the line comes back by `Panel.take` once stored."""
    ask: Ask
    board: Board
    """The live readings (``board.latest``) and the present run. Changed by nobody but the desk."""
    ledger: Ledger
    """The job as it now reads, and what the history says so far."""
    session: Callable[[], Path | None]
    """The session file while there is one; read it with `SessionReader` only."""
    tell: Callable[[str], None]
    """A sentence for the technician, above the cut-off bar for a while."""
    traces: "Traces | None" = None
    """The curves that are drawn, where there is something to draw them."""


class Panel(QWidget):
    """What stands at the right of a stage."""

    def __init__(self, place: Place) -> None:
        """Build the widgets; lines of the history come by `take`."""
        super().__init__()
        self.place = place

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""

    def take(self, entries: Sequence[Entry]) -> None:
        """Lines of the history: all there are at first, then new ones as they are stored."""

    def refresh(self, real_s: float) -> None:
        """Draw what is live; called about five times a second while the stage is open."""

    def deeds(self) -> Sequence[Deed]:
        """Keys of this panel; with Ctrl and a letter (not B or Q), never one that types."""
        return ()

    def drop(self, paths: Sequence[Path]) -> bool:
        """Files dropped onto the window while the stage is open; True where the panel took them."""
        return False


def make_panel(stage: Stage, place: Place) -> Panel | None:
    """The panel of a stage; None where it has none."""
    name = PANELS.get(stage)
    if name is None:
        return None
    module, _, kind = name.partition(":")
    panel = getattr(importlib.import_module(module), kind)(place)
    assert isinstance(panel, Panel)
    return panel
