"""The technician's word to a run."""

from benchlog.bringup import course, wording
from benchlog.bringup.inlet import NEAR_ZERO_V
from benchlog.bringup.state import Phase, Run
from benchlog.model.event import Key, KeyPressed, Marked
from benchlog.model.step import DecidedBy, Outcome, StepVerdict


def key(run: Run, event: KeyPressed, now_us: int) -> None:
    """A key, click, foot switch or command."""
    if event.key is Key.MOVED and run.timers.has("patience"):
        run.timers.set("patience", now_us + course.PATIENCE_US, now_us)
    _KEYS[event.key](run, event, now_us)


def _refuse(run: Run, now_us: int, text: str) -> None:
    run.say(now_us, Marked("refused", text, run.k))


def _go_on(run: Run, event: KeyPressed, now_us: int) -> None:
    refusal = _why_not(run, event)
    if refusal:
        _refuse(run, now_us, refusal)
    elif run.said is not None and run.said[0] is StepVerdict.GO_UP:
        if not run.at_last:
            course.go_up(run, now_us)
    elif run.at_last:
        assert run.visit is not None
        run.visit.word = _word(event)
        run.timers.drop("patience")
        run.say(now_us, Marked("word", run.visit.word, run.k))
        course.complete_on_word(run, now_us)
    else:
        assert run.visit is not None
        run.visit.word = _word(event)
        if course.may_go_on(run):
            course.go_on(run, now_us)
        else:
            run.timers.drop("patience")
            run.say(now_us, Marked("word", f"{run.visit.word}; after the least stay here", run.k))


def _word(event: KeyPressed) -> str:
    return f"{event.reason.strip()} ({event.by})" if event.by else event.reason.strip()


def _why_not(run: Run, event: KeyPressed) -> str:
    """Why *go on* is not taken now; empty where it is."""
    if run.phase is not Phase.AT or run.visit is None:
        return "There is no step to go on from"
    if run.inrush.is_open:
        return "Not inside the inrush window: wait until it is over"
    if run.blockers:
        return next(iter(run.blockers.values()))
    if not run.visit.placed:
        return "Wait until the voltage stands still"
    accepted = run.said is not None and run.said[0] is StepVerdict.GO_UP
    if not accepted and not event.reason.strip():
        return "Give the reason for going on; it is recorded"
    if run.at_last and run.said is not None and run.said[1] == "no-current":
        return f"{wording.no_current(run.volts)}; the run can't complete without current"
    return ""


def _stop(run: Run, event: KeyPressed, now_us: int) -> None:
    if run.phase is Phase.OFF:
        return
    why = f": {event.reason.strip()}" if event.reason.strip() else ""
    where = wording.volts(run.volts)
    text = f"Stopped by the technician at {where}{why}"
    if run.phase is Phase.SOAK:
        text = f"Soak stopped by the technician at {where}{why}"
    course.finish(run, now_us, Outcome.UNDECIDED, text)


PROGRAM = ("recorder", "standby", "system")
"""Parts of the program that press the key themselves, with their reason."""


def _cut_off(run: Run, event: KeyPressed, now_us: int) -> None:
    why = f": {event.reason.strip()}" if event.reason.strip() else ""
    program = event.by in PROGRAM
    who = "program" if program else "technician"
    text = f"Cut off by the {who} at {wording.volts(run.volts)}{why}"
    course.cut_off(run, now_us, text, who, DecidedBy(who))


def _moved(run: Run, _event: KeyPressed, now_us: int) -> None:
    if run.phase is Phase.MOVING and run.setup.hand_set:
        run.inlet.moving(now_us)
        course.arrive(run, now_us, now_us)


def _near_zero(run: Run, event: KeyPressed, now_us: int) -> None:
    if run.phase is Phase.OFF and not run.dead:
        run.power_gone = run.dead = True
        run.say(now_us, Marked("near-zero", _word(event) or "The technician's word: dial at zero, unplugged"))


def _rearm(run: Run, event: KeyPressed, now_us: int) -> None:
    if not run.latched:
        _refuse(run, now_us, "Nothing is cut off")
    elif not run.dead:
        _refuse(
            run,
            now_us,
            f"Not before the inlet is below {NEAR_ZERO_V:.0f} V: dial to zero, unplug, then say so",
        )
    elif event.fuse_intact is None:
        _refuse(run, now_us, "Say first whether the mains fuse is still good")
    elif not event.fuse_intact:
        _refuse(run, now_us, "Fit a fuse of the same type, rating and breaking capacity first")
    elif run.setup.steps[0].fraction > course.RESTART_FRACTION:
        _refuse(run, now_us, "After a cut-off begin at or below 20 %: begin a run whose plan starts there")
    else:
        course.rearm(run, now_us)


_KEYS = {
    Key.GO_ON: _go_on,
    Key.STOP: _stop,
    Key.CUT_OFF: _cut_off,
    Key.MOVED: _moved,
    Key.NEAR_ZERO: _near_zero,
    Key.REARM: _rearm,
}
