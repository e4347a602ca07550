"""``python -m benchlog_ui``: the window, started by the recorder, protocol on its standard streams."""

import sys

from benchlog_ui.start import run

if __name__ == "__main__":
    sys.exit(run())
