"""Where the window stands among several screens: the cut-off bar is always within reach.

`QWidget.restoreGeometry` puts the window back on its screen; a screen that is gone, smaller, or unplugged
while the window stands on it, must not take the lower edge with it.
"""

from collections.abc import Sequence

from PySide6.QtCore import QRect, QTimer
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QWidget


def within(frame: QRect, screens: Sequence[QRect]) -> QRect:
    """The frame itself where one screen holds all of it, else moved into the screen it covers most.

    ``screens``: what each screen leaves free, the main one first. What is larger than its screen is cut down.
    """
    if not screens or any(screen.contains(frame) for screen in screens):
        return frame
    home = max(screens, key=lambda screen: _covered(frame, screen))
    width, height = min(frame.width(), home.width()), min(frame.height(), home.height())
    left = min(max(frame.left(), home.left()), home.left() + home.width() - width)
    top = min(max(frame.top(), home.top()), home.top() + home.height() - height)
    return QRect(left, top, width, height)


def _covered(frame: QRect, screen: QRect) -> int:
    both = frame.intersected(screen)
    return both.width() * both.height() if both.isValid() else 0


def keep_within(window: QWidget) -> None:
    """Put a window where all of it can be seen, now and whenever a screen goes or changes."""
    application = QGuiApplication.instance()
    assert isinstance(application, QGuiApplication)

    def settle() -> None:
        if window.isMaximized() or window.isFullScreen():
            return  # the platform keeps these on a screen
        frame, inner = window.frameGeometry(), window.geometry()
        wanted = within(frame, [screen.availableGeometry() for screen in QGuiApplication.screens()])
        if wanted != frame:
            window.resize(
                inner.width() - frame.width() + wanted.width(),
                inner.height() - frame.height() + wanted.height(),
            )
            window.move(wanted.topLeft())

    def later() -> None:
        QTimer.singleShot(0, window, settle)  # after the platform has moved what it moves by itself

    application.screenRemoved.connect(later)
    application.primaryScreenChanged.connect(later)
    settle()
