"""Reads profiles and checks what a schema alone can't; messages name file and line."""

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import msgspec

from benchlog.bench.linepattern import MOST_WAYS, most_ways
from benchlog.bench.lines import line_of
from benchlog.bench.profile import (
    ContactorWords,
    Family,
    FrameLayout,
    Link,
    Profile,
    RegisterMap,
    SegmentDisplay,
    SourceWords,
    TextPattern,
)
from benchlog.model.errors import UsageError
from benchlog.model.textfile import MOST_TOML, parse_toml, read_bounded

Fault = tuple[str, str]
"""Path of the value, and what is wrong with it."""

_GROUPS = {"value", "unit", "kind", "range", "flags", "frequency", "value2", "unit2", "kind2"}
_PART = {
    Family.SERIAL_TEXT: "text",
    Family.SERIAL_SEGMENTS: "segments",
    Family.SERIAL_FRAME: "frame",
    Family.MODBUS: "modbus",
    Family.CONTACTOR: "contactor",
    Family.DIGITISER: "capture",
}
_CHECKSUM_BYTES = {"sum8": 1, "sum8-complement": 1, "xor8": 1, "crc16": 2}
_LONGEST_LINE = 250
_PLACE = re.compile(r"\{\w*(:\.?\d{0,2}[a-zA-Z%]?)?\}")
_SAMPLES = ("int8", "uint8", "int16", "uint16", "int32", "uint32", "float32", "float64", "ascii")
_REGISTERS = {"u16": 1, "s16": 1, "u32": 2, "s32": 2, "f32": 2}


def parse_profile(text: str, where: str) -> Profile:
    """Profile of a TOML text; ``where`` names the file. `UsageError` with the line of what is wrong."""
    try:
        raw = parse_toml(text)
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"The profile {where} is not TOML: {error}. Mend it there.") from error
    try:
        profile = msgspec.convert(raw, Profile)
    except msgspec.ValidationError as error:
        message, _, path = str(error).partition(" - at ")
        line = line_of(text, path.strip("`"), message)
        raise UsageError(f"The profile {where}, line {line}: {message}. Mend it there.") from error
    for path, message in profile_faults(profile):
        raise UsageError(f"The profile {where}, line {line_of(text, path)}: {message}. Mend it there.")
    return profile


def load_profile(path: Path) -> Profile:
    """Read a profile. `UsageError` names file, line and what is wrong."""
    try:
        text = read_bounded(path, MOST_TOML).decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"The profile {path} can't be read: {error}.") from error
    return parse_profile(text, str(path))


def profile_faults(profile: Profile) -> Iterator[Fault]:
    """What is wrong with a profile although every value has its type."""
    if not profile.origin.strip():
        yield "$.origin", "it has to say where its facts come from"
    part = _PART.get(profile.family)
    if part is not None and getattr(profile, part) is None:
        yield "$.family", f"the family {profile.family.value!r} needs a part [{part}]"
    if profile.family is Family.SCPI and profile.source is None and not profile.channel:
        yield "$.family", "it has neither a [source] nor a [[channel]]"
    if profile.measure.period_s <= 0.0:
        yield "$.measure.period_s", "the period must be more than zero"
    yield from _link_faults(profile.link)
    told = {"$.scpi.marker": profile.scpi.marker}
    if profile.capture is not None:
        told |= {"$.capture.preamble": profile.capture.preamble, "$.capture.data": profile.capture.data}
    for path, text in told.items():
        if odd := _odd_places(text):
            yield path, f"{odd!r} is no place for a number or a name: write {{n}}, {{value}} or {{channel}}"
    if profile.source is not None:
        yield from _source_faults(profile.source)
    if profile.text is not None:
        yield from _text_faults(profile.text)
    if profile.segments is not None:
        yield from _segment_faults(profile.segments)
    if profile.frame is not None:
        yield from _frame_faults(profile.frame)
    if profile.modbus is not None:
        yield from _register_faults(profile.modbus)
    if profile.capture is not None and profile.capture.code not in _SAMPLES:
        yield "$.capture.code", f"{profile.capture.code!r} is none of {', '.join(_SAMPLES)}"
    if profile.contactor is not None:
        yield from _contactor_faults(profile.contactor)


def _odd_places(text: str) -> str:
    """What stands in braces, or is left of them, and is no plain place; empty where nothing is."""
    return next((c for c in _PLACE.sub("", text) if c in "{}"), "") and text


def _link_faults(link: Link) -> Iterator[Fault]:
    if link.parity not in ("N", "E", "O", "M", "S"):
        yield "$.link.parity", f"the parity {link.parity!r} is none of N, E, O, M, S"
    if link.bits not in (7, 8):
        yield "$.link.bits", f"{link.bits} data bits are not 7 or 8"
    if link.stop not in (1.0, 1.5, 2.0):
        yield "$.link.stop", f"{link.stop:g} stop bits are not 1, 1.5 or 2"
    if not 0.0 < link.timeout_s <= 60.0:
        yield "$.link.timeout_s", "the timeout must be more than zero and at most 60 s"
    if not link.terminator.isascii() or not link.terminator:
        yield "$.link.terminator", "the terminator must be ASCII and not empty"


def _source_faults(words: SourceWords) -> Iterator[Fault]:
    for name in ("voltage", "limit", "trip_delay", "frequency", "range"):
        text = getattr(words, name)
        try:
            changes = not _odd_places(text) and text.format(value=1.5) != text
        except (ValueError, KeyError, IndexError):
            changes = False
        if text and not changes:
            yield f"$.source.{name}", f"{text!r} has no place for the number: write {{value}}"
    if not words.off.strip():
        yield "$.source.off", "there must be a command that switches the output off"
    for name in ("frequency_hz", "range_v"):
        if getattr(words, name) is not None and not getattr(words, name.rpartition("_")[0]):
            yield f"$.source.{name}", f"there is no command {name.rpartition('_')[0]!r} to set it with"


def _contactor_faults(words: ContactorWords) -> Iterator[Fault]:
    ways = [bool(words.line), bool(words.beat), words.coil is not None]
    if sum(ways) != 1:
        yield "$.contactor", "it has to name one of line, beat and coil: what holds the box in"
    if words.line not in ("", "dtr", "rts"):
        yield "$.contactor.line", f"{words.line!r} is neither dtr nor rts"
    if words.beat and not words.drop:
        yield "$.contactor.beat", "there must be a command (drop) that lets it drop at once"
    if words.hold_s <= 0.1:
        yield "$.contactor.hold_s", "a beat comes every 0.1 s; the box has to hold longer than that"


def _text_faults(pattern: TextPattern) -> Iterator[Fault]:
    if not 1 <= pattern.longest <= _LONGEST_LINE:
        yield "$.text.longest", f"a line has 1 to {_LONGEST_LINE} bytes"
        return
    try:
        ways = most_ways(pattern.pattern, pattern.longest)
        groups = set(re.compile(pattern.pattern, re.ASCII).groupindex)
    except (ValueError, re.error) as error:
        yield "$.text.pattern", f"it is no regular expression: {error}"
        return
    if ways > MOST_WAYS:
        yield (
            "$.text.pattern",
            "a line could be tried in too many ways: write no repeat inside a repeat, and no two repeats of "
            "the same characters one behind the other",
        )
    if "value" not in groups:
        yield "$.text.pattern", "it has no group named value: write (?P<value>…)"
    if unknown := groups - _GROUPS:
        yield "$.text.pattern", f"it has groups that mean nothing here: {', '.join(sorted(unknown))}"
    if pattern.identity and not pattern.request:
        yield (
            "$.text.identity",
            "a meter that streams can't be asked who it is: its answer is one line of many",
        )
    if not pattern.quantities:
        yield "$.text", "it lists no quantities, so that nothing could be read"


def _segment_faults(display: SegmentDisplay) -> Iterator[Fault]:
    indices = range(display.first, display.first + display.length)
    if not 0 <= display.first <= 15 or indices[-1] > 15:
        yield "$.segments.length", "the indices do not fit a nibble: first + length may be 16 at most"
    for high, low in display.digits:
        if high not in indices or low not in indices:
            yield "$.segments.digits", f"the digit [{high}, {low}] lies outside the frame"
    for pattern, shown in display.segments.items():
        if re.fullmatch(r"[0-7][0-9a-f]", pattern) is None or len(shown) != 1:
            yield "$.segments.segments", f"{pattern!r} = {shown!r} is no seven-bit pattern with its character"
    used = {index for pair in display.digits for index in pair}
    for place, one in enumerate(display.annunciators):
        if one.index not in indices or one.index in used or not 0 <= one.bit <= 3:
            yield f"$.segments.annunciators[{place}]", f"bit {one.bit} of byte {one.index} is not free"


def _frame_faults(layout: FrameLayout) -> Iterator[Fault]:
    for name in ("start", "end", "request"):
        try:
            bytes.fromhex(getattr(layout, name))
        except ValueError:
            yield f"$.frame.{name}", f"{getattr(layout, name)!r} is not hexadecimal"
            return
    size = _CHECKSUM_BYTES.get(layout.checksum)
    if size is None:
        yield "$.frame.checksum", f"{layout.checksum!r} is none of {', '.join(_CHECKSUM_BYTES)}"
        return
    last = layout.length - len(layout.end) // 2 - size * (2 if layout.ascii_checksum else 1)
    if not layout.start or len(layout.start) // 2 >= last:
        yield "$.frame.start", "it must have at least one byte, and leave room for the rest"
    if len(layout.digits) != len(layout.function):
        yield "$.frame.function", "there must be one function field for each digits field"
    fields = [*layout.digits, *layout.function, *([layout.flags] if layout.flags else [])]
    for field in fields:
        if field.at < 0 or field.at + field.length > last:
            yield "$.frame", f"the field at {field.at} reaches into the checksum or beyond"
        if field.code not in ("bcd", "ascii", "u8"):
            yield "$.frame", f"the code {field.code!r} is none of bcd, ascii, u8"


def _register_faults(registers: RegisterMap) -> Iterator[Fault]:
    if registers.function not in ("input", "holding"):
        yield "$.modbus.function", f"{registers.function!r} is neither input nor holding"
    if not 1 <= registers.longest <= 125:
        yield "$.modbus.longest", "one transaction reads 1 to 125 registers"
    for place, register in enumerate(registers.register):
        if register.type not in _REGISTERS:
            path = f"$.modbus.register[{place}].type"
            yield path, f"{register.type!r} is none of {', '.join(_REGISTERS)}"
        if not 0 <= register.address <= 65535:
            yield f"$.modbus.register[{place}].address", f"{register.address} is no register address"
