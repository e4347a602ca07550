"""Cut-off, re-arming, and the soak."""

import pytest

from benchlog.model.event import (
    Ended,
    Instruct,
    Judged,
    Key,
    KeyPressed,
    Marked,
    SetSource,
    SourceAnswered,
    StepDone,
    SwitchOff,
)
from benchlog.model.role import Role
from benchlog.model.step import DecidedBy, Outcome, StepVerdict

SLOW = {Role.SOURCE_CURRENT: 0.5, Role.INLET_VOLTAGE: 0.5}


def good(v: float, t: float) -> float:
    """A unit that draws 0.15 A from 60 V on."""
    return 0.02 + 0.13 * min(v / 60.0, 1.0)


def cut(r):
    """Cut off by a short."""
    r.level[Role.SOURCE_CURRENT] = 2.0
    r.run(0.3)
    assert r.watch.latched
    r.level[Role.SOURCE_CURRENT] = 0.0
    return r


def test_the_order_goes_out_before_anything_else_is_said(rig) -> None:
    r = rig().to_step(0.10, 0.05)
    before = len(r.said)
    cut(r)
    kinds = [type(said) for _, said in r.said[before:]]
    assert kinds[:5] == [SwitchOff, Instruct, Judged, StepDone, Ended]
    off = next(said for _, said in r.said[before:] if isinstance(said, SwitchOff))
    assert off.latched and off.reason.startswith(
        "Cut off. 2.00 A at 12 V, like 6.0 Ω: a short behind the transformer"
    )


def test_nothing_else_is_switched_on_while_it_is_latched(rig) -> None:
    r = cut(rig().to_step(0.10, 0.05))
    count = len(r.all(SetSource))
    r.run(300.0)
    r.press(Key.GO_ON, "again")
    assert len(r.all(SetSource)) == count
    assert r.watch.next_deadline() is None


def test_the_technician_can_cut_off_at_any_time(rig) -> None:
    r = rig().to_step(0.10, 0.05)
    r.press(Key.CUT_OFF, "smoke")
    assert r.ended is not None and r.ended.outcome is Outcome.CUT_OFF
    assert r.verdict.reason == "Cut off by the technician at 12 V: smoke"
    assert r.verdict.decided_by is DecidedBy.TECHNICIAN
    assert r.watch.records[-1].decided_by is DecidedBy.TECHNICIAN
    r = rig()
    r.run(0.2)
    r.press(Key.CUT_OFF)
    assert r.watch.latched


def test_by_hand_it_is_one_line_until_the_inlet_is_near_zero(rig) -> None:
    r = rig(hand_set=True)
    r.level[Role.SOURCE_CURRENT] = 0.05
    r.to_step_by_hand(0.10)
    r.press(Key.CUT_OFF)
    assert r.lines()[-1] == Instruct("Bench switch off. Dial to zero. Unplug.", 0.0, urgent=True)
    assert not r.watch.power_gone
    r.level[Role.SOURCE_CURRENT] = 0.0
    r.run(2.0)
    assert not r.watch.power_gone, "zero current is not off"
    r.turn(0.0)
    r.run(0.1)
    assert not r.watch.power_gone
    r.run(0.1)
    assert r.watch.power_gone
    assert r.lines()[-1] == Instruct("The inlet reads 0 V. The reservoirs may still be charged")


def test_or_until_the_technician_says_so(rig) -> None:
    r = rig(hand_set=True)
    r.to_step_by_hand(0.10)
    r.press(Key.CUT_OFF)
    r.press(Key.NEAR_ZERO)
    assert r.watch.power_gone
    assert r.marks("near-zero")


def test_a_contactor_makes_a_hand_set_source_one_that_is_cut_off(rig) -> None:
    r = rig(hand_set=True, contactor=True)
    r.to_step_by_hand(0.10)
    r.press(Key.CUT_OFF)
    assert r.all(SwitchOff)
    assert r.ended is not None and r.ended.outcome is Outcome.CUT_OFF


def test_the_read_back_of_a_programmed_source_is_the_end_of_power(rig) -> None:
    r = rig().to_step(0.10, 0.05)
    r.silent = {Role.INLET_VOLTAGE}
    cut(r)
    assert not r.watch.power_gone
    r.tell(SourceAnswered(0.0, output_on=False))
    assert r.watch.power_gone
    assert r.press(Key.REARM, fuse_intact=True)[0].what == "refused", "read back is not read near zero"


def test_rearming_needs_near_zero_volts(rig) -> None:
    r = rig(hand_set=True)
    r.level[Role.SOURCE_CURRENT] = 0.05
    r.to_step_by_hand(0.10)
    cut(r)
    refused = r.press(Key.REARM, fuse_intact=True)
    assert [m.what for m in refused] == ["refused"]
    assert "Not before the inlet is below 5 V" in refused[0].detail
    r.turn(0.0)
    r.run(0.5)
    assert r.press(Key.REARM, fuse_intact=True)[0].what == "rearmed"


@pytest.mark.parametrize(
    ("fuse_intact", "refusal"),
    [
        (None, "Say first whether the mains fuse is still good"),
        (False, "Fit a fuse of the same type, rating and breaking capacity first"),
    ],
)
def test_rearming_asks_whether_the_fuse_is_still_good(rig, fuse_intact: bool | None, refusal: str) -> None:
    r = cut(rig().to_step(0.10, 0.05))
    r.run(0.5)
    assert r.press(Key.REARM, fuse_intact=fuse_intact) == [Marked("refused", refusal, 1)]
    assert r.watch.latched


def test_there_is_nothing_to_rearm_before_a_cut_off(rig) -> None:
    r = rig().to_step(0.10, 0.05)
    assert r.press(Key.REARM, fuse_intact=True)[0].detail == "Nothing is cut off"


def test_it_begins_again_at_the_first_step(rig) -> None:
    r = cut(rig().to_step(0.30, 0.05))
    r.run(0.5)
    r.press(Key.REARM, fuse_intact=True)
    assert r.ended is None and not r.watch.latched
    r.level[Role.SOURCE_CURRENT] = good
    r.run(0.3)
    assert r.all(SetSource)[-1].set_v == 6.0
    r.run(900.0)
    assert r.ended is not None and r.ended.outcome is Outcome.COMPLETED
    assert [record.fraction for record in r.watch.records] == [s.fraction for s in r.setup.steps]


def test_by_hand_it_begins_again_at_or_below_twenty_percent(rig) -> None:
    r = rig(hand_set=True)
    r.level[Role.SOURCE_CURRENT] = 0.05
    r.to_step_by_hand(0.30)
    cut(r)
    r.turn(0.0)
    r.run(0.5)
    r.press(Key.REARM, fuse_intact=True)
    r.level[Role.SOURCE_CURRENT] = 0.05
    r.run(0.5)
    r.turn(36.0)
    r.run(5.0)
    assert r.verdict.rule == "too-high"
    assert r.lines()[-1] == Instruct("Turn back to 6 V: after a cut-off begin at or below 20 %", 6.0)
    r.turn(20.0)
    r.run(3.0)
    assert r.verdict.rule == "settling"
    assert r.setup.steps[r.verdict.step].fraction == 0.15


def test_a_soak_is_the_last_state(rig) -> None:
    r = rig(soak_s=900.0, periods=SLOW).to_step(1.00, good)
    r.run(125.0)
    assert r.lines()[-1].text == "Soak: 15 min at 120 V"
    assert r.watch.records[-1].verdict is StepVerdict.GO_UP
    r.run(890.0)
    assert r.ended is None
    r.run(20.0)
    assert r.ended is not None
    assert (r.ended.outcome, r.ended.reason) == (
        Outcome.COMPLETED,
        "Completed: 15 min of soak at 120 V, 0.15 A",
    )
    assert r.watch.not_judged == ()
    assert "Soak" not in r.watch.not_tested


def soak(rig, **levels):
    """A soak of 15 min with slowly moving readings; times count from the last arrival."""
    roles = SLOW | {Role.HEATSINK: 1.0, Role.OUTPUT_DC: 1.0, Role.SOURCE_POWER: 1.0}
    r = rig(soak_s=900.0, periods=roles)
    r.level.update({Role.HEATSINK: 30.0, Role.OUTPUT_DC: 0.0, Role.SOURCE_POWER: 17.0})
    r.to_step(1.00, good)
    r.run(125.0)
    r.level.update({Role(name.replace("_", "-")): level for name, level in levels.items()})
    r.run(910.0)
    assert r.ended is not None and r.ended.outcome is Outcome.COMPLETED
    return r.watch.not_judged


def test_a_current_that_moves_by_more_than_five_percent_is_not_steady(rig) -> None:
    steady = soak(rig, source_current=lambda v, t: 0.15 * (1 + 0.04 * (t - 125) / 600))
    assert steady == ()
    assert soak(rig, source_current=lambda v, t: 0.15 * (1 + 0.08 * (t - 125) / 600)) == (
        "The current moved by +8 % over the last 10 min of the soak",
    )


def test_so_are_watts_offset_and_heatsink(rig) -> None:
    found = soak(
        rig,
        source_power=lambda v, t: 17.0 * (1 - 0.08 * (t - 125) / 600),
        output_dc=lambda v, t: 0.015 * (t - 125) / 600,
        heatsink=lambda v, t: 58.0 + 4.0 * (t - 125) / 900,
    )
    assert len(found) == 4
    assert any(text.startswith("The power moved by -") for text in found)
    assert any(text.startswith("The output DC moved by +14 mV") or "+15 mV" in text for text in found)
    assert any(text.startswith("The heatsink rose by 2.") for text in found)
    assert any(text.startswith("The heatsink is at 62 °C") for text in found)


def test_a_soak_above_the_acceptance_limit_ends_undecided(rig) -> None:
    """It warms up too slowly for the rise rules: 6 % in 30 s."""
    r = rig(soak_s=1200.0, periods=SLOW).to_step(1.00, good)
    limit = r.setup.steps[-1].acceptance.value
    r.level[Role.SOURCE_CURRENT] = lambda v, t: min(0.15 * 1.06 ** (max(t - 125.0, 0.0) / 30.0), 1.02 * limit)
    r.run(1400.0)
    assert r.ended is not None and r.ended.outcome is Outcome.UNDECIDED
    assert "above the acceptance limit" in r.ended.reason


def test_a_soak_may_be_stopped(rig) -> None:
    r = rig(soak_s=600.0).to_step(1.00, good)
    r.run(200.0)
    r.press(Key.STOP)
    assert r.ended is not None and r.ended.reason == "Soak stopped by the technician at 120 V"
    assert len(r.watch.records) == len(r.setup.steps)


@pytest.mark.parametrize("moving", [False, True])
def test_a_source_that_switches_itself_off_is_a_cut_off(rig, moving: bool) -> None:
    r = rig().to_step(0.10, 0.02)
    if moving:
        r.answers = False
        r.run(20.0, until=lambda r: len(r.all(SetSource)) == 3)
    r.tell(SourceAnswered(12.0, output_on=False))
    assert r.verdict.rule == "source-off"
    assert r.watch.latched
    assert r.verdict.reason.startswith("Cut off. The source switched its output off by itself")


def test_a_part_of_the_program_that_cuts_off_says_so(rig) -> None:
    r = rig().to_step(0.10, 0.02)
    r.tell(KeyPressed(Key.CUT_OFF, "the window is gone", by="recorder"))
    assert r.verdict.reason == "Cut off by the program at 12 V: the window is gone"
    assert (r.verdict.rule, r.verdict.decided_by) == ("program", DecidedBy.PROGRAM)
