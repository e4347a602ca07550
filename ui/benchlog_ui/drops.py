"""Files dropped onto the window: a session or document is opened, a waveform shown, photographs are kept.

Reading them may take seconds and is done on a thread; what came of it is told above the cut-off bar.
"""

import threading
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from benchlog.model.errors import BenchlogError
from benchlog.model.history import Noted
from benchlog.model.protocol import EntryAdded, FromWindow
from benchlog_ui.requests import Requests
from benchlog_ui.shell import Shell
from benchlog_ui.stages import Stage
from benchlog_ui.window import Window

if TYPE_CHECKING:
    from benchlog_ui.inrush import Switched

PICTURES = frozenset({".jpg", ".jpeg", ".png"})
TABLES = frozenset({".csv", ".txt"})


class Drops:
    """Takes what is dropped. A panel that is open is asked first."""

    def __init__(
        self, window: Window, shell: Shell, requests: Requests, send: Callable[[FromWindow], None]
    ) -> None:
        """Listen to the window."""
        self._window = window
        self._shell = shell
        self._requests = requests
        self._send = send
        self._words: deque[str] = deque()
        self._waves: deque[Switched] = deque()
        window.dropped.connect(self.take)

    def take(self, paths: Sequence[Path]) -> None:
        """Files were dropped."""
        jobs = [p for p in paths if p.suffix.lower() in (".benchlog", ".pdf")]
        others = [p for p in paths if p not in jobs]
        if len(jobs) == 1 and not others:
            self._requests.open_job(str(jobs[0]))
        elif jobs:
            self._window.tell("Drop one session at a time, by itself.")
        elif not self._shell.drop(others):
            stage = self._shell.at if self._shell.at in [s.value for s in Stage] else ""
            threading.Thread(target=self._read, args=(others, stage), name="drops", daemon=True).start()

    def refresh(self) -> None:
        """Show what was read; called once a frame."""
        while self._words:
            self._window.tell(self._words.popleft())
        while self._waves:
            self._shell.bring_up.show_switched(self._waves.popleft())
            self._shell.go(Stage.BRING_UP.value)

    def _read(self, paths: Sequence[Path], stage: str) -> None:
        """On a thread."""
        pictures = 0
        for path in paths:
            try:
                if path.suffix.lower() in PICTURES:
                    self._photograph(path, stage)
                    pictures += 1
                elif path.suffix.lower() in TABLES:
                    self._waveform(path)
                else:
                    self._words.append(f"{path.name}: not a session, document, waveform (CSV) or photograph.")
            except BenchlogError as error:
                self._words.append(str(error))
        if pictures:
            self._words.append(
                f"{pictures} photographs are kept." if pictures > 1 else "The photograph is kept."
            )

    def _photograph(self, path: Path, stage: str) -> None:
        from benchlog.job.photograph import read_photograph

        found = read_photograph(path)
        if stage and "stage" in found.__struct_fields__:
            found = msgspec.structs.replace(found, stage=stage)
        self._send(EntryAdded(found))

    def _waveform(self, path: Path) -> None:
        """Figures of a recorded switch-on; the file itself stays where it is."""
        from benchlog.exchange.wavecsv import read_waveform
        from benchlog_ui.inrush import figure_words, switched

        found = switched(read_waveform(path).wave, None)
        self._waves.append(found)
        words = "; ".join(figure_words(found.found)) if found.found is not None else found.why_not
        self._send(EntryAdded(Noted(f"waveform {path.name}: {words}", stage=Stage.BRING_UP.value)))
