"""Processor time of the simulated unit: ``python tests/bench/simulated_unit_speed.py [RUNS]``.

390 simulated seconds, ten apertures a second, eleven steps; processor seconds of the physics alone.
"""

import sys
import time

from benchlog.model.unit import Amplifier, Core, Supply
from benchlog_drivers.simulated.faults import Fault
from benchlog_drivers.simulated.population import draw_unit
from benchlog_drivers.simulated.unit import SimulatedUnit

STEPS = (
    (0.05, 15),
    (0.10, 15),
    (0.15, 15),
    (0.20, 15),
    (0.30, 15),
    (0.40, 60),
    (0.50, 60),
    (0.65, 15),
    (0.80, 15),
    (0.90, 15),
    (1.00, 120),
)


def bring_up(amplifier: Amplifier, supply: Supply, fault: Fault, seed: int) -> float:
    """Processor seconds of one bring-up of a drawn unit."""
    start = time.process_time()
    core = Core.TOROIDAL if seed % 2 else Core.FRAME
    params, _ = draw_unit(amplifier, supply, core, 120.0, seed)
    unit = SimulatedUnit(params, fault)
    for fraction, seconds in STEPS:
        unit.set_source(fraction * 120.0, True)
        for _ in range(10 * seconds):
            unit.advance(0.1)
    return time.process_time() - start


def main() -> None:
    """Print median and longest for each kind."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 9
    for amplifier, supply, fault in (
        (Amplifier.CLASS_AB, Supply.LINEAR, Fault.NONE),
        (Amplifier.CLASS_AB, Supply.LINEAR, Fault.SHORTED_DEVICE),
        (Amplifier.CLASS_AB, Supply.LINEAR, Fault.BIAS_RUNAWAY),
        (Amplifier.CLASS_A, Supply.LINEAR, Fault.NONE),
        (Amplifier.VALVE, Supply.LINEAR, Fault.NONE),
        (Amplifier.CLASS_AB, Supply.SWITCH_MODE, Fault.NONE),
    ):
        times = sorted(bring_up(amplifier, supply, fault, seed) for seed in range(runs))
        print(f"{amplifier} {supply} {fault}: median {times[runs // 2]:.2f} s, longest {times[-1]:.2f} s")


if __name__ == "__main__":
    main()
