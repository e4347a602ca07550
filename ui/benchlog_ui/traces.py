"""The curves of a run: one pyramid a channel, fed from the board, and from the file after a restart."""

import math
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from benchlog.model.clock import US
from benchlog.model.role import Role
from benchlog_ui.board import ACCEPTANCE, STOP, Board
from benchlog_ui.pyramid import Polyline, Pyramid

if TYPE_CHECKING:
    from benchlog.bringup.bounds import Bounds

_LEAST_GAP_S = 0.5
_PERIODS = 4.0


class Traces:
    """All curves by channel name. Lives in the window's main thread."""

    def __init__(self) -> None:
        """No curves yet."""
        self.curves: dict[str, Pyramid] = {}

    def drain(self, board: Board) -> set[str]:
        """Take every pending sample of the board; returns the channels that grew."""
        grown = set()
        for name, samples in board.pending.items():
            if not samples:
                continue
            self._append(name, np.array(samples), board)
            samples.clear()
            grown.add(name)
        return grown

    def _append(self, name: str, samples: npt.NDArray[np.float64], board: Board) -> None:
        curve = self.curves.get(name)
        if curve is None:
            curve = self.curves[name] = Pyramid()
        latest = board.latest.get(name)
        if latest is not None and latest.period_us > 0:
            least = _LEAST_GAP_S * (board.hello.time_scale if board.hello else 1.0)
            curve.gap_s = max(least, _PERIODS * latest.period_us / US)
        curve.append(samples[:, 0], samples[:, 1])

    def begin_with(
        self, name: str, t_s: npt.NDArray[np.float64], v: npt.NDArray[np.float64], gap_s: float
    ) -> None:
        """Put history before what came live since: the curve is made anew, the live samples follow."""
        live = self.curves.get(name)
        curve = Pyramid(gap_s=gap_s)
        curve.append(t_s, v)
        if live is not None and live.first_s is not None and live.last is not None:
            rest = live.samples(curve.last[0] if curve.last else -math.inf)
            curve.append(rest.t_s, rest.v)
        self.curves[name] = curve

    def line(self, name: str, from_s: float, to_s: float, pixels: int) -> Polyline | None:
        """What to draw of a channel; None where it has no samples."""
        curve = self.curves.get(name)
        return curve.view(from_s, to_s, pixels) if curve is not None and curve.count else None

    def limit(self, name: str, from_s: float, to_s: float, pixels: int) -> Polyline | None:
        """A limit's course in even columns, held from one change to the next and on to the right edge."""
        line = self.line(name, from_s, to_s, pixels)
        if line is None or not len(line.t_s):
            return line
        t_s = np.linspace(from_s, to_s, max(pixels // 2, 2))
        at = np.searchsorted(line.t_s, t_s, side="right") - 1
        return Polyline(t_s, np.where(at >= 0, line.v[np.maximum(at, 0)], np.nan))

    def limits_of_old(self, bounds: "Bounds", mains_v: float) -> None:
        """The limits' courses from the recorded inlet voltage: nobody said them to this window."""
        inlet = self.curves.get(Role.INLET_VOLTAGE)
        if inlet is None:
            return
        line = inlet.samples(-math.inf)
        steps = np.round(line.v / mains_v * 200)
        for name, at in ((ACCEPTANCE, bounds.acceptance_a), (STOP, bounds.stop_a)):
            known = {step: at(step / 200) for step in np.unique(steps[np.isfinite(steps)]).tolist()}
            values = np.array([known.get(step, math.nan) for step in steps.tolist()])
            keep = np.flatnonzero(np.diff(values, prepend=np.nan) != 0)
            self.begin_with(name, line.t_s[keep], values[keep], math.inf)

    def highest(self, names: tuple[str, ...], from_s: float, to_s: float) -> float | None:
        """Greatest value among some channels between two instants."""
        found = [e[1] for n in names if n in self.curves and (e := self.curves[n].extremes(from_s, to_s))]
        return max(found) if found else None


LIMITS = (ACCEPTANCE, STOP)
