"""A meter on a serial line that sends frames, by itself or when asked; what a frame is, a codec tells."""

import time
from collections import Counter, deque
from collections.abc import Sequence

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import Profile
from benchlog.model.clock import Clock, microseconds
from benchlog.model.errors import InstrumentTimeout, ProtocolFault, UsageError
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting, Status, Unusable
from benchlog.model.role import Role
from benchlog_drivers.adaptors.channels import NOT_MEASURING, ROLE_QUANTITY, setting_of, turns_of
from benchlog_drivers.adaptors.confirmation import Confirmation
from benchlog_drivers.adaptors.pace import Pace
from benchlog_drivers.adaptors.recognise import Recognition
from benchlog_drivers.codecs.decoded import AUTORANGE, HOLD, Codec, Decoded, Garbled
from benchlog_drivers.codecs.parity import seven_bits, with_parity
from benchlog_drivers.transports.line import Line
from benchlog_drivers.transports.ports import canonical_port, usb_identity

SLICE_S = 0.05
"""Longest idle wait of one call, real seconds."""
_LEAST_GAP_S = 0.5
"""Shorter gaps than this, real seconds, are counted but not marked: the missing readings show them."""
_QUIET, _MOST_QUIET = 1.5, 5.0
"""Times allowed for an answer: how long a line must be quiet, and how long at most after a trial. An answer
that is later still can't be told from that of the next question: such meters number nothing."""
_LEAST_QUIET_S = 0.5
"""Real seconds, however short the time allowed: a busy machine is late too."""
_ZEROED = frozenset({Quantity.ESR, Quantity.RESISTANCE, Quantity.CONTINUITY})


class StreamMeter:
    """Implements `benchlog.bench.adaptor.Meter`: what is on the display (or displays) of one meter."""

    def __init__(
        self,
        config: InstrumentConfig,
        profile: Profile,
        line: Line,
        codec: Codec,
        clock: Clock,
        quantity: Quantity | None,
    ) -> None:
        """Not yet open. ``quantity`` where the role does not tell it; None: whatever the meter is set to."""
        role = _role(config)
        self._wanted = quantity or ROLE_QUANTITY.get(role)
        told = codec.quantities if self._wanted is None else (self._wanted,)
        self.channels: tuple[Channel, ...] = tuple(Channel(role, one, config.name) for one in told)
        self.period_s = profile.measure.period_s / clock.scale
        self.counts: Counter[str] = Counter()
        """What went wrong how often: ``garbled``, ``parity``, ``stale``, ``gaps``, ``unanswered``, …"""
        self.raw: deque[bytes] = deque(maxlen=16)
        """The last bytes received, for messages."""
        self.last_garbled = ""
        self.lead_zero = 0.0
        """Ohms of the test leads, subtracted from readings in ohms."""
        self._config, self._profile, self._line, self._codec, self._clock = (
            config,
            profile,
            line,
            codec,
            clock,
        )
        self._recognition = Recognition(config)
        self._is_live = getattr(line, "is_live", True)
        self._buffer = b""
        self._in_step = False
        self._confirmation = Confirmation(codec.checked)
        self._silent_s = config.timeout_s or max(1.0, 4.0 * self.period_s)
        self._heard = self._left = time.monotonic()
        self._told_garbled = 0.0
        self._arrived_us = 0
        self._asked: float | None = None
        self._quiet_from: float | None = None
        self._on_trial = False
        """The thread was lost: the next answer is thrown away, and nothing may follow it."""
        self._usual_quiet_s = max(_QUIET * line.link.timeout_s, _LEAST_QUIET_S)
        self._quiet_s = self._usual_quiet_s
        self._owed_from: float | None = None
        """When the question was put with which the thread was lost."""
        self._understood = self._heard
        self._pace = Pace(self.period_s)

    def open(self) -> Identity:
        """Open the port; the first, partial frame is dropped. May be called again after a fault."""
        is_owed = self._asked is not None or self._quiet_from is not None
        self._line.open()
        self._begin_anew()
        if is_owed:
            self._lose_thread(time.monotonic())  # an answer that was owed before may come yet
        self._confirmation.restart()
        self._left = self._understood = time.monotonic()
        self._pace.restart()
        usb = usb_identity(canonical_port(self._config.connection))
        asked = self._profile.text.identity if self._profile.text is not None else ""
        said = self._say_who(asked.encode("ascii")) if asked else ""
        return self._recognition.check(Identity(said or self._profile.description or self._profile.name, usb))

    def _say_who(self, question: bytes) -> str:
        """The line that a polled meter answers when it is asked who it is."""
        link, allowed_s = self._line.link, self._line.link.timeout_s
        owed_s = 0.0 if self._quiet_from is None else _QUIET * allowed_s
        until = time.monotonic() + 5.0 * allowed_s
        while self._line.read_some(owed_s) and time.monotonic() < until:
            pass
        self._line.write(self._coded(question), allowed_s)
        until = time.monotonic() + allowed_s
        while (end := self._buffer.find(link.line_end)) < 0:
            left = until - time.monotonic()
            if left <= 0.0:
                raise InstrumentTimeout(
                    f"{link.where}: it does not say who it is. Is it switched on, and is it the meter of the "
                    f"profile {self._profile.name!r}?"
                )
            self._take(self._line.read_some(left))
        said, self._buffer = self._buffer[:end], b""
        return said.decode("ascii", errors="replace").strip()

    def _coded(self, data: bytes) -> bytes:
        link = self._profile.link
        return with_parity(data, link.parity) if link.software_parity else data

    def _begin_anew(self) -> None:
        self._buffer, self._in_step = b"", bool(self._codec.request)
        self._heard = time.monotonic()
        self._asked = None

    def close(self) -> None:
        """Close the port; never raises."""
        self._line.close()

    def zero_leads(self, reading: Measured) -> None:
        """Take a reading with the leads touching as their resistance; later readings are less by it.

        `UsageError` where the reading is not in ohms or is too much for leads.
        """
        if reading.channel.quantity not in _ZEROED or not 0.0 <= reading.value + self.lead_zero < 2.0:
            raise UsageError(
                f"{reading.value:g} {reading.channel.quantity.unit} is no lead resistance. "
                "Touch the leads together."
            )
        self.lead_zero += reading.value

    def read(self) -> Sequence[Reading]:
        """Readings that arrived, waiting a slice at most. `InstrumentTimeout` after a long silence."""
        gap = self._after_stall()
        data = self._line.read_some(self._ask() if self._codec.request else SLICE_S)
        self._arrived_us = self._clock.now() - microseconds(self._profile.measure.latency_s)
        now = time.monotonic()
        self._left = now
        if data and self._is_unasked(now):
            self._lose_thread(now)
        if data and self._quiet_from is not None:
            self._quiet_from, self._on_trial = now, True
            self.counts["late"] += 1
            return gap
        if data:
            self._heard = now
            self._take(data)
        elif now - self._heard > self._silent_s and not self._codec.request:
            self._heard = now
            raise InstrumentTimeout(self._silence())
        found = self._decode()
        if found and self._on_trial:
            self._quiet_from, self._on_trial = now, self._is_garbled(found)
            self._quiet_s = self._quiet_after_trial_s(now)
            return gap
        if found and not self._is_garbled(found):
            self._understood = now
        elif data and now - self._understood > self._silent_s:
            self._understood = now
            raise ProtocolFault(self._not_understood())
        return gap + found

    def _is_unasked(self, now: float) -> bool:
        """Whether bytes that came answer no question, or one so old that nobody knows how old they are."""
        if not self._codec.request or self._quiet_from is not None:
            return False
        return self._asked is None or now - self._asked > self._line.link.timeout_s

    @staticmethod
    def _is_garbled(found: Sequence[Reading]) -> bool:
        return all(isinstance(one, Unusable) and one.status is Status.GARBLED for one in found)

    def _not_understood(self) -> str:
        return (
            f"{self._line.link.where}: bytes arrive, but none make sense to the profile "
            f"{self._profile.name!r}: {b''.join(self.raw)[-24:].hex(' ')}. "
            "Is it another baud rate, parity or profile?"
        )

    def _take(self, data: bytes) -> None:
        self.raw.append(data)
        link = self._profile.link
        if link.software_parity:
            data, failed = seven_bits(data, link.parity)
            self.counts["parity"] += failed
        self._buffer += data

    def _ask(self) -> float:
        """Put the next question when it is due; how long to wait for bytes then, real seconds.

        A question without an answer makes the line suspect: what comes late would be taken for the next
        answer. So nothing is asked until the line was quiet for longer than an answer may take; then one
        answer is thrown away, and the line must be quiet again, for longer than that one may have been under
        way: had it been the late one, its own would follow it.
        """
        now, allowed_s = time.monotonic(), self._line.link.timeout_s
        if self._quiet_from is not None:
            if now - self._quiet_from < self._quiet_s:
                return SLICE_S
            self._quiet_from, self._quiet_s = None, self._usual_quiet_s
            self._owed_from = self._owed_from if self._on_trial else None
            self._pace.restart()
        if self._asked is not None:
            if now - self._asked < allowed_s:
                return min(SLICE_S, allowed_s)
            self._lose_thread(now)
            raise InstrumentTimeout(
                f"{self._line.link.where}: no answer within {allowed_s:g} s. Is it switched on? "
                "It is asked again."
            )
        if self._pace.wait_s() > 0.0:
            return min(SLICE_S, self._pace.wait_s())
        self._pace.taken()
        self._line.write(self._coded(self._codec.request), allowed_s)
        self._asked = now
        return min(SLICE_S, allowed_s)

    def _quiet_after_trial_s(self, now: float) -> float:
        """How long nothing may follow the answer thrown away: it may be that of the first question."""
        allowed_s = self._line.link.timeout_s
        owed_s = 0.0 if self._owed_from is None else now - self._owed_from
        most_s = max(_MOST_QUIET * allowed_s, self._usual_quiet_s)
        return min(max(self._usual_quiet_s, _QUIET * owed_s), most_s)

    def _lose_thread(self, now: float) -> None:
        if self._owed_from is None:
            self._owed_from = now if self._asked is None else self._asked
        self._asked, self._quiet_from, self._heard = None, now, now
        self._buffer, self._on_trial = b"", True
        self.counts["unanswered"] += 1

    def _silence(self) -> str:
        return (
            f"{self._line.link.where}: silent for {self._silent_s:.1f} s. Is it switched on, is its "
            "data output on, has it switched itself off? Many meters need a key held at start-up "
            "against that."
        )

    def _after_stall(self) -> list[Reading]:
        """When nobody read for long, what is buffered is old: flush it and mark the gap."""
        stood_s = time.monotonic() - self._left
        if stood_s <= 2.0 * self.period_s + SLICE_S or not self._is_live:
            return []
        is_owed = self._asked is not None
        self._line.discard()
        self._begin_anew()
        if is_owed:
            self._lose_thread(time.monotonic())
        self.counts["gaps"] += 1
        if stood_s < max(_LEAST_GAP_S, 3.0 * self.period_s):
            return []
        end_us = self._clock.now() - microseconds(self._profile.measure.latency_s)
        start_us = end_us - microseconds(stood_s * self._clock.scale)
        return [Unusable(self.channels[0], Status.STALE, start_us, end_us, Setting(note="not read in time"))]

    def _decode(self) -> list[Reading]:
        """Everything whole in the buffer; of several frames that came at once only the last is fresh."""
        found: list[Decoded | Garbled] = []
        while self._buffer:
            used, result = self._codec.decode(self._buffer)
            if used == 0 and result is None:
                break
            self._buffer = self._buffer[used:]
            if result is not None and (self._in_step or isinstance(result, Decoded)):
                found.append(result)
            self._in_step = self._in_step or result is not None
        good = [result for result in found if isinstance(result, Decoded)]
        if found:
            self._asked = None
        if found and (self._buffer or len(found) > 1) and self._codec.request:
            self._lose_thread(time.monotonic())  # more came than was asked for: which is the answer?
            return []
        self.counts["stale"] += max(0, len(good) - 1)
        bad = [result for result in found if isinstance(result, Garbled)]
        readings = self._garbled(bad) if bad else []
        return readings + (self._readings(good[-1]) if good else [])

    def _garbled(self, bad: Sequence[Garbled]) -> list[Reading]:
        """Counted, and shown at most once a period, so that noise does not flood the record."""
        self.counts["garbled"] += len(bad)
        self.last_garbled = f"{bad[-1].reason} ({bad[-1].raw[:24].hex(' ')})"
        now = time.monotonic()
        if now - self._told_garbled < self.period_s:
            return []
        self._told_garbled = now
        end_us = self._arrived_us
        return [Unusable(self.channels[0], Status.GARBLED, end_us, end_us, Setting(note=bad[-1].reason))]

    def _readings(self, frame: Decoded) -> list[Reading]:
        """A reading of each display that is wanted."""
        measure = self._profile.measure
        end_us = self._arrived_us
        start_us = end_us - microseconds(measure.aperture_s)
        displays = (frame, *frame.beside)
        wanted = [d for d in displays if self._wanted in (None, d.quantity)]
        if not wanted:
            self.counts["other-quantity"] += 1
            setting = Setting(note=f"the meter is set to {frame.quantity.label}")
            return [Unusable(self.channels[0], Status.REFUSED, start_us, end_us, setting)]
        if not self._confirmation.accepts(frame):
            self.counts["unconfirmed"] += 1
            channel = self._channel(wanted[0].quantity)
            return [Unusable(channel, Status.AUTORANGING, start_us, end_us)]
        return [self._reading(display, start_us, end_us) for display in wanted]

    def _channel(self, quantity: Quantity) -> Channel:
        return Channel(self.channels[0].role, quantity, self.channels[0].instrument)

    def _reading(self, frame: Decoded, start_us: int, end_us: int) -> Reading:
        channel = self._channel(frame.quantity)
        zeroed = self.lead_zero if frame.quantity in _ZEROED else 0.0
        notes = [flag for flag in frame.flags if flag != AUTORANGE]
        notes += [f"leads zeroed at {zeroed:g} Ω"] if zeroed else []
        setting = setting_of(
            self._config, frame.quantity, frame.range, frame.resolution, self._profile.measure.aperture_s,
            ", ".join(notes), frame.test_frequency_hz,
        )  # fmt: skip
        if HOLD in frame.flags:
            return Unusable(channel, Status.STALE, start_us, end_us, setting)
        if frame.value is None:
            return Unusable(channel, frame.status or Status.GARBLED, start_us, end_us, setting)
        value = frame.value / turns_of(self._config, frame.quantity) - zeroed
        return Measured(channel, value, start_us, end_us, setting)


def _role(config: InstrumentConfig) -> Role:
    """The role that its display plays. `UsageError` where none measures."""
    role = next((role for role in config.roles if role not in NOT_MEASURING), None)
    if role is None:
        raise UsageError(
            f"The instrument {config.name!r} has no role that measures. Give it one in the bench file."
        )
    return role
