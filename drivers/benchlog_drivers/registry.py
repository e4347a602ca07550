"""Adaptors by name: a table of import strings, imported on demand, plus entry points of other packages.

Another package registers its adaptors under the entry-point group ``benchlog.adaptors``; each names a
function ``make(config: InstrumentConfig, clock: Clock) -> object``. Two of one name, and one that does not
import, are errors that name it.
"""

from collections.abc import Callable
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points
from typing import TYPE_CHECKING

from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import Clock
from benchlog.model.errors import UsageError

if TYPE_CHECKING:
    from benchlog_drivers.transports.tapped import Seen

GROUP = "benchlog.adaptors"

TABLE = {
    "scpi": "benchlog_drivers.makers:make_scpi",
    "serial-text": "benchlog_drivers.makers:make_serial_text",
    "serial-segments": "benchlog_drivers.makers:make_serial_segments",
    "serial-frame": "benchlog_drivers.makers:make_serial_frame",
    "modbus": "benchlog_drivers.makers:make_modbus",
    "contactor": "benchlog_drivers.makers:make_contactor",
    "digitiser": "benchlog_drivers.makers:make_digitiser",
    "audio": "benchlog_drivers.makers:make_audio",
    "played-back": "benchlog_drivers.makers:make_played_back",
    "typed": "benchlog_drivers.makers:make_typed",
    "hand-set": "benchlog_drivers.makers:make_hand_set",
}

Maker = Callable[[InstrumentConfig, Clock], object]


def names() -> list[str]:
    """Every adaptor that can be named in a bench file."""
    return sorted({*TABLE, *(point.name for point in entry_points(group=GROUP))})


def maker(name: str) -> Maker:
    """The function that makes an adaptor. `UsageError` names a clash, a failing import, an unknown name."""
    outside = list(entry_points(group=GROUP, name=name))
    claims = ([f"benchlog ({TABLE[name]})"] if name in TABLE else []) + [_told(point) for point in outside]
    if len(claims) > 1:
        raise UsageError(f"The adaptor {name!r} is claimed by {' and '.join(claims)}. Uninstall one of them.")
    if not claims:
        raise UsageError(
            f"There is no adaptor {name!r}. There are: {', '.join(names())}. Mend the bench file."
        )
    try:
        made: Maker = _imported(TABLE[name]) if name in TABLE else outside[0].load()
    except Exception as error:  # a foreign module may raise anything while it is imported
        raise UsageError(
            f"The adaptor {name!r} of {claims[0]} can't be imported: {type(error).__name__}: {error}. "
            "Mend or uninstall that package."
        ) from error
    return made


def make(config: InstrumentConfig, clock: Clock) -> object:
    """The adaptor, not yet open, of an instrument of the bench file."""
    return maker(config.adaptor)(config, clock)


def _told(point: EntryPoint) -> str:
    package = point.dist.name if point.dist is not None else "an unknown package"
    return f"{package} ({point.value})"


def _imported(where: str) -> Maker:
    module, _, function = where.partition(":")
    made: Maker = getattr(import_module(module), function)
    return made


def make_tapped(config: InstrumentConfig, clock: Clock, seen: "Seen") -> object:
    """The same as `make`; ``seen`` is given what goes over its line, where it has one that can be tapped."""
    from inspect import signature

    from benchlog_drivers.transports.tapped import TappedLine

    found = maker(config.adaptor)
    if "wrap" not in signature(found).parameters:
        return found(config, clock)
    return found(config, clock, wrap=lambda line: TappedLine(line, seen))  # type: ignore[call-arg]
