"""What each event does to a run."""

import math

from benchlog.bringup import course, current, wording
from benchlog.bringup.bounds import by_lamp, lamp_current_a, voltmeter_u_v
from benchlog.bringup.inlet import Move
from benchlog.bringup.state import Phase, Run, stale_s
from benchlog.model.clock import US
from benchlog.model.event import (
    AttentionChanged,
    Instruct,
    LinkChanged,
    Marked,
    ReadingTaken,
    SourceAnswered,
    StorageChanged,
    TimeJumped,
)
from benchlog.model.reading import Measured, Reading, Status, Unusable, full_scale
from benchlog.model.role import Role

UNWATCHED_WAIT_S = 10.0
UNWATCHED_OFF_S = 30.0
"""Real seconds without anybody watching, until no step is taken, and until it is cut off."""
DROOP_UNKNOWN = 0.15
"""Regulation of a source that states none."""
_OUTPUTS = (Role.OUTPUT_DC, Role.RAIL_PLUS, Role.RAIL_MINUS)


def reading(run: Run, event: ReadingTaken, now_us: int) -> None:
    """A reading of any channel."""
    taken = event.reading
    role = taken.channel.role
    if role is Role.SOURCE_CURRENT:
        _current_reading(run, taken, now_us)
    elif isinstance(taken, Unusable):
        return
    elif role is Role.INLET_VOLTAGE:
        _voltage(run, taken, now_us)
    elif role in _OUTPUTS:
        _output(run, taken, now_us)
    elif role is Role.SOURCE_POWER:
        run.power_w = taken.value
    if run.soak is not None and isinstance(taken, Measured):
        run.soak.take(role, taken.end_us, taken.value)


def _renew(run: Run, role: Role, end_us: int, now_us: int) -> None:
    """A usable reading: the silence of its channel begins anew."""
    if run.phase is Phase.OFF or role not in run.stale_us:
        return
    run.fresh.add(role)
    run.timers.set(f"stale:{role}", end_us + run.stale_us[role], now_us)
    if run.blockers and _unblock(run, role):
        run.timers.drop(f"silent:{role}")
        course.judge(run, now_us)
    if run.phase is Phase.READY:
        course.start(run, now_us)


def _unblock(run: Run, role: Role) -> bool:
    names = [f"stale:{role}", f"link:{role}"]
    if role is Role.SOURCE_CURRENT or Role.SOURCE_CURRENT not in run.stale_us:
        names.append("time-jump")
    gone = [name for name in names if name in run.blockers]
    for name in gone:
        del run.blockers[name]
    return bool(gone)


def _current_reading(run: Run, taken: Reading, now_us: int) -> None:
    if isinstance(taken, Measured):
        if taken.setting.range != run.range_a:
            run.range_a = taken.setting.range
            run.drift.gap(taken.end_us)
        _renew(run, Role.SOURCE_CURRENT, taken.end_us, now_us)
        current.take(run, taken.start_us, taken.end_us, taken.value, now_us)
    elif taken.status is Status.OVERLOAD:
        _renew(run, Role.SOURCE_CURRENT, taken.end_us, now_us)
        scale = full_scale(taken)
        current.take(
            run, taken.start_us, taken.end_us, math.inf if scale is None else scale, now_us, overload=True
        )


def _voltage(run: Run, taken: Measured, now_us: int) -> None:
    move = run.inlet.take(taken.start_us, taken.end_us, taken.value)
    if run.phase is Phase.OFF:
        _off_voltage(run, now_us)
        return
    _renew(run, Role.INLET_VOLTAGE, taken.end_us, now_us)
    if not run.powered:
        return
    run.drift.voltage(taken.end_us, taken.value)
    held_a = run.overrun.voltage(taken.end_us, run.bounds.stop_a(run.v)) if run.overrun.holding else None
    if held_a is not None:
        current.cut(run, now_us, held_a, "stop-limit")
        return
    if move is not Move.NONE:
        _moved(run, move, taken.end_us, now_us)
    _droop(run, taken, now_us)
    if by_lamp(run.setup) and run.powered:
        _lamp(run, taken, now_us)


def _moved(run: Run, move: Move, end_us: int, now_us: int) -> None:
    in_window = run.visit is not None and run.inrush.holds(end_us)
    if move in (Move.ARRIVAL, Move.FURTHER) and in_window:
        run.inrush.extend(end_us)
        course.set_window(run, now_us)
        course.judge(run, now_us)
    elif move is Move.ARRIVAL:
        course.arrive(run, end_us, now_us)
    elif move is Move.FALL and run.visit is not None and not in_window:
        run.drift.restart(end_us)
        course.judge(run, now_us)
    elif move in (Move.STOOD, Move.STOOD_AGAIN):
        if move is Move.STOOD and run.visit is not None and not in_window:
            run.drift.restart(end_us)
        course.place(run, now_us)


def _droop(run: Run, taken: Measured, now_us: int) -> None:
    """A settled inlet well below what was set (programmed) or where it stood (hand-set), twice."""
    settled = run.visit is not None and taken.start_us >= run.inrush.end_us and run.phase is not Phase.MOVING
    if not settled or run.setup.lamp_w is not None:
        run.low = 0
        return
    set_v = run.inlet.stood_v if run.setup.hand_set else run.step.set_v
    regulation = run.setup.source.regulation
    keeps = 1.0 - (DROOP_UNKNOWN if regulation is None else regulation)
    low = set_v is not None and taken.value < set_v * keeps
    if low and set_v is not None:
        low = taken.value < set_v * keeps - voltmeter_u_v(
            run.setup.sheets.get(Role.INLET_VOLTAGE), taken.value
        )
    run.low = run.low + 1 if low else 0
    if run.low != 2 or set_v is None:
        return
    text = f"The inlet reads {wording.volts(taken.value)} where {wording.volts(set_v)} was set"
    if run.setup.hand_set:
        run.say(now_us, Marked("warning", text.replace("was set", "stood"), run.k))
    else:
        text += ": the source gives way, or the voltmeter stands still"
        course.cut_off(run, now_us, f"Cut off. {text}", "droop")


def _lamp(run: Run, taken: Measured, now_us: int) -> None:
    lamp_w = run.setup.lamp_w or 0.0
    across_v = run.step.set_v - taken.value
    current.take(run, taken.start_us, taken.end_us, lamp_current_a(lamp_w, run.nominal_v, across_v), now_us)


def _off_voltage(run: Run, now_us: int) -> None:
    if run.inlet.near_zero and not run.dead:
        run.power_gone = run.dead = True
        text = f"The inlet reads {wording.volts(run.inlet.volts or 0.0)}"
        run.say(now_us, Marked("near-zero", text))
        run.say(now_us, Instruct(f"{text}. The reservoirs may still be charged"))


def _output(run: Run, taken: Measured, now_us: int) -> None:
    if not run.powered:
        run.outputs.last_v[taken.channel.role] = taken.value
        return
    before = run.outputs.unequal or run.outputs.offset
    found = run.outputs.take(taken.channel.role, taken.start_us, taken.value, run.v)
    if found is not None and found.kind == "cut-off":
        course.cut_off(run, now_us, found.reason, found.rule)
    elif found is not None and found.kind == "warn" and run.visit is not None:
        if found.rule not in run.visit.warned:
            run.visit.warned.add(found.rule)
            run.say(now_us, Marked("warning", found.reason, run.k))
    elif before != (run.outputs.unequal or run.outputs.offset):
        course.judge(run, now_us)


def source_answered(run: Run, event: SourceAnswered, now_us: int) -> None:
    """The source read back: an arrival when it is on at the step gone to; when off, the end of power."""
    if run.phase is Phase.OFF:
        if not event.output_on and not run.power_gone:
            run.power_gone = True
            run.dead = run.dead or not run.reads_voltage
            run.say(now_us, Marked("source-off", "The source reads back: output off"))
        return
    if run.setup.hand_set:
        return
    if not event.output_on and run.powered and (run.visit is not None or run.records):
        text = "Cut off. The source switched its output off by itself: its own limit, or a hand at its panel"
        course.cut_off(run, now_us, text, "source-off")
    if run.phase is not Phase.MOVING or not event.output_on:
        return
    if abs(event.set_v - run.step.set_v) <= max(0.02 * run.step.set_v, 0.005 * run.nominal_v):
        run.inlet.moving(now_us)
        course.arrive(run, now_us, now_us)


def link(run: Run, event: LinkChanged, now_us: int) -> None:
    """A connection was lost or came back."""
    if run.phase is Phase.OFF:
        return
    name = wording.meter(event.role)
    run.say(now_us, Marked("link-up" if event.up else "link-down", event.detail or name))
    source = event.role is Role.SOURCE and not run.setup.hand_set
    if not source and event.role not in run.stale_us:
        return
    if event.up:
        if source and run.blockers.pop(f"link:{event.role}", ""):
            course.judge(run, now_us)
            course.start(run, now_us)
    elif source and run.powered:
        text = "Cut off. The link to the source is lost: switch it off by hand"
        course.cut_off(run, now_us, text, "source-link")
    else:
        run.blockers[f"link:{event.role}"] = f"Wait: the link to {name} is lost"
        course.judge(run, now_us)


def attention(run: Run, event: AttentionChanged, now_us: int) -> None:
    """Somebody watches, or nobody does."""
    run.watched = event.watched
    if event.watched:
        run.timers.drop("unwatched-wait", "unwatched-off")
        if run.blockers.pop("unwatched", None):
            course.judge(run, now_us)
            course.start(run, now_us)
    elif run.phase is Phase.SOAK:
        course.soak_unwatched(run, now_us)
    elif run.phase is not Phase.OFF:
        scale = run.setup.time_scale
        run.timers.set("unwatched-wait", now_us + round(UNWATCHED_WAIT_S * scale * US), now_us)
        run.timers.set("unwatched-off", now_us + round(UNWATCHED_OFF_S * scale * US), now_us)


def storage(run: Run, event: StorageChanged, now_us: int) -> None:
    """Readings reach the disk, or do not: no new step meanwhile."""
    if run.phase is Phase.OFF:
        return
    if event.storing:
        if run.blockers.pop("storage", None):
            run.say(now_us, Marked("storing", "Readings are being stored again"))
            course.judge(run, now_us)
            course.start(run, now_us)
        return
    detail = f" ({event.detail})" if event.detail else ""
    run.blockers["storage"] = f"Wait: readings are not being stored{detail}"
    run.say(now_us, Marked("not-storing", event.detail))
    course.judge(run, now_us)


def time_jumped(run: Run, event: TimeJumped, now_us: int) -> None:
    """The clocks moved apart: the computer slept, or its clock was set. A stale reading either way."""
    limit_s = max((stale_s(run.setup, role) for role in run.stale_us), default=0.5)
    if run.phase is Phase.OFF or abs(event.jump_s) < limit_s:
        return
    text = f"the clock jumped by {event.jump_s:.1f} s: the computer slept, or its clock was set"
    if run.powered and event.jump_s >= 2.0 * limit_s:
        course.cut_off(run, now_us, f"Cut off. {text[0].upper()}{text[1:]}", "time-jump")
        return
    run.blockers["time-jump"] = f"Wait: {text}"
    run.say(now_us, Instruct(f"Alarm: {text}", urgent=True))
    course.judge(run, now_us)
