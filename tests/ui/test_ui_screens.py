"""Several screens: the window stays where all of it, the cut-off bar too, can be seen."""

import json
import os
import subprocess
import sys

import pytest
from PySide6.QtCore import QRect

from benchlog_ui.look import LEAST_SCALE, scale_for
from benchlog_ui.screens import within

MAIN, BESIDE = QRect(0, 0, 1920, 1040), QRect(1920, 0, 1366, 728)


@pytest.mark.parametrize(
    ("frame", "wanted"),
    [
        (QRect(100, 100, 1366, 768), QRect(100, 100, 1366, 768)),
        (QRect(1920, 0, 1366, 728), QRect(1920, 0, 1366, 728)),
        (QRect(2000, 0, 1200, 768), QRect(2000, 0, 1200, 728)),
        (QRect(1900, 10, 1366, 700), QRect(1920, 10, 1366, 700)),
        (QRect(400, 600, 1366, 768), QRect(400, 272, 1366, 768)),
        (QRect(-5000, 300, 1000, 700), QRect(0, 300, 1000, 700)),
    ],
)
def test_a_window_is_moved_into_the_screen_it_covers_most(frame, wanted):
    assert within(frame, [MAIN, BESIDE]) == wanted


def test_without_a_screen_it_stays():
    assert within(QRect(1, 2, 3, 4), []) == QRect(1, 2, 3, 4)


OPENED = """
import os
import sys
from PySide6.QtCore import QRect
from PySide6.QtWidgets import QApplication
from benchlog_ui.screens import keep_within
from benchlog_ui.start import Start

app = QApplication([])
def opened():
    start = Start(app, os.pipe()[0], os.open(os.devnull, os.O_WRONLY))
    start._show_as_left()
    keep_within(start.window)
    app.processEvents()
    return start
start = opened()
if "leave" in sys.argv:
    start.window.showNormal()
    start.window.setGeometry(QRect(2000, 40, 1200, 680))
    app.processEvents()
    start._keep_as_left()
    start = opened()
print(*start.window.geometry().getRect())
sys.stdout.flush()
os._exit(0)
"""


def test_the_window_remembers_its_screen_and_comes_back_where_that_is_gone(tmp_path):
    def opened(how, *screens, factor="1"):
        config = tmp_path / "screens.json"
        kept = [{"name": n, "x": x, "y": y, "width": w, "height": h} for n, x, y, w, h in screens]
        config.write_text(json.dumps({"screens": kept}))
        environment = {
            **os.environ,
            "XDG_CONFIG_HOME": str(tmp_path),
            "QT_QPA_PLATFORM": f"offscreen:configfile={config}",
            "QT_SCALE_FACTOR": factor,
        }
        ran = subprocess.run(
            [sys.executable, "-c", OPENED, how], capture_output=True, text=True, check=True, env=environment
        )
        return QRect(*(int(word) for word in ran.stdout.split()))

    main, beside = ("main", 0, 0, 1920, 1080), ("beside", 1920, 0, 1366, 768)
    assert opened("leave", main, beside) == QRect(2000, 40, 1200, 680)
    alone = opened("look", main)
    assert QRect(0, 0, 1920, 1080).contains(alone)
    assert alone.width() >= 900
    # everything enlarged by half: 911 × 512 of the window's own pixels, and the lower edge is there
    enlarged = opened("look", ("main", 0, 0, 1366, 768), factor="1.5")
    assert enlarged.bottom() <= 512
    assert enlarged.right() <= 911


def test_a_desktop_that_enlarges_makes_nothing_larger_than_it_fits():
    assert scale_for(1366, 768) == scale_for(1366 // 2, 768 // 2, 2.0) * 2
    assert scale_for(911, 512, 1.5) < LEAST_SCALE
    assert scale_for(600, 400) == LEAST_SCALE
