"""First look, adjustment, final checks and safety figures: verdicts against standards and the trade.

Sources: fuses alike in type, characteristic, rating and breaking capacity (makers' panels; marking IEC
60127-1); mains ±10 % (IEC 60038); rails within 2-5 % and ripple twice the estimate (trade, common practice,
no source); ripple I/(2fC) and r.m.s. power V²/R (textbook); insulation 1 MΩ class I, 2 MΩ class II and earth
0.3 Ω (VDE 0701-0702:2008 as a tester's manual quotes it); bias figures of makers' service manuals.
"""

import math

import pytest

from benchlog.cold.final import (
    Circumstances,
    bias_current_a,
    judge_adjusted,
    judge_final,
    judge_safety,
    rails,
    ripple,
)
from benchlog.cold.look import judge_fitted, judge_look, judge_selector
from benchlog.model.errors import UsageError
from benchlog.model.limit import Confidence
from benchlog.model.quantity import Quantity
from benchlog.model.step import PointVerdict
from benchlog.model.unit import OutputTopology
from benchlog.model.work import Adjusted, Adjustment, FinalCheck, FinalChecked, FirstLook, SafetyMeasured

W, D, O, N = PointVerdict.WITHIN, PointVerdict.DOUBTFUL, PointVerdict.OUTSIDE, PointVerdict.NONE  # noqa: E741
DIRECT = OutputTopology.DIRECT


@pytest.mark.parametrize(
    ("fitted", "marked", "verdict"),
    [
        ("T4AL250V", "T4AL250V", W), ("T4AH250V", "T4AL250V", W), ("T6.3AL250V", "T4AL250V", O),
        ("T2AL250V", "T4AL250V", O), ("F4AL250V", "T4AL250V", O), ("T4AL250V", "T4AH250V", O),
        ("UL 4A", "T4AL250V", O), ("4A", "T4AL250V", D), ("T4A", "T4AL250V", D), ("bridged", "T4AL250V", O),
        ("Foil", "T4AL250V", O), ("", "T4AL250V", N), ("T4AL250V", "", N),
    ],
)  # fmt: skip
def test_fuse_fitted_against_fuse_marked(fitted: str, marked: str, verdict: PointVerdict) -> None:
    assert judge_fitted(fitted, marked)[0] is verdict


def test_a_fuse_that_is_none_says_how_to_write_it() -> None:
    with pytest.raises(UsageError, match="bridged"):
        judge_fitted("something", "T4AL250V")
    with pytest.raises(UsageError, match="above zero"):
        judge_selector(-1.0, 120.0)


@pytest.mark.parametrize(
    ("selector", "mains", "verdict"),
    [(120, 120, W), (110, 120, W), (240, 230, W), (230, 120, O), (100, 120, O), (None, 230, N)],
)
def test_selector_against_mains(selector: float | None, mains: float, verdict: PointVerdict) -> None:
    assert judge_selector(selector, mains)[0] is verdict


def test_a_first_look_is_judged_whole() -> None:
    look = judge_look(
        FirstLook(fuse_fitted="T6.3AL250V", fuse_marked="T4AL250V", selector_v=120, mains_v=120)
    )
    assert (look.fuse_verdict, look.selector_verdict) == (O, W)
    assert "6.3 A in place of 4 A" in look.fuse_reason


def bias(after: float | None, **more: object) -> Adjusted:
    given = {"u": 0.0002, "warm_min": 20.0} | more
    return judge_adjusted(Adjusted(Adjustment.BIAS, "left", 0.003, after, **given))  # type: ignore[arg-type]


def test_bias_by_makers_and_by_the_units_own_figure() -> None:
    assert bias(0.012).verdict is W
    assert bias(0.040).verdict is D
    own = bias(0.012, target_v=0.010, target_within_v=0.001)
    assert own.verdict is O
    assert own.limit is not None
    assert own.limit.confidence is Confidence.MAKER
    assert bias(0.0101, target_v=0.010, target_within_v=0.001).verdict is W
    assert bias(0.0101, target_v=0.010).verdict is N
    assert bias_current_a(bias(0.0132, emitter_ohm=0.22)) == pytest.approx(0.06)


def test_nothing_is_within_at_a_warmth_that_nobody_declared() -> None:
    assert bias(0.012, warm_min=None).verdict is N
    assert bias(0.020, warm_min=None, target_v=0.010, target_within_v=0.001).verdict is O
    assert bias(None).verdict is N
    with pytest.raises(UsageError, match="channel"):
        judge_adjusted(Adjusted(Adjustment.BIAS, " ", None, 0.01))
    with pytest.raises(UsageError, match="reading"):
        judge_adjusted(Adjusted(Adjustment.BIAS, "left", None, None))


def offset(v: float, side: str = "amplifier", topology: OutputTopology = DIRECT) -> PointVerdict:
    checked = FinalChecked(FinalCheck.OFFSET, "left", v, u=0.001, relay_side=side, topology=topology)
    return judge_final(checked).verdict


def test_offset_behind_a_relay_can_fail_and_never_pass() -> None:
    assert [offset(v) for v in (0.004, -0.05, 0.3)] == [W, D, O]
    assert [offset(v, "no relay") for v in (0.004, -0.05, 0.3)] == [W, D, O]
    assert [offset(v, "loudspeaker") for v in (0.004, -0.05, 0.3)] == [N, N, O]
    assert [offset(v, "") for v in (0.004, 0.3)] == [N, O]
    assert offset(0.004, topology=OutputTopology.UNKNOWN) is N
    assert offset(0.3, topology=OutputTopology.SERVO) is N  # the limit is from memory
    with pytest.raises(UsageError, match="Side"):
        offset(0.004, "left")


def test_rails_and_ripple() -> None:
    assert rails(41.2, -41.0, 0.1).verdict is W
    assert rails(41.2, -38.4, 0.1).verdict is D
    assert rails(41.2, -35.0, 0.1).verdict is O
    assert rails(41.2, -41.0, None).verdict is N
    with pytest.raises(UsageError, match="above and one below"):
        rails(41.2, 41.0, 0.1)
    # 0.16 A, 10 mF, 50 Hz: 0.16 V peak to peak, so doubtful above 0.32 V
    found = ripple(0.2, 0.01, 0.16, 10e-3, 50.0)
    assert found.limit is not None
    assert found.limit.value == pytest.approx(2 * 0.16 / (2 * 50 * 10e-3))
    assert found.verdict is W
    assert ripple(0.6, 0.01, 0.16, 10e-3, 50.0).verdict is D
    around = Circumstances(supply_a=0.16, farad=10e-3, mains_hz=50.0)
    checked = FinalChecked(FinalCheck.RIPPLE, value=0.6, quantity=Quantity.PEAK_VOLTAGE, u=0.01)
    assert judge_final(checked, around).verdict is D
    assert judge_final(checked).verdict is N


def test_output_is_recorded_with_its_power_and_not_judged() -> None:
    made = judge_final(
        FinalChecked(
            FinalCheck.OUTPUT, "left", 20.0, quantity=Quantity.AC_VOLTAGE, load_ohm=8.0, distortion=4e-4
        )
    )
    assert made.power_w == 50.0
    assert made.verdict is N
    heard = judge_final(FinalChecked(FinalCheck.HUM, "left", seen="none at one metre"))
    assert heard.verdict is N
    with pytest.raises(UsageError, match="needs a reading"):
        judge_final(FinalChecked(FinalCheck.TAP))


def safety(
    test: str, value: float | None, scheme: str = "de", protection: str = "i", **more: object
) -> SafetyMeasured:
    given = {
        "u": 0.05 * (value or 0.0), "tester": "Invented Tester", "instrument": "tester",
        "calibration_due": "2026-06-01",
    } | more  # fmt: skip
    measured = SafetyMeasured(test, value, "", scheme, protection, **given)  # type: ignore[arg-type]
    return judge_safety(measured, "2026-01-05")


def test_safety_figures_stand_beside_the_limit_that_was_chosen() -> None:
    assert safety("earth-ohms", 0.12).verdict is W
    assert safety("earth-ohms", 0.12, "uk").verdict is O
    assert safety("insulation-ohms", 200e6, over_range=True).verdict is W
    assert safety("insulation-ohms", 0.6e6).verdict is O
    assert safety("insulation-ohms", 1.5e6, protection="ii").verdict is O
    assert safety("touch-current", 0.1e-3, protection="ii").verdict is W
    assert safety("earth-ohms", 20.0, over_range=True).verdict is N


def test_safety_figures_that_decide_nothing() -> None:
    memory = safety("touch-current", 0.05e-3, "iec62353", "ii")
    assert memory.verdict is N
    assert "from memory" in memory.reason
    assert "due 2025-12-31" in safety("earth-ohms", 0.12, calibration_due="2025-12-31").reason
    for missing in ({"calibration_due": ""}, {"instrument": ""}, {"u": None}, {"value": None}):
        given = {"value": 0.12} | missing
        assert safety("earth-ohms", **given).verdict is N  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="licensed"):
        safety("earth-ohms", 0.12, tester=" ")
    with pytest.raises(UsageError, match="on file"):
        safety("earth-ohms", 0.12, "atlantis")
    assert math.isfinite(memory.limit.value if memory.limit else math.inf)
