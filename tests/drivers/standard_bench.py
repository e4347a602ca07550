"""The adaptors of the standard device's tests: made, written a profile for, and read."""

import time
from pathlib import Path
from typing import Any

from standard_device import SocketPeer

from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import RealClock
from benchlog.model.reading import Reading
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.adaptors.scpi_meter import ScpiMeter
from benchlog_drivers.adaptors.scpi_source import ScpiSource


def adaptor(
    peer: SocketPeer,
    clock: RealClock,
    profile: str,
    roles: tuple[Role, ...],
    kind: str = "scpi",
    timeout_s: float = 2.0,
) -> Any:
    config = InstrumentConfig(
        name="instrument",
        adaptor=kind,
        roles=roles,
        profile=profile,
        connection=peer.resource,
        timeout_s=timeout_s,
    )
    return registry.make(config, clock)


def written(folder: Path, text: str) -> str:
    path = folder / "own.toml"
    path.write_text(f'name = "own"\norigin = "IEEE 488.2, SCPI-1999"\n{text}', encoding="utf-8")
    return str(path)


def take(meter: ScpiMeter | ScpiSource, count: int) -> list[Reading]:
    found: list[Reading] = []
    until = time.monotonic() + 5.0
    while len(found) < count and time.monotonic() < until:
        found.extend(meter.read())
    return found
