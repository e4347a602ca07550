"""What is looked at on the bench before power: earth, meters as they are, parts that are missing or doubled.

Where nothing else is named, the rules are common practice, no source.
"""

import ipaddress
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import date

import msgspec

from benchlog.bench.file import Bench, InstrumentConfig
from benchlog.model.audio import AudioSetup
from benchlog.model.errors import PlanRefused, UsageError
from benchlog.model.instrument import Coupling, Earth, MeterSheet, Response
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.unit import OutputTopology, Unit

CREST = 3.0
"""Crest factor a meter has to allow; an idling amplifier on a linear supply draws up to about 3.6 (ours,
simulated units)."""
LEAST_RATE = 2.0
"""Readings a second below which the stop limit acts noticeably later (ours)."""
JACK_A = 1.0
"""A current range below this is usually a milliampere jack."""

_ONLY_ONE = frozenset(Role) - {Role.PROBE, Role.TYPED, Role.RESERVOIR, Role.BIAS}
"""Roles that one instrument at most can play."""
_SPEAKER = re.compile(r"\b(output|loudspeaker|speaker)s?\b")
_PRIMARY = re.compile(r"\b(primary|mains|live|line)\b")


class Findings(msgspec.Struct, frozen=True):
    """What a bench check found that does not forbid power."""

    warnings: tuple[str, ...] = ()
    """Told to the technician and recorded."""
    questions: tuple[str, ...] = ()
    """Each has to be answered before power; the answer is recorded."""


def check_bench(bench: Bench, setup: RunSetup | None = None, today: date | None = None) -> tuple[str, ...]:
    """Look at everything that the bench file says, before anything is opened or switched on.

    Returns what to tell the technician, the questions of `ask_before_power` among it. ``setup`` None where
    the run is not known yet; ``today`` None leaves calibration dates alone. Raises `PlanRefused` where power
    would harm, with the reason, and `UsageError` where the file can't be meant.
    """
    check_parts(bench)
    check_simulation(bench)
    found = look_at(bench, setup.unit if setup is not None else bench.unit)
    return (*found.warnings, *_late(bench, today), *found.questions)


def ask_before_power(bench: Bench, unit: Unit | None = None, today: date | None = None) -> tuple[str, ...]:
    """What has to be answered before power; ``today`` and `PlanRefused` as for `check_bench`."""
    return (*look_at(bench, unit or bench.unit).questions, *_late(bench, today))


def _late(bench: Bench, today: date | None) -> tuple[str, ...]:
    """Calibrations that are overdue."""
    return () if today is None else tuple(text for i in bench.instrument for text in overdue(i, today))


def look_at(bench: Bench, unit: Unit | None) -> Findings:
    """Earth and meters. `PlanRefused` where power would harm."""
    found = [check_earth(bench, unit), *(check_meter(i, unit) for i in bench.instrument)]
    warnings = tuple(text for f in found for text in f.warnings)
    return Findings(warnings, tuple(text for f in found for text in f.questions))


def check_parts(bench: Bench) -> None:
    """A bring-up needs a source, the inlet voltage, and the source current or a series lamp. `UsageError`."""
    _once("name", (i.name for i in bench.instrument), "Give each instrument a name of its own.")
    _once(
        "connection",
        (i.connection for i in bench.instrument if i.connection and Role.SOURCE not in i.roles),
        "Make them one instrument with several roles: only one part of the program may own a port.",
    )
    roles = (r.value for i in bench.instrument for r in set(i.roles) & _ONLY_ONE)
    _once("role", roles, "Decide which one counts and take the role from the other.")
    needed = [Role.SOURCE, Role.INLET_VOLTAGE]
    if bench.lamp_w is None:
        needed.append(Role.SOURCE_CURRENT)
    missing = [role.value for role in needed if bench.playing(role) is None]
    if missing:
        raise UsageError(
            f"On the bench {bench.name} nobody plays {' and '.join(missing)}. Add the role to an instrument, "
            "or the instrument to the bench file."
        )


def _once(what: str, values: Iterable[str], remedy: str) -> None:
    doubled = [value for value, n in Counter(values).items() if n > 1]
    if doubled:
        raise UsageError(f"The bench file has the {what} {doubled[0]} twice. {remedy}")


# ---- simulated and real ------------------------------------------------------------------------------


def check_simulation(bench: Bench) -> None:
    """Simulated instruments may run at a time scale, real ones never; a real source is never mixed with them.

    `PlanRefused` with the reason; `UsageError` for a time scale that is none.
    """
    if bench.simulated is None:
        return
    scale = bench.simulated.time_scale
    if not 0.0 < scale < 1e4:
        raise UsageError(f"The time scale {scale:g} of the bench file is none. Give one between 0 and 10000.")
    real = [i for i in bench.instrument if not looks_simulated(i)]
    if real and scale != 1.0:
        raise PlanRefused(
            f"{real[0].name} ({real[0].connection}) looks like a real instrument, and the bench runs at "
            f"{scale:g} times real time. Set the time scale to 1 or take it off the simulated bench."
        )
    if any(Role.SOURCE in i.roles for i in real):
        raise PlanRefused(
            f"{real[0].name} ({real[0].connection}) looks like a real source on a simulated bench: its "
            "voltage would follow readings that nobody measured. Use a bench file without [simulated]."
        )


def looks_simulated(config: InstrumentConfig) -> bool:
    """Whether an instrument's connection stays on this machine: loopback, pseudo-terminal, or none at all."""
    connection = config.connection
    if not connection or connection.startswith("loop://"):
        return True
    if os.path.realpath(connection).startswith(("/dev/pts/", "/dev/ttys")):
        return True
    host = _host(connection)
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _host(connection: str) -> str:
    """The host in a VISA resource, a pyserial URL or ``host:port``; empty for anything else."""
    visa = re.match(r"(?i)TCPIP\d*::([^:]+)::", connection)
    if visa:
        return visa[1].lower()
    plain = re.match(r"(?:[a-z0-9]+://)?(\[[^]]+\]|[^:/]+):\d+", connection)
    return plain[1].strip("[]").lower() if plain else ""


# ---- earth -------------------------------------------------------------------------------------------


def check_earth(bench: Bench, unit: Unit | None) -> Findings:
    """Leads that carry protective earth onto the unit (USB, LAN and serial leads count).

    One: the unit is no longer isolated. That, a missing isolating transformer, and earth on an emitter
    resistor, a bridge output or a primary are asked. Two on different nodes short these through earth:
    `PlanRefused`. Without an isolating transformer an earthed lead on a primary shorts the mains:
    `PlanRefused`.
    """
    on_unit = [i for i in bench.instrument if i.node.strip()]
    earthed = [i for i in on_unit if i.earth is Earth.EARTHED]
    unknown = [i for i in on_unit if i.earth is Earth.UNKNOWN]
    _refuse_shorts(bench, earthed, unit)
    asked = [_no_longer_isolated(i) for i in earthed]
    asked += [
        f"Whether {i.name} carries earth onto the unit at {i.node} is not known: measure its lead to "
        "protective earth, and say so in the bench file."
        for i in unknown
    ]
    if not bench.isolating_transformer:
        asked.append("There is no isolating transformer: every part of the unit may be live to earth.")
    asked += [q for i in [*earthed, *unknown] for q in _sensitive(i, unit)]
    asked += _perhaps_shorted(earthed, unknown)
    return Findings(questions=tuple(asked))


def _refuse_shorts(bench: Bench, earthed: list[InstrumentConfig], unit: Unit | None) -> None:
    by_node: dict[str, InstrumentConfig] = {}
    for config in earthed:
        by_node.setdefault(_node(config), config)
    if len(by_node) > 1:
        first, second = list(by_node.values())[:2]
        raise PlanRefused(
            f"{first.name} at {first.node} and {second.name} at {second.node} both carry protective earth: "
            "they would short these two places through earth. Isolate one of the two, or take its lead off."
        )
    if not bench.isolating_transformer:
        for config in earthed:
            if _PRIMARY.search(_node(config)):
                raise PlanRefused(
                    f"{config.name} carries protective earth onto {config.node} and there is no isolating "
                    "transformer: that shorts the mains. Take the lead off, or use an isolating transformer."
                )


def _no_longer_isolated(config: InstrumentConfig) -> str:
    return (
        f"The unit is no longer isolated: {config.name} carries protective earth onto {config.node}. "
        "Touching any other part of the unit may kill."
    )


def _sensitive(config: InstrumentConfig, unit: Unit | None) -> Iterator[str]:
    place = _sensitive_place(_node(config), unit)
    if not place:
        return
    earthed = config.earth is Earth.EARTHED
    lead = "an earthed lead" if earthed else "a lead that may be earthed"
    question = (
        "Is the lead isolated there, or the unit made for it?" if earthed else "Does it carry no earth?"
    )
    yield (
        f"{config.name} has {lead} on {place} ({config.node}): earth there can destroy the output stage or "
        f"the instrument. {question}"
    )


def _sensitive_place(node: str, unit: Unit | None) -> str:
    bridge = unit is not None and unit.topology is OutputTopology.BRIDGE and _SPEAKER.search(node)
    if "emitter" in node:
        return "an emitter resistor"
    if "bridge" in node or bridge:
        return "a bridge output"
    return "the primary side" if _PRIMARY.search(node) else ""


def _perhaps_shorted(earthed: list[InstrumentConfig], unknown: list[InstrumentConfig]) -> Iterator[str]:
    for config in unknown:
        other = next((i for i in [*earthed, *unknown] if _node(i) != _node(config)), None)
        if other is not None:
            yield (
                f"{config.name} at {config.node} and {other.name} at {other.node} may both carry protective "
                "earth and short these two places. Have you measured that they do not?"
            )
            return


def _node(config: InstrumentConfig) -> str:
    return " ".join(config.node.lower().replace("-", " ").split())


# ---- meters as they are ------------------------------------------------------------------------------


def check_meter(config: InstrumentConfig, unit: Unit | None = None) -> Findings:
    """What the sheet of one instrument means for a bring-up: AC reading, range, rate, switching off."""
    warnings = list(_of_any(config)) if Role.SOURCE not in config.roles else []
    questions: list[str] = []
    if Role.SOURCE_CURRENT in config.roles:
        warnings += _of_current(config, unit)
        questions += _asked_of_current(config)
    return Findings(tuple(warnings), tuple(questions))


AUDIO_CAUTION = (
    "only isolated sensors on an audio input: a current transformer round one insulated conductor, an "
    "approved isolated voltage sensor. Never a mains conductor, never a divider. The interface's earth, also "
    "by way of the computer, is an earthed lead"
)
"""Common practice, no source; said wherever an audio interface is used."""


def _of_any(config: InstrumentConfig) -> Iterator[str]:
    if config.audio is not None:
        yield f"{config.name}: {AUDIO_CAUTION}."
        yield from _of_audio(config.name, config.audio)
    minutes = config.sheet.auto_power_off_min
    if minutes:
        yield (
            f"{config.name} switches itself off after {minutes:g} min and then looks like a silent meter: "
            "disable that with its start-up key (see its manual)."
        )


def _of_audio(name: str, audio: AudioSetup) -> Iterator[str]:
    for what, one in (("current", audio.current), ("voltage", audio.voltage)):
        if not one.calibrated:
            yield (
                f"The input of the {what} of {name} was never compared with a meter: {one.u_fraction:.0%} is "
                "taken for it. 'benchlog calibrate' does that with two lamps."
            )
        if not one.corners_hz:
            yield (
                f"The low corner of the input of the {what} of {name} is not known: what it takes off the "
                "first half cycles of a switch-on is not put back, and the peak reads low."
            )


def _of_current(config: InstrumentConfig, unit: Unit | None) -> Iterator[str]:
    sheet = config.sheet
    if sheet.response is Response.AVERAGE:
        yield (
            f"{config.name} is average-responding: it reads the peaky current of a rectifier low. "
            "A true r.m.s. meter judges better."
        )
    if sheet.coupling is Coupling.AC:
        yield (
            f"The current path of {config.name} passes AC only: the DC of a half-wave fault is not judged; "
            "the stop limit still acts on the AC part."
        )
    if sheet.crest_factor is not None and sheet.crest_factor < CREST:
        yield (
            f"{config.name} allows a crest factor of {sheet.crest_factor:g}; an idling amplifier draws peaks "
            "of up to about 3.6 times the r.m.s. current and may be read low."
        )
    yield from _of_accuracy(config.name, sheet, unit)


def _of_accuracy(name: str, sheet: MeterSheet, unit: Unit | None) -> Iterator[str]:
    stated = sheet.find(Quantity.AC_CURRENT)
    if stated is None:
        yield f"The sheet of {name} states no accuracy for AC current: no step can be judged by it."
        return
    if 0.0 < stated.per_second < LEAST_RATE:
        yield f"{name} gives {stated.per_second:g} readings a second: a stop comes later by as much."
    reach_a = None if stated.range is None else stated.range / sheet.turns
    if unit is not None and unit.plate is not None and reach_a is not None and reach_a < 1.1 * unit.rated_a:
        yield (
            f"The range of {name} ends at {reach_a:g} A, below what the unit may draw ({unit.rated_a:.2g} A "
            "rated): an overload counts as full scale. Choose the next range."
        )


def _asked_of_current(config: InstrumentConfig) -> Iterator[str]:
    if config.sheet.autorange:
        yield (
            f"{config.name} is in autorange: it blanks and jumps when the current rises. "
            "Have you fixed its current range by hand?"
        )
    stated = config.sheet.find(Quantity.AC_CURRENT)
    if stated is not None and stated.range is not None and stated.range < JACK_A and config.sheet.turns == 1:
        yield (
            f"{config.name} is on a {stated.range:g} A range. A milliampere jack does not belong in a mains "
            "circuit: is it on its amperes jack, or a clamp?"
        )


def overdue(config: InstrumentConfig, today: date) -> Iterator[str]:
    """A calibration date that has passed. `UsageError` for a date that is none."""
    if not config.calibration_due:
        return
    try:
        due = date.fromisoformat(config.calibration_due)
    except ValueError as error:
        raise UsageError(
            f"The calibration date '{config.calibration_due}' of {config.name} is no date: write 2027-03-31."
        ) from error
    if due < today:
        yield f"The calibration of {config.name} was due on {due}: its sheet is taken as it stands."
