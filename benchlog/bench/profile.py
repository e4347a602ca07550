"""Profiles (TOML): what one dialect of instrument says and understands, so that a new meter needs no code.

A profile states where its facts come from (``origin``): the maker's document, or "invented for the simulated
bench". Messages name file and line.
"""

from enum import StrEnum

import msgspec

from benchlog.model.instrument import Coupling, Earth, Response
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role


class Family(StrEnum):
    """Which codec and which port side a profile is for."""

    SCPI = "scpi"
    SERIAL_TEXT = "serial-text"
    SERIAL_SEGMENTS = "serial-segments"
    SERIAL_FRAME = "serial-frame"
    MODBUS = "modbus"
    CONTACTOR = "contactor"
    DIGITISER = "digitiser"


class Link(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The port side."""

    terminator: str = "\n"
    ends: str = ""
    """What ends a line of the instrument, where that is another."""
    timeout_s: float = 1.0
    """Allowed for a short transaction, beside the aperture."""
    baud: int = 9600
    bits: int = 8
    parity: str = "N"
    """N, E, O, M or S."""
    stop: float = 1.0
    software_parity: bool = False
    """Port opened with 8 data bits; 7 bits and parity are checked by the program."""
    dtr: bool | None = None
    """State of the line before the port opens; optical cables are powered by it."""
    rts: bool | None = None


class ScpiWords(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Common commands; the defaults are those of IEEE 488.2 and SCPI-1999."""

    identity: str = "*IDN?"
    clear: str = "*CLS"
    error: str = "SYST:ERR?"
    """Empty where the instrument keeps no error queue."""
    marker: str = "*ESE {n};*ESE?"
    """Brings back ``n`` (0 to 255) after a timeout; empty: wait until the line is quiet instead."""
    configure: tuple[str, ...] = ()
    """Sent after opening, in this order."""
    acknowledge: str = ""
    """What the instrument answers to every command that is no query; empty: nothing."""


class SourceRead(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Queries that read a source's state back; empty where it has none."""

    set_v: str = "VOLT?"
    output_on: str = "OUTP?"
    limit_a: str = ""
    trip_delay_s: str = ""
    tripped: str = ""
    tripped_bit: int | None = None
    """Bit of the answer to ``tripped``, where that is a register; None: it answers 0 or 1."""
    limiting: str = ""
    """Whether its current limit acts just now."""
    limiting_bit: int | None = None
    frequency_hz: str = ""
    range_v: str = ""


class SourceWords(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Commands of a programmed source; ``{value}`` stands for the number, ``{value:.3f}`` gives its form."""

    voltage: str = "VOLT {value}"
    on: str = "OUTP ON"
    off: str = "OUTP OFF;:VOLT 0"
    """Output off and zero volts, in one line where it takes that; else lines parted by a newline."""
    limit: str = ""
    trip_delay: str = ""
    clear_trip: str = ""
    compound: bool = False
    """Several queries in one line are understood and answered in one line, parted by ``;``."""
    second_connection: bool = False
    least_v: float = 0.0
    greatest_v: float | None = None
    frequency: str = ""
    range: str = ""
    """Chooses a voltage range by its full scale."""
    frequency_hz: float | None = None
    """Set and read back after opening, with the output off."""
    range_v: float | None = None
    read: SourceRead = SourceRead()


class Measure(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How readings are taken, and how long that takes."""

    period_s: float = 1.0
    """Seconds between readings of one channel."""
    aperture_s: float = 0.0
    latency_s: float = 0.0
    """From the aperture's end until the reading is sent (streaming meters)."""
    nplc: float = 0.0
    """Aperture in cycles of the mains; adds to ``aperture_s``."""
    averages: int = 1
    autozero: bool = False
    range_change_s: float = 0.0
    initiate: str = ""
    """Begins one measurement; then ``busy`` is asked until done."""
    busy: str = ""
    busy_bit: int = 4
    """Bit of the answer to ``busy`` that is set while measuring (SCPI-1999 OPERation: 4, MEASuring)."""
    done_bit: int | None = None
    """Instead: bit that is set once it is done (``INIT;*OPC`` and ``*ESR?``, IEEE 488.2: 0)."""
    poll_s: float = 0.02
    fetch: str = "FETC?"
    separator: str = ","
    count_field: int | None = None
    """Field that counts the sets; the same count again is not a new reading."""

    def duration_s(self, line_hz: float = 50.0) -> float:
        """Longest time one measurement may take: aperture × averages × autozero + range change."""
        once = self.aperture_s + self.nplc / line_hz
        return once * self.averages * (2 if self.autozero else 1) + self.range_change_s


class Traits(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the meter can and can't do; a bench file's sheet goes before it."""

    response: Response = Response.TRUE_RMS
    coupling: Coupling = Coupling.AC_DC
    crest_factor: float | None = None
    least_current_a: float | None = None
    autorange: bool = False
    auto_power_off_min: float | None = None
    earth: Earth = Earth.UNKNOWN


class ChannelWords(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One thing the instrument measures."""

    quantity: Quantity
    roles: tuple[Role, ...] = ()
    """Roles it can play; none given: any."""
    field: int = 0
    """Place in the answer, from 0."""
    configure: tuple[str, ...] = ()
    """Commands that select this function; ``{range}`` stands for the full scale that the sheet states."""
    fetch: str = ""
    """Instead of the common one."""
    scale: float = 1.0
    """The answer times this is in the SI unit of measure."""
    range: float | None = None
    """Full scale, in the SI unit of measure."""
    resolution: float | None = None
    greatest: float | None = None
    """Largest value that the instrument can show at all; beyond it the answer is garbled."""
    open_leads: bool = False
    """An overload of this function means open leads (ohms, junction, continuity)."""
    test_frequency_hz: float | None = None


class TextPattern(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A text line: expression with the group value; optional: unit, kind, range, flags, frequency.

    A second display has value2, unit2, kind2. ``frequency`` is a test frequency in Hz, with ``k`` or ``M``.
    """

    pattern: str
    longest: int = 80
    """Bytes; a line that grows longer is garbled."""
    overload: tuple[str, ...] = ("OL",)
    open_leads: tuple[str, ...] = ()
    autoranging: tuple[str, ...] = ()
    decimal_comma: bool = False
    quantities: dict[str, Quantity] = msgspec.field(default_factory=dict)
    """"<kind> <unit>" (or "<unit>" alone) to quantity; what is not here is impossible."""
    flags: dict[str, str] = msgspec.field(default_factory=dict)
    """Letter to ``hold``, ``low-battery``, ``autorange``, or a word of one's own."""
    request: str = ""
    """Sent for each reading by a polled meter; empty: it streams."""
    identity: str = ""
    """Asked once after opening, of a polled meter; answered by a line. Empty: it can't be asked."""


class BitName(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One annunciator of a display frame."""

    index: int
    """Of its byte."""
    bit: int
    name: str
    """``prefix:<p>``, ``unit:<u>``, ``ac``, ``dc``, a flag (``hold``, …), or empty: ignored."""


class SegmentDisplay(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A display sent by segments: each byte has its index in the high, four segments in the low nibble."""

    length: int
    """Bytes of a frame."""
    first: int
    """Index of the first byte; the others count up from it."""
    digits: tuple[tuple[int, int], ...]
    """For each digit, highest first: indices of the bytes with its high and its low four bits."""
    segments: dict[str, str]
    """Seven-bit pattern (two hexadecimal digits) to the character it shows; a blank is a space."""
    counts: int
    """Largest number shown on a range, point left out, e.g. 6000."""
    point_bit: int = 7
    """Bit of a digit's eight that is the decimal point left of it; on the first digit, the minus sign."""
    annunciators: tuple[BitName, ...] = ()
    overload: tuple[str, ...] = ("0L", "OL")
    quantities: dict[str, Quantity] = msgspec.field(default_factory=dict)
    """"<ac|dc> <unit>" or "<unit>" to quantity."""
    prefixes: dict[str, tuple[str, ...]] = msgspec.field(default_factory=dict)
    """Unit to the prefixes it may have ("" for none); a combination not here is impossible."""


class FrameField(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One field of a frame."""

    at: int
    """First byte, from 0."""
    length: int = 1
    code: str = "u8"
    """``bcd`` (two digits a byte, high first), ``ascii`` (decimal digits), ``u8``."""


class CodedFunction(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a function and range code stands for."""

    code: int
    quantity: Quantity
    exponent: int
    """The digits times 10**exponent are in the SI unit of measure."""
    test_frequency_hz: float | None = None


class FrameLayout(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A frame of fixed length with a checksum just before its last bytes."""

    start: str
    """First bytes, hexadecimal."""
    length: int
    checksum: str
    """``sum8``, ``xor8``, ``sum8-complement`` (all bytes sum to 0), ``crc16`` (MODBUS, low byte first)."""
    digits: tuple[FrameField, ...]
    """One field a value; a second one is the instrument's second display."""
    function: tuple[FrameField, ...]
    functions: tuple[CodedFunction, ...]
    counts: int
    """Largest number shown."""
    checksum_from: int = 0
    """First byte the checksum runs over."""
    end: str = ""
    """Last bytes, after the checksum, hexadecimal."""
    ascii_checksum: bool = False
    """The checksum is written as hexadecimal digits."""
    flags: FrameField | None = None
    flag_bits: dict[str, int] = msgspec.field(default_factory=dict)
    """``minus``, ``overload``, ``hold``, ``low-battery``, ``autorange``, ``lead-zero``, … to its bit."""
    request: str = ""
    """Hexadecimal; sent for each reading by a polled meter."""


class Register(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One value in a Modbus register map."""

    quantity: Quantity
    address: int
    """From 0, as on the wire."""
    type: str
    """``u16``, ``s16``, ``u32``, ``s32``, ``f32``."""
    roles: tuple[Role, ...] = ()
    scale: float = 1.0
    """The number times this is in the SI unit of measure; the ratio of a current transformer belongs here."""
    low_word_first: bool = False
    overload: int | None = None
    """Raw number that stands for overload."""
    range: float | None = None
    resolution: float | None = None
    greatest: float | None = None
    """Largest number (before scaling) that the instrument can show; beyond it the answer is garbled."""


class RegisterMap(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A Modbus device."""

    register: tuple[Register, ...]
    function: str = "input"
    """``input`` (function 4) or ``holding`` (function 3)."""
    unit: int = 1
    longest: int = 60
    """Registers in one transaction at most; a map that fits is read as one consistent set."""
    spare: int = 0
    """Registers behind the last that may be read too: lengths vary then, and a late answer shows."""
    identity_address: int | None = None
    identity_count: int = 0
    """Registers that tell who answers."""
    count_address: int | None = None
    """Register that counts the sets; the same count again is not a new reading."""


class CaptureWords(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One-shot waveform capture; ``{channel}`` is put into ``preamble`` and ``data``."""

    arm: tuple[str, ...]
    busy: str
    """Query; armed or running while ``busy_bit`` of its answer is set."""
    cancel: tuple[str, ...]
    data: str
    """Query that brings the samples of a channel as an IEEE 488.2 block, or as a list of numbers."""
    preamble: str
    """Query for the numbers named in ``preamble_fields``."""
    preamble_fields: tuple[str, ...] = ("points", "interval_s", "scale", "offset", "reference")
    """Value = (number - reference) × scale + offset. Other names are passed over."""
    voltage_channel: str = "1"
    current_channel: str = "2"
    voltage_per_unit: float = 1.0
    """Volts for one unit of the voltage channel (probe)."""
    current_per_unit: float = 1.0
    """Amperes for one unit of the current channel (clamp, shunt)."""
    busy_bit: int = 4
    done_bit: int | None = None
    """Instead: bit that is set once the capture is complete."""
    code: str = "int16"
    """``int8``, ``int16``, ``int32``, the same with ``u``, ``float32``, ``float64`` or ``ascii``."""
    little_endian: bool = False
    longest: int = 64_000_000
    """Bytes of the longest block."""


class ContactorWords(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What holds a cut-off contactor in."""

    line: str = ""
    """``dtr`` or ``rts``: toggled at each beat."""
    beat: str = ""
    """SCPI command that re-triggers the relay's timer."""
    drop: str = ""
    coil: int | None = None
    """Modbus coil written on at each beat, off to drop."""
    unit: int = 1
    hold_s: float = 0.5
    """The box drops when no beat came for this long."""
    follows_level: bool = False
    """The box only follows a level: it drops when the program exits, not when it hangs."""


class Profile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One dialect."""

    name: str
    family: Family
    origin: str
    """Source of the frame or command facts, or "invented for the simulated bench"."""
    description: str = ""
    cannot: tuple[str, ...] = ()
    """What the instrument can't do, in words after "can't"."""
    link: Link = Link()
    scpi: ScpiWords = ScpiWords()
    source: SourceWords | None = None
    measure: Measure = Measure()
    traits: Traits = Traits()
    channel: tuple[ChannelWords, ...] = ()
    text: TextPattern | None = None
    segments: SegmentDisplay | None = None
    frame: FrameLayout | None = None
    modbus: RegisterMap | None = None
    capture: CaptureWords | None = None
    contactor: ContactorWords | None = None
