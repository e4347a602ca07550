"""A programmed AC source that speaks SCPI; it may measure as well.

Every call is one short transaction or two. *Off* goes out at once, even over a line that lost the thread.
Opening again after a fault re-applies the source's own limit and never switches the output on.
"""

import time
from collections.abc import Sequence

from benchlog.bench.adaptor import Identity, SourceState, StandbyOrder
from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import Profile, SourceWords
from benchlog.model.clock import Clock
from benchlog.model.errors import ProtocolFault, UsageError
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Reading, Status
from benchlog_drivers.adaptors.channels import outlets
from benchlog_drivers.adaptors.conversation import Conversation
from benchlog_drivers.adaptors.recognise import Recognition
from benchlog_drivers.adaptors.sampler import SLICE_S, Sampler
from benchlog_drivers.codecs.number import scpi_value
from benchlog_drivers.codecs.scpi import bit_set, parse_switch
from benchlog_drivers.transports.line import Line
from benchlog_drivers.transports.visa import VisaLine, socket_address

_LEAST_V, _LEAST_A, _LEAST_S = 0.06, 0.01, 0.01
"""Read-backs may differ from what was set by this much."""


class ScpiSource:
    """Implements `benchlog.bench.adaptor.Source`, and `Meter` for the roles it measures."""

    def __init__(
        self,
        config: InstrumentConfig,
        profile: Profile,
        line: Line,
        clock: Clock,
        quantity: Quantity | None = None,
        is_second: bool = False,
    ) -> None:
        """Not yet open. ``quantity``: what it measures in a role that does not tell it (peak, VA, …).

        A second connection only ever switches off.
        """
        if profile.source is None:
            raise UsageError(
                f"The profile {profile.name!r} of {config.name!r} has no [source] part. "
                "Choose the profile of a source."
            )
        found = () if is_second else outlets(config, profile, None, quantity)
        self.channels: tuple[Channel, ...] = tuple(outlet.channel for outlet in found)
        self.talk = Conversation(line, profile.scpi)
        self.sampler = Sampler(self.talk, profile.measure, found, clock)
        self.period_s = self.sampler.period_s
        self._words: SourceWords = profile.source
        self._config, self._profile, self._clock = config, profile, clock
        self._line = line
        self._recognition = Recognition(config)
        self._is_second = is_second
        self._limit: tuple[float, float] | None = None

    def open(self) -> Identity:
        """Open and check who answers; the limit set before is set again, the output is left as it is."""
        if self._is_second:
            self._line.open()
            return Identity(self._config.name)
        identity = self._recognition.check(self.talk.open())
        self.sampler.restart()
        self._prepare()
        if self._limit is not None:
            self.set_limit(*self._limit)
        return identity

    def _prepare(self) -> None:
        """Frequency and range as the profile states them; left alone when the output is found on."""
        words = self._words
        if (words.frequency_hz is None and words.range_v is None) or self.state().output_on:
            return
        if words.range_v is not None:
            self.set_range(words.range_v)
        if words.frequency_hz is not None:
            self.set_frequency(words.frequency_hz)

    def close(self) -> None:
        """Close the line; never raises."""
        self.talk.close()

    def read(self) -> Sequence[Reading]:
        """One short transaction of a measurement; an idle slice where it measures nothing."""
        if not self.channels:
            time.sleep(SLICE_S)
        return self.sampler.step()

    def set_limit(self, limit_a: float, trip_delay_s: float) -> SourceState:
        """Set current limit and trip delay, drain the error queue, read both back."""
        if not self._words.limit:
            raise self._cannot("has no current limit that can be set from here")
        commands = [self._words.limit.format(value=Plain(limit_a))]
        if self._words.trip_delay:
            commands.append(self._words.trip_delay.format(value=Plain(trip_delay_s)))
        self.talk.configure(*commands)
        state = self.state()
        if state.limit_a is None or not _near(state.limit_a, limit_a, _LEAST_A):
            raise self._cannot(f"was to limit at {limit_a:g} A but reads back {state.limit_a}")
        if state.trip_delay_s is not None and not _near(state.trip_delay_s, trip_delay_s, _LEAST_S):
            raise self._cannot(
                f"was to trip after {trip_delay_s:g} s but reads back {state.trip_delay_s:g} s"
            )
        self._limit = (limit_a, trip_delay_s)
        return state

    def set_frequency(self, hertz: float) -> None:
        """Set the frequency and read it back. `ProtocolFault` with the output on, or if it is not taken."""
        self._set_at_rest(self._words.frequency, self._words.read.frequency_hz, hertz, "Hz")

    def set_range(self, volts: float) -> None:
        """Choose the range of so many volts full scale and read it back. `ProtocolFault` as above."""
        self._set_at_rest(self._words.range, self._words.read.range_v, volts, "V full scale")

    def _set_at_rest(self, command: str, query: str, value: float, what: str) -> None:
        if not command:
            raise self._cannot(f"can't be set to {value:g} {what} from here")
        if self.state().output_on:
            raise self._cannot(f"is on; it is not set to {value:g} {what} under power")
        self.talk.configure(command.format(value=Plain(value)))
        reply = self.talk.ask(query) if query else ""
        read = scpi_value(reply) if query else value
        if isinstance(read, Status) or not _near(read, value, _LEAST_V):
            raise self._cannot(f"was to be set to {value:g} {what} but reads back {reply!r}")

    def set_voltage(self, volts: float) -> SourceState:
        """Set the voltage and read it back. `ProtocolFault` when it is not what was set."""
        top = self._words.greatest_v
        if not self._words.least_v <= volts <= (volts if top is None else top):
            raise self._cannot(f"can't be set to {volts:g} V")
        self.talk.tell(self._words.voltage.format(value=Plain(volts)))
        state = self.state()
        if not _near(state.set_v, volts, _LEAST_V):
            refused = "; ".join(f"{e.number} {e.text}" for e in self.talk.drain_errors())
            raise self._cannot(
                f"was set to {volts:g} V but reads back {state.set_v:g} V ({refused or 'no error told'})"
            )
        return state

    def output(self, on: bool) -> SourceState:
        """Switch the output and read it back."""
        if not on:
            return self.off()
        self.talk.tell(self._words.on)
        return self.state()

    def off(self) -> SourceState:
        """Output off and zero volts in one line, sent at once; then read back."""
        for line in self._words.off.split("\n"):
            self.talk.shout(line)
        return self.state()

    def clear_trip(self) -> SourceState:
        """Clear a trip; the output stays off."""
        if self._words.clear_trip:
            self.talk.tell(self._words.clear_trip)
        return self.state()

    def state(self) -> SourceState:
        """What the source reads back; one transaction where it understands compound queries."""
        read = self._words.read
        queries = {
            name: query
            for name, query in (
                ("set_v", read.set_v), ("output_on", read.output_on), ("limit_a", read.limit_a),
                ("trip_delay_s", read.trip_delay_s), ("tripped", read.tripped), ("limiting", read.limiting),
            )
            if query
        }  # fmt: skip
        if self._words.compound:
            replies = self.talk.ask(";:".join(queries.values())).split(";")
        else:
            replies = [self.talk.ask(query) for query in queries.values()]
        if len(replies) != len(queries):
            raise self._cannot(f"answered {replies!r} when its state was asked")
        return self._state(dict(zip(queries, replies, strict=True)))

    def _state(self, replies: dict[str, str]) -> SourceState:
        numbers = {
            name: value
            for name in ("set_v", "limit_a", "trip_delay_s")
            if name in replies and not isinstance(value := scpi_value(replies[name]), Status)
        }
        output_on = parse_switch(replies.get("output_on", ""))
        tripped = _flag(replies.get("tripped", "0"), self._words.read.tripped_bit)
        limiting = _flag(replies.get("limiting", "0"), self._words.read.limiting_bit)
        if "set_v" not in numbers or output_on is None or tripped is None or limiting is None:
            raise self._cannot(f"answered {replies!r} when its state was asked")
        return SourceState(
            numbers["set_v"],
            output_on,
            numbers.get("limit_a"),
            numbers.get("trip_delay_s"),
            tripped,
            limiting,
        )

    def standby(self) -> StandbyOrder | None:
        """A second TCP connection where it takes one, else the line's descriptor; None without either."""
        end = self._line.link.terminator
        off = b"".join(line.encode("ascii") + end for line in self._words.off.split("\n"))
        address = socket_address(self._config.connection)
        if address is not None and self._words.second_connection:
            return StandbyOrder(off, host=address[0], port=address[1])
        return StandbyOrder(off, fileno=self._line.fileno) if self._line.fileno >= 0 else None

    def second(self) -> "ScpiSource | None":
        """The same source over a second connection, not yet opened; it only reads back and switches off."""
        if not self._words.second_connection or self._is_second:
            return None
        return ScpiSource(self._config, self._profile, VisaLine(self._line.link), self._clock, is_second=True)

    def _cannot(self, what: str) -> ProtocolFault:
        return ProtocolFault(f"{self._line.link.where}: the source {what}. Check its manual and its profile.")


class Plain(float):
    """A number as SCPI takes it: without a format, plain decimals and none of a float's noise."""

    def __format__(self, form: str) -> str:
        """As ``form`` says, or plain."""
        if form:
            return format(float(self), form)
        return f"{float(self):.6f}".rstrip("0").rstrip(".") or "0"


def _flag(reply: str, bit: int | None) -> bool | None:
    """A flag that is answered 0 or 1, or a bit of a register; None where the reply is neither."""
    return parse_switch(reply) if bit is None else bit_set(reply, bit)


def _near(read: float, wanted: float, least: float) -> bool:
    """Whether a read-back is what was set, a source's rounding (0.5 %, at least ``least``) aside."""
    return abs(read - wanted) <= max(0.005 * abs(wanted), least)
