"""One connection to one instrument: opened, lost, found again, and checked to be the same instrument."""

import logging
from collections.abc import Callable
from typing import TypeVar

from benchlog.bench.adaptor import Identity, Openable
from benchlog.bench.file import InstrumentConfig
from benchlog.model.errors import InstrumentFault, LinkLost, WrongInstrument
from benchlog.model.event import LinkChanged, Told

BACK_OFF_S = (0.1, 0.2, 0.5, 1.0, 2.0)
"""Real seconds between tries to find a lost instrument; the last one repeats."""

_T = TypeVar("_T")
_log = logging.getLogger(__name__)


class Link:
    """Opens an adaptor and re-opens it after a loss. Used by the one worker that owns the adaptor."""

    def __init__(self, adaptor: Openable, config: InstrumentConfig, tell: Callable[[Told], object]) -> None:
        """``tell`` is told of losses and returns, once for each role of the instrument."""
        self.adaptor = adaptor
        self.config = config
        self.identity: Identity | None = None
        self.up = False
        self.trouble = ""
        """Why it is not up."""
        self._tell = tell
        self._tries = 0

    def open(self) -> Identity:
        """Open for the first time. Raises `InstrumentFault`; nothing is told then."""
        try:
            self.identity = guarded(self.config, self.adaptor.open)
        except InstrumentFault as fault:
            self.trouble = str(fault)
            raise
        self.up = True
        return self.identity

    @property
    def words(self) -> str:
        """Who answered, in its own words; empty before anybody did."""
        found = self.identity
        return " ".join(filter(None, (found.description, found.serial_number))) if found else ""

    def lost(self, error: InstrumentFault, told: bool = False) -> None:
        """Tell it, once a loss, unless it was ``told`` already; then close everything."""
        if self.up and not told:
            self.say(False, str(error))
        self.up = False
        self.trouble = str(error)
        self._tries = 0
        self.adaptor.close()

    def find_again(self, wait: Callable[[float], object]) -> bool:
        """Back off (by ``wait``, in real seconds), open, compare. True when the same instrument answers."""
        wait(BACK_OFF_S[min(self._tries, len(BACK_OFF_S) - 1)])
        self._tries += 1
        try:
            found = guarded(self.config, self.adaptor.open)
            self._compare(found)
        except InstrumentFault as error:
            self.trouble = str(error)
            _log.info("%s is not back: %s", self.config.name, error)
            self.adaptor.close()
            if isinstance(error, WrongInstrument):
                self.say(False, str(error))
            return False
        self.identity, self.trouble, self.up = found, "", True
        return True

    def say(self, up: bool, detail: str) -> None:
        """Tell a loss or a return for every role the instrument plays."""
        for role in self.config.roles:
            self._tell(LinkChanged(role, up, detail))

    def _compare(self, found: Identity) -> None:
        before = self.identity
        if before is None or same(before, found):
            return
        raise WrongInstrument(
            f"On the connection of {self.config.name} another instrument answers: {found.description} "
            f"{found.serial_number} instead of {before.description} {before.serial_number}. "
            "Put the first one back."
        )


def same(before: Identity, found: Identity) -> bool:
    """Whether two answers can be of one instrument: description, and serial number where both have one."""
    serials = (before.serial_number, found.serial_number)
    return before.description == found.description and (not all(serials) or serials[0] == serials[1])


def guarded(config: InstrumentConfig, act: Callable[[], _T]) -> _T:
    """Do something with an adaptor; a fault of the adaptor itself is logged and counts as a lost link."""
    try:
        return act()
    except InstrumentFault:
        raise
    except Exception as error:
        _log.exception("the adaptor of %s failed", config.name)
        raise LinkLost(
            f"The adaptor of {config.name} failed ({type(error).__name__}: {error}). "
            "The details are in the log; check the instrument and its profile."
        ) from error
