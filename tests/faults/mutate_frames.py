"""Mutates frames of every family and counts readings that no instrument sent.

Run: ``python tests/faults/mutate_frames.py [--frames N] [--seed N] [--jobs N] [--out DIR]``; with ``--out``
it writes ``mutate_frames.json`` and ``mutate_frames.md``; pieces of a family run beside one another.
A reading is invented when a mutated frame decodes, and not as what was sent. Two kinds of mutation a family:
an error class that its check catches by construction (none may get through), and random bytes (held
against the rate of theory).
"""

import argparse
import json
import math
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from random import Random

from benchlog_drivers.adaptors.confirmation import Confirmation
from benchlog_drivers.codecs.checksum import crc16, sum8
from benchlog_drivers.codecs.decoded import Codec, Decoded
from benchlog_drivers.codecs.frames import FrameCodec
from benchlog_drivers.codecs.modbus_frame import take_rtu
from benchlog_drivers.codecs.segments import SegmentCodec
from benchlog_drivers.codecs.text import TextCodec
from benchlog_drivers.shelf import find_profile

Mutate = Callable[[bytes, Random], bytes]
Read = Callable[[bytes], object | None]


@dataclass(frozen=True)
class Family:
    """One family with its check."""

    name: str
    frame: Callable[[Random], bytes]
    read: Read
    caught: Mutate
    caught_name: str
    random: Mutate
    theory: float
    """Largest share of randomly mutated frames that may decode as something else."""


@dataclass(frozen=True)
class Count:
    """What came of one family."""

    name: str
    frames: int
    caught: int
    """Invented readings in the error class that is caught by construction."""
    random: int
    theory: float
    impossible: int
    """Invented readings that were not even a possible unit, range or size."""
    confirmed: int
    """Of ``random``, those that an adaptor would give: a change of unit or range must be seen twice."""

    @property
    def share(self) -> float:
        return self.random / self.frames


def one_byte(frame: bytes, generator: Random) -> bytes:
    """One byte replaced by another."""
    place = generator.randrange(len(frame))
    wrong = (frame[place] + generator.randrange(1, 256)) % 256
    return frame[:place] + bytes([wrong]) + frame[place + 1 :]


def some_bytes(frame: bytes, generator: Random) -> bytes:
    """Two to six bytes replaced by others."""
    out = bytearray(frame)
    places = generator.sample(range(len(frame)), generator.randrange(2, 7))
    for place in places:
        out[place] = (out[place] + generator.randrange(1, 256)) % 256
    return bytes(out)


def burst(frame: bytes, generator: Random) -> bytes:
    """A burst of up to 16 bits anywhere in the frame; its first and last bit are wrong."""
    length = generator.randrange(1, 17)
    pattern = generator.randrange(0, 1 << length) | 1 | 1 << (length - 1)
    bits = 8 * len(frame)
    shift = generator.randrange(bits - length + 1)
    # bit order on the wire is least significant first: number the bits that way
    value = int.from_bytes(frame, "little") ^ pattern << shift
    return value.to_bytes(len(frame), "little")


def wrong_index(frame: bytes, generator: Random) -> bytes:
    """The index nibble of one byte is another."""
    place = generator.randrange(len(frame))
    wrong = frame[place] ^ generator.randrange(1, 16) << 4
    return frame[:place] + bytes([wrong]) + frame[place + 1 :]


def high_bit(frame: bytes, generator: Random) -> bytes:
    """One byte outside the seven-bit code."""
    place = generator.randrange(len(frame) - 2)
    return frame[:place] + bytes([frame[place] | 0x80]) + frame[place + 1 :]


def decoding(codec: Codec) -> Read:
    """What a codec makes of one frame on its own; None for no reading."""

    def read(frame: bytes) -> object | None:
        buffer = frame
        while buffer:
            used, result = codec.decode(buffer)
            if isinstance(result, Decoded):
                return result
            if used == 0:
                return None
            buffer = buffer[used:]
        return None

    return read


def bcd_family() -> Family:
    layout = find_profile("simulated-bcd-meter").frame
    assert layout is not None

    def frame(generator: Random) -> bytes:
        count, code = (
            generator.randrange(600_000),
            (0x11, 0x12, 0x21, 0x22, 0x31, 0x32)[generator.randrange(6)],
        )
        body = bytes([0xAA, 0x55, code, generator.randrange(2)]) + bytes.fromhex(f"{count:06d}")
        return body + sum8(body) + b"\x0d"

    read = decoding(FrameCodec(layout))
    return Family("packed BCD, sum", frame, read, one_byte, "one wrong byte", some_bytes, 1 / 256)


def lcr_family() -> Family:
    layout = find_profile("simulated-lcr-meter").frame
    assert layout is not None

    def frame(generator: Random) -> bytes:
        first, second = (f"{generator.randrange(40_000):05d}".encode() for _ in range(2))
        body = b"\x55\x41" + first + b"\x53" + second + bytes([generator.randrange(2) << 2, 0, 0, 0])
        return body + crc16(body)

    read = decoding(FrameCodec(layout))
    return Family("ASCII, CRC-16", frame, read, burst, "burst of ≤ 16 bits", some_bytes, crc_theory(19))


def crc_theory(length: int) -> float:
    """Share of `some_bytes` mutations of a frame that leave its CRC-16 right.

    2⁻¹⁶ for three to six wrong bytes. Two wrong bytes are counted out: for each pair of places, the pairs of
    byte errors whose syndromes are equal (this CRC lets through 3.7 times as many of those).
    """
    zero = crc16(bytes(length - 2))

    def syndrome(place: int, error: int) -> int:
        frame = bytearray(length)
        frame[place] = error
        check = bytes(a ^ b for a, b in zip(crc16(bytes(frame[:-2])), zero, strict=True))
        return int.from_bytes(check, "big") ^ int.from_bytes(frame[-2:], "big")

    places = [{syndrome(place, error) for error in range(1, 256)} for place in range(length)]
    pairs = [len(one & other) / 255**2 for i, one in enumerate(places) for other in places[:i]]
    return (sum(pairs) / len(pairs) + 4 * 2.0**-16) / 5


def modbus_family() -> Family:
    def frame(generator: Random) -> bytes:
        body = b"\x01\x04\x18" + generator.randbytes(24)
        return body + crc16(body)

    def read(frame: bytes) -> object | None:
        taken = take_rtu(frame, 1, 4, 26)
        return taken if isinstance(taken, bytes) else None

    return Family("Modbus RTU, CRC-16", frame, read, burst, "burst of ≤ 16 bits", some_bytes, crc_theory(29))


_SEVEN = (0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F)


def segment_frame(generator: Random) -> bytes:
    """AC amperes x.xxx as the segment meter sends it."""
    digits = f"{generator.randrange(1000, 6000)}"
    eight = [_SEVEN[int(d)] | (0x80 if place == 1 else 0) for place, d in enumerate(digits)]
    nibbles = [0b1000, *(n for e in eight for n in (e >> 4, e & 15)), 0, 0b0100, 0, 0, 0]
    return bytes((index << 4) | nibble for index, nibble in enumerate(nibbles, start=1))


def segment_theory() -> float:
    """Share of single wrong bytes that make another valid frame, from the segment table alone.

    Of 255 wrong values of a byte 15 keep its index nibble. Counted per byte, averaged over the digits.
    """
    shown = {*_SEVEN, 0x00, 0x38}
    high = sum(sum((e ^ wrong << 4) & 0x7F in shown for wrong in range(1, 16)) for e in _SEVEN) / len(_SEVEN)
    low = sum(sum(e ^ wrong in shown for wrong in range(1, 16)) for e in _SEVEN) / len(_SEVEN)
    kinds = 5  # kind and flags: dc, autorange, hold, and the two together, with ac or dc
    units = 1  # V for A
    prefixes = 2  # m, µ
    battery = 1
    return (4 * (high + low) + kinds + units + prefixes + battery) / (14 * 255)


def segment_family() -> Family:
    display = find_profile("simulated-segment-meter").segments
    assert display is not None
    read = decoding(SegmentCodec(display))
    return Family(
        "segments, index only",
        segment_frame,
        read,
        wrong_index,
        "wrong index nibble",
        one_byte,
        segment_theory(),
    )


def text_family() -> Family:
    pattern = find_profile("simulated-handheld").text
    assert pattern is not None

    def frame(generator: Random) -> bytes:
        return f"AC +{generator.uniform(0.0, 5.9):.4f} A R6 A--\r\n".encode()

    # of 21 bytes: kind 1 other (D), sign 1, first digit 9, four digits 9 each, unit 1 (V), range 9, flags 3;
    # those that the range check refuses are not subtracted
    theory = (1 + 1 + 9 + 4 * 9 + 1 + 9 + 3) / (21 * 255)
    read = decoding(TextCodec(pattern, b"\r\n"))
    return Family("text line, no check", frame, read, high_bit, "bit 8 set", one_byte, theory)


PIECE = 50_000
_SUMMED = ("frames", "caught", "random", "impossible", "confirmed")
FAMILIES = (bcd_family, lcr_family, modbus_family, segment_family, text_family)


def is_possible(result: object) -> bool:
    """Whether what passed is a possible unit, range and size."""
    if not isinstance(result, Decoded):
        return True
    if result.value is None:
        return result.status is not None
    return result.range is None or abs(result.value) <= 1.25 * result.range


def campaign(family: Family, frames: int, seed: int) -> Count:
    """Mutate so many frames in each of the two ways."""
    generator = Random(seed)
    caught = random = impossible = confirmed = 0
    for _ in range(frames):
        frame = family.frame(generator)
        sent = family.read(frame)
        assert sent is not None
        for mutate in (family.caught, family.random):
            wrong = mutate(frame, generator)
            got = family.read(wrong)
            if got is None or got == sent:
                continue
            impossible += not is_possible(got)
            if mutate is family.caught:
                caught += 1
            else:
                random += 1
                confirmed += is_confirmed(sent, got)
    return Count(family.name, frames, caught, random, family.theory, impossible, confirmed)


def piece(family: int, frames: int, seed: int) -> Count:
    """A piece of a family's campaign, in a process of its own."""
    return campaign(FAMILIES[family](), frames, seed)


def together(counts: list[Count]) -> Count:
    """The counts of a family's pieces as one."""
    sums = {name: sum(getattr(one, name) for one in counts) for name in _SUMMED}
    return replace(counts[0], **sums)


def is_confirmed(sent: object, got: object) -> bool:
    """Whether an adaptor that has just given ``sent`` gives ``got`` too, as from a frame without checksum."""
    if not isinstance(sent, Decoded) or not isinstance(got, Decoded):
        return True
    confirmation = Confirmation(checked=False)
    confirmation.accepts(sent)
    return confirmation.accepts(got)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    pieces = [min(PIECE, options.frames - done) for done in range(0, options.frames, PIECE)]
    counts: list[Count] = []
    table = [
        "| family | caught by construction | invented | random, invented | share | theory | impossible "
        "| same unit and range |",
        "|---|---|---|---|---|---|---|---|",
    ]
    with ProcessPoolExecutor(options.jobs, mp_context=get_context("spawn")) as pool:
        work = {
            make: [pool.submit(piece, k, n, options.seed + i) for i, n in enumerate(pieces)]
            for k, make in enumerate(FAMILIES)
        }
        for make in FAMILIES:
            counts.append(together([one.result() for one in work[make]]))
            table.append(line(make(), counts[-1]))
            print(table[-1], flush=True)
    if options.out is not None:
        options.out.mkdir(parents=True, exist_ok=True)
        facts = json.dumps([{**asdict(c), "bad": is_bad(c)} for c in counts], indent=1)
        (options.out / "mutate_frames.json").write_text(facts, encoding="utf-8")
        (options.out / "mutate_frames.md").write_text("\n".join(table) + "\n", encoding="utf-8")
    return int(any(map(is_bad, counts)))


def is_bad(count: Count) -> bool:
    """Whether a family lets through what it must not; a short run gets three standard deviations more."""
    expected = 1.5 * count.theory * count.frames
    most = expected if count.frames >= 1_000_000 else expected + 3.0 * math.sqrt(expected) + 1.0
    return count.caught > 0 or count.random > most or count.impossible > 0


def line(family: Family, count: Count) -> str:
    """A line of the report."""
    return (
        f"| {count.name} | {family.caught_name} | {count.caught}/{count.frames} | {count.random} "
        f"| {count.share:.2e} | {count.theory:.2e} | {count.impossible} | {count.confirmed} |"
        f"{' TOO MANY' if is_bad(count) else ''}"
    )


if __name__ == "__main__":
    sys.exit(main())
