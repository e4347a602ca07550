"""Run as ``python -m benchlog``."""

from benchlog.cli.main import entry

entry()
