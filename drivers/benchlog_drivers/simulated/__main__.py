"""Runs a simulated bench whose options come as one JSON argument."""

import sys

import msgspec

from benchlog.model.errors import BenchlogError
from benchlog_drivers.simulated.options import SimulateOptions
from benchlog_drivers.simulated.process import run

if __name__ == "__main__":
    try:
        sys.exit(run(msgspec.json.decode(sys.argv[1], type=SimulateOptions)))
    except BenchlogError as error:
        sys.stderr.write(f"{error}\n")
        sys.exit(error.exit_code)
