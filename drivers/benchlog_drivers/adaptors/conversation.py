"""Questions and answers over a line that may lose the thread.

After a timeout a late answer would shift every later one, so the line is suspect until a unique marker came
back, or, where the instrument knows none (found out when it is first opened), until it was quiet for longer
than its worst latency.
"""

import time
from collections import deque

from benchlog.bench.adaptor import Identity
from benchlog.bench.profile import ScpiWords
from benchlog.model.errors import InstrumentTimeout, LinkLost, ProtocolFault
from benchlog_drivers.codecs.block import take_block
from benchlog_drivers.codecs.number import strict_int
from benchlog_drivers.codecs.scpi import QueuedError, parse_error, parse_identity, take_line
from benchlog_drivers.transports.line import Line

_LONGEST = 1 << 16
_MOST_ERRORS = 20
_KEPT = 16
_LEAST_RESYNC_S = 0.5
_TAIL_S = 0.05
"""Real seconds within which the line's end follows a block, where it follows at all."""


class Conversation:
    """One SCPI instrument over one line; owned by one thread."""

    def __init__(self, line: Line, words: ScpiWords) -> None:
        """The line is not yet open."""
        self.line = line
        self.errors: deque[QueuedError] = deque(maxlen=100)
        """Error-queue entries drained so far."""
        self.frames: deque[tuple[str, bytes]] = deque(maxlen=_KEPT)
        """The last bytes both ways (``>`` sent, ``<`` received), for messages."""
        self.resyncs = 0
        self.sent_at = 0.0
        """Monotonic instant at which the last line was sent."""
        self._words = words
        self._buffer = b""
        self._suspect = False
        self._marker = 0
        self._marks: bool | None = None if words.marker else False
        """Whether it brings a marker back; None while that is not known."""
        self._asked = ""
        self._called = ""
        """What it answered when it was asked who it is."""

    @property
    def timeout_s(self) -> float:
        """Allowed for a short transaction."""
        return self.line.link.timeout_s

    def open(self) -> Identity:
        """Open, find the thread, clear the queue, ask who answers, configure."""
        self.line.open()
        self._buffer = b""
        self._suspect = self._marks is not False
        self.settle()
        if self._words.clear:
            self.tell(self._words.clear)
        identity = self._identify()
        self.configure(*self._words.configure)
        return identity

    def _identify(self) -> Identity:
        if not self._words.identity:
            return Identity("")
        try:
            self._called = self.ask(self._words.identity)
            return parse_identity(self._called)
        except InstrumentTimeout:
            self._marks = self._marks or (None if self._words.marker else False)  # it may have been off
            raise

    def close(self) -> None:
        """Close the line; never raises."""
        self.line.close()

    def configure(self, *commands: str) -> None:
        """Send commands, then drain the error queue. `ProtocolFault` reports what the instrument refused."""
        if not commands:
            return
        for command in commands:
            self.tell(command)
        refused = self.drain_errors()
        if refused:
            said = "; ".join(f"{error.number} {error.text}" for error in refused)
            raise ProtocolFault(
                f"{self.line.link.where}: it did not take {' / '.join(commands)!r}: {said}. "
                "Check profile and bench file against its manual."
            )

    def drain_errors(self) -> list[QueuedError]:
        """Everything in the error queue, oldest first."""
        found: list[QueuedError] = []
        while self._words.error and len(found) < _MOST_ERRORS:
            reply = self._next_error()
            error = parse_error(reply)
            if error is None:
                raise ProtocolFault(f"{self.line.link.where}: {reply!r} is no entry of an error queue.")
            if error.number == 0:
                break
            found.append(error)
        self.errors.extend(found)
        return found

    def _next_error(self) -> str:
        try:
            return self.ask(self._words.error)
        except InstrumentTimeout as silence:
            raise InstrumentTimeout(
                f'{silence} Where it keeps no error queue, write error = "" under [scpi] in its profile.'
            ) from silence

    def tell(self, command: str) -> None:
        """Send one line; where the instrument acknowledges commands, wait for that."""
        self.settle()
        self._send(command)
        if self._words.acknowledge:
            reply = self._receive(self.timeout_s)
            if reply.strip() != self._words.acknowledge:
                raise ProtocolFault(
                    f"{self.line.link.where}: {reply!r} is no acknowledgement of {command!r}. "
                    "Check profile and bench file against its manual."
                )

    def shout(self, command: str) -> None:
        """Send one line at once, even over a suspect line: what takes the source away waits for nothing."""
        self._send(command)
        if self._words.acknowledge:
            self._receive(self.timeout_s)

    def ask(self, query: str, timeout_s: float | None = None) -> str:
        """Send one line and wait for one back, at most ``timeout_s`` in all. Half an answer is discarded.

        Bytes that lie there before the question is put belong to no question: the line is made clean first.
        """
        if self._buffer or (self.line.peeks and self.line.read_some(0.0)):
            self._suspect = True
        self.settle()
        self._send(query)
        return self._receive(self.timeout_s if timeout_s is None else timeout_s)

    def ask_block(self, query: str, timeout_s: float, longest: int) -> bytes:
        """Ask for an IEEE 488.2 block, or a line; what is in the block, or the line, within one deadline."""
        self.settle()
        self._buffer = b""
        self._send(query)
        until = time.monotonic() + timeout_s
        parts = bytearray()
        while True:
            used, data = take_block(parts, self.line.link.line_end)
            left = until - time.monotonic()
            if data is None and (left <= 0.0 or len(parts) > longest):
                self._suspect = True
                raise self._timeout(f"the waveform did not come whole ({len(parts)} bytes came)")
            if data is None:
                used, data = self._more(parts, left)
            if data is not None:
                self._buffer = bytes(parts[used:])
                return data

    def _more(self, parts: bytearray, left_s: float) -> tuple[int, bytes | None]:
        """Wait for more of a block; what it is when no more comes although it may be whole."""
        may_be_whole = take_block(parts, self.line.link.line_end, is_over=True)
        try:
            data = self.line.read_some(left_s if may_be_whole[1] is None else min(left_s, _TAIL_S))
        except LinkLost:
            self._suspect = True
            raise
        parts += data
        return (0, None) if data else may_be_whole

    def settle(self) -> None:
        """Make a suspect line clean. `InstrumentTimeout` when it can't be made so; it stays suspect then.

        An instrument that never brought a marker back is waited for in silence instead; what the marker left
        in its error queue is cleared when it is opened.
        """
        if not self._suspect:
            return
        self.resyncs += 1
        self._buffer = b""
        try:
            if self._marks is not False:
                self._seek_marker()
                self._marks = True
        except InstrumentTimeout:
            if self._marks:
                raise
            self._marks, self._buffer = False, b""
        if self._marks is False:
            self._wait_quiet()
            self._hear_name()
        self._suspect = False

    def _seek_marker(self) -> None:
        """Two markers in a row must come back in a row: a late answer may equal one, not both."""
        until = time.monotonic() + max(self.timeout_s, _LEAST_RESYNC_S)
        while True:
            self._next_marker(until)
            if self._next_marker(until) == 0:
                break
        self._buffer = b""

    def _next_marker(self, until: float) -> int:
        """Ask for a number that no earlier marker asked for; how many lines came before it."""
        self._marker = self._marker + 1 if 100 <= self._marker < 254 else 100
        self._send(self._words.marker.format(n=self._marker))
        others = 0
        while True:
            left = until - time.monotonic()
            if left <= 0.0:
                raise self._timeout("the line could not be made clean")
            try:
                if strict_int(self._receive(left).strip()) == self._marker:
                    return others
            except ProtocolFault:
                self._buffer = b""
            others += 1

    def _hear_name(self) -> None:
        """Ask who it is, where that is known, and throw away what comes before that answer."""
        if not self._called:
            return
        self._send(self._words.identity)
        until = time.monotonic() + self.timeout_s
        while self._receive(max(0.0, until - time.monotonic())) != self._called:
            pass

    def _wait_quiet(self) -> None:
        """Discard until nothing came for longer than a late answer may take."""
        until = time.monotonic() + 5.0 * self.timeout_s
        while self.line.read_some(1.5 * self.timeout_s):
            if time.monotonic() > until:
                raise self._timeout("it does not fall silent")

    def _send(self, text: str) -> None:
        self._asked = text
        data = text.encode("ascii") + self.line.link.terminator
        self.frames.append((">", data))
        self.sent_at = time.monotonic()
        try:
            self.line.write(data, self.timeout_s)
        except (InstrumentTimeout, LinkLost):
            self._suspect = True
            raise

    def _receive(self, timeout_s: float) -> str:
        until = time.monotonic() + timeout_s
        try:
            while True:
                used, raw = take_line(self._buffer, self.line.link.line_end)
                left = until - time.monotonic()
                if left <= 0.0:
                    raise self._timeout(f"no answer in time to {self._asked!r}")
                if raw is not None:
                    self._buffer = self._buffer[used:]
                    return self._text(raw)
                self._grow(self.line.read_some(left))
        except (InstrumentTimeout, ProtocolFault, LinkLost):
            self._suspect = True
            raise

    def _grow(self, data: bytes) -> None:
        self._buffer += data
        if data:
            self.frames.append(("<", data))
        if len(self._buffer) > _LONGEST:
            self._buffer = b""
            raise ProtocolFault(
                f"{self.line.link.where}: an answer without end. Check the terminator in its profile."
            )

    def _text(self, raw: bytes) -> str:
        try:
            return raw.decode("ascii")
        except UnicodeDecodeError as error:
            raise ProtocolFault(
                f"{self.line.link.where}: bytes that are no text ({raw[:16].hex(' ')}). "
                "Check baud rate and parity."
            ) from error

    def _timeout(self, what: str) -> InstrumentTimeout:
        return InstrumentTimeout(
            f"{self.line.link.where}: {what}. Check that it is switched on and connected; it is tried again."
        )
