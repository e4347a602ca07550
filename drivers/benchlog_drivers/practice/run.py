"""Serves one practice instrument until its input closes; troubles are ordered by typing them."""

import signal
import sys
from pathlib import Path
from types import FrameType

import msgspec

from benchlog.bench.file import Bench, InstrumentConfig, save_bench
from benchlog.bench.profile import Family, Profile
from benchlog.model.errors import Exit, UsageError
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog_drivers.practice.boxes import PracticeBox, practice_box
from benchlog_drivers.practice.make import practice_server
from benchlog_drivers.practice.server import PracticeServer
from benchlog_drivers.practice.stranger import NAME, STRANGER
from benchlog_drivers.shelf import find_profile
from benchlog_drivers.simulated.trouble import Ordered, Trouble, TroubleBox, parse_trouble

_ROLES = {Family.CONTACTOR: Role.CUT_OFF, Family.DIGITISER: Role.WAVEFORM}
_OTHERS = {
    "scpi-multimeter": "The simulated bench has one: benchlog simulate --probe multimeter.",
    "scpi-lcr-meter": "The simulated bench has one: benchlog simulate --probe lcr.",
    "simulated-ac-source": "The simulated bench has one: benchlog simulate --source programmed.",
}


class PracticeOptions(msgspec.Struct, frozen=True):
    """One practice instrument."""

    name: str
    """A shipped profile, or ``stranger``."""
    quantities: tuple[Quantity, ...] = ()
    troubles: tuple[str, ...] = ()
    """``KIND[@START][+LENGTH][*SHARE]``, seconds."""
    pseudo_terminal: bool = False
    port: int = 0
    """TCP port; 0 takes a free one."""
    write_bench: str = ""


def practice_instrument(options: PracticeOptions) -> PracticeServer | PracticeBox:
    """The instrument, not yet serving. `UsageError` says what there is."""
    troubles = tuple(ordered(text) for text in options.troubles)
    profile = chosen(options.name)
    if profile.family in _ROLES:
        if options.pseudo_terminal or options.port:
            raise UsageError(f"The practice instrument {options.name!r} takes a free TCP port of its own.")
        return practice_box(profile, TroubleBox(troubles))
    return practice_server(profile, options.quantities, troubles, options.pseudo_terminal, port=options.port)


def chosen(name: str) -> Profile:
    """The profile of a practice instrument's name."""
    if name in _OTHERS:
        raise UsageError(f"There is no practice instrument for {name!r}. {_OTHERS[name]}")
    return STRANGER if name == NAME else find_profile(name)


def ordered(text: str) -> Ordered:
    """A trouble as it is typed, with or without an instrument's name before it."""
    return parse_trouble(text if ":" in text else f"practice:{text}")


def bench_entry(options: PracticeOptions, connection: str) -> InstrumentConfig:
    """How a bench file names it; the stranger has no profile yet."""
    family = chosen(options.name).family
    return InstrumentConfig(
        name="practice",
        adaptor=family.value,
        roles=(_ROLES.get(family, Role.PROBE),),
        profile="my-meter.toml" if options.name == NAME else options.name,
        connection=connection,
    )


def run(options: PracticeOptions) -> int:
    """Serve until standard input closes or the process is told to end; the exit code."""
    instrument = practice_instrument(options)
    signal.signal(signal.SIGTERM, _end)
    instrument.start()
    try:
        if options.write_bench:
            save_bench(
                Bench("practice", (bench_entry(options, instrument.connection),)), Path(options.write_bench)
            )
        sys.stdout.write(f"{instrument.connection}\n")
        sys.stdout.flush()
        kinds = ", ".join(kind.value for kind in Trouble)
        sys.stderr.write(f"Type a trouble ({kinds}), or clear; end with Ctrl-D or Ctrl-C.\n")
        for line in sys.stdin:
            sys.stderr.write(_obey(line.strip(), instrument) + "\n")
    except (KeyboardInterrupt, SystemExit):
        pass
    finally:
        instrument.stop()
    return int(Exit.DONE)


def _obey(line: str, instrument: PracticeServer | PracticeBox) -> str:
    """Order or end a trouble from now on; what was done, in words."""
    if line in ("", "clear"):
        instrument.troubles.clear()
        return "No trouble now."
    try:
        trouble = ordered(line)
    except UsageError as error:
        return str(error)
    instrument.troubles.order(msgspec.structs.replace(trouble, start_s=trouble.start_s + instrument.now_s()))
    return f"{trouble.kind.value}: from now on. 'clear' ends it."


def _end(_number: int, _frame: FrameType | None) -> None:
    raise SystemExit
