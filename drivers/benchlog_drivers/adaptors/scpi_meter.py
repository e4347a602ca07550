"""A meter that speaks SCPI: one or several channels, free-running or begun by the program."""

from collections.abc import Sequence

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import Profile
from benchlog.model.clock import Clock
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Reading
from benchlog_drivers.adaptors.channels import outlets
from benchlog_drivers.adaptors.conversation import Conversation
from benchlog_drivers.adaptors.recognise import Recognition
from benchlog_drivers.adaptors.sampler import Sampler
from benchlog_drivers.transports.line import Line


class ScpiMeter:
    """Implements `benchlog.bench.adaptor.Meter`."""

    def __init__(
        self, config: InstrumentConfig, profile: Profile, line: Line, clock: Clock, quantity: Quantity | None
    ) -> None:
        """Not yet open; ``quantity`` chooses among the functions of a multimeter."""
        found = outlets(config, profile, quantity)
        self.channels: tuple[Channel, ...] = tuple(outlet.channel for outlet in found)
        self._configure = tuple(dict.fromkeys(command for outlet in found for command in outlet.configure))
        self.talk = Conversation(line, profile.scpi)
        self.sampler = Sampler(self.talk, profile.measure, found, clock)
        self.period_s = self.sampler.period_s
        self._recognition = Recognition(config)

    def open(self) -> Identity:
        """Open, check who answers, select the functions. May be called again after a fault."""
        identity = self._recognition.check(self.talk.open())
        self.talk.configure(*self._configure)
        self.sampler.restart()
        return identity

    def read(self) -> Sequence[Reading]:
        """One short transaction."""
        return self.sampler.step()

    def close(self) -> None:
        """Close the line; never raises."""
        self.talk.close()
