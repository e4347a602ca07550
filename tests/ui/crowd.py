"""How crowded the machine is: promises in real time are held against an idle one."""

import os


def crowd():
    """How many times more work waits than the machine does: promises in real time are for an idle one."""
    return max(1.0, os.getloadavg()[0] / (2 * (os.cpu_count() or 1)))
