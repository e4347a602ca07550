"""Every limit by name, for the command and for whoever shows one with its source.

    names() -> tuple[Entry, ...]                      what there is, with its parameters
    look_up(name, given) -> Limit                     ``given``: texts by parameter name

A limit from memory (confidence *unverified*) is shown as such and never decides anything.
"""

import inspect
import re
import types
import typing
from collections.abc import Callable, Mapping
from contextlib import suppress
from difflib import get_close_matches
from enum import StrEnum
from typing import Any

import msgspec

from benchlog.bench.sheet import CurrentMeter
from benchlog.limits import bringup, fuse, mains, parts, powered, preferred, safety
from benchlog.model.errors import UsageError
from benchlog.model.limit import Confidence, Limit
from benchlog.model.unit import Amplifier, Core, Plate, PlateKind, Supply, Unit


class Parameter(msgspec.Struct, frozen=True):
    """One parameter of a limit; SI units unless the name says otherwise."""

    name: str
    required: bool
    default: str
    kind: str
    """``number``, ``text``, or the words allowed, separated by ``|``."""


class Entry(msgspec.Struct, frozen=True):
    """One limit that can be asked for."""

    name: str
    about: str
    parameters: tuple[Parameter, ...]


def _plate(plate_a: float | None, plate_w: float | None, plate_va: float | None) -> Plate | None:
    for kind, given in (
        (PlateKind.AMPERES, plate_a),
        (PlateKind.WATTS, plate_w),
        (PlateKind.VOLT_AMPERES, plate_va),
    ):
        if given is not None:
            return Plate(kind, given)
    return None


def _unit(
    amplifier: Amplifier = Amplifier.CLASS_AB,
    supply: Supply = Supply.LINEAR,
    core: Core | None = None,
    mains: float = 120.0,
    plate_a: float | None = None,
    plate_w: float | None = None,
    plate_va: float | None = None,
    fuse_marking: str | None = None,
    idle_w: float | None = None,
    idle_a: float | None = None,
) -> Unit:
    return Unit(
        amplifier=amplifier,
        supply=supply,
        core=core,
        mains_v=mains,
        plate=_plate(plate_a, plate_w, plate_va),
        fuse=fuse.parse_fuse(fuse_marking) if fuse_marking else None,
        idle_w=idle_w,
        idle_a=idle_a,
    )


def _step(which: Callable[[bringup.StepLimits, float], Limit]) -> Callable[..., Limit]:
    def at(
        v: float,
        meter_a: float = 0.01,
        meter_counts: float = 5.0,
        meter_count_a: float = 0.001,
        turns: int = 1,
        source_a: float | None = None,
        **unit: Any,
    ) -> Limit:
        meter = CurrentMeter(meter_a, meter_counts, meter_count_a, turns)
        return which(bringup.step_limits(_unit(**unit), meter, source_a), v)

    at.__doc__ = which.__doc__
    return at


def _of_unit(which: Callable[[Unit], Limit]) -> Callable[..., Limit]:
    def of(**unit: Any) -> Limit:
        return which(_unit(**unit))

    of.__doc__ = which.__doc__
    return of


def _of_fuse(which: Callable[..., Limit]) -> Callable[..., Limit]:
    rest = list(inspect.signature(which).parameters.values())[1:]

    def of(marking: str, **others: Any) -> Limit:
        return which(fuse.parse_fuse(marking), **others)

    first = inspect.Parameter("marking", inspect.Parameter.KEYWORD_ONLY, annotation=str)
    keyword = [p.replace(kind=inspect.Parameter.KEYWORD_ONLY) for p in rest]
    of.__signature__ = inspect.Signature([first, *keyword])  # type: ignore[attr-defined]
    of.__doc__ = which.__doc__
    return of


def _series_nearest(value: float, series: str = "E24") -> Limit:
    """Preferred value nearest in ratio (IEC 60063)."""
    found = preferred.nearest(value, series)
    return Limit("preferred", found, "", f"IEC 60063, series {series.upper()}", Confidence.STANDARD)


def _value_code(code: str) -> Limit:
    """Value that a marking code stands for (IEC 60062): Ω, or F where the letter is p, n, µ or m."""
    return Limit("value-code", preferred.decode(code), "", "IEC 60062", Confidence.STANDARD)


_TABLE: dict[str, Callable[..., Limit]] = {
    "acceptance": _step(bringup.acceptance),
    "stop": _step(bringup.stop),
    "plate-a": _of_unit(mains.plate_a),
    "plate-w": _of_unit(mains.plate_w),
    "plate-hard-bound-a": _of_unit(mains.hard_bound_a),
    "plate-expected-w": mains.expected_plate_w,
    "idle-ceiling-w": _of_unit(mains.idle_ceiling_w),
    "source-fraction": mains.source_fraction,
    "first-step": mains.first_step,
    "worst-inrush-a": mains.worst_inrush_a,
    "winding-ohms": mains.winding_ohms,
    "fuse-hold": _of_fuse(fuse.hold),
    "fuse-open-earliest": _of_fuse(fuse.open_earliest),
    "fuse-open-latest": _of_fuse(fuse.open_latest),
    "fuse-melting-i2t": _of_fuse(fuse.melting_i2t),
    "fuse-pulse-i2t": _of_fuse(fuse.pulse_i2t),
    "fuse-cold-ohms": _of_fuse(fuse.cold_ohms),
    "esr-spec": parts.esr_spec,
    "esr-usual": parts.esr_usual,
    "esr-doubtful": parts.esr_doubtful,
    "esr-outside": parts.esr_outside,
    "leakage": parts.leakage,
    "voice-coil-low": parts.voice_coil_low,
    "voice-coil-high": parts.voice_coil_high,
    "voice-coil-fail": parts.voice_coil_fail,
    "impedance-least": parts.rated_impedance_least,
    "junction-low": parts.junction_low,
    "junction-high": parts.junction_high,
    "junction-short": parts.junction_short,
    "output-short": parts.output_short,
    "rail-short": parts.rail_short,
    "emitter-resistor-low": parts.emitter_resistor_low,
    "emitter-resistor-high": parts.emitter_resistor_high,
    "offset-doubtful": powered.offset_doubtful,
    "offset-outside": powered.offset_outside,
    "bias-low": powered.bias_low,
    "bias-high": powered.bias_high,
    "bias-current": powered.bias_current,
    "rail-asymmetry": powered.rail_asymmetry,
    "ripple-pp": powered.ripple_pp,
    "ripple-capacitance": powered.capacitance,
    "discharge-time": powered.discharge_time,
    "discharge-peak-w": powered.discharge_peak_w,
    "reservoir-touch": powered.touch_gate,
    "reservoir-ohms": powered.ohms_gate,
    "safety": safety.safety,
    "preferred": _series_nearest,
    "value-code": _value_code,
}


def _parameters(function: Callable[..., Limit]) -> dict[str, inspect.Parameter]:
    """Parameters by name as they are typed (dashes), those of the unit included."""
    found = dict(inspect.signature(function).parameters)
    if any(p.kind is inspect.Parameter.VAR_KEYWORD for p in found.values()):
        found = {k: p for k, p in found.items() if p.kind is not inspect.Parameter.VAR_KEYWORD}
        found.update(inspect.signature(_unit).parameters)
    return {("fuse" if k == "fuse_marking" else k.replace("_", "-")): p for k, p in found.items()}


def _plain(annotation: Any) -> Any:
    """The type without None."""
    if typing.get_origin(annotation) in (typing.Union, types.UnionType):
        return next(a for a in typing.get_args(annotation) if a is not type(None))
    return annotation


def _kind(annotation: Any) -> str:
    plain = _plain(annotation)
    if isinstance(plain, type) and issubclass(plain, StrEnum):
        return "|".join(plain)
    return "text" if plain is str else "number"


def names() -> tuple[Entry, ...]:
    """All limits, in the order of the trade: bring-up, plate, fuse, parts, powered checks, safety."""
    return tuple(_entry(name, function) for name, function in _TABLE.items())


def _entry(name: str, function: Callable[..., Limit]) -> Entry:
    about = (inspect.getdoc(function) or "").partition("\n")[0]
    nothing = (inspect.Parameter.empty, None)
    return Entry(
        name,
        about,
        tuple(
            Parameter(
                name=key,
                required=p.default is inspect.Parameter.empty,
                default="" if p.default in nothing else str(p.default),
                kind=_kind(p.annotation),
            )
            for key, p in _parameters(function).items()
        ),
    )


_EXPONENT = {"p": -12, "n": -9, "u": -6, "µ": -6, "m": -3, "k": 3, "K": 3, "M": 6, "G": 9}
_PREFIXED = re.compile(rf"([+-]?\d+(?:\.\d+)?)([{''.join(_EXPONENT)}])")
"""A number as the trade writes it: 220u, 3.3k."""


def _convert(name: str, text: str, annotation: Any) -> Any:
    plain = _plain(annotation)
    with suppress(ValueError):
        return plain(text)
    if plain is float and (prefixed := _PREFIXED.fullmatch(text)) is not None:
        return float(f"{prefixed[1]}e{_EXPONENT[prefixed[2]]}")
    if plain is float:
        with suppress(UsageError):
            return float(f"{preferred.decode(text):.12g}")
    example = ", e.g. 0.5, 220u or 4k7" if plain is float else ""
    raise UsageError(f"{name}={text}: give {_kind(annotation)}{example}.")


def _meant(name: str) -> str:
    """What a name that is none may have been meant for."""
    parameter, equals, _ = name.partition("=")
    takes = [limit for limit, found in _TABLE.items() if parameter in _parameters(found)] if equals else []
    if takes:
        return f"Name the limit first: {', '.join(takes)} take {parameter}."
    close = get_close_matches(name, _TABLE, 3, 0.4)
    return f"Do you mean {', '.join(close)}?" if close else "See 'benchlog limit --list'."


def look_up(name: str, given: Mapping[str, str]) -> Limit:
    """A limit by name with its parameters as texts.

    `UsageError` for a name or parameter that is not there, a missing one, or a value that can't be meant;
    it says what there is.
    """
    function = _TABLE.get(name)
    if function is None:
        raise UsageError(f"There is no limit {name!r}. {_meant(name)}")
    parameters = _parameters(function)
    unknown = [key for key in given if key not in parameters]
    missing = [k for k, p in parameters.items() if p.default is inspect.Parameter.empty and k not in given]
    if unknown or missing:
        what = f"does not take {', '.join(unknown)}" if unknown else f"needs {', '.join(missing)}"
        usage = " ".join(
            k if p.default is inspect.Parameter.empty else f"[{k}]" for k, p in parameters.items()
        )
        raise UsageError(f"The limit {name} {what}. It takes: {usage or 'nothing'}.")
    values = {p.name: _convert(k, given[k], p.annotation) for k, p in parameters.items() if k in given}
    return function(**values)
