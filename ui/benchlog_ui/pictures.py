"""Makes the program's own pictures: every scene at two sizes, light and dark, into a folder.

``python -m benchlog_ui.pictures FOLDER [NAME …]``; a name is a scene's (``completed``) or one picture's
(``completed-dark-1366x768``). Runs on a virtual screen (``QT_QPA_PLATFORM=offscreen`` is
set when nothing else is).
"""

import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PySide6.QtWidgets import QApplication

    from benchlog.model.protocol import ToWindow
    from benchlog_ui.colours import Colours
    from benchlog_ui.desk import Desk
    from benchlog_ui.scenes import Scene
    from benchlog_ui.start import Start
    from benchlog_ui.story import Story

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
        for colours in (LIGHT, DARK):
            for size in SIZES:
                stem = f"{name}-{colours.name}-{size[0]}x{size[1]}"
                if len(words) == 1 or name in words[1:] or stem in words[1:]:
                    picture(application, scene, page, colours, size, folder / f"{stem}.png")
                    sys.stderr.write(f"{folder / stem}.png\n")
    return 0


def shots() -> "list[tuple[str, Scene, str]]":
    """Every picture: its name, the scene behind it, the page that is open."""
    from benchlog_ui.scenes import SCENES, SOAK, named
    from benchlog_ui.shell import BEFORE, BENCH, HISTORY, KEYS
    from benchlog_ui.stages import Stage

    found = [(scene.name, scene, Stage.BRING_UP.value) for scene in SCENES]
    done, coarse = named("completed"), named("cannot-judge")
    found += [(f"stage-{s.value}", done, s.value) for s in Stage if s is not Stage.BRING_UP]
    found += [("soaking", SOAK, Stage.SOAK.value)]
    found += [("history", done, HISTORY), ("instruments", named("middle"), BENCH)]
    found += [("keys", done, KEYS), ("before-power", coarse, BEFORE)]
    return [*found, ("before-power-class-ab", done, BEFORE)]


def staged(
    application: "QApplication", scene: "Scene", page: str, colours: "Colours", size: tuple[int, int]
) -> "tuple[Start, float]":
    """A window that shows a scene as it stands at its end, and the real time at which it stands so."""
    from benchlog_ui.inrush import switched
    from benchlog_ui.invented import cold_checks, ended, entries_of, run_lines
    from benchlog_ui.scenes import MAINS_V, waveform
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
    desk.stop()
    if scene.again:
        _start_again(desk, story, messages, heard)
        return start, heard + 0.05
    for message in messages:
        desk.board.take(message, heard)
    desk.frame_at(heard)
    desk.board.setup = story.setup
    end = ended(messages)
    lines = cold_checks() + run_lines(story.setup, messages, 2000.0)
    if scene.soak_s:  # its readings are looked up by the time at which it began
        lines = [(t_s - 2000.0, payload) for t_s, payload in lines]
    desk.shell.take(entries_of([*lines, *([(2600.0, end)] if end is not None else [])]))
    desk.shell.go(page)
    if scene.wave:
        desk.shell.bring_up.show_switched(switched(waveform(), MAINS_V))
    return start, heard + 0.05


def _start_again(desk: "Desk", story: "Story", messages: Sequence["ToWindow"], heard: float) -> None:
    """What a window that was started again is told, and what it reads in the file."""
    import msgspec
    import numpy as np

    from benchlog.model.clock import US
    from benchlog.model.event import Judged
    from benchlog.model.protocol import Hello, LimitsNow, Live, PowerState, SaidNow, StorageState
    from benchlog_ui.invented import cold_checks, entries_of, run_lines
    from benchlog_ui.shelf import Curve, Lines

    newest: dict[type, ToWindow] = {}
    for message in messages:
        newest[type(message.said) if isinstance(message, SaidNow) else type(message)] = message
    hello = newest[Hello]
    assert isinstance(hello, Hello)
    desk.board.take(msgspec.structs.replace(hello, now_us=story.now_us), heard)
    for kind in (LimitsNow, PowerState, StorageState, Judged, Live):
        if kind in newest:
            desk.board.take(newest[kind], heard)
    desk.frame_at(heard)
    lines = [(t_s - 2000.0, payload) for t_s, payload in run_lines(story.setup, messages, 2000.0)]
    desk._found(Lines(entries_of([(-900.0 + n, p) for n, (_, p) in enumerate(cold_checks())] + lines), True))
    points = [point for message in messages if isinstance(message, Live) for point in message.points]
    for name in dict.fromkeys(point.channel for point in points):
        mine = [
            (p.t_us / US, p.value if p.value is not None else np.nan) for p in points if p.channel == name
        ]
        t_s, v = np.array(mine).T
        desk._found(Curve(name, t_s, v, 1.0))


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
