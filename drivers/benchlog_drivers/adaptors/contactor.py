"""A cut-off contactor, held in by a heartbeat: a modem-control line, a relay told by SCPI, or a Modbus coil.

The box drops by itself when no beat came for its hold time. One that only follows a level drops when the
program exits, not when it hangs; its profile says so.
"""

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import ContactorWords, Profile
from benchlog_drivers.adaptors.conversation import Conversation
from benchlog_drivers.adaptors.recognise import Recognition
from benchlog_drivers.transports.modbus import ModbusLine
from benchlog_drivers.transports.serial_port import SerialLine


class LineContactor:
    """Implements `benchlog.bench.adaptor.Contactor` by toggling DTR or RTS of a serial adaptor."""

    def __init__(
        self, config: InstrumentConfig, profile: Profile, words: ContactorWords, line: SerialLine
    ) -> None:
        """Not yet open; opening leaves the line low."""
        self.follows_level = words.follows_level
        self._line = line
        self._name = words.line
        self._high = False
        self._identity = Identity(profile.description or config.name)

    def open(self) -> Identity:
        """Open the port with the line low."""
        self._line.open()
        self.drop()
        return self._identity

    def close(self) -> None:
        """Let it drop and close the port; never raises."""
        self._line.close()

    def beat(self) -> None:
        """Change the line's state once; a box that follows a level has it set."""
        self._high = True if self.follows_level else not self._high
        self._line.set_line(self._name, self._high)

    def drop(self) -> None:
        """Line low, and no more changes."""
        self._high = False
        self._line.set_line(self._name, False)


class ScpiContactor:
    """Implements `benchlog.bench.adaptor.Contactor` with a relay instrument that is told by SCPI."""

    follows_level = False

    def __init__(self, config: InstrumentConfig, words: ContactorWords, talk: Conversation) -> None:
        """Not yet open."""
        self._words = words
        self._talk = talk
        self._recognition = Recognition(config)

    def open(self) -> Identity:
        """Open and check who answers; the relay is left dropped."""
        return self._recognition.check(self._talk.open())

    def close(self) -> None:
        """Close the line; never raises."""
        self._talk.close()

    def beat(self) -> None:
        """Re-trigger its timer."""
        self._talk.tell(self._words.beat)

    def drop(self) -> None:
        """Drop at once."""
        self._talk.shout(self._words.drop)


class ModbusContactor:
    """Implements `benchlog.bench.adaptor.Contactor` by a Modbus coil that re-triggers a timer."""

    follows_level = False

    def __init__(self, profile: Profile, coil: int, line: ModbusLine) -> None:
        """Not yet open."""
        self._coil = coil
        self._line = line
        self._identity = Identity(profile.description or profile.name)

    def open(self) -> Identity:
        """Open the line."""
        self._line.open()
        return self._identity

    def close(self) -> None:
        """Close the line; never raises."""
        self._line.close()

    def beat(self) -> None:
        """Write the coil on once more."""
        self._line.write_coil(self._coil, True)

    def drop(self) -> None:
        """Write the coil off."""
        self._line.write_coil(self._coil, False)
