"""What happens when a deadline comes; each at its own nominal instant."""

from benchlog.bringup import course, current, wording
from benchlog.bringup.state import Phase, Run
from benchlog.model.clock import US
from benchlog.model.event import Instruct, Marked
from benchlog.model.role import Role
from benchlog.model.step import Outcome, StepVerdict

FROZEN_READINGS = 4
FROZEN_COUNTS = 10.0
FROZEN_RISE = 1.1
"""So many readings in a row, of so many counts, don't stay the same through such a rise of voltage (ours)."""


def come(run: Run, name: str, t_us: int) -> None:
    """The deadline of this name has come."""
    kind, _, role = name.partition(":")
    if role:
        _SILENCE[kind](run, Role(role), t_us)
    else:
        _DEADLINE[kind](run, t_us)


def _window(run: Run, t_us: int) -> None:
    run.inrush.close()
    if run.inrush.undecayed(run.bounds.stop_a(run.v)):
        current.cut(run, t_us, run.inrush.last_a, "inrush-undecayed")
        return
    peak_a = run.inrush.peak_a
    largest = "no reading" if peak_a is None else f"largest reading {wording.amps(peak_a)}"
    run.say(t_us, Marked("window-closed", largest, run.k))
    _frozen(run, t_us)
    if run.setup.hand_set and run.reads_voltage and not run.inlet.standing:
        run.say(t_us, Instruct(wording.STOP_TURNING, urgent=True))
    course.judge(run, t_us)


def _frozen(run: Run, t_us: int) -> None:
    """A current of some counts, the very same all through a change of voltage: does the meter live?"""
    meter = run.limits.meter
    counts = (run.last_a or 0.0) / (meter.count_a / meter.turns) if meter.count_a > 0.0 else 0.0
    moved, run.before_v = run.volts >= FROZEN_RISE * run.before_v, run.volts
    if moved and run.same_at_arrival and run.same >= FROZEN_READINGS and counts >= FROZEN_COUNTS:
        amount = wording.amps(run.last_a or 0.0)
        run.blockers["frozen"] = (
            f"Wait: the ammeter shows the same {amount} as before the voltage moved: is it on hold?"
        )
        run.say(t_us, Instruct("Alarm: the ammeter does not move", urgent=True))


def _dwell(run: Run, t_us: int) -> None:
    if run.visit is not None:
        run.visit.dwelt = True
        course.judge(run, t_us)


def _longest(run: Run, t_us: int) -> None:
    """The longest dwell is over: what is not decided now is the technician's to decide."""
    visit = run.visit
    if run.phase is not Phase.AT or visit is None or visit.word is not None:
        return
    course.judge(run, t_us)
    if run.phase is not Phase.AT or run.visit is not visit:
        return
    if run.at_last and run.said is not None and run.said[0] is StepVerdict.GO_UP:
        return
    visit.overdue = True
    text = f"Undecided at {wording.volts(run.volts)}: go on with a reason, or stop"
    run.say(t_us, Instruct(text))
    run.say(t_us, Marked("undecided", course.last_reason(run, t_us), run.k))
    run.timers.set("patience", t_us + course.PATIENCE_US, t_us)


def _patience(run: Run, t_us: int) -> None:
    why = course.last_reason(run, t_us).removeprefix("Wait: ")
    where = wording.volts(run.volts)
    text = why if where in why else f"{why}, at {where}"
    course.finish(run, t_us, Outcome.UNDECIDED, f"Undecided: {text}")


def _complete(run: Run, t_us: int) -> None:
    if run.phase is Phase.AT and run.visit is not None and run.visit.word is not None:
        course.complete(run, t_us)
    else:
        course.judge(run, t_us)


def _soak(run: Run, t_us: int) -> None:
    course.end_soak(run, t_us)


def _answer(run: Run, t_us: int) -> None:
    target = wording.volts(run.step.set_v)
    course.cut_off(run, t_us, f"Cut off. The source was set to {target} and did not answer", "no-answer")


def _remind(run: Run, t_us: int) -> None:
    run.say(t_us, Instruct(wording.turn_to(run.step.set_v), run.step.set_v))
    run.timers.set("remind", t_us + course.REMIND_US, t_us)


def _give_up(run: Run, t_us: int) -> None:
    target = wording.volts(run.step.set_v)
    minutes = wording.span(course.GIVE_UP_US / US)
    course.finish(
        run, t_us, Outcome.UNDECIDED, f"Undecided: the source was not turned to {target} in {minutes}"
    )


def _no_readings(run: Run, t_us: int) -> None:
    if run.phase is Phase.READY:
        silent = [wording.meter(role) for role in run.stale_us if role not in run.fresh]
        why = f"no reading from {' and '.join(silent)}" if silent else course.last_reason(run, t_us)
        if silent:
            course.finish(run, t_us, Outcome.UNDECIDED, f"Undecided: {why}; nothing was switched on")


def _unwatched_wait(run: Run, t_us: int) -> None:
    if run.phase is Phase.SOAK:
        course.soak_unwatched(run, t_us)
    else:
        run.blockers["unwatched"] = "Wait: nobody is watching"
        run.say(t_us, Instruct("Is anybody there? Press a key, or the source is taken away", urgent=True))
        course.judge(run, t_us)


def _unwatched_off(run: Run, t_us: int) -> None:
    if run.phase in (Phase.MOVING, Phase.AT):
        course.cut_off(run, t_us, "Cut off. Nobody has been watching for 30 s", "unwatched")


def _stale(run: Run, role: Role, t_us: int) -> None:
    run.blockers[f"stale:{role}"] = f"Wait: no reading from {wording.meter(role)}"
    if run.powered:
        run.say(t_us, Instruct(f"Alarm: no reading from {wording.meter(role)}", urgent=True))
        run.timers.set(f"silent:{role}", t_us + run.stale_us[role], t_us)
    if role is Role.INLET_VOLTAGE and run.overrun.holding:
        current.cut(run, t_us, run.overrun.held_a, "stop-limit")
        return
    course.judge(run, t_us)


def _silent(run: Run, role: Role, t_us: int) -> None:
    name = wording.meter(role)
    course.cut_off(run, t_us, f"Cut off. No reading from {name}", "stale")


_SILENCE = {"stale": _stale, "silent": _silent}
_DEADLINE = {
    "window": _window,
    "dwell": _dwell,
    "longest": _longest,
    "patience": _patience,
    "complete": _complete,
    "soak": _soak,
    "answer": _answer,
    "remind": _remind,
    "give-up": _give_up,
    "no-readings": _no_readings,
    "unwatched-wait": _unwatched_wait,
    "unwatched-off": _unwatched_off,
}
