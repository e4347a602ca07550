"""The bench file (TOML): which instrument plays which part, over which connection, with which sheet."""

import tomllib
from pathlib import Path
from typing import Any

import msgspec
import tomli_w

from benchlog.bench.audiosheet import audio_sheet
from benchlog.model.audio import AudioSetup
from benchlog.model.errors import UsageError
from benchlog.model.instrument import Earth, InstrumentRecord, MeterSheet
from benchlog.model.role import Role
from benchlog.model.textfile import read_toml
from benchlog.model.unit import Unit


class InstrumentConfig(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One instrument of the bench."""

    name: str
    adaptor: str
    """Name in the adaptor registry: ``scpi``, ``serial-text``, ``hand-set``, ``typed``, …"""
    roles: tuple[Role, ...]
    connection: str = ""
    """VISA resource string, serial port, or pyserial URL."""
    profile: str = ""
    """Name of a shipped profile, or path of a user's own."""
    description: str = ""
    serial_number: str = ""
    calibration_due: str = ""
    """ISO date."""
    earth: Earth = Earth.UNKNOWN
    node: str = ""
    """What an earthed lead of it is connected to on the unit; empty when none touches the unit."""
    sheet: MeterSheet = MeterSheet()
    baud: int | None = None
    """Where it is another than the profile's."""
    timeout_s: float | None = None
    audio: AudioSetup | None = None
    """Inputs and sensors of an audio interface."""

    def record(self, simulated: bool) -> InstrumentRecord:
        """As it is recorded in a session."""
        return InstrumentRecord(
            name=self.name,
            description=self.description or self.name,
            serial_number=self.serial_number,
            calibration_due=self.calibration_due,
            roles=self.roles,
            earth=self.earth,
            sheet=self.sheet,
            connection=self.connection,
            simulated=simulated,
        )


class Simulation(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Present only for a simulated bench."""

    time_scale: float = 1.0
    control: str = ""
    """``host:port`` of the bench's control line (the simulated hand listens there)."""


class Bench(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A bench file."""

    name: str
    instrument: tuple[InstrumentConfig, ...]
    mains_v: float = 120.0
    lamp_w: float | None = None
    """Watts of a series lamp, where one is in circuit."""
    isolating_transformer: bool = True
    simulated: Simulation | None = None
    unit: Unit | None = None
    """The unit standing on the bench, as far as a technician knows it; options of a command go before it."""

    def playing(self, role: Role) -> InstrumentConfig | None:
        """The instrument that plays a role; None where nobody does."""
        return next((i for i in self.instrument if role in i.roles), None)


def load_bench(path: Path) -> Bench:
    """Read a bench file. `UsageError` names the file, the place and what is wrong."""
    try:
        raw: dict[str, Any] = read_toml(path)
    except FileNotFoundError as error:
        raise UsageError(
            f"There is no bench file {path}. Make one with 'benchlog simulate --write-bench'."
        ) from error
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise UsageError(f"The bench file {path} can't be read: {error}.") from error
    try:
        return _complete(msgspec.convert(raw, Bench))
    except msgspec.ValidationError as error:
        raise UsageError(
            f"The bench file {path} is not right: {error}. Mend it there and try again."
        ) from error


def _complete(bench: Bench) -> Bench:
    """With the sheets that follow from the inputs of audio interfaces, where the file states no accuracy."""
    return msgspec.structs.replace(bench, instrument=tuple(map(_with_sheet, bench.instrument)))


def _with_sheet(config: InstrumentConfig) -> InstrumentConfig:
    if config.audio is None or config.sheet.accuracy:
        return config
    return msgspec.structs.replace(config, sheet=audio_sheet(config.audio))


def save_bench(bench: Bench, path: Path) -> None:
    """Write a bench file; entries that are None are left out."""
    path.write_text(tomli_w.dumps(_without_none(msgspec.to_builtins(bench))), encoding="utf-8")


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _without_none(v) for k, v in value.items() if v is not None}
    if isinstance(value, list | tuple):
        return [_without_none(v) for v in value]
    return value
