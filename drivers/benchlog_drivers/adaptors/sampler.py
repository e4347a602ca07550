"""Readings of an SCPI instrument in short transactions: one a call, with a few milliseconds of waiting.

A measurement that takes long is begun, then asked after, never waited for inside the instrument, so that
*off* on the same connection need not wait for it.
"""

import time
from collections.abc import Sequence

from benchlog.bench.profile import Measure
from benchlog.model.clock import Clock, microseconds
from benchlog.model.errors import ProtocolFault
from benchlog.model.reading import Reading, Status
from benchlog_drivers.adaptors.channels import Outlet
from benchlog_drivers.adaptors.conversation import Conversation
from benchlog_drivers.adaptors.pace import Pace
from benchlog_drivers.codecs.number import strict_int
from benchlog_drivers.codecs.scpi import parse_values, still_busy

SLICE_S = 0.005
"""Longest idle wait of one call, real seconds."""


class Sampler:
    """Takes sets of values on schedule, dropping what comes too late."""

    def __init__(self, talk: Conversation, measure: Measure, outlets: Sequence[Outlet], clock: Clock) -> None:
        """``measure`` is in session seconds; the schedule runs in real ones."""
        self.period_s = measure.period_s / clock.scale
        self.pace = Pace(self.period_s)
        self.missed = 0
        """Sets that the instrument made and nobody fetched."""
        self.garbled = 0
        self.stale = 0
        """Answers that lay there while this thread was not let run."""
        self._talk = talk
        self._measure = measure
        self._outlets = tuple(outlets)
        self._clock = clock
        self._begun_us: int | None = None
        self._ask_at = 0.0
        self._give_up_at = 0.0
        self._count: int | None = None

    def restart(self) -> None:
        """Forget what was under way: the connection is new."""
        self._begun_us = None
        self._count = None
        self.pace.restart()

    def step(self) -> Sequence[Reading]:
        """At most one transaction; readings when a new set is there."""
        if not self._outlets or not self._due():
            return ()
        if not self._measure.initiate:
            return self._fetch()
        if self._begun_us is None:
            self._begun_us = self._clock.now()
            self.pace.taken()
            self._talk.tell(self._measure.initiate)
            took = self._measure.duration_s() / self._clock.scale
            self._ask_at = time.monotonic() + took
            self._give_up_at = self._ask_at + took + self._talk.timeout_s
            return ()
        return self._fetch() if self._finished() else ()

    def _due(self) -> bool:
        waiting = self._begun_us is not None or self._count is not None
        wait = self._ask_at - time.monotonic() if waiting else self.pace.wait_s()
        if wait > 0.0:
            time.sleep(min(wait, SLICE_S))
        return wait <= SLICE_S

    def _finished(self) -> bool:
        if not self._measure.busy:
            return True
        busy = still_busy(self._talk.ask(self._measure.busy), self._measure.busy_bit, self._measure.done_bit)
        if busy is None or (busy and time.monotonic() > self._give_up_at):
            self._begun_us = None
            raise ProtocolFault(
                f"{self._talk.line.link.where}: the measurement does not end. Check its profile."
            )
        if busy:
            self._ask_at = time.monotonic() + min(self._measure.poll_s, self.period_s / 5)
        return not busy

    def _fetch(self) -> Sequence[Reading]:
        blocking = 0.0 if self._measure.initiate or self._measure.count_field is not None else self._took_s()
        start_us = self._clock.now()
        if self._begun_us is None and self._measure.count_field is None:
            self.pace.taken()
        try:
            answers = self._answers(self._talk.timeout_s + blocking)
        finally:
            begun_us, self._begun_us = self._begun_us, None
        end_us = self._clock.now() - microseconds(self._measure.latency_s)
        if time.monotonic() - self._talk.sent_at > self._talk.timeout_s + blocking:
            self.stale += 1  # nobody looked in time: how old the answer is, nobody knows
            return ()
        if not self._is_new(answers):
            return ()
        return self._readings(answers, start_us if begun_us is None else begun_us, end_us)

    def _took_s(self) -> float:
        return self._measure.duration_s() / self._clock.scale

    def _answers(self, timeout_s: float) -> dict[str, list[float | Status]]:
        """For each query among the channels, its list of values."""
        queries = dict.fromkeys(outlet.fetch or self._measure.fetch for outlet in self._outlets)
        found: dict[str, list[float | Status]] = {}
        for query in queries:
            reply = self._talk.ask(query, timeout_s)
            values = parse_values(reply, self._measure.separator)
            if values is None:
                raise ProtocolFault(f"{self._talk.line.link.where}: {reply!r} is no answer to {query!r}.")
            found[query] = values
        return found

    def _is_new(self, answers: dict[str, list[float | Status]]) -> bool:
        place = self._measure.count_field
        if place is None:
            return True
        values = answers[self._measure.fetch]
        count = strict_int(f"{values[place]!r}") if place < len(values) else None
        if count is None or count < 0:
            self.garbled += 1
            self._ask_at = time.monotonic() + self.period_s / 20
            return False
        if count == 0 or count == self._count:
            self._count = count
            self._ask_at = time.monotonic() + self.period_s / 20
            return False
        if self._count is not None and count > self._count + 1:
            self.missed += count - self._count - 1
        first = self._count is None
        self._count = count
        self._ask_at = time.monotonic() + self.period_s * 0.9
        return not first

    def _readings(
        self, answers: dict[str, list[float | Status]], begun_us: int, end_us: int
    ) -> list[Reading]:
        """One reading a channel, all over the same aperture; a field that is missing is garbled."""
        start_us = begun_us
        if self._measure.count_field is not None or self._measure.initiate:
            start_us = end_us - microseconds(self._measure.duration_s())
        readings: list[Reading] = []
        for outlet in self._outlets:
            values = answers[outlet.fetch or self._measure.fetch]
            value = values[outlet.field] if outlet.field < len(values) else Status.GARBLED
            self.garbled += value is Status.GARBLED
            readings.append(outlet.reading(value, min(start_us, end_us), end_us))
        return readings
