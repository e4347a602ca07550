"""Readings typed by the technician, as an instrument."""

import queue
from collections.abc import Sequence

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import InstrumentConfig
from benchlog.bench.typed import Typed, parse_typed
from benchlog.model.clock import Clock
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting, Unusable
from benchlog_drivers.adaptors.channels import ROLE_QUANTITY, turns_of

_SLICE_S = 0.05


class TypedMeter:
    """Implements `benchlog.bench.adaptor.Meter`; `enter` may be called from any thread."""

    def __init__(self, config: InstrumentConfig, clock: Clock) -> None:
        """``config.profile`` names the quantity where the role does not tell it."""
        role = config.roles[0]
        quantity = (
            Quantity(config.profile) if config.profile else ROLE_QUANTITY.get(role, Quantity.RESISTANCE)
        )
        self.channels: tuple[Channel, ...] = (Channel(role, quantity, config.name),)
        self.period_s = float("inf")
        self._config = config
        self._clock = clock
        self._typed: queue.SimpleQueue[Reading] = queue.SimpleQueue()

    def open(self) -> Identity:
        """Nothing to open."""
        return Identity(self._config.description or "typed by the technician")

    def close(self) -> None:
        """Nothing to close."""

    def enter(self, text: str, quantity: Quantity | None = None, decimal_comma: bool = False) -> Typed:
        """Take one typed reading, stamped now. `UsageError` says what is wrong with the text."""
        channel = self.channels[0]
        if quantity is not None:
            channel = Channel(channel.role, quantity, channel.instrument)
        typed = parse_typed(text, channel.quantity, decimal_comma)
        now_us = self._clock.now()
        turns = turns_of(self._config, channel.quantity)
        setting = Setting(resolution=typed.resolution, turns=turns, note="typed")
        if typed.value is None:
            assert typed.status is not None
            self._typed.put(Unusable(channel, typed.status, now_us, now_us, setting))
        else:
            self._typed.put(Measured(channel, typed.value / turns, now_us, now_us, setting))
        return typed

    def read(self) -> Sequence[Reading]:
        """What was typed since; waits a slice at most."""
        try:
            return (self._typed.get(timeout=_SLICE_S),)
        except queue.Empty:
            return ()
