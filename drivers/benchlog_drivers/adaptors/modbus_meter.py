"""A meter read by Modbus: a power meter on the source, as a rule."""

import time
from collections.abc import Sequence

import msgspec

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import ChannelWords, Profile, Register, RegisterMap
from benchlog.model.clock import Clock, microseconds
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Reading
from benchlog_drivers.adaptors.channels import outlets
from benchlog_drivers.adaptors.pace import Pace
from benchlog_drivers.adaptors.recognise import Recognition
from benchlog_drivers.adaptors.sampler import SLICE_S
from benchlog_drivers.codecs.registers import blocks, register_value
from benchlog_drivers.transports.modbus import ModbusLine


class ModbusMeter:
    """Implements `benchlog.bench.adaptor.Meter`."""

    def __init__(
        self,
        config: InstrumentConfig,
        profile: Profile,
        registers: RegisterMap,
        line: ModbusLine,
        clock: Clock,
        quantity: Quantity | None,
    ) -> None:
        """Not yet open."""
        words = tuple(_words(place, register) for place, register in enumerate(registers.register))
        self._outlets = outlets(config, msgspec.structs.replace(profile, channel=words), quantity)
        self.channels: tuple[Channel, ...] = tuple(outlet.channel for outlet in self._outlets)
        self.period_s = profile.measure.period_s / clock.scale
        self.pace = Pace(self.period_s)
        self.missed = 0
        """Sets that the instrument made and nobody fetched."""
        self.stale = 0
        """Answers that lay there while this thread was not let run."""
        self.line = line
        self._registers = registers
        self._used = [registers.register[outlet.field] for outlet in self._outlets]
        self._blocks = blocks(registers, self._used)
        self.consistent = len(self._blocks) == 1
        """Whether one transaction brings the whole set."""
        self._profile, self._clock = profile, clock
        self._recognition = Recognition(config)
        self._count: int | None = None
        self._turn = 0

    def open(self) -> Identity:
        """Open the line and read who answers. May be called again after a fault."""
        self.line.open()
        self._count = None
        self.pace.restart()
        name = self._profile.description or self._profile.name
        place = self._registers.identity_address
        if place is None:
            return self._recognition.check(Identity(name))
        words = self.line.read_registers(self._registers.function, place, self._registers.identity_count)
        number = "".join(f"{word:04x}" for word in words)
        return self._recognition.check(Identity(name, number))

    def close(self) -> None:
        """Close the line; never raises."""
        self.line.close()

    def read(self) -> Sequence[Reading]:
        """The next set when it is due and new."""
        wait_s = self.pace.wait_s()
        if wait_s > 0.0:
            time.sleep(min(wait_s, SLICE_S))
            if wait_s > SLICE_S:
                return ()
        self.pace.taken()
        words = self._words()
        end_us = self._clock.now() - microseconds(self._profile.measure.latency_s)
        if time.monotonic() - self.line.sent_at > self.line.line.link.timeout_s:
            self.stale += 1  # nobody looked in time: how old the answer is, nobody knows
            return ()
        return self._readings(words, end_us) if self._is_new(words) else ()

    def _words(self) -> dict[int, int]:
        """Registers by address; one more than needed every other time, where the map has one to spare."""
        self._turn ^= 1
        found: dict[int, int] = {}
        for first, count in self._blocks:
            more = 1 if self._turn and self._registers.spare else 0
            read = self.line.read_registers(self._registers.function, first, count + more)
            found.update(zip(range(first, first + count), read, strict=False))
        return found

    def _is_new(self, words: dict[int, int]) -> bool:
        place = self._registers.count_address
        if place is None:
            return True
        before, self._count = self._count, words[place]
        if before is None or before == self._count:
            return False
        self.missed += (self._count - before) % 0x10000 - 1
        return True

    def _readings(self, words: dict[int, int], end_us: int) -> list[Reading]:
        start_us = end_us - microseconds(self._profile.measure.duration_s())
        pairs = zip(self._outlets, self._used, strict=True)
        return [outlet.reading(register_value(words, used), start_us, end_us) for outlet, used in pairs]


def _words(place: int, register: Register) -> ChannelWords:
    """A register as a channel of the profile."""
    return ChannelWords(
        quantity=register.quantity, roles=register.roles, field=place, scale=register.scale,
        range=register.range, resolution=register.resolution, greatest=register.greatest,
    )  # fmt: skip
