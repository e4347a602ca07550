"""After the window: cannot judge, wait, go up; no current; the end of a step."""

import msgspec
import pytest

from benchlog.bringup.claims import unseen
from benchlog.limits import bringup as rules
from benchlog.model.clock import US
from benchlog.model.event import Instruct, Judged, Key, SetSource, StepDone, StorageChanged
from benchlog.model.instrument import Accuracy, MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Measured, Setting
from benchlog.model.role import Role
from benchlog.model.step import DecidedBy, Outcome, StepVerdict
from benchlog.model.unit import Amplifier, Fuse, Plate, PlateKind, Supply, Unit

SWITCH_MODE = Unit(
    mains_v=120.0,
    supply=Supply.SWITCH_MODE,
    amplifier=Amplifier.CLASS_D,
    core=None,
    plate=Plate(PlateKind.VOLT_AMPERES, 300.0),
    fuse=Fuse("T5AL250V", 5.0),
)


MIDDLE = Unit(mains_v=120.0, plate=Plate(PlateKind.VOLT_AMPERES, 150.0), fuse=Fuse("T2AL250V", 2.0))
CLAMP = MeterSheet((Accuracy(Quantity.AC_CURRENT, 0.02, 5, 0.010, least=0.05),))


def good(v: float, t: float) -> float:
    """A unit that draws 0.15 A from 60 V on."""
    return 0.02 + 0.13 * min(v / 60.0, 1.0)


def clamped(rig, **options):
    """A one-turn clamp that can't judge a low step of a 150 VA unit."""
    return rig(MIDDLE, ammeter=CLAMP, **options)


def test_it_waits_until_the_current_is_settled_then_goes_up(rig) -> None:
    r = rig().to_step(0.05, 0.02)
    assert (r.verdict.rule, r.verdict.reason) == ("settling", "Wait: still settling")
    r.run(20.0, until=lambda r: r.all(StepDone))
    record = r.all(StepDone)[0].record
    assert record.verdict is StepVerdict.GO_UP and record.decided_by is DecidedBy.PROGRAM
    assert record.idle_a == pytest.approx(0.02)
    # 3 s window, 8 s of readings, held for 2 s: the least there is.
    assert record.settled_after_s == pytest.approx(13.2, abs=0.2)
    assert r.all(SetSource)[-1].set_v == 12.0


def test_a_drifting_current_is_not_settled(rig) -> None:
    r = rig()
    r.level[Role.SOURCE_CURRENT] = lambda v, t: 0.05 - 0.0004 * t
    r.run(60.0)
    assert not r.marks("settled")
    assert r.verdict.rule == "settling"


def test_the_settled_value_is_the_mean_of_the_last_second(rig) -> None:
    r = rig()
    r.level[Role.SOURCE_CURRENT] = lambda v, t: 0.020 if round(t * 10) % 2 else 0.022
    r.run(20.0, until=lambda r: r.all(StepDone))
    assert r.all(StepDone)[0].record.idle_a == pytest.approx(0.021, abs=1e-4)


@pytest.mark.parametrize(("excess_a", "verdict"), [(-1e-6, StepVerdict.GO_UP), (1e-4, StepVerdict.WAIT)])
def test_settled_plus_uncertainty_has_to_be_within_the_acceptance_limit(
    rig, excess_a: float, verdict: StepVerdict
) -> None:
    r = rig()
    limit = r.setup.steps[0].acceptance.value
    a = 1.0 + 2.0 / 3.0**0.5 * 0.003
    r.level[Role.SOURCE_CURRENT] = (limit - 2.0 / 3.0**0.5 * 10 * 0.001 + excess_a) / a
    r.run(16.0, until=lambda r: r.all(StepDone))
    if verdict is StepVerdict.GO_UP:
        assert r.all(StepDone)[0].record.verdict is verdict
    else:
        assert r.verdict.rule == "above-acceptance"
        assert "can't be told from the acceptance limit" in r.verdict.reason


def test_above_the_limit_it_waits_and_says_by_which_limit(rig) -> None:
    r = rig().to_step(0.05, 0.19)
    r.run(15.0)
    assert r.verdict.reason == (
        "Wait: 0.19 A is above the acceptance limit of 0.16 A "
        "(nameplate: idle current expected from it, × 1.25)"
    )


def test_it_goes_up_when_the_current_has_come_down(rig) -> None:
    r = rig()
    r.level[Role.SOURCE_CURRENT] = lambda v, t: 0.15 if t < 30.0 else 0.10
    r.run(60.0, until=lambda r: r.all(StepDone))
    assert r.all(StepDone)[0].record.verdict is StepVerdict.GO_UP


def test_once_settled_it_stays_settled(rig) -> None:
    r = rig().to_step(0.40, 0.10)
    r.run(20.0)
    r.level[Role.SOURCE_CURRENT] = lambda v, t: 0.10 + 0.0005 * (t - 20.0)
    r.run(15.0)
    assert len([m for m in r.marks("settled") if m.step == 5]) == 1
    assert r.verdict.rule == "dwell"


def test_a_step_that_cannot_be_judged_is_named_with_its_remedy_and_still_watched(rig) -> None:
    r = clamped(rig).to_step(0.05, 0.05)
    assert r.verdict.verdict is StepVerdict.CANNOT_JUDGE
    assert r.verdict.reason.startswith(
        "Cannot judge at 6 V. This meter can't judge this step: pass the conductor"
    )
    assert r.verdict.reason.endswith("The stop limit goes on watching")
    r.level[Role.SOURCE_CURRENT] = 0.5
    r.run(0.3)
    assert r.verdict.rule == "stop-limit"


def test_cannot_judge_is_said_at_the_windows_end(rig) -> None:
    r = clamped(rig)
    r.run(3.2)
    assert r.verdict.verdict is StepVerdict.CANNOT_JUDGE


def test_the_technician_goes_on_with_a_recorded_reason(rig) -> None:
    r = clamped(rig).to_step(0.05, 0.05)
    assert r.press(Key.GO_ON)[0].what == "refused"
    r.press(Key.GO_ON, "seen the lamp dark")
    record = r.all(StepDone)[0].record
    assert (record.verdict, record.decided_by, record.decision_reason) == (
        StepVerdict.CANNOT_JUDGE,
        DecidedBy.TECHNICIAN,
        "seen the lamp dark",
    )
    assert r.all(SetSource)[-1].set_v == 12.0
    assert r.watch.not_judged == (
        "6 V: cannot be judged with this meter; the technician's word: seen the lamp dark",
    )


def test_below_the_least_specified_current_the_uncertainty_is_the_one_there(rig) -> None:
    r = clamped(rig, tick_s=None)
    limits = rules.step_limits(r.setup.unit, rules.CurrentMeter(0.02, 5, 0.010, 1, 0.05))
    assert rules.go_up_u_a(limits, 0.01) == rules.go_up_u_a(limits, 0.05) > rules.u_a(limits, 0.01)


def test_at_040_and_050_it_stays_for_a_minute(rig) -> None:
    r = rig().to_step(0.65, 0.10)
    records = {d.record.fraction: t for t, d in r.said if isinstance(d, StepDone)}
    arrived = {m.step: t for t, m in r.said if getattr(m, "what", "") == "arrival"}
    fractions = [s.fraction for s in r.setup.steps]
    for fraction in (0.40, 0.50):
        stayed_s = (records[fraction] - arrived[fractions.index(fraction)]) / US
        assert stayed_s == pytest.approx(60.0, abs=0.01)
    stayed_s = (records[0.30] - arrived[fractions.index(0.30)]) / US
    assert stayed_s < 20.0


def test_the_dwell_is_said(rig) -> None:
    r = rig().to_step(0.40, 0.10)
    r.run(15.0)
    assert r.verdict.reason == "Wait: 60 s here, where a runaway is slow enough to catch"


@pytest.mark.parametrize(("fraction", "said"), [(0.30, False), (0.40, True)])
def test_no_current_from_forty_percent(rig, fraction: float, said: bool) -> None:
    r = rig().to_step(fraction, 0.0)
    r.run(15.0)
    assert (r.verdict.rule == "no-current") is said


def test_no_current_names_fuse_switch_and_cord_and_ends_undecided(rig) -> None:
    r = rig().to_step(0.40, 0.0)
    r.run(15.0)
    assert r.verdict.reason == "Wait: no current at 48 V: fuse, switch or cord"
    r.run(170.0)
    assert r.ended is not None
    assert r.ended.outcome is Outcome.UNDECIDED
    assert r.ended.reason == "Undecided: no current at 48 V: fuse, switch or cord"
    assert r.watch.no_short_claim is None


def test_without_current_a_run_never_completes(rig) -> None:
    r = rig()
    r.level[Role.SOURCE_CURRENT] = 0.0
    for _ in range(3000):
        r.run(1.0)
        if r.ended:
            break
        if r.verdict.rule == "no-current":
            r.press(Key.GO_ON, "let me see")
    assert r.ended is not None and r.ended.outcome is Outcome.UNDECIDED
    assert r.watch.records[-1].fraction == 1.0


def test_a_meter_too_coarse_to_tell_does_not_say_no_current(rig) -> None:
    small = Unit(mains_v=120.0, plate=Plate(PlateKind.VOLT_AMPERES, 30.0), fuse=Fuse("T1AL250V", 1.0))
    r = rig(small).to_step(0.40, 0.0)
    r.run(15.0)
    assert r.verdict.rule != "no-current"


def test_a_switch_mode_unit_may_draw_nothing_below_ninety_percent(rig) -> None:
    r = rig(SWITCH_MODE)
    r.level[Role.SOURCE_CURRENT] = 0.0
    r.run(30.0)
    assert r.verdict.rule == "no-current"
    assert r.verdict.step == 1


def test_a_switch_mode_unit_is_looked_at_shortly_then_goes_to_ninety(rig) -> None:
    r = rig(SWITCH_MODE)
    r.level[Role.SOURCE_CURRENT] = lambda v, t: 0.002 if v < 60.0 else 0.24
    r.run(5.0)
    assert (r.verdict.rule, r.verdict.reason) == ("short-check", "Wait: a short look at 12 V")
    r.run(0.3)
    assert r.all(SetSource)[-1].set_v == 108.0
    # 2 s after the 3 s window that opened at 0.1 s.
    assert r.when(SetSource) == pytest.approx(5.1, abs=0.01)
    r.run(300.0)
    assert r.ended is not None and r.ended.outcome is Outcome.COMPLETED


def test_a_short_look_that_shows_a_current_waits(rig) -> None:
    r = rig(SWITCH_MODE)
    limit = r.setup.steps[0].acceptance.value
    r.level[Role.SOURCE_CURRENT] = 1.1 * limit
    r.run(20.0)
    assert r.verdict.rule == "above-acceptance"


def test_the_longest_dwell_asks_and_a_minute_later_it_is_switched_off(rig) -> None:
    r = rig().to_step(0.05, 0.16)
    r.run(118.0)
    assert r.lines()[-1].text == "Undecided at 6 V: go on with a reason, or stop"
    assert r.ended is None
    r.run(60.0)
    assert r.ended is not None and r.ended.outcome is Outcome.UNDECIDED
    assert r.when(type(r.ended)) == pytest.approx(180.1, abs=0.01)
    assert r.watch.records[0].verdict is StepVerdict.WAIT
    assert not r.watch.latched


def test_somebody_who_answers_is_given_time(rig) -> None:
    r = rig().to_step(0.05, 0.16)
    r.run(150.0)
    r.press(Key.MOVED)
    r.run(59.0)
    assert r.ended is None
    r.run(2.0)
    assert r.ended is not None


def test_the_longest_dwell_of_a_valve_amplifier_is_five_minutes(rig) -> None:
    valve = msgspec.structs.replace(rig.__globals__["UNIT"], amplifier=Amplifier.VALVE)
    r = rig(valve)
    limit = r.setup.steps[0].acceptance.value
    r.level[Role.SOURCE_CURRENT] = 1.15 * limit
    r.run(290.0)
    assert not r.marks("undecided")
    r.run(11.0)
    assert r.marks("undecided")


def test_at_nominal_it_completes_after_two_minutes(rig) -> None:
    r = rig().to_step(1.00, good)
    arrived_s = [t for t, m in r.said if getattr(m, "what", "") == "arrival"][-1] / US
    r.run(20.0)
    assert r.verdict.verdict is StepVerdict.GO_UP
    assert r.verdict.reason.startswith("Within the limit at 120 V: watched for 107 s more")
    r.run(200.0)
    assert r.ended is not None and r.ended.outcome is Outcome.COMPLETED
    assert r.when(type(r.ended)) - arrived_s == pytest.approx(120.0, abs=0.01)
    assert r.watch.not_judged == ()


def test_not_before_it_is_settled(rig) -> None:
    r = rig().to_step(1.00, good)
    arrived_s = [t for t, m in r.said if getattr(m, "what", "") == "arrival"][-1] / US
    r.level[Role.SOURCE_CURRENT] = lambda v, t: 0.30 - 0.001 * t if t < 130.0 else 0.17
    r.run(125.0)
    assert r.ended is None
    r.run(60.0)
    assert r.ended is not None and r.ended.outcome is Outcome.COMPLETED
    assert r.when(type(r.ended)) - arrived_s > 138.0


def test_at_the_key_only_where_it_was_asked_for(rig) -> None:
    r = rig(ask=True).to_step(0.05, 0.02)
    r.run(20.0)
    assert r.verdict.verdict is StepVerdict.GO_UP
    assert len(r.all(SetSource)) == 1
    assert r.lines()[-1].text == "Within the limit. Press the key to go to 12 V"
    r.press(Key.GO_ON)
    assert r.all(SetSource)[-1].set_v == 12.0
    assert r.all(StepDone)[0].record.decided_by is DecidedBy.PROGRAM


def test_a_run_with_steps_on_the_technicians_word_is_completed_and_lists_them(rig) -> None:
    r = rig()
    r.level[Role.SOURCE_CURRENT] = lambda v, t: 0.16 if v < 7.0 else 0.10
    r.run(20.0)
    r.press(Key.GO_ON, "same as its sister")
    r.run(600.0)
    assert r.ended is not None and r.ended.outcome is Outcome.COMPLETED
    assert r.watch.not_judged == ("6 V: at wait; the technician's word: same as its sister",)


def test_the_last_step_may_rest_on_the_technicians_word(rig) -> None:
    r = rig().to_step(1.00, good)
    limit = r.setup.steps[-1].acceptance.value
    r.level[Role.SOURCE_CURRENT] = 1.1 * limit
    r.run(30.0)
    assert r.verdict.rule == "above-acceptance"
    r.press(Key.GO_ON, "fan is on")
    assert r.ended is None
    r.run(90.0)
    assert r.ended is not None and r.ended.outcome is Outcome.COMPLETED
    assert r.watch.not_judged == ("120 V: at wait; the technician's word: fan is on",)


def test_the_technician_may_stop(rig) -> None:
    r = rig().to_step(0.10, 0.02)
    r.press(Key.STOP, "smells of lunch")
    assert r.ended is not None
    assert (r.ended.outcome, r.ended.reason) == (
        Outcome.UNDECIDED,
        "Stopped by the technician at 12 V: smells of lunch",
    )
    assert not r.watch.latched
    assert len(r.watch.records) == 2


def test_a_hand_set_run_completes_with_the_words_to_switch_off(rig) -> None:
    r = rig(hand_set=True)
    r.level[Role.SOURCE_CURRENT] = 0.10
    for _ in range(2000):
        target_v = r.lines()[-1].target_v if r.lines() else None
        if target_v is not None and target_v != r.volts:
            r.turn(target_v)
        r.run(0.5)
        if r.ended:
            break
    assert r.ended is not None and r.ended.outcome is Outcome.COMPLETED
    assert r.lines()[-1] == Instruct("The run is over. Dial to zero, then bench switch off.", 0.0)
    assert len(r.watch.records) == len(r.setup.steps)


def test_the_forecast_is_said_with_the_next_step(rig) -> None:
    r = rig().to_step(0.30, 0.10)
    r.run(20.0, until=lambda r: r.all(StepDone)[-1].step == 4)
    up = next(j for j in r.all(Judged) if j.step == 4 and j.verdict is StepVerdict.GO_UP)
    low, middle, high = r.watch.records[4].forecast_next_a
    assert low < middle < high
    assert up.reason == f"Go up to 48 V: {low:.2f} to {high:.2f} A expected if nothing new wakes up"


def test_a_step_whose_current_cannot_be_told_from_none_is_not_praised(rig) -> None:
    r = rig().to_step(0.30, 0.001)
    r.run(20.0, until=lambda r: r.all(StepDone)[-1].step == 4)
    up = next(j for j in r.all(Judged) if j.step == 4 and j.verdict is StepVerdict.GO_UP)
    assert up.rule == "accepted"
    assert up.reason == "Go up to 48 V: no current seen: can't be told from an open fuse, switch or cord"
    assert unseen(r.watch.records[4])
    drew = rig().to_step(0.30, 0.10)
    drew.run(20.0, until=lambda r: r.all(StepDone)[-1].step == 4)
    assert not unseen(drew.watch.records[4])


def test_a_change_of_range_is_a_gap_not_a_step(rig) -> None:
    r = rig()
    seen = r.reading

    def ranged(role, start_us, end_us):
        reading = seen(role, start_us, end_us)
        if role is not Role.SOURCE_CURRENT or not isinstance(reading, Measured):
            return reading
        return msgspec.structs.replace(reading, setting=Setting(range=1.0 if r.now_us < 9 * US else 10.0))

    r.reading = ranged
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.run(18.0)
    assert not r.marks("settled")
    r.run(3.0)
    assert r.marks("settled")


def test_a_word_given_during_the_least_stay_is_taken_when_it_is_over(rig) -> None:
    r = rig().to_step(0.40, 0.0)
    arrived_s = [t for t, m in r.said if getattr(m, "what", "") == "arrival"][-1] / US
    r.run(15.0)
    said = r.press(Key.GO_ON, "standby relay")
    assert [(m.what, m.detail) for m in said] == [("word", "standby relay; after the least stay here")]
    r.run(40.0)
    assert r.verdict.step == 5
    r.run(10.0)
    record = r.all(StepDone)[-1].record
    assert (record.fraction, record.decided_by) == (0.40, DecidedBy.TECHNICIAN)
    assert (record.verdict, record.decision_reason) == (StepVerdict.WAIT, "standby relay")
    assert r.when(StepDone) - arrived_s == pytest.approx(60.0, abs=0.01)


def test_a_word_does_not_lift_what_forbids_a_step(rig) -> None:
    r = rig().to_step(0.40, 0.0)
    r.run(15.0)
    r.press(Key.GO_ON, "relay was off")
    r.tell(StorageChanged(storing=False))
    r.run(60.0)
    assert r.verdict.step == 5
    r.tell(StorageChanged(storing=True))
    assert r.all(StepDone)[-1].record.decision_reason == "relay was off"
