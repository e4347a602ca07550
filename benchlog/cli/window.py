"""``benchlog open`` (and ``benchlog`` by itself): the window, on a new session or one that is there.

The window is started before anything heavy is imported here, so that it is on the screen at once.
"""

import argparse
import os
import sys
from pathlib import Path

from benchlog.cli.output import say
from benchlog.model.display import display_missing
from benchlog.model.errors import DisplayFault, Exit


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``open``."""
    parser.add_argument(
        "session",
        type=Path,
        nargs="?",
        metavar="SESSION",
        help="session file, or document (PDF); without one, a new job",
    )
    parser.add_argument(
        "--bench",
        type=Path,
        metavar="FILE",
        help="instruments that are read while the window is open (default: those of the last time)",
    )
    parser.add_argument("--no-bench", action="store_true", help="read no instruments")


def run(args: argparse.Namespace) -> int:
    """Show the window until it is closed; entries and readings go into the session.

    `DisplayFault` before a session is begun where there is no display.
    """
    if display_missing(os.environ, sys.platform):
        raise DisplayFault(
            "There is no display here (neither DISPLAY nor WAYLAND_DISPLAY is set), and no job was begun. "
            "The commands work without one: 'benchlog --help', 'benchlog rehearse'."
        )
    from benchlog.recorder.window import WindowLink, window_command

    link = WindowLink(window_command())
    link.start()
    try:
        from benchlog.cli.sittings import Sittings, first_place

        result = Sittings(link, first_place(args)).run()
    finally:
        link.stop()
    if result is not None and result.window not in ("shown", "none"):
        say(f"benchlog: {result.window}")
        return int(Exit.ENVIRONMENT)
    return int(Exit.DONE)
