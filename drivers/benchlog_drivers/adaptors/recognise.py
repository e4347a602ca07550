"""Whether the instrument that answers is the one that is meant."""

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import InstrumentConfig
from benchlog.model.errors import WrongInstrument


class Recognition:
    """Remembers who answered first; whoever answers later must be the same."""

    def __init__(self, config: InstrumentConfig) -> None:
        """The bench file's serial number is held against every answer that states one."""
        self._config = config
        self._known: Identity | None = None

    def check(self, identity: Identity) -> Identity:
        """The identity itself. `WrongInstrument` names both."""
        wanted = self._config.serial_number
        if wanted and identity.serial_number and identity.serial_number != wanted:
            raise self._wrong(f"serial number {wanted} is in the bench file, {_told(identity)} answers")
        if self._known is not None and (self._known.description, self._known.serial_number) != (
            identity.description,
            identity.serial_number,
        ):
            raise self._wrong(f"{_told(self._known)} was there before, {_told(identity)} answers now")
        self._known = identity
        return identity

    def _wrong(self, what: str) -> WrongInstrument:
        return WrongInstrument(
            f"{self._config.name} ({self._config.connection}): {what}. "
            "Connect the right one or mend the bench file."
        )


def _told(identity: Identity) -> str:
    number = f", serial number {identity.serial_number}" if identity.serial_number else ""
    return f"'{identity.description}'{number}"
