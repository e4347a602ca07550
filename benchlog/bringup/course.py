"""The course of a run: to a step, arrived, left, completed, cut off, begun again."""

from benchlog.bringup import evidence, records, wording
from benchlog.bringup.assess import COMPLETE_US, assess, level_a, reason, watts_told
from benchlog.bringup.inlet import NEAR_ZERO_V
from benchlog.bringup.soak import Soak
from benchlog.bringup.state import Phase, Run, Visit
from benchlog.model.clock import US
from benchlog.model.event import Ended, Instruct, Judged, Marked, SetSource, StepDone, SwitchOff
from benchlog.model.step import DecidedBy, Outcome, StepRecord, StepVerdict

PATIENCE_US = 60 * US
"""How long a step that was not judged to go up waits for the technician after its longest dwell."""
ANSWER_US = 5 * US
"""How long a programmed source may take to answer (ours); real seconds."""
REMIND_US = 120 * US
GIVE_UP_US = 600 * US
"""When a hand that does not turn the dial is reminded, and when the run ends (ours)."""
RESTART_FRACTION = 0.20
"""Highest voltage at which to begin again after a cut-off."""
_DIAL_SHARE = 0.05
"""A dial stands within this share of its full scale."""


def judge(run: Run, now_us: int) -> None:
    """Say the verdict where it has changed, and act on it."""
    found = assess(run)
    if found is None:
        _unblocked(run, now_us)
        return
    if found != run.said:
        run.said = found
        verdict, rule = found
        run.no_current = rule == "no-current" or (run.no_current and rule != "accepted")
        run.say(now_us, Judged(run.k, verdict, reason(run, rule, now_us), DecidedBy.PROGRAM, rule))
        if rule == "accepted" and run.setup.ask and not run.at_last and not run.setup.hand_set:
            run.say(
                now_us, Instruct(f"Within the limit. Press the key to go to {wording.volts(_next_v(run))}")
            )
    if run.phase is not Phase.AT:
        return
    if found[0] is StepVerdict.GO_UP:
        _accepted(run, now_us)
    elif may_go_on(run):
        go_on(run, now_us)


def may_go_on(run: Run) -> bool:
    """Whether the technician's word is acted on now: the least stay is over and nothing forbids a step."""
    visit = run.visit
    return (
        visit is not None
        and visit.word is not None
        and visit.dwelt
        and visit.placed
        and not run.at_last
        and not run.blockers
        and not run.inrush.is_open
    )


def _unblocked(run: Run, now_us: int) -> None:
    """On the way again after something had forbidden it: the line says where to."""
    if run.phase is Phase.MOVING and run.said is not None:
        run.said = None
        target_v = run.step.set_v
        if run.setup.hand_set:
            run.say(now_us, Instruct(wording.turn_to(target_v), target_v))
        else:
            run.say(now_us, Instruct(wording.going_to(target_v)))


def _next_v(run: Run) -> float:
    return run.setup.steps[run.k + 1].set_v


def _accepted(run: Run, now_us: int) -> None:
    assert run.visit is not None
    if run.at_last:
        if now_us >= run.visit.first_us + COMPLETE_US:
            complete(run, now_us)
    elif run.setup.hand_set or not run.setup.ask:
        go_up(run, now_us)


def go_up(run: Run, now_us: int) -> None:
    """Leave an accepted step for the next one."""
    leave(run, now_us, StepVerdict.GO_UP, DecidedBy.PROGRAM, reason(run, "accepted", now_us))
    go_to(run, run.k + 1, now_us)


def go_to(run: Run, k: int, now_us: int) -> None:
    """Set the source to a step, or say where to turn the dial."""
    run.k, run.phase, run.visit, run.said, run.low = k, Phase.MOVING, None, None, 0
    target_v = run.step.set_v
    if run.setup.hand_set:
        run.say(now_us, Instruct(wording.turn_to(target_v), target_v))
        run.timers.set("remind", now_us + REMIND_US, now_us)
        run.timers.set("give-up", now_us + GIVE_UP_US, now_us)
    else:
        run.say(now_us, Instruct(wording.going_to(target_v)))
        run.say(now_us, SetSource(target_v))
        run.timers.set("answer", now_us + round(ANSWER_US * max(1.0, run.setup.time_scale)), now_us)


def start(run: Run, now_us: int) -> None:
    """Begin with the first step once both meters have answered and the inlet is dead."""
    if run.phase is not Phase.READY or not run.fresh.issuperset(run.stale_us):
        return
    if run.volts >= NEAR_ZERO_V:
        what = "turn the dial to zero first" if run.setup.hand_set else "switch the source off first"
        run.blockers["live"] = f"Wait: the inlet is live with {wording.volts(run.volts)}; {what}"
    else:
        run.blockers.pop("live", None)
    if run.blockers:
        judge(run, now_us)
    else:
        run.timers.drop("no-readings")
        go_to(run, 0, now_us)


def arrive(run: Run, t_us: int, now_us: int) -> None:
    """A voltage has arrived: at the step gone to, or, moved by hand or mains, from where it stood."""
    if run.phase is Phase.MOVING or run.visit is None:
        run.phase = Phase.AT
        run.visit = Visit(t_us, t_us, placed=not (run.setup.hand_set and run.reads_voltage))
        run.timers.drop("remind", "give-up", "answer")
        run.timers.set("longest", t_us + round(run.step.dwell_max_s * US), now_us)
        if run.at_last:
            run.timers.set("complete", t_us + COMPLETE_US, now_us)
    else:
        _arrive_again(run, t_us)
    run.assumed_v = run.step.set_v
    run.same_at_arrival = run.same > 0
    run.inrush.open(t_us)
    run.overrun.clear()
    run.drift.begin(t_us, run.inrush.end_us)
    run.say(now_us, Marked("arrival", wording.volts(run.volts), run.k))
    set_window(run, now_us)
    judge(run, now_us)


def _arrive_again(run: Run, t_us: int) -> None:
    visit = run.visit
    assert visit is not None
    visit.arrival_us, visit.dwelt = t_us, False
    visit.inrush_a = records.largest(visit.inrush_a, run.inrush.peak_a)
    if run.setup.hand_set and run.reads_voltage and run.phase is Phase.AT:
        visit.placed, visit.was_placed = False, visit.was_placed or visit.placed


def set_window(run: Run, now_us: int) -> None:
    """The window was opened or extended: what waits for its end waits anew."""
    end_us = run.inrush.end_us
    run.drift.restart(end_us)
    run.outputs.begin(end_us)
    run.timers.set("window", end_us, now_us)
    dwell_us = round(run.step.dwell_min_s * US)
    assert run.visit is not None
    from_us = end_us if run.step.short_check else run.visit.arrival_us
    run.timers.set("dwell", max(from_us + dwell_us, end_us), now_us)


def place(run: Run, now_us: int) -> None:
    """The voltage of a hand-set source stands still: which step it belongs to."""
    visit = run.visit
    if visit is None or visit.placed or run.phase is not Phase.AT:
        return
    if _too_high(run, now_us):
        return
    steps, volts = run.setup.steps, run.volts
    nearest = min(range(run.k, len(steps)), key=lambda j: (abs(steps[j].set_v - volts), j))
    if nearest > run.k:
        _skip_to(run, nearest, now_us)
    assert run.visit is not None
    run.visit.placed = True
    judge(run, now_us)


def _too_high(run: Run, now_us: int) -> bool:
    """Whether a dial has to be turned back: above nominal, or above 20 % where a cut-off came before."""
    restarting = run.rearmed and not run.records
    most = RESTART_FRACTION if restarting else 1.0
    if run.volts <= most * run.nominal_v + _DIAL_SHARE * run.setup.dial_v:
        run.blockers.pop("too-high", None)
        return False
    target = wording.volts(run.step.set_v if restarting else run.nominal_v)
    why = "after a cut-off begin at or below 20 %" if restarting else "this is above nominal"
    run.blockers["too-high"] = f"Wait: turn back to {target}: {why}"
    target_v = run.step.set_v if restarting else run.nominal_v
    run.say(now_us, Instruct(f"Turn back to {target}: {why}", target_v))
    judge(run, now_us)
    return True


def _skip_to(run: Run, k: int, now_us: int) -> None:
    visit = run.visit
    assert visit is not None
    if visit.was_placed:
        verdict = run.said[0] if run.said else StepVerdict.WAIT
        word = "the dial was turned on before the program's verdict"
        _keep(run, now_us, records.record(run, verdict, DecidedBy.TECHNICIAN, word, earlier=True))
    first = run.k + 1 if visit.was_placed else run.k
    for j in range(first, k):
        run.k = j
        _keep(run, now_us, records.not_visited(run))
        run.say(now_us, Marked("not-visited", wording.volts(run.step.set_v), j))
    run.k, run.said = k, None
    run.visit = Visit(visit.arrival_us, visit.arrival_us, placed=True)
    run.timers.set("longest", visit.arrival_us + round(run.step.dwell_max_s * US), now_us)
    if run.at_last:
        run.timers.set("complete", visit.arrival_us + COMPLETE_US, now_us)
    if run.inrush.is_open:
        set_window(run, now_us)
    else:
        dwell_us = round(run.step.dwell_min_s * US)
        run.timers.set("dwell", run.visit.arrival_us + dwell_us, now_us)


def leave(run: Run, now_us: int, verdict: StepVerdict, by: DecidedBy, why: str) -> None:
    """A step is left behind; its record is kept."""
    _keep(run, now_us, records.record(run, verdict, by, why))
    evidence.keep(run)
    level = level_a(run)
    if level is not None and level > run.bounds.go_up_u_a(level):
        run.seen.append((run.v, level))
        del run.seen[:-3]
    watts = watts_told(run)
    if level is not None and watts is not None:
        run.seen_w = [*run.seen_w, (run.v, watts)][-3:]
    run.timers.drop("longest", "dwell", "patience", "window", "complete")


def go_on(run: Run, now_us: int) -> None:
    """Leave a step on the technician's word."""
    assert run.visit is not None and run.visit.word is not None
    verdict = run.said[0] if run.said else StepVerdict.WAIT
    leave(run, now_us, verdict, DecidedBy.TECHNICIAN, run.visit.word)
    go_to(run, run.k + 1, now_us)


def _keep(run: Run, now_us: int, record: StepRecord) -> None:
    run.records.append(record)
    run.say(now_us, StepDone(run.k, record))


def complete_on_word(run: Run, now_us: int) -> None:
    """The last step rests on the technician's word: done when its time is over."""
    if run.visit is not None and now_us >= run.visit.first_us + COMPLETE_US:
        complete(run, now_us)


def complete(run: Run, now_us: int) -> None:
    """The last step is done: the soak, or the end."""
    assert run.visit is not None
    word = run.visit.word
    if word is None:
        leave(run, now_us, StepVerdict.GO_UP, DecidedBy.PROGRAM, reason(run, "accepted", now_us))
    else:
        verdict = run.said[0] if run.said else StepVerdict.WAIT
        leave(run, now_us, verdict, DecidedBy.TECHNICIAN, word)
    if run.setup.soak_s <= 0.0:
        finish(run, now_us, Outcome.COMPLETED, f"Completed at {_seen(run)}")
        return
    length_us = round(run.setup.soak_s * US)
    run.phase, run.soak = Phase.SOAK, Soak(now_us, length_us)
    run.timers.set("soak", now_us + length_us, now_us)
    text = f"Soak: {wording.span(run.setup.soak_s)} at {wording.volts(run.volts)}"
    run.say(now_us, Marked("soak-begun", text, run.k))
    run.say(now_us, Instruct(text))
    if not run.watched:
        soak_unwatched(run, now_us)


def soak_unwatched(run: Run, now_us: int) -> None:
    """A soak goes on without anybody watching, and says so."""
    run.say(now_us, Marked("not-watched", "Nobody is watching; the soak goes on", run.k))


def _seen(run: Run) -> str:
    level = level_a(run)
    return wording.volts(run.volts) if level is None else f"{wording.volts(run.volts)}, {wording.amps(level)}"


def end_soak(run: Run, now_us: int) -> None:
    """The soak is over: steady or not."""
    assert run.soak is not None and run.visit is not None
    run.notes += run.soak.findings()
    if not run.soak.judged:
        run.notes.append("The soak was too short to judge drift")
    for text in run.notes:
        run.say(now_us, Marked("soak-not-steady", text, run.k))
    length = wording.span(run.setup.soak_s)
    verdict = run.said[0] if run.said else StepVerdict.WAIT
    if verdict is StepVerdict.GO_UP or run.visit.word is not None:
        finish(run, now_us, Outcome.COMPLETED, f"Completed: {length} of soak at {_seen(run)}")
    else:
        finish(
            run,
            now_us,
            Outcome.UNDECIDED,
            f"Undecided at the end of the soak of {length}: {last_reason(run, now_us)}",
        )


def last_reason(run: Run, now_us: int) -> str:
    """The sentence of the verdict that stands."""
    found = run.said
    return reason(run, found[1], now_us) if found else ""


def finish(run: Run, now_us: int, outcome: Outcome, why: str) -> None:
    """The orderly end: the source is taken away, nothing is latched."""
    visited = run.visit is not None and run.phase is Phase.AT
    if visited and outcome is Outcome.UNDECIDED:
        verdict = run.said[0] if run.said else StepVerdict.WAIT
        leave(run, now_us, verdict, DecidedBy.PROGRAM, last_reason(run, now_us) or why)
    _take_away(run, now_us, why, latched=False)
    if run.setup.hand_set:
        run.say(now_us, Instruct("The run is over. Dial to zero, then bench switch off.", 0.0))
    else:
        run.say(now_us, Instruct(why))
    _end(run, now_us, Ended(outcome, why))


def _take_away(run: Run, now_us: int, why: str, latched: bool) -> None:
    run.timers.clear()
    run.inlet.forget_zero()
    if not run.setup.hand_set or run.setup.contactor:
        run.say(now_us, SwitchOff(why, latched))


def _end(run: Run, now_us: int, ended: Ended) -> None:
    run.phase, run.ended = Phase.OFF, ended
    run.blockers.clear()
    run.say(now_us, ended)


def cut_off(run: Run, now_us: int, why: str, rule: str, by: DecidedBy = DecidedBy.PROGRAM) -> None:
    """Take the source away at once and latch; a hand-set source: tell the technician to."""
    if run.phase is Phase.OFF:
        return
    at, step_fraction = run.v, run.step.fraction
    _take_away(run, now_us, why, latched=True)
    by_hand = run.setup.hand_set and not run.setup.contactor
    if run.setup.hand_set:
        run.say(now_us, Instruct(wording.SWITCH_OFF_BY_HAND, 0.0, urgent=True))
    else:
        run.say(now_us, Instruct(why, urgent=True))
    run.say(now_us, Judged(run.k, StepVerdict.CUT_OFF, why, by, rule))
    if run.phase is Phase.SOAK and run.records:
        run.records.pop()
    _keep(run, now_us, records.record(run, StepVerdict.CUT_OFF, by, why))
    evidence.keep(run, None if run.soak is None else run.last_a)
    run.latched = True
    run.said = (StepVerdict.CUT_OFF, rule)
    outcome = Outcome.ALARMED if by_hand else Outcome.CUT_OFF
    _end(run, now_us, Ended(outcome, why, at, step_fraction))


def rearm(run: Run, now_us: int) -> None:
    """Begin again from the first step after a cut-off; the conditions were met."""
    run.restart()
    run.ended, run.rearmed = None, True
    run.say(now_us, Marked("rearmed", f"From {wording.volts(run.step.set_v)}"))
    begin(run, now_us)


def begin(run: Run, now_us: int) -> None:
    """Wait for the first readings."""
    scale = max(1.0, run.setup.time_scale)
    for role, limit_us in run.stale_us.items():
        run.timers.set(f"stale:{role}", now_us + limit_us, now_us)
    run.timers.set("no-readings", now_us + round(30 * US * scale), now_us)
    if not run.watched:
        run.blockers["unwatched"] = "Wait: nobody is watching"
    judge(run, now_us)
