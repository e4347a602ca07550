"""Segment, frame, parity, register, checksum and Modbus codecs."""

import itertools
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.bench.profile import Register, RegisterMap
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog_drivers.codecs.checksum import crc16, sum8, sum8_complement, xor8
from benchlog_drivers.codecs.decoded import Decoded, Garbled
from benchlog_drivers.codecs.frames import FrameCodec
from benchlog_drivers.codecs.modbus_frame import Older, take_rtu, take_tcp
from benchlog_drivers.codecs.parity import BAD, seven_bits, with_parity
from benchlog_drivers.codecs.registers import blocks, register_value
from benchlog_drivers.codecs.segments import SegmentCodec
from benchlog_drivers.codecs.text import TextCodec
from benchlog_drivers.shelf import find_profile, shipped_profiles

SEVEN = dict(zip("0123456789", (0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F), strict=True))
SEVEN |= {" ": 0, "L": 0x38}


def segment_frame(
    text: str, kinds: int = 0b1000, prefix: int = 0, unit: int = 0b1000, other: int = 0, minus: bool = False
) -> bytes:
    """A frame of the shipped segment dialect; ``text`` of four characters with at most one point."""
    eight: list[int] = []
    point = False
    for character in text:
        if character == ".":
            point = True
            continue
        eight.append(SEVEN[character] | (0x80 if point else 0))
        point = False
    eight[0] |= 0x80 if minus else 0
    nibbles = [
        kinds,
        *itertools.chain.from_iterable((e >> 4, e & 15) for e in eight),
        prefix,
        unit,
        other,
        0,
        0,
    ]
    return bytes(index << 4 | nibble for index, nibble in enumerate(nibbles, start=1))


@pytest.fixture(scope="module")
def segments() -> SegmentCodec:
    display = find_profile("simulated-segment-meter").segments
    assert display is not None
    return SegmentCodec(display)


def only(codec: object, frame: bytes) -> Decoded | Garbled:
    used, result = codec.decode(frame)
    assert result is not None
    assert used <= len(frame)
    return result


# ---- segments ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("frame", "quantity", "value", "full", "one"),
    [
        (segment_frame("1.234", unit=0b0100), Quantity.AC_CURRENT, 1.234, 6.0, 0.001),
        (segment_frame("12.34", kinds=0b0100, minus=True), Quantity.DC_VOLTAGE, -12.34, 60.0, 0.01),
        (segment_frame("123.4", prefix=0b0100), Quantity.AC_VOLTAGE, 0.1234, 0.6, 0.0001),
        (segment_frame(" 0.47", kinds=0, unit=0b0010), Quantity.RESISTANCE, 0.47, 60.0, 0.01),
        (segment_frame("4.700", kinds=0, prefix=0b0001, unit=0b0010), Quantity.RESISTANCE, 4.7e6, 6e6, 1e3),
        (
            segment_frame("220.0", kinds=0, prefix=0b1000, unit=0b0001),
            Quantity.CAPACITANCE,
            220e-6,
            600e-6,
            1e-7,
        ),
        (segment_frame("  25", kinds=0, unit=0, other=0b0100), Quantity.TEMPERATURE, 25.0, 6000.0, 1.0),
    ],
)
def test_displays_in_segments(
    segments: SegmentCodec, frame: bytes, quantity: Quantity, value: float, full: float, one: float
) -> None:
    found = only(segments, frame)
    assert isinstance(found, Decoded), found
    assert (found.quantity, found.value) == (quantity, value)
    assert found.range == pytest.approx(full)
    assert found.resolution == pytest.approx(one)


def test_an_overload_in_segments_has_no_value(segments: SegmentCodec) -> None:
    found = only(segments, segment_frame(" 0L ", unit=0b0100))
    assert isinstance(found, Decoded)
    assert (found.value, found.status) == (None, Status.OVERLOAD)
    blank = only(segments, segment_frame("    "))
    assert isinstance(blank, Decoded)
    assert blank.status is Status.AUTORANGING


@pytest.mark.parametrize(
    "frame",
    [
        segment_frame("1.234", unit=0b1100),  # V and A
        segment_frame("1.234", unit=0),  # no unit
        segment_frame("1.234", kinds=0b1100),  # ac and dc
        segment_frame("1.234", prefix=0b0010, unit=0b1000),  # kV
        segment_frame("1.234", prefix=0b0110, unit=0b0010, kinds=0),  # m and k
        segment_frame("1.234", other=0b0001),  # a bit without a name
        segment_frame("1.2.34"),
        segment_frame("7.234"),  # more than 6000 counts
        segment_frame("1 34"),
        segment_frame("123L"),
        bytes([segment_frame("1.234")[0], 0x21, 0x31, *segment_frame("1.234")[3:]]),  # no such character
    ],
)
def test_impossible_displays_are_garbled(segments: SegmentCodec, frame: bytes) -> None:
    assert isinstance(only(segments, frame), Garbled)


def test_the_segment_thread_is_found_again_behind_half_a_frame(segments: SegmentCodec) -> None:
    whole = segment_frame("1.234")
    buffer, found = whole[5:] + whole + whole[:3], []
    while True:
        used, result = segments.decode(buffer)
        if used == 0:
            break
        buffer = buffer[used:]
        found.append(result)
    assert buffer == whole[:3]
    assert [type(f) for f in found] == [Garbled, Decoded]


# ---- frames with a checksum -------------------------------------------------------------------------


def test_checksums_against_published_check_values() -> None:
    # CRC-16/MODBUS of "123456789" is 0x4B37 (catalogue of parametrised CRC algorithms)
    assert crc16(b"123456789") == bytes([0x37, 0x4B])
    # Modbus over Serial Line V1.02, 6.2.2: 02 07 gives 41 12
    assert crc16(bytes([0x02, 0x07])) == bytes([0x41, 0x12])
    assert sum8(b"\xff\x02") == b"\x01"
    assert sum(b"\x12\x34" + sum8_complement(b"\x12\x34")) % 256 == 0
    assert xor8(b"\x0f\xf0\x01") == b"\xfe"


def bcd_frame(code: int = 0x12, flags: int = 0, digits: str = "012345") -> bytes:
    body = bytes([0xAA, 0x55, code, flags]) + bytes.fromhex(digits)
    return body + sum8(body) + b"\x0d"


@pytest.fixture(scope="module")
def bcd() -> FrameCodec:
    layout = find_profile("simulated-bcd-meter").frame
    assert layout is not None
    return FrameCodec(layout)


def test_packed_bcd(bcd: FrameCodec) -> None:
    found = only(bcd, bcd_frame(flags=0b10001))
    assert isinstance(found, Decoded)
    assert (found.quantity, found.value, found.flags) == (Quantity.DC_VOLTAGE, -12.345, ("autorange",))
    assert found.range == pytest.approx(599.999)
    overload = only(bcd, bcd_frame(flags=2))
    assert isinstance(overload, Decoded)
    assert (overload.value, overload.status) == (None, Status.OVERLOAD)


@pytest.mark.parametrize(
    "frame",
    [
        bcd_frame(code=0x99),
        bcd_frame(flags=0x20),
        bcd_frame(digits="01234a"),
        bcd_frame(digits="600000"),
        bcd_frame()[:-2] + b"\x00\x0d",
        bcd_frame()[:-1] + b"\x0e",
    ],
)
def test_bad_frames_are_garbled(bcd: FrameCodec, frame: bytes) -> None:
    assert isinstance(only(bcd, frame), Garbled)


def test_after_a_bad_frame_the_next_one_is_found(bcd: FrameCodec) -> None:
    bad, good = bytearray(bcd_frame()), bcd_frame(digits="000777")
    bad[5] ^= 0x10
    buffer, found = bytes(bad) + good, []
    while buffer:
        used, result = bcd.decode(buffer)
        assert used > 0
        buffer = buffer[used:]
        found.append(result)
    assert isinstance(found[0], Garbled)
    assert isinstance(found[-1], Decoded)
    assert found[-1].value == 0.777


def lcr_frame(first: str = "02530", second: str = "02154", flags: int = 4) -> bytes:
    body = b"\x55\x41" + first.encode() + b"\x53" + second.encode() + bytes([flags, 0, 0, 0])
    return body + crc16(body)


def test_an_lcr_frame_has_two_displays_and_its_test_frequency() -> None:
    layout = find_profile("simulated-lcr-meter").frame
    assert layout is not None
    found = only(FrameCodec(layout), lcr_frame())
    assert isinstance(found, Decoded)
    assert (found.quantity, found.value, found.test_frequency_hz) == (Quantity.ESR, 0.253, 100e3)
    assert found.flags == ("leads zeroed",)
    (beside,) = found.beside
    assert (beside.quantity, beside.value) == (Quantity.CAPACITANCE, pytest.approx(215.4e-9))


def test_an_esr_line_has_two_displays_and_its_test_frequency() -> None:
    profile = find_profile("simulated-esr-meter")
    assert profile.text is not None
    found = only(TextCodec(profile.text, b"\r\n"), b"Z 0.253 R 215.4 uF F100k Z-\r\n")
    assert isinstance(found, Decoded)
    assert (found.quantity, found.value, found.test_frequency_hz) == (Quantity.ESR, 0.253, 100e3)
    assert found.beside[0].value == pytest.approx(215.4e-6)
    assert found.flags == ("leads zeroed",)
    found = only(TextCodec(profile.text, b"\r\n"), b"Z OL R ---- uF F100k --\r\n")
    assert isinstance(found, Decoded)
    assert (found.status, found.beside[0].status) == (Status.OVERLOAD, Status.AUTORANGING)


# ---- parity -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("parity", "EOMSN")
@given(data=st.binary(max_size=40))
def test_parity_comes_back_and_one_wrong_bit_shows(parity: str, data: bytes) -> None:
    seven = bytes(b & 0x7F for b in data)
    sent = with_parity(seven, parity)
    assert seven_bits(sent, parity) == (seven, 0)
    if sent and parity in "EO":
        wrong = bytes([sent[0] ^ 0x04]) + sent[1:]
        got, failed = seven_bits(wrong, parity)
        assert failed == 1
        assert got[0] == BAD


def test_parity_of_known_letters() -> None:
    # ASCII "A" 0x41 has two ones, "C" 0x43 three
    assert with_parity(b"AC", "E") == bytes([0x41, 0xC3])
    assert with_parity(b"AC", "O") == bytes([0xC1, 0x43])


# ---- registers --------------------------------------------------------------------------------------


def register(kind: str, address: int = 0, **more: object) -> Register:
    return Register(quantity=Quantity.AC_CURRENT, address=address, type=kind, **more)


@given(st.integers(-(2**31), 2**31 - 1), st.booleans())
def test_pairs_of_registers_come_back_in_either_word_order(value: int, low_first: bool) -> None:
    words = list(struct.unpack(">2H", struct.pack(">i", value)))
    words = words[::-1] if low_first else words
    read = register_value({5: words[0], 6: words[1]}, register("s32", 5, low_word_first=low_first))
    assert read == value


def test_registers_that_are_no_number() -> None:
    nan, infinity = (struct.unpack(">2H", struct.pack(">f", x)) for x in (float("nan"), float("inf")))
    assert register_value(dict(enumerate(nan)), register("f32")) is Status.NOT_A_NUMBER
    assert register_value(dict(enumerate(infinity)), register("f32")) is Status.OVERLOAD
    assert register_value({0: 0xFFFF}, register("u16", overload=0xFFFF)) is Status.OVERLOAD
    assert register_value({0: 0xFFFF}, register("s16")) == -1.0


def test_a_map_is_read_in_as_few_transactions_as_it_allows() -> None:
    one = (register("u16", 1), register("s32", 2), register("f32", 10))
    assert blocks(RegisterMap(register=one, longest=32, count_address=0), one) == [(0, 12)]
    far = (*one, register("u16", 200))
    assert blocks(RegisterMap(register=far, longest=32), far) == [(1, 11), (200, 1)]
    assert blocks(RegisterMap(register=one, longest=2), one) == [(1, 1), (2, 2), (10, 2)]


# ---- Modbus -----------------------------------------------------------------------------------------


def test_an_rtu_answer_must_be_what_was_asked() -> None:
    body = bytes([1, 4, 4, 0, 1, 0, 2])
    frame = body + crc16(body)
    assert take_rtu(frame, 1, 4, 6) == body[1:]
    assert take_rtu(frame[:-1], 1, 4, 6) is None
    for unit, function, length in ((2, 4, 6), (1, 3, 6), (1, 4, 4)):
        assert isinstance(take_rtu(frame, unit, function, length), Garbled)
    assert isinstance(take_rtu(frame + b"\x00", 1, 4, 6), Garbled)
    refusal = bytes([1, 0x84, 2])
    assert take_rtu(refusal + crc16(refusal), 1, 4, 6) == refusal[1:]


def test_a_tcp_answer_to_an_older_question_is_skipped() -> None:
    frame = bytes([0, 7, 0, 0, 0, 5, 1, 4, 2, 0, 9])
    assert take_tcp(frame, 1, 7) == bytes([4, 2, 0, 9])
    assert take_tcp(frame, 1, 8) == Older(11)
    assert take_tcp(frame[:8], 1, 7) is None
    assert isinstance(take_tcp(frame, 2, 7), Garbled)
    assert isinstance(take_tcp(b"\x00\x07\x00\x01" + frame[4:], 1, 7), Garbled)


# ---- all --------------------------------------------------------------------------------------------


def codecs() -> list[object]:
    found: list[object] = []
    for name in shipped_profiles():
        profile = find_profile(name)
        if profile.text is not None:
            found.append(TextCodec(profile.text, profile.link.terminator.encode()))
        if profile.segments is not None:
            found.append(SegmentCodec(profile.segments))
        if profile.frame is not None:
            found.append(FrameCodec(profile.frame))
    return found


@pytest.mark.parametrize("codec", codecs(), ids=lambda codec: f"{type(codec).__name__}-{codec.longest}")
@given(data=st.binary(max_size=200))
def test_any_bytes_are_used_up_without_an_error(codec: object, data: bytes) -> None:
    while data:
        used, result = codec.decode(data)
        assert 0 <= used <= len(data)
        if used == 0:
            assert result is None
            assert len(data) < codec.longest, "a codec that waits for more must not have a whole frame"
            break
        data = data[used:]
