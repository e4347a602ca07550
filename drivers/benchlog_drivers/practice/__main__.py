"""Serve one practice instrument until interrupted."""

import argparse
import sys
import time

from benchlog.bench.profile import Family
from benchlog.model.errors import BenchlogError
from benchlog.model.quantity import Quantity
from benchlog_drivers.practice.make import practice_quantities, practice_server
from benchlog_drivers.shelf import find_profile, shipped_profiles
from benchlog_drivers.simulated.trouble import Ordered, parse_trouble


def main() -> int:
    """Exit code: 0 when interrupted, else as the error says."""
    options = _options()
    try:
        profile = find_profile(options.profile)
        quantities = tuple(Quantity(q) for q in options.quantity) or practice_quantities(profile)
        troubles = tuple(_trouble(text) for text in options.trouble)
        server = practice_server(profile, quantities, troubles, options.pseudo_terminal)
    except (BenchlogError, ValueError) as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_code if isinstance(error, BenchlogError) else 2
    server.start()
    sys.stdout.write(
        f'[[instrument]]\nname = "practice"\nadaptor = "{profile.family.value}"\nroles = ["probe"]\n'
        f'profile = "{options.profile}"\nconnection = "{server.connection}"\n'
    )
    sys.stdout.flush()
    try:
        while True:
            time.sleep(1.0)
    except KeyboardInterrupt:
        return 0
    finally:
        server.stop()


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchlog_drivers.practice", description=__doc__)
    served = [n for n in shipped_profiles() if find_profile(n).family not in _NOT_SERVED]
    parser.add_argument("--profile", required=True, help=f"one of {', '.join(served)}")
    parser.add_argument("--quantity", action="append", default=[], help="what it measures; may be repeated")
    parser.add_argument(
        "--trouble", action="append", default=[], help="KIND[@START][+LENGTH][*SHARE], seconds"
    )
    parser.add_argument("--pseudo-terminal", action="store_true", help="instead of a TCP port")
    return parser.parse_args()


_NOT_SERVED = (Family.CONTACTOR, Family.DIGITISER)


def _trouble(text: str) -> Ordered:
    return parse_trouble(text if ":" in text else f"practice:{text}")


if __name__ == "__main__":
    sys.exit(main())
