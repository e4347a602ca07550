"""The judgement of capacitors and fuses against printed tables.

Sources: TYPICAL, a component tester's user guide (2012), typical ESR of standard-grade electrolytics at room
temperature; WORST, a repairers' chart of about the worst case of new parts at 20 °C; TAN, greatest tan δ at
120 Hz, 20 °C of a general-purpose 105 °C series, + 0.02 each 1000 µF above 1000; COLD, cold resistance of a
maker's time-lag ceramic links. The two ESR guides differ from each other by about 3:1.
"""

import math

import pytest

from benchlog.cold.judge import judge
from benchlog.cold.known import Seen
from benchlog.limits.fuse import parse_fuse
from benchlog.model.known import Known
from benchlog.model.point import PointKind
from benchlog.model.step import PointVerdict

W, D, O, N = PointVerdict.WITHIN, PointVerdict.DOUBTFUL, PointVerdict.OUTSIDE, PointVerdict.NONE  # noqa: E741

VOLTS = (10, 16, 25, 35, 63)
TYPICAL: dict[float, tuple[float, ...]] = {
    10: (20, 16, 14, 11, 9.3), 22: (9.0, 7.5, 6.2, 5.1, 4.2), 47: (4.2, 3.5, 2.9, 2.4, 2.0),
    100: (2.0, 1.6, 1.4, 1.1, 0.93), 220: (0.90, 0.75, 0.62, 0.51, 0.42), 470: (0.42, 0.35, 0.29, 0.24, 0.20),
    1000: (0.20, 0.16, 0.14, 0.11, 0.09), 2200: (0.09, 0.07, 0.06, 0.05, 0.04),
}  # fmt: skip
WORST: dict[float, tuple[float, ...]] = {
    22: (5.4, 3.6, 2.1, 1.5, 1.5), 47: (2.2, 1.6, 1.2, 0.68, 0.56), 100: (1.2, 0.7, 0.32, 0.32, 0.3),
    220: (0.6, 0.33, 0.23, 0.17, 0.16), 470: (0.24, 0.18, 0.12, 0.09, 0.09),
    1000: (0.12, 0.09, 0.08, 0.07, 0.05),
}  # fmt: skip
TAN = ((10, 0.20), (16, 0.16), (25, 0.14), (35, 0.12), (63, 0.09))


def rows(table: dict[float, tuple[float, ...]]) -> list[tuple[float, float, float]]:
    return [(c, v, x) for c, line in table.items() for v, x in zip(VOLTS, line, strict=True)]


def esr(
    microfarads: float, volts: float, ohms: float, in_circuit: bool = False, used: bool = True
) -> PointVerdict:
    known = Known(farad=microfarads * 1e-6, rated_v=volts, lead_zero_ohm=0.0, used=used)
    return judge(Seen(PointKind.ESR, ohms, u=0.02 * ohms, in_circuit=in_circuit), known).verdict


@pytest.mark.parametrize("table", [TYPICAL, WORST])
def test_no_good_part_of_the_guides_is_called_outside(table: dict[float, tuple[float, ...]]) -> None:
    assert {esr(*row) for row in rows(table)} <= {W, D, N}
    assert {esr(*row, in_circuit=True) for row in rows(table)} <= {D, N}


@pytest.mark.parametrize("table", [TYPICAL, WORST])
def test_every_part_at_twenty_times_the_guide_is_called_outside(
    table: dict[float, tuple[float, ...]],
) -> None:
    assert {esr(c, v, 20 * x) for c, v, x in rows(table)} == {O}
    assert {esr(c, v, 20 * x, in_circuit=True) for c, v, x in rows(table)} == {O}


def test_new_parts_are_never_judged_more_kindly_than_used_ones() -> None:
    rank = {W: 0, D: 1, O: 2}
    for c, v, x in rows(TYPICAL):
        for times in (0.2, 0.5, 1.0, 2.0, 5.0):
            new, used = esr(c, v, times * x, used=False), esr(c, v, times * x)
            assert N in (new, used) or rank[new] >= rank[used]


def test_at_twice_the_makers_tan_delta_a_used_part_is_at_its_end() -> None:
    """Makers end a series' life at tan δ 200 % of what is specified (TAN)."""
    for volts, tan in TAN:
        for microfarads in (47.0, 100.0, 220.0, 1000.0, 4700.0):
            more = 0.02 * max(math.ceil(microfarads / 1000.0) - 1, 0)
            spec = (tan + more) / (2.0 * math.pi * 120.0 * microfarads * 1e-6)
            assert esr(microfarads, volts, 2.2 * spec) is O
            assert esr(microfarads, volts, 0.9 * spec) is not O


@pytest.mark.parametrize(("rated", "cold"), [(1.0, 0.20), (2.0, 0.07), (4.0, 0.026)])
def test_a_makers_cold_links_read_within_and_ten_times_as_much_is_outside(rated: float, cold: float) -> None:
    """COLD: 0.20 Ω at 1 A, 0.07 at 2 A, 0.026 at 4 A; above ten times: common practice, no source."""
    known = Known(fuse=parse_fuse(f"T{rated:g}AH250V"), lead_zero_ohm=0.0)

    def at(ohms: float) -> PointVerdict:
        return judge(Seen(PointKind.OHMS, ohms, u=0.002), known).verdict

    assert (at(cold), at(12.0 * cold)) == (W, O)
