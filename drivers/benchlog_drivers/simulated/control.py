"""The control line of the simulated bench: JSON lines over TCP.

The dial's adaptor says here what the program tells the person at the dial; tests and people who practise
order troubles and ask what the bench saw. Messages, each answered by one line:

    {"type": "instruct", "text": …, "target_v": … or null, "urgent": …}   → {"type": "heard"}
    {"type": "status"}                                                     → {"type": "status", …}
    {"type": "trouble", "instrument": …, "kind": …, "length_s": …, …}      → {"type": "done"}
    {"type": "clear", "instrument": …}                                     → {"type": "done"}
    {"type": "touch", "values": {"resistance": 7.6}}   the technician's probes → {"type": "done"}
    {"type": "rearm"}     the button on the cut-off contactor              → {"type": "done"}

Anything else: {"type": "refused", "reason": …}.
"""

import time
from collections.abc import Callable
from typing import Any

import msgspec

from benchlog.model.quantity import Quantity
from benchlog_drivers.simulated.hand import Hand
from benchlog_drivers.simulated.instruments import SourceInstrument
from benchlog_drivers.simulated.live import LiveBench
from benchlog_drivers.simulated.meters import Probe
from benchlog_drivers.simulated.source import ProgrammedSource
from benchlog_drivers.simulated.trouble import Ordered, Trouble, TroubleBox


class InstructMessage(msgspec.Struct, frozen=True, tag="instruct"):
    """A line for the person at the dial."""

    text: str
    target_v: float | None = None
    urgent: bool = False


class StatusMessage(msgspec.Struct, frozen=True, tag="status"):
    """Asks what the bench saw."""


class TroubleMessage(msgspec.Struct, frozen=True, tag="trouble", forbid_unknown_fields=True):
    """Orders a trouble from now on; ``length_s`` in bench seconds, ``delay_s`` in real ones."""

    instrument: str
    kind: Trouble
    length_s: float | None = None
    share: float = 1.0
    delay_s: float | None = None
    per_minute: float = 0.10


class RearmMessage(msgspec.Struct, frozen=True, tag="rearm"):
    """Presses the button on the cut-off contactor."""


class TouchMessage(msgspec.Struct, frozen=True, tag="touch", forbid_unknown_fields=True):
    """What the technician's probes touch now: values by quantity, SI units; none for open leads."""

    values: dict[Quantity, float] = {}


class ClearMessage(msgspec.Struct, frozen=True, tag="clear", forbid_unknown_fields=True):
    """Ends the troubles of an instrument."""

    instrument: str


Message = InstructMessage | StatusMessage | TroubleMessage | ClearMessage | RearmMessage | TouchMessage


class Status(msgspec.Struct, frozen=True, tag="status"):
    """What the simulator saw. Instants are ``CLOCK_MONOTONIC`` nanoseconds, comparable between processes."""

    monotonic_ns: int
    """When this was said."""
    time_scale: float
    bench_s: float
    behind_s: float
    """Real seconds that the physics lag behind the clock."""
    source_on: bool
    set_v: float
    """Setpoint of a programmed source, or volts on the dial."""
    inlet_v: float
    current_a: float
    first_power_ns: int | None
    fault_onset_ns: int | None
    off_received_ns: int | None
    """Last off command of a programmed source."""
    zero_voltage_ns: int | None
    """Since when the source gives no voltage; None while it does, or before it ever did."""
    zero_current_ns: int | None
    """Begin of the stretch since which no current flows; None while it does."""
    tripped_ns: int | None
    """When the source last tripped by itself."""
    instruction_ns: int | None
    """Arrival of the last line for the person at the dial."""
    urgent_ns: int | None
    """Arrival of the last urgent one."""
    instruction: str
    destroyed: bool
    destroyed_ns: int | None
    contactor_closed: bool | None
    """None where there is none."""
    commands: dict[str, int]
    """Lines that each instrument took or sent."""


class Heard(msgspec.Struct, frozen=True, tag="heard"):
    """An instruction was heard."""


class Done(msgspec.Struct, frozen=True, tag="done"):
    """An order was carried out."""


class Refused(msgspec.Struct, frozen=True, tag="refused"):
    """A message that can't be meant."""

    reason: str


class Control:
    """Answers the control line. ``handle`` is called by the server's threads."""

    def __init__(
        self,
        live: LiveBench,
        boxes: dict[str, TroubleBox],
        counts: Callable[[], dict[str, int]],
        fault_at_s: float | None,
        panel: SourceInstrument | None,
        probe: Probe,
    ) -> None:
        """``boxes`` by the instrument's name; ``fault_at_s`` after first power, None without a fault."""
        self._live = live
        self._boxes = boxes
        self._counts = counts
        self._fault_at_s = fault_at_s
        self._panel = panel
        self._probe = probe
        self._heard_ns: int | None = None
        self._urgent_ns: int | None = None
        self._text = ""

    def handle(self, line: str, wrong: bool = False) -> bytes:
        """Carry out one line and give the answer, one line of JSON."""
        try:
            message: Message = msgspec.json.decode(line.encode(), type=Message)
        except msgspec.MsgspecError as error:
            return msgspec.json.encode(Refused(str(error)))
        return msgspec.json.encode(self._carry_out(message))

    def _carry_out(self, message: Message) -> Any:
        if isinstance(message, InstructMessage):
            return self._instruct(message)
        if isinstance(message, StatusMessage):
            return self.status()
        if isinstance(message, RearmMessage):
            return self._rearm()
        if isinstance(message, TouchMessage):
            self._probe.touch(message.values)
            return Done()
        box = self._boxes.get(message.instrument)
        if box is None:
            return Refused(f"no instrument {message.instrument}; there are: {', '.join(self._boxes)}")
        if isinstance(message, ClearMessage):
            box.clear()
        else:
            fields = {name: getattr(message, name) for name in message.__struct_fields__}
            box.order(Ordered(start_s=self._live.now_s(), **fields))
        return Done()

    def _instruct(self, message: InstructMessage) -> Heard | Refused:
        now_ns = time.monotonic_ns()
        hand = self._live.bench.hand
        if hand is None:
            return Refused("this bench has a programmed source: nobody turns a dial")
        self._heard_ns, self._text = now_ns, message.text
        if message.urgent:
            self._urgent_ns = now_ns
        self._live.leave(lambda at_s: hand.instruct(message.text, message.target_v, message.urgent, at_s))
        return Heard()

    def _rearm(self) -> Done | Refused:
        contactor = self._live.bench.contactor
        if contactor is None:
            return Refused("there is no cut-off contactor on this bench")
        contactor.rearm(self._live.now_s())
        return Done()

    def status(self) -> Status:
        """What the bench saw up to now; waits a moment until the physics have come up to it."""
        self._live.catch_up()
        live, witness = self._live, self._live.bench.witness
        contactor = live.bench.contactor
        on, volts = _setting(live.bench.source, live.bench.hand, live.bench.now_s)
        onset_s = None
        if self._fault_at_s is not None and witness.first_power_s is not None:
            onset_s = witness.first_power_s + self._fault_at_s
        return Status(
            monotonic_ns=time.monotonic_ns(),
            time_scale=live.scale,
            bench_s=live.bench.now_s,
            behind_s=live.behind_s,
            source_on=on,
            set_v=volts,
            inlet_v=witness.inlet_v,
            current_a=witness.current_a,
            first_power_ns=live.ns_at(witness.first_power_s),
            fault_onset_ns=live.ns_at(onset_s),
            off_received_ns=self._panel.off_received_ns if self._panel else None,
            zero_voltage_ns=live.ns_at(witness.zero_voltage_s),
            zero_current_ns=live.ns_at(witness.zero_current_s),
            tripped_ns=live.ns_at(witness.tripped_s),
            instruction_ns=self._heard_ns,
            urgent_ns=self._urgent_ns,
            instruction=self._text,
            destroyed=witness.destroyed,
            destroyed_ns=live.ns_at(witness.destroyed_s),
            contactor_closed=None if contactor is None else contactor.is_closed(live.bench.now_s),
            commands=self._counts(),
        )


def _setting(source: ProgrammedSource | None, hand: Hand | None, now_s: float) -> tuple[bool, float]:
    if source is not None:
        return source.output_on, source.set_v
    assert hand is not None
    return hand.is_on(now_s), hand.dial_at(now_s)
