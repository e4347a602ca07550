"""Photographs dropped onto a panel or arriving in the watched folder: read on a thread of their own."""

import threading
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import msgspec
from PySide6.QtCore import Qt
from PySide6.QtGui import QPixmap
from PySide6.QtWidgets import QLabel

from benchlog.model.errors import BenchlogError
from benchlog.model.protocol import EntryAdded
from benchlog.model.work import Photographed
from benchlog_ui.look import Look
from benchlog_ui.panel import Place

SUFFIXES = (".jpg", ".jpeg", ".png")
_PREVIEW_PX = 150


class Pictures:
    """Reads photographs one after the other; what came of each is in `read`."""

    def __init__(self, folder: str = "") -> None:
        """``folder`` is watched for pictures that come from now on; empty for none."""
        self.read: deque[Photographed | str] = deque()
        """Photographs, and the reasons of those that are none."""
        self._folder = Path(folder).expanduser() if folder else None
        self._seen = set(self._there())
        self._sizes: dict[Path, int] = {}

    def _there(self) -> list[Path]:
        if self._folder is None:
            return []
        try:
            return sorted(p for p in self._folder.iterdir() if p.suffix.lower() in SUFFIXES)
        except OSError:
            return []

    def look(self, given: Photographed) -> None:
        """Pick up what is new in the folder and has stopped growing."""
        for path in self._there():
            if path in self._seen:
                continue
            try:
                size = path.stat().st_size
            except OSError:
                continue
            if size and self._sizes.get(path) == size:
                self._seen.add(path)
                self.take([path], given)
            self._sizes[path] = size

    def take(self, paths: Sequence[Path], given: Photographed) -> None:
        """Read files; each entry has the point, part and stage of ``given``."""
        worker = threading.Thread(target=self._read, args=(list(paths), given), name="photos", daemon=True)
        worker.start()

    def _read(self, paths: list[Path], given: Photographed) -> None:
        from benchlog.job.photograph import read_photograph

        for path in paths:
            try:
                found = read_photograph(path)
            except BenchlogError as error:
                self.read.append(str(error))
                continue
            self.read.append(
                msgspec.structs.replace(
                    found,
                    point=given.point,
                    group=given.group,
                    part=given.part,
                    stage=given.stage,
                    by=given.by,
                )
            )


class Preview(QLabel):
    """The latest photograph of a test point, small; hidden where there is none."""

    def __init__(self, look: Look) -> None:
        """No photograph yet."""
        super().__init__()
        self._latest: dict[tuple[str, str], Photographed] = {}
        self._shown: Photographed | None = None
        self._look = look
        self.hide()

    def hear(self, payloads: Iterable[object]) -> None:
        """New lines of the history; the latest picture of each point is kept."""
        for found in payloads:
            if isinstance(found, Photographed) and found.data:
                self._latest[found.group, found.point] = found

    def show_point(self, group: str, name: str) -> None:
        """The picture of that point."""
        found = self._latest.get((group, name))
        if found is not self._shown:
            self._shown = found
            self._draw()

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self._draw()

    def _draw(self) -> None:
        picture, found = QPixmap(), self._shown
        if found is None or not picture.loadFromData(found.data):
            self.hide()
            return
        height = self._look.px(_PREVIEW_PX)
        self.setPixmap(picture.scaledToHeight(height, Qt.TransformationMode.SmoothTransformation))
        words = f"Photograph {found.caption or found.name}, {found.width} × {found.height}"
        self.setToolTip(words)
        self.setAccessibleName(words)
        self.show()


def see_to(pictures: Pictures, place: Place, say: Callable[[str], None]) -> None:
    """Send what was read, and say what is none."""
    while pictures.read:
        found = pictures.read.popleft()
        if isinstance(found, str):
            say(found)
        else:
            place.send(EntryAdded(found))
            place.tell(f"Photograph {found.name} stored{f' with {found.point}' if found.point else ''}.")


def belongs_to(
    point: str = "", group: str = "", part: str = "", stage: str = "", by: str = ""
) -> Photographed:
    """What a photograph to come belongs to."""
    return Photographed("", "", 0, 0, "", point=point, group=group, part=part, stage=stage, by=by)
