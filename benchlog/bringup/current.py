"""Every reading of the source current against the rules that stop."""

from benchlog.bringup import course, plausible, wording
from benchlog.bringup.state import Phase, Run
from benchlog.measure.settling import Rise
from benchlog.model.event import InrushMeasured, Marked
from benchlog.model.printed import plain
from benchlog.model.role import Role

RISE_SHARE = 0.02
"""Least current, as a share of the rated one, whose rise cuts off. Below it a core's remanence that wears off
after a switch-on doubles the current of a good unit; what runs away draws more by far (ours)."""


def take(run: Run, start_us: int, end_us: int, amperes: float, now_us: int, overload: bool = False) -> None:
    """A source current in A; an overloaded reading counts as full scale in every stop rule."""
    if not run.powered:
        return
    _same(run, amperes, now_us)
    stop_a = run.bounds.stop_a(run.v)
    if run.visit is not None and run.inrush.holds(end_us):
        _in_window(run, start_us, amperes, stop_a, now_us)
    elif run.visit is None or start_us >= run.inrush.end_us:
        held = Role.INLET_VOLTAGE in run.stale_us and (run.setup.hand_set or run.phase is Phase.MOVING)
        if run.overrun.take(end_us, amperes, stop_a, held):
            cut(run, now_us, amperes, "stop-limit")
            return
        if not overload:
            _after_window(run, start_us, end_us, amperes, now_us)
        return
    if run.phase is not Phase.OFF and not overload:
        _rising(run, start_us, end_us, amperes, now_us)


def _same(run: Run, amperes: float, now_us: int) -> None:
    """Count readings in a row that are the very same value; another value shows that the meter lives."""
    if amperes == run.last_a:
        run.same += 1
        return
    run.last_a, run.same, run.same_at_arrival = amperes, 1, False
    if run.blockers.pop("frozen", None):
        course.judge(run, now_us)


def cut(run: Run, now_us: int, amperes: float, rule: str) -> None:
    """Cut off because of a current in A, by one of the stop rules."""
    limit = wording.amps(run.bounds.stop_a(run.v))
    short_time = wording.amps(run.setup.source.short_time_current_a or 0.0)
    why = {
        "stop-limit": f"stop limit {limit}, twice in a row",
        "inrush-gross": f"more than three times the stop limit of {limit} half a second after switch-on",
        "inrush-undecayed": f"the switch-on current did not fall below the stop limit of {limit}",
        "short-time": f"the source's short-time limit of {short_time}",
    }[rule]
    text = wording.cut_off_current(run.setup.unit, run.volts, amperes, why, run.hint)
    course.cut_off(run, now_us, text, rule)


def inrush_measured(run: Run, event: InrushMeasured, now_us: int) -> None:
    """A digitiser's figures of a switch-on: the true peak, and its I²t against what the fuse may take."""
    if run.phase is not Phase.AT or run.visit is None:
        return
    if not event.lower_bound and abs(event.peak_a) >= (run.visit.peak_a or 0.0):
        run.visit.peak_a, run.visit.peak_u_a = abs(event.peak_a), event.u_a
    if run.pulse is not None and event.i2t_a2s >= run.pulse.value:
        text = (
            f"Cut off. {plain(event.i2t_a2s, 2)} A²s at the switch-on to {wording.volts(run.volts)}, "
            f"more than the {plain(run.pulse.value, 2)} A²s that the fuse may take ({run.pulse.source})"
        )
        course.cut_off(run, now_us, text, "inrush-i2t")


def _in_window(run: Run, start_us: int, amperes: float, stop_a: float, now_us: int) -> None:
    short_time_a = run.setup.source.short_time_current_a
    gross = run.inrush.take(start_us, amperes, stop_a)
    if short_time_a is not None and amperes >= short_time_a:
        cut(run, now_us, amperes, "short-time")
    elif gross:
        cut(run, now_us, amperes, "inrush-gross")
    elif not run.inrush.is_open and run.inrush.undecayed(stop_a):
        cut(run, now_us, amperes, "inrush-undecayed")


def _after_window(run: Run, start_us: int, end_us: int, amperes: float, now_us: int) -> None:
    _rising(run, start_us, end_us, amperes, now_us)
    if run.phase not in (Phase.AT, Phase.SOAK):
        return
    before = run.drift.settled_us
    looked = run.drift.settle(start_us, end_us, amperes)
    if before is None and run.drift.settled_us is not None:
        level = run.drift.level_a or 0.0
        run.say(now_us, Marked("settled", wording.amps(level), run.k))
    if looked and run.visit is not None:
        run.visit.at_v, run.visit.level_a = run.volts, run.drift.level_a
        run.visit.window = run.drift.window
    if looked:
        plausible.check_power(run, now_us)
    if looked or run.step.short_check:
        course.judge(run, now_us)


def _rising(run: Run, start_us: int, end_us: int, amperes: float, now_us: int) -> None:
    found = run.drift.rise(start_us, end_us, amperes) if run.inrush.first_us else None
    if found is None or found.after < RISE_SHARE * run.limits.expectation.rated_a:
        return
    text = wording.rise(run.volts, found.before, found.after, found.over_s)
    if not run.valve:
        run.rise_per_min = (found.after / max(found.before, 1e-6) - 1.0) * 60.0 / found.over_s
        course.cut_off(run, now_us, f"Cut off. {text}", _rise_rule(found))
    elif run.visit is not None and "rise" not in run.visit.warned:
        run.visit.warned.add("rise")
        run.say(now_us, Marked("warning", text, run.k))


def _rise_rule(found: Rise) -> str:
    return "rise-30s" if found.rule == "means" else "rise-slope"
