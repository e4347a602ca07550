"""From the board to what is shown: instruction, readouts, bar, bands, rungs, alarm."""

import math
from dataclasses import dataclass, replace

from benchlog.model.event import Judged
from benchlog.model.job import Job
from benchlog.model.reading import Status
from benchlog.model.role import Role
from benchlog.model.step import Outcome, StepVerdict
from benchlog_ui.alarm import GONE, ORDER
from benchlog_ui.bands import Band
from benchlog_ui.board import Board
from benchlog_ui.discharge import PROBE_V, TOUCH_V, estimate
from benchlog_ui.ladder import Rung
from benchlog_ui.marks import CUT_OFF_KEY, Shape
from benchlog_ui.readout import EMPTY, Notch, Shown
from benchlog_ui.words import (
    STATUS,
    VERDICT,
    age,
    amperes,
    channel_words,
    figure,
    percent,
    sham_words,
    span,
    volts,
    with_unit,
)

_LONG = 62
NOTICE_S = 12.0
"""How long a notice stays under the line, in real seconds."""
CURRENT = Role.SOURCE_CURRENT.value
INLET = Role.INLET_VOLTAGE.value
_OUTCOME = {
    Outcome.COMPLETED: ("Run completed.", Shape.END, "ink"),
    Outcome.CUT_OFF: ("Cut off.", Shape.OPEN_CONTACT, "stop"),
    Outcome.ALARMED: ("Alarmed: taken away by hand.", Shape.OPEN_CONTACT, "stop"),
    Outcome.UNDECIDED: ("Run ended undecided.", Shape.LEVEL, "wait"),
    Outcome.REFUSED: ("Refused: nothing was switched on.", Shape.DASHED_RING, "cannot"),
}


@dataclass(frozen=True, slots=True)
class Line:
    """What the instruction line shows."""

    text: str
    reason: str
    shape: Shape | None
    ink: str
    urgent: bool


def instruction(board: Board, real_s: float = 0.0) -> Line:
    """The one line: the newest sentence of the limit watch, and under it why, where, and what is expected."""
    if board.hello is None:
        return Line(
            "Waiting for the recorder.", "The cut-off below works already.", Shape.HOLLOW, "faint", False
        )
    if board.ended is not None:
        line = _ended_line(board, real_s)
        return replace(line, reason=_joined("an earlier run", line.reason)) if board.old else line
    told, judged = board.instruct, board.judged
    if told is None and judged is None:
        return Line("Nothing is running.", _under(board, real_s), Shape.HOLLOW, "faint", False)
    shape, ink = _mark(judged)
    said = judged.reason if judged is not None and (board.judged_last or told is None) else ""
    text, aside = _split(said or (told.text.replace("Press the key", "Press F8") if told is not None else ""))
    if judged is not None and judged.verdict is StepVerdict.CANNOT_JUDGE and ". " in text:
        text, _, aside = text.partition(". ")  # what would help stands below: the verdict is read from afar
    return Line(text, _joined(aside, _under(board, real_s)), shape, ink, board.urgent)


def _ended_line(board: Board, real_s: float) -> Line:
    assert board.ended is not None
    words, shape, ink = _OUTCOME[board.ended.outcome]
    text, aside = _split(board.ended.reason or words)
    if words.rstrip(".") in text:
        words = ""
    told = board.instruct.text if board.instruct is not None and not board.instruct.urgent else ""
    if told in board.ended.reason:
        told = ""
    return Line(text, _joined(aside, words, told, _under(board, real_s)), shape, ink, board.alarm)


def _split(sentence: str) -> tuple[str, str]:
    """A long sentence without what stands in brackets at its end, and that."""
    if len(sentence) > _LONG and sentence.endswith(")") and " (" in sentence:
        head, _, tail = sentence.rpartition(" (")
        return head, tail[:-1]
    return sentence, ""


def _joined(*parts: str) -> str:
    return "   ·   ".join(part for part in parts if part)


def _mark(judged: Judged | None) -> tuple[Shape, str]:
    if judged is None:
        return Shape.HOLLOW, "faint"
    _, shape, ink = VERDICT[judged.verdict]
    return shape, ink


def _under(board: Board, real_s: float) -> str:
    """What stands under the line: a notice while it is new, what is expected, what would help, the step."""
    parts = []
    age_s = (board.now_us(real_s) - board.notice_us) / 1e6 / (board.hello.time_scale if board.hello else 1.0)
    told = board.instruct.text if board.instruct is not None else ""
    if board.notice and board.notice not in told and (age_s < NOTICE_S or board.ended is not None):
        parts.append(board.notice)
    steps = board.hello.steps if board.hello else ()
    if board.ended is None and board.step is not None and board.step < len(steps):
        parts += _step_words(board, board.step)
    return "   ·   ".join(parts)


def _step_words(board: Board, number: int) -> list[str]:
    assert board.hello is not None
    step = board.hello.steps[number]
    said = f"{board.instruct.text if board.instruct else ''} {board.judged.reason if board.judged else ''}"
    parts = []
    expected = forecast(board)
    if board.judged is None and expected is not None and "expected" not in said:
        low, _, high = expected
        parts.append(f"{low:.2f} to {high:.2f} A expected if nothing new wakes up")
    cannot = board.judged is not None and board.judged.verdict is StepVerdict.CANNOT_JUDGE
    if cannot and step.remedy and step.remedy not in said:
        parts.append(step.remedy)
    parts.append(f"step {number + 1} of {len(board.hello.steps)}, {percent(step.fraction)}")
    return parts


def stage_line(words: str) -> Line:
    """The line of a stage while nothing is running."""
    return Line(words, "", None, "faint", False)


def with_readings(line: Line, board: Board) -> Line:
    """The line with the present readings under it: another page than the bring-up view is open."""
    found = []
    for channel in (CURRENT, INLET):
        latest = board.latest.get(channel)
        if latest is not None and latest.value is not None:
            found.append(with_unit(latest.value, channel))
    return replace(line, reason=_joined(*found, line.reason))


def current_shown(board: Board, real_s: float) -> Shown:
    """The source current, its scale reaching a little beyond the stop limit."""
    limits = board.limits
    notches: tuple[Notch, ...] = ()
    full = 1.0
    if limits is not None:
        full = limits.stop_a * 1.3
        notches = (
            Notch(limits.acceptance_a, f"acceptance {amperes(limits.acceptance_a)}", "acceptance"),
            Notch(limits.stop_a, f"stop {amperes(limits.stop_a)}", "stop", above=True),
        )
    return _shown(board, CURRENT, real_s, full, notches)


def share_of_stop(board: Board) -> float | None:
    """Present current ÷ stop limit while a run goes on; None where either is not known."""
    latest = board.latest.get(CURRENT)
    if not board.running or board.limits is None or latest is None or latest.value is None:
        return None
    return latest.value / board.limits.stop_a


def inlet_shown(board: Board, real_s: float) -> Shown:
    """The inlet voltage, its scale the unit's nominal voltage with the target on it."""
    hello = board.hello
    nominal = hello.mains_v if hello is not None else 1.0
    target = board.instruct.target_v if board.instruct is not None else None
    target = board.set_v if target is None else target
    notches = [Notch(nominal, f"nominal {volts(nominal)}", "faint", above=True)] if hello is not None else []
    if target is not None and board.ended is None:
        word = "turn to" if hello is not None and not hello.programmed else "set"
        notches.append(Notch(target, f"{word} {volts(target)}", "acceptance"))
    return _shown(board, INLET, real_s, nominal * 1.1, tuple(notches))


def _shown(board: Board, channel: str, real_s: float, full: float, notches: tuple[Notch, ...]) -> Shown:
    latest = board.latest.get(channel)
    if latest is None:
        return Shown(EMPTY.digits, EMPTY.unit, EMPTY.status, EMPTY.shape, False, None, full, notches)
    _, unit, decimals = channel_words(channel)
    old_s = board.age_s(channel, real_s)
    digits = "–" if latest.last_value is None else figure(latest.last_value, decimals)
    status, shape, usable = _status(board, channel, old_s, latest.status)
    pointer = latest.last_value if usable else None
    return Shown(digits, unit, status, shape, usable, pointer, full, notches)


def _status(board: Board, channel: str, old_s: float, status: Status | None) -> tuple[str, Shape, bool]:
    if old_s > board.stale_s(channel) and board.at_rest:
        return f"last read {age(old_s)}", Shape.HOLLOW, True
    if old_s > board.stale_s(channel):
        return f"STALE  {age(old_s)}", Shape.HOURGLASS, False
    if status is not None:
        words, shape = STATUS[status]
        return words, shape, False
    if board.stands_still(channel):
        return "STANDS STILL: frozen?", Shape.STILL, True
    return age(old_s), Shape.DOT, True


@dataclass(frozen=True, slots=True)
class BarState:
    """What the cut-off bar says."""

    head: str
    state: str
    shape: Shape
    latched: bool


def bar(board: Board, sent_age_s: float) -> BarState:
    """The bar: ``sent_age_s`` is how long ago the cut-off was pressed here (infinite when it was not)."""
    hello, power = board.hello, board.power
    by_hand = hello is not None and not hello.programmed and not hello.contactor
    head = "CUT OFF BY HAND" if by_hand else "CUT OFF"
    if board.gone:
        return BarState(head, "no recorder: this bar reaches nothing", Shape.BROKEN, False)
    if power is not None and power.latched:
        return _latched(head, board, by_hand)
    if sent_age_s < 5.0 and (power is None or power.on):
        return BarState(head, "cut-off sent, waiting for its confirmation", Shape.HOURGLASS, False)
    if power is None:
        return BarState(head, "the source's state is not known yet", Shape.HOLLOW, False)
    if power.on:
        there = board.volts()
        at = f" at {volts(there)}" if there is not None else ""
        return BarState(head, f"source ON{at}", Shape.DOT, False)
    return BarState(head, "source off", Shape.OPEN_CONTACT, False)


def _latched(head: str, board: Board, by_hand: bool) -> BarState:
    assert board.power is not None
    if board.power.confirmed:
        how = "near zero seen, or your word" if by_hand else "off, read back"
        return BarState(head, f"latched   ·   {how}", Shape.OPEN_CONTACT, True)
    words = "latched   ·   NOT CONFIRMED: switch it off by hand"
    return BarState(head, words, Shape.BROKEN, True)


def bands(board: Board, focused: bool) -> list[Band]:
    """What must not be overlooked now."""
    found = []
    if board.hello is not None and (board.hello.simulated or board.hello.job.simulated):
        words = sham_words(board.hello.time_scale)
        invented = "   ·   invented data" if board.hello.job.invented else ""
        found.append(Band("sham", words + invented, "sham", "on_sham", repeated=True))
    if board.storage is not None and not board.storage.storing:
        detail = f": {board.storage.detail}" if board.storage.detail else ""
        found.append(Band("storage", f"not being stored{detail}", "trip", "on_trip", tall=True))
    if board.power_on and not focused:
        words = f"This window does not have the keyboard: {CUT_OFF_KEY} does not reach it. Click here."
        found.append(Band("focus", words, "latched", "on_latched", tall=True))
    return found


def rungs(board: Board) -> list[Rung]:
    """The ladder: every step of the plan with what was found there."""
    hello = board.hello
    if hello is None:
        return []
    running = board.ended is None
    latest = board.latest.get(CURRENT)
    made = []
    for number, step in enumerate(hello.steps):
        record = board.records.get(number)
        now = running and number == board.step and record is None
        judged = board.judged if number == board.step and record is None else None
        verdict = record.verdict if record is not None else judged.verdict if judged is not None else None
        here = latest.value if now and latest is not None else None
        made.append(Rung(step, record, now, verdict, here))
    return made


def forecast(board: Board) -> tuple[float, float, float] | None:
    """The expected range at the present step: what the step before it foretold."""
    if board.step is None or board.step == 0:
        return None
    record = board.records.get(board.step - 1)
    return record.forecast_next_a if record is not None else None


@dataclass(frozen=True, slots=True)
class AlarmWords:
    """What the alarm shows."""

    head: str
    orders: tuple[str, ...]
    facts: tuple[str, ...]
    button: str


def alarm(board: Board, real_s: float, unconfirmed_s: float) -> AlarmWords | None:
    """The alarm that has to fill the window now; None where there is none.

    ``unconfirmed_s``: for how long a cut-off stands without its confirmation. A programmed source has 0.7 s
    to read back *off*; a hand-set one is in a person's hands from the first moment.
    """
    if board.gone:
        heard = (_last_heard(board, real_s), *rail_facts(board, real_s))
        return AlarmWords(GONE, ORDER, heard, "It is off. Close the window.")
    if not board.alarm or board.hello is None or (board.hello.programmed and unconfirmed_s < 0.7):
        return None
    facts = tuple(rail_facts(board, real_s))
    head, aside = (
        _split(board.ended.reason.removeprefix("Cut off. ")) if board.ended is not None else ("", "")
    )
    facts = (aside, *facts) if aside else facts
    if board.hello.programmed:
        head = "The source did not confirm that it is off."
        facts = (board.power.detail, *facts) if board.power and board.power.detail else facts
    inlet = board.volts()
    if inlet is not None:
        shown = f"inlet {volts(inlet)}, {age(board.age_s(INLET, real_s))}"
        facts = (shown, *facts)
    return AlarmWords(head or "Take the source away now.", ORDER, facts, "Dial at zero, unit unplugged")


def _last_heard(board: Board, real_s: float) -> str:
    power = board.power
    if power is None:
        return "The source's state was never heard."
    state = "on" if power.on else "off, confirmed" if power.confirmed else "off, not confirmed"
    inlet = board.volts()
    at = f" at {volts(inlet)}" if inlet is not None and power.on else ""
    return f"Last heard: source {state}{at}."


def rail_facts(board: Board, real_s: float) -> list[str]:
    """The last rails read and how long they may still take to discharge, one line each."""
    facts = []
    for channel, readings in board.rails.items():
        found = estimate(readings)
        if found is None:
            continue
        name = channel_words(channel)[0]
        old = age(board.age_s(channel, real_s))
        facts.append(
            f"{name}: {figure(found.volts, 1)} V ({old}), {_wait_words(found.to_touch_s, found.to_probe_s)}"
        )
    return facts


def _wait_words(to_touch_s: float | None, to_probe_s: float | None) -> str:
    if to_touch_s is None:
        return "treat as charged"
    if to_touch_s == 0.0 and to_probe_s == 0.0:
        return f"below {PROBE_V:g} V when read; measure before touching"
    touch = f"below {TOUCH_V:g} V" if to_touch_s == 0.0 else f"about {span(to_touch_s)} to {TOUCH_V:g} V"
    probe = f", {span(to_probe_s)} to {PROBE_V:g} V" if to_probe_s and math.isfinite(to_probe_s) else ""
    return f"{touch}{probe} (estimate; measure before touching)"


def job_words(job: Job) -> str:
    """The job in one short line."""
    parts = [job.number or "job without a number"]
    if job.unit is not None and (job.unit.maker_text or job.unit.model_text):
        parts.append(f"{job.unit.maker_text} {job.unit.model_text}".strip())
    return "  ".join(parts)
