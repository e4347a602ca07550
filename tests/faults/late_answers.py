"""Late answers by the thousand: how many readings are the answer to an earlier question?

Run: ``python tests/faults/late_answers.py [--late 10000] [--jobs 12] [--only WORD] [--out DIR]``; with
``--out`` it writes ``late_answers.json`` and ``late_answers.md``. Each way gets so many late answers, in
pieces on instruments of their own that run beside one another: a campaign of this kind waits more than it
works. The pieces differ in the share of answers that are late and in how late they are. A reading is wrong
when what it holds was measured longer ago than one answer may take, or was given before.
"""

import argparse
import json
import re
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, field
from multiprocessing import get_context
from pathlib import Path

from benchlog.bench.adaptor import Meter
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import RealClock
from benchlog.model.errors import InstrumentFault
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Measured
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.practice.make import practice_server
from benchlog_drivers.practice.server import PracticeServer
from benchlog_drivers.shelf import find_profile
from benchlog_drivers.simulated.trouble import Ordered, Trouble

SCALE = 40.0
TIMEOUT_S = 0.1
SLACK_S = 0.01
"""Real seconds that a busy machine may add between measuring and reading."""
PIECE = 250
"""Late answers of one piece."""
KINDS = ((0.06, 1.3), (0.3, 1.3), (0.5, 1.3), (0.3, 1.45), (0.3, 2.0), (0.5, 2.5))
"""Share of the answers that are late, and how late they come, in times allowed: within what a line is drained
for, beyond it, and just when the next question is put."""


@dataclass(frozen=True)
class Way:
    """One adaptor over one transport."""

    profile: str
    role: Role
    quantity: Quantity
    terminal: bool

    @property
    def name(self) -> str:
        return f"{self.profile.removeprefix('simulated-')} {'pty' if self.terminal else 'tcp'}"


WAYS = (
    Way("simulated-bench-meter", Role.SOURCE_CURRENT, Quantity.AC_CURRENT, False),
    Way("simulated-bench-meter", Role.SOURCE_CURRENT, Quantity.AC_CURRENT, True),
    Way("simulated-lcr-meter", Role.PROBE, Quantity.ESR, True),
    Way("simulated-esr-meter", Role.PROBE, Quantity.ESR, True),
    Way("simulated-power-meter", Role.INLET_VOLTAGE, Quantity.AC_VOLTAGE, False),
    Way("simulated-power-meter", Role.INLET_VOLTAGE, Quantity.AC_VOLTAGE, True),
)


@dataclass
class Result:
    """What came of one way, or of a piece of it."""

    name: str
    readings: int = 0
    late: int = 0
    unanswered: int = 0
    seconds: float = 0.0
    wrong: list[str] = field(default_factory=list)

    def add(self, piece: "Result") -> None:
        """Put a piece to the whole."""
        self.readings += piece.readings
        self.late += piece.late
        self.unanswered += piece.unanswered
        self.seconds += piece.seconds
        self.wrong += piece.wrong

    def row(self) -> str:
        """A line of the report."""
        return (
            f"| {self.name} | {self.late} | {self.readings} | {self.unanswered} | {len(self.wrong)} "
            f"| {self.seconds:.0f} |"
        )


def campaign(way: Way, late: int, share: float, factor: float, seed: int, readings: int = 0) -> Result:
    """Read one asked meter until so many of its answers were late; ``factor`` in times allowed.

    At least so many ``readings`` are taken.
    """
    begun = time.monotonic()
    result = Result(way.name)
    server = practice_server(
        find_profile(way.profile), pseudo_terminal=way.terminal, scale=SCALE, seed=seed
    )  # fmt: skip
    server.start()
    clock = RealClock(SCALE)
    meter, offset_s = _meter(way, server, clock), server.now_s() - clock.now() / 1e6
    meter.open()
    server.troubles.order(Ordered("practice", Trouble.LATE, share=share, delay_s=factor * TIMEOUT_S))
    place = 0
    while server.outlet.late < late or result.readings < readings:
        try:
            found = [
                r for r in meter.read() if isinstance(r, Measured) and r.channel.quantity is way.quantity
            ]
        except InstrumentFault:
            result.unanswered += 1
            continue
        for reading in found:
            result.readings += 1
            place = _judge(result, server, way.quantity, reading, offset_s, place)
    meter.close()
    server.stop()
    result.late, result.seconds = server.outlet.late, time.monotonic() - begun
    return result


def _meter(way: Way, server: PracticeServer, clock: RealClock) -> Meter:
    meter = registry.make(
        InstrumentConfig(
            name="m", adaptor=find_profile(way.profile).family.value, roles=(way.role,),
            connection=server.connection, profile=way.profile, timeout_s=TIMEOUT_S,
        ),
        clock,
    )  # fmt: skip
    assert isinstance(meter, Meter)
    return meter


def _judge(
    result: Result, server: PracticeServer, quantity: Quantity, reading: Measured, offset_s: float, place: int
) -> int:
    """Note a wrong reading; the place behind what it holds among all that was made."""
    sent = server.meter.sent
    match = _sent(sent, place, quantity, reading.value)
    if match is None:
        result.wrong.append(f"{reading.value:g} was not sent, or given before (reading {result.readings})")
        return place
    age_s = (reading.end_us / 1e6 + offset_s - sent[match][0]) / SCALE
    if age_s > TIMEOUT_S + SLACK_S:
        result.wrong.append(f"{reading.value:g} is {1e3 * age_s:.0f} ms old (reading {result.readings})")
    return match + 1


def _sent(
    sent: list[tuple[float, dict[Quantity, object]]], place: int, quantity: Quantity, value: float
) -> int | None:
    """Where, from ``place`` on, the value was made."""
    for i in range(place, len(sent)):
        made = sent[i][1][quantity]
        if isinstance(made, float) and abs(made - value) < 2e-4:
            return i
    return None


def _pieces(late: int, only: str, seed: int) -> Iterator[tuple[Way, int, float, float, int]]:
    """Every piece of every way; the ways take turns, so that they load the machine alike."""
    count = max(1, -(-late // PIECE))
    for i in range(count):
        share, factor = KINDS[i % len(KINDS)]
        for way in WAYS:
            if re.search(only, way.name):
                yield way, min(late, PIECE), share, factor, seed + i


def _keep(folder: Path, table: list[str], results: list[Result]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    facts = json.dumps([asdict(result) for result in results], indent=1)
    (folder / "late_answers.json").write_text(facts, encoding="utf-8")
    (folder / "late_answers.md").write_text("\n".join(table) + "\n", encoding="utf-8")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--late", type=int, default=10_000, help="late answers a way")
    parser.add_argument("--jobs", type=int, default=12, help="instruments at the same time")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--only", default="", help="ways whose name fits this expression")
    options = parser.parse_args()
    results = {way.name: Result(way.name) for way in WAYS if re.search(options.only, way.name)}
    with ProcessPoolExecutor(options.jobs, mp_context=get_context("spawn")) as pool:
        work = [pool.submit(campaign, *p) for p in _pieces(options.late, options.only, options.seed)]
        for done, piece in enumerate(as_completed(work), 1):
            results[piece.result().name].add(piece.result())
            print(f"{done}/{len(work)} {piece.result().row()} {piece.result().wrong}", flush=True)
    table = ["| way | late answers | readings | unanswered | wrong | s |", "|---|---|---|---|---|---|"]
    table += [result.row() for result in results.values()]
    print(*table, sep="\n")
    if options.out is not None:
        _keep(options.out, table, list(results.values()))
    return int(any(result.wrong for result in results.values()))


if __name__ == "__main__":
    sys.exit(main())
