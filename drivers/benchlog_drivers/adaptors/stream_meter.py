"""A meter on a serial line that sends frames, by itself or when asked; what a frame is, a codec tells."""

import time
from collections import Counter, deque
from collections.abc import Sequence

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import Profile
from benchlog.model.clock import Clock, microseconds
from benchlog.model.errors import InstrumentTimeout, UsageError
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting, Status, Unusable
from benchlog_drivers.adaptors.channels import NOT_MEASURING, ROLE_QUANTITY, setting_of, turns_of
from benchlog_drivers.adaptors.pace import Pace
from benchlog_drivers.adaptors.recognise import Recognition
from benchlog_drivers.codecs.decoded import AUTORANGE, HOLD, Codec, Decoded, Garbled
from benchlog_drivers.transports.ports import canonical_port, usb_identity
from benchlog_drivers.transports.serial_port import SerialLine

SLICE_S = 0.05
"""Longest idle wait of one call, real seconds."""


class StreamMeter:
    """Implements `benchlog.bench.adaptor.Meter`: one channel, whatever the frames say is on the display."""

    def __init__(
        self,
        config: InstrumentConfig,
        profile: Profile,
        line: SerialLine,
        codec: Codec,
        clock: Clock,
        quantity: Quantity | None,
    ) -> None:
        """Not yet open. ``quantity`` where the role alone does not tell it."""
        role = next((role for role in config.roles if role not in NOT_MEASURING), None)
        if role is None:
            raise UsageError(
                f"The instrument {config.name!r} has no role that measures. Give it one in the bench file."
            )
        wanted = quantity or ROLE_QUANTITY.get(role)
        self.channels: tuple[Channel, ...] = (Channel(role, wanted or codec.quantities[0], config.name),)
        self.period_s = profile.measure.period_s / clock.scale
        self.counts: Counter[str] = Counter()
        """``garbled``, ``other-quantity``, ``stale``, ``gaps`` since opening."""
        self.raw: deque[bytes] = deque(maxlen=16)
        """The last bytes received, for messages."""
        self.last_garbled = ""
        self._any_quantity = wanted is None
        self._config, self._profile, self._line, self._codec, self._clock = (
            config,
            profile,
            line,
            codec,
            clock,
        )
        self._recognition = Recognition(config)
        self._buffer = b""
        self._in_step = False
        self._silent_s = config.timeout_s or max(1.0, 4.0 * self.period_s)
        self._heard = self._left = time.monotonic()
        self._told_garbled = 0.0
        self._pace = Pace(self.period_s)

    def open(self) -> Identity:
        """Open the port; the first, partial frame is dropped. May be called again after a fault."""
        self._line.open()
        self._buffer, self._in_step = b"", bool(self._codec.request)
        self._heard = self._left = time.monotonic()
        self._pace.restart()
        device = canonical_port(self._config.connection)
        return self._recognition.check(
            Identity(self._profile.description or self._profile.name, usb_identity(device))
        )

    def close(self) -> None:
        """Close the port; never raises."""
        self._line.close()

    def read(self) -> Sequence[Reading]:
        """Readings that arrived, waiting a slice at most. `InstrumentTimeout` after a long silence."""
        gap = self._after_stall()
        if self._codec.request:
            self._ask()
        data = self._line.read_some(SLICE_S)
        now = time.monotonic()
        self._left = now
        if data:
            self.raw.append(data)
            self._heard = now
            self._buffer += data
        elif now - self._heard > self._silent_s:
            self._heard = now
            raise InstrumentTimeout(self._silence())
        return gap + self._decode()

    def _ask(self) -> None:
        wait = self._pace.wait_s()
        if wait <= 0.0:
            self._pace.taken()
            self._line.write(self._codec.request, self._line.link.timeout_s)

    def _silence(self) -> str:
        return (
            f"{self._line.link.where}: silent for {self._silent_s:.1f} s. Is it switched on, is its "
            "data output on, has it switched itself off? Many meters need a key held at start-up against that."
        )

    def _after_stall(self) -> list[Reading]:
        """When nobody read for long, what is buffered is old: flush it and mark the gap."""
        stood_s = time.monotonic() - self._left
        if stood_s <= 2.0 * self.period_s + SLICE_S:
            return []
        self._line.discard()
        self._buffer, self._in_step = b"", bool(self._codec.request)
        self._heard = time.monotonic()
        self.counts["gaps"] += 1
        end_us = self._clock.now()
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
            self._in_step = True
        good = [result for result in found if isinstance(result, Decoded)]
        self.counts["stale"] += max(0, len(good) - 1)
        readings = [self._reading(good[-1])] if good else []
        bad = [result for result in found if isinstance(result, Garbled)]
        return [*self._garbled(bad), *readings] if bad else readings

    def _garbled(self, bad: Sequence[Garbled]) -> list[Reading]:
        """Counted, and shown at most once a period, so that noise does not flood the record."""
        self.counts["garbled"] += len(bad)
        self.last_garbled = f"{bad[-1].reason} ({bad[-1].raw[:24].hex(' ')})"
        now = time.monotonic()
        if now - self._told_garbled < self.period_s:
            return []
        self._told_garbled = now
        end_us = self._clock.now()
        return [Unusable(self.channels[0], Status.GARBLED, end_us, end_us, Setting(note=bad[-1].reason))]

    def _reading(self, frame: Decoded) -> Reading:
        measure = self._profile.measure
        end_us = self._clock.now() - microseconds(measure.latency_s)
        start_us = end_us - microseconds(measure.aperture_s)
        notes = [flag for flag in frame.flags if flag != AUTORANGE]
        channel = self.channels[0]
        if frame.quantity is not channel.quantity:
            if not self._any_quantity:
                self.counts["other-quantity"] += 1
                note = f"the meter is set to {frame.quantity.label}"
                return Unusable(channel, Status.REFUSED, start_us, end_us, Setting(note=note))
            channel = Channel(channel.role, frame.quantity, channel.instrument)
        setting = setting_of(
            self._config, frame.quantity, frame.range, frame.resolution, measure.aperture_s, ", ".join(notes)
        )
        if HOLD in frame.flags:
            return Unusable(channel, Status.STALE, start_us, end_us, setting)
        if frame.value is None:
            return Unusable(channel, frame.status or Status.GARBLED, start_us, end_us, setting)
        value = frame.value / turns_of(self._config, frame.quantity)
        return Measured(channel, value, start_us, end_us, setting)
