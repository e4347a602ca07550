"""Sessions of an invented scenario for the tests of the document, with every kind of entry."""

import hashlib
import subprocess
import zlib
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path

import msgspec
import numpy as np
import numpy.typing as npt

from benchlog.model.event import Marked
from benchlog.model.history import (
    Approved,
    BenchSet,
    Corrected,
    JobEnded,
    Noted,
    PartChanged,
    Payload,
    RunBegun,
    RunEnded,
    RunSaid,
    Taken,
)
from benchlog.model.instrument import Accuracy, Earth, InstrumentRecord, MeterSheet
from benchlog.model.job import Customer, Ending, Job, Workshop
from benchlog.model.limit import Confidence, Limit
from benchlog.model.pattern import FaultPattern
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.step import DecidedBy, Outcome, PointVerdict, Step, StepRecord, StepVerdict
from benchlog.model.unit import Fuse, Plate, PlateKind, Unit
from benchlog.model.wave import Waveform
from benchlog.model.work import (
    Adjusted,
    Adjustment,
    Estimated,
    EstimateLine,
    FinalCheck,
    FinalChecked,
    FirstLook,
    Photographed,
    SafetyMeasured,
)
from benchlog.session.writer import SessionWriter

WALL = datetime(2026, 1, 5, 9, 0, tzinfo=timezone(timedelta(hours=-5)))
UNIT = Unit(
    plate=Plate(PlateKind.VOLT_AMPERES, 300.0), fuse=Fuse("T4AL250V", 4.0, "T", "L"),
    model_text="two-channel amplifier", serial="INV-7",
)  # fmt: skip
JOB = Job(
    number="2026-001",
    customer=Customer("Invented Customer", "telephone 555-0100"),
    complaint="dead, fuse blown",
    unit=UNIT,
    invented=True,
    workshop=Workshop(
        "Invented Workshop", "1 Sample Street", "", "A. Technician", "electrically skilled person"
    ),
)
CURRENT = Channel(Role.SOURCE_CURRENT, Quantity.AC_CURRENT, "clamp meter")
VOLTAGE = Channel(Role.INLET_VOLTAGE, Quantity.AC_VOLTAGE, "bench meter")
HEATSINK = Channel(Role.HEATSINK, Quantity.TEMPERATURE, "probe")
SHEET = MeterSheet(accuracy=(Accuracy(Quantity.AC_CURRENT, 0.01, 5.0, 0.001),))
BENCH = BenchSet(
    instruments=(
        InstrumentRecord(
            "clamp meter", "invented clamp meter", "CM-1", "2026-12-31", (Role.SOURCE_CURRENT,),
            Earth.FLOATING, SHEET,
        ),
    )
)  # fmt: skip
FRACTIONS = (0.05, 0.1, 0.2, 0.5, 1.0)


def _limit(name: str, value: float) -> Limit:
    return Limit(name, value, "A", "nameplate", Confidence.OURS)


def setup(soak_s: float = 0.0) -> RunSetup:
    """Five steps to 120 V."""
    steps = tuple(
        Step(f, 120.0 * f, _limit("acceptance", 0.3 + f), _limit("stop", 0.6 + f), True) for f in FRACTIONS
    )
    return RunSetup(
        unit=UNIT, steps=steps, periods_s={Role.SOURCE_CURRENT: 0.5, Role.INLET_VOLTAGE: 0.5},
        sheets={Role.SOURCE_CURRENT: SHEET}, soak_s=soak_s,
    )  # fmt: skip


def record(fraction: float, idle_a: float, u_a: float = 0.012) -> StepRecord:
    """A step that went up."""
    return StepRecord(
        fraction, 120.0 * fraction, 120.0 * fraction - 0.2, 3.0 * idle_a, True, idle_a, u_a,
        0.3 + fraction, "nameplate", 0.6 + fraction, "nameplate",
        StepVerdict.GO_UP, DecidedBy.PROGRAM, "", 12.0,
    )  # fmt: skip


def ended(outcome: Outcome = Outcome.COMPLETED, idle_a: float = 0.3, patterns: bool = False) -> RunEnded:
    """A run that ended so."""
    cut = outcome in (Outcome.CUT_OFF, Outcome.ALARMED)
    return RunEnded(
        outcome, "Cut off. 0.62 A at 6 V: a short behind the transformer" if cut else "Completed at 120 V",
        tuple(record(f, idle_a * f) for f in (FRACTIONS[:1] if cut else FRACTIONS)),
        not_judged=("step 6 V: the meter is too coarse",),
        not_tested=("Output under load and with signal", "Soak"),
        claims=() if cut else ("No short behind the transformer or across the rails seen up to 120 V",),
        fault_patterns=(
            FaultPattern("rail-to-rail short", "3.1 × the expected current at 5 %", "rails stay near 0 V"),
        )
        if patterns
        else (),
    )  # fmt: skip


def taken(name: str, value: float | None, u: float | None = None, **more: object) -> Taken:
    """A reading of ohms at a test point."""
    point = TestPoint(name, PointKind.OHMS, "left channel")
    return Taken(point, Quantity.RESISTANCE, value, u=u, instrument="bench meter", **more)  # type: ignore[arg-type]


def at(t_s: float) -> datetime:
    """Wall-clock time of a session instant."""
    return WALL + timedelta(seconds=t_s)


class Building:
    """A session in the making; instants go on by themselves."""

    def __init__(self, path: Path, job: Job = JOB) -> None:
        self.path = path
        self.writer = SessionWriter.create(path, job, WALL, entropy=lambda n: b"\x07" * n)
        self.t_s = 1.0

    def add(self, *payloads: Payload) -> "Building":
        """Entries, a second apart."""
        for payload in payloads:
            self.t_s += 1.0
            self.writer.add_entry(payload, round(self.t_s * 1e6), at(self.t_s))
        return self

    def readings(self, count: int, spike_at: int = -1, heat: bool = False, scale: float = 1.0) -> "Building":
        """Two channels, half a second apart, the voltage in steps."""
        found: list[tuple[Reading, int]] = []
        for k in range(count):
            end = round((self.t_s + 0.5 * (k + 1)) * 1e6)
            share = 1.0 if heat else FRACTIONS[min(len(FRACTIONS) * k // count, len(FRACTIONS) - 1)]
            volts = 120.0 * share
            amperes = scale * 0.0025 * volts * (20.0 if k == spike_at else 1.0)
            for channel, value in ((CURRENT, amperes), (VOLTAGE, volts), (HEATSINK, 25.0 + 0.01 * k)):
                if channel is not HEATSINK or heat:
                    found.append((Measured(channel, value, end - 20_000, end), end + 1500))
        self.writer.add_readings(found)
        self.writer.commit()
        self.t_s += 0.5 * count
        return self

    def wave(self) -> "Building":
        """A switch-on at 50 Hz with a decaying inrush."""
        t_s = np.arange(10_000) / 20_000.0
        on = t_s >= 0.05
        v_v = np.where(on, 325.0 * np.sin(2 * np.pi * 50.0 * t_s), 0.0)
        i_a = np.where(on, (0.4 + 12.0 * np.exp(-(t_s - 0.05) / 0.03)) * np.sin(2 * np.pi * 50.0 * t_s), 0.0)
        self.writer.add_wave(Waveform(v_v, i_a, 20_000.0, round(self.t_s * 1e6)), "inrush at 120 V")
        return self

    def run(self, end: RunEnded, soak: bool = False, count: int = 200) -> "Building":
        """A bring-up with its readings, and a soak behind it."""
        self.add(BENCH, RunBegun(setup(600.0 if soak else 0.0))).readings(count)
        if soak:
            self.add(RunSaid(Marked("soak-begun", "Soak", 4))).readings(300, heat=True)
        return self.add(end)

    def close(self) -> Path:
        """The closed session."""
        assert self.writer.close()
        return self.path


HOSTILE = (
    "=1+1", "+49", "@SUM(A1)", "#set text(red)", "#panic()", '"quoted"', "line\nbreak",
    "$x$ *b* _i_ `c` <l> @ref",
    "\\", "שלום", "مرحبا", "😀", "漢字", "\u202e1.0 A", "a\x07b\x00c", "w" * 300, "Ω µ ° ±",
    "//", "= heading", "#d.head",
)  # fmt: skip
"""Text that is a formula, markup, or can't be shown, wherever it arrives."""


def hostile_job(path: Path) -> Path:
    """A job whose every text is hostile."""
    text = " | ".join(HOSTILE)
    job = Job(text, Customer(text, text), text, terms=text, unit=UNIT, invented=True)
    building = Building(path, job)
    for hostile in HOSTILE:
        building.add(
            Noted(hostile), PartChanged(hostile, hostile, hostile, note=hostile), taken(hostile, 1.0)
        )
    instrument = msgspec.structs.replace(BENCH.instruments[0], description=text, serial_number=text)
    building.add(BenchSet((instrument,)), JobEnded(Ending.RETURNED, text))
    return building.close()


def png(width: int, height: int, number: int = 0) -> bytes:
    """A picture of an invented board: patches of colour that differ by ``number``."""
    y, x = np.mgrid[0:height, 0:width]
    board = [(x * 5 + number * 40) % 256, 90 + (y // 8 * 13) % 90, (x // 16 + y // 16) % 2 * 120]
    return png_of(np.stack(board, -1).astype(np.uint8))


def png_of(pixels: npt.NDArray[np.uint8]) -> bytes:
    """A picture as a file (PNG, ISO/IEC 15948) of height × width × 3."""
    height, width, _ = pixels.shape
    rows = b"".join(b"\0" + line.tobytes() for line in pixels)
    head = width.to_bytes(4, "big") + height.to_bytes(4, "big") + b"\x08\x02\0\0\0"
    chunks = ((b"IHDR", head), (b"IDAT", zlib.compress(rows)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        len(data).to_bytes(4, "big") + kind + data + zlib.crc32(kind + data).to_bytes(4, "big")
        for kind, data in chunks
    )


def photograph(number: int, caption: str = "", data: bytes | None = None) -> Photographed:
    """A photograph, alternately upright and across."""
    width, height = (320, 240) if number % 2 else (180, 320)
    content = png(width, height, number) if data is None else data
    return Photographed(
        f"IMG_{number}.png", "image/png", width, height, hashlib.sha256(content).hexdigest(), content,
        caption=caption, part=f"Q{number}",
    )  # fmt: skip


FIRST_LOOK = FirstLook(
    seen="burnt resistor beside the left output devices", smelt="burnt varnish", cord="strain relief loose",
    fuse_fitted="T6.3AH250V", fuse_marked="T4AL250V", fuse_verdict=PointVerdict.OUTSIDE,
    fuse_reason="larger than the one marked", selector_v=120.0, mains_v=120.0,
    selector_verdict=PointVerdict.WITHIN,
)  # fmt: skip
AFTER_SOAK = (
    Adjusted(
        Adjustment.BIAS, "left", 0.031, 0.0105, u=0.0004, warm_min=20.0, celsius=41.0,
        conditions="lid on, no signal", target_v=0.010, target_within_v=0.001, verdict=PointVerdict.WITHIN,
    ),
    Adjusted(Adjustment.BIAS, "left", None, 0.0108, u=0.0004, warm_min=45.0, celsius=44.0, recheck=True),
    FinalChecked(
        FinalCheck.OFFSET, "left", 0.012, quantity=Quantity.DC_VOLTAGE, u=0.001, relay_side="amplifier",
        verdict=PointVerdict.WITHIN, limit=Limit("offset", 0.05, "V", "common practice", Confidence.OURS),
    ),
    FinalChecked(FinalCheck.RAILS, "", 41.2, -41.0, Quantity.DC_VOLTAGE, 0.3, verdict=PointVerdict.WITHIN),
    FinalChecked(
        FinalCheck.OUTPUT, "left", 17.9, quantity=Quantity.AC_VOLTAGE, load_ohm=8.0, frequency_hz=1000.0,
        power_w=40.0, distortion=0.0004,
    ),
    FinalChecked(FinalCheck.HUM, "left", seen="none at arm's length"),
    SafetyMeasured(
        "earth-ohms", 0.11, "Ω", "de", "i", "A. Technician", "own licence", conditions="10 A",
        verdict=PointVerdict.WITHIN, limit=Limit("earth", 0.3, "Ω", "standard", Confidence.STANDARD),
    ),
)  # fmt: skip


def whole_job(
    path: Path,
    ending: Ending = Ending.REPAIRED,
    readings: int = 4,
    parts: int = 2,
    photographs: int = 0,
) -> Path:
    """Every kind of entry that a job with that ending has."""
    building = Building(path).add(FIRST_LOOK, Noted("Smell of burnt resistor, left channel."))
    for k in range(readings):
        building.add(taken(f"point {k + 1}", 10.0 + k, 0.1, verdict=PointVerdict.WITHIN))
    building.add(taken("output pin to + rail", 3.1, 0.1, verdict=PointVerdict.OUTSIDE, in_circuit=True))
    building.add(*(photograph(k + 1, f"Left output device {k + 1} before work") for k in range(photographs)))
    line = EstimateLine("two output devices and labour", Decimal("140.00"))
    building.add(Estimated((line,), Decimal("140.00"), cap="160.00"))
    agreed = ending is not Ending.DECLINED
    building.add(
        Approved(agreed, "140.00", "Invented Customer", "telephone", at(60.0), ("two devices",), "160.00")
    )
    building.add(Corrected(4, "it was the right channel", "A. Technician"))
    building.add(Noted("mains plug seen out: yes", stage="before-power"))
    if ending in (Ending.REPAIRED, Ending.NO_FAULT_FOUND):
        _work(building, parts)
    return building.wave().add(JobEnded(ending, "handed back with the old parts")).close()


def _work(building: Building, parts: int) -> None:
    """Parts, a bring-up with soak, and what comes after it."""
    for k in range(parts):
        building.add(PartChanged(f"R{k + 1}", "in", "0.22 Ω", "5 W", "wire-wound", f"lot {k}"))
    building.add(taken("output pin to + rail", 15e3, 20.0, verdict=PointVerdict.WITHIN))
    building.run(ended(), soak=True).add(*AFTER_SOAK)


def text_of(pdf: Path) -> list[str]:
    """Text of each page, by an independent reader (poppler)."""
    done = subprocess.run(["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True)
    return done.stdout.split("\f")[:-1]
