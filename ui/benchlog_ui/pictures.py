"""Makes the program's own pictures: every scene at two sizes, light and dark, into a folder.

``python -m benchlog_ui.pictures FOLDER [NAME …]``; runs on a virtual screen (``QT_QPA_PLATFORM=offscreen`` is
set when nothing else is).
"""

import os
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PySide6.QtWidgets import QApplication

    from benchlog_ui.colours import Colours
    from benchlog_ui.scenes import Scene
    from benchlog_ui.start import Start

_FRAMES = 14
"""Frames until everything is drawn, the slowly drawn parts too."""
SIZES = ((1920, 1080), (1366, 768))


def main(words: list[str]) -> int:
    """Make the pictures asked for. Returns an exit code."""
    if not words:
        sys.stderr.write("Say into which folder: python -m benchlog_ui.pictures FOLDER [NAME …]\n")
        return 2
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from PySide6.QtWidgets import QApplication

    QApplication.setStyle("Fusion")
    application = QApplication(sys.argv[:1])
    from benchlog_ui.colours import DARK, LIGHT

    folder = Path(words[0])
    folder.mkdir(parents=True, exist_ok=True)
    for name, scene, page in shots():
        if len(words) > 1 and name not in words[1:]:
            continue
        for colours in (LIGHT, DARK):
            for width, height in SIZES:
                path = folder / f"{name}-{colours.name}-{width}x{height}.png"
                picture(application, scene, page, colours, (width, height), path)
                sys.stderr.write(f"{path}\n")
    return 0


def shots() -> "list[tuple[str, Scene, str]]":
    """Every picture: its name, the scene behind it, the page that is open."""
    from benchlog_ui.scenes import SCENES, named
    from benchlog_ui.shell import BEFORE, BENCH, HISTORY
    from benchlog_ui.stages import Stage

    found = [(scene.name, scene, Stage.BRING_UP.value) for scene in SCENES]
    done, coarse = named("completed"), named("cannot-judge")
    found += [(f"stage-{s.value}", done, s.value) for s in Stage if s is not Stage.BRING_UP]
    found += [("history", done, HISTORY), ("instruments", named("middle"), BENCH)]
    return [*found, ("before-power", coarse, BEFORE)]


def staged(
    application: "QApplication", scene: "Scene", page: str, colours: "Colours", size: tuple[int, int]
) -> "tuple[Start, float]":
    """A window that shows a scene as it stands at its end, and the real time at which it stands so."""
    from benchlog_ui.invented import cold_checks, ended, entries_of, run_lines
    from benchlog_ui.start import Start
    from benchlog_ui.story import Story

    start = Start(application, os.pipe()[0], os.open(os.devnull, os.O_WRONLY))
    start.window.set_colours(colours)
    start.window.resize(*size)
    start.window.show()
    start.window.activateWindow()
    until = time.monotonic() + 60.0
    while start.desk is None and time.monotonic() < until:
        application.processEvents()
    desk = start.desk
    assert desk is not None, "the window could not be furnished"
    heard = time.monotonic()
    story = Story(scene)
    messages = list(story.messages())
    for message in messages:
        desk.board.take(message, heard)
    desk.stop()
    desk.frame_at(heard)
    desk.board.setup = story.setup
    end = ended(messages)
    lines = cold_checks() + run_lines(story.setup, messages, 2000.0)
    desk.shell.take(entries_of([*lines, *([(2600.0, end)] if end is not None else [])]))
    desk.shell.go(page)
    return start, heard + 0.05


def picture(
    application: "QApplication",
    scene: "Scene",
    page: str,
    colours: "Colours",
    size: tuple[int, int],
    path: Path,
) -> None:
    """One picture of one scene on one page."""
    start, at_s = staged(application, scene, page, colours, size)
    desk = start.desk
    assert desk is not None
    late_s = 1.0 if desk.board.alarm else 0.0
    for number in range(_FRAMES):
        desk.frame_at(at_s + (late_s if number > 1 else 0.0))
        application.processEvents()
    start.window.grab().save(str(path))
    start.window.may_close = True
    start.window.close()
    application.removeEventFilter(start.key)
    start.window.deleteLater()
    application.processEvents()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
