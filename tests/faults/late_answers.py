"""Late answers by the thousand: how many readings are the answer to an earlier question?

Run: ``python tests/faults/late_answers.py [--readings 10000] [--share 0.03] [--out DIR]``; with ``--out`` it
writes ``late_answers.json`` and ``late_answers.md``. A share of the answers comes
1.3 times the time allowed after its question. A reading is wrong when what it holds was measured longer ago
than one answer may take, or was given before.
"""

import argparse
import json
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path

from benchlog.bench.adaptor import Meter
from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import Profile
from benchlog.model.clock import RealClock
from benchlog.model.errors import InstrumentFault
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Measured
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.practice.make import practice_server
from benchlog_drivers.shelf import find_profile
from benchlog_drivers.simulated.trouble import Ordered, Trouble

SCALE = 40.0
TIMEOUT_S = 0.1
LATE = 1.3
SLACK_S = 0.01
"""Real seconds that a busy machine may add between measuring and reading."""


@dataclass(frozen=True)
class Result:
    name: str
    readings: int
    made: int
    wrong: int
    unanswered: int


WAYS = (
    ("simulated-bench-meter", Role.SOURCE_CURRENT, Quantity.AC_CURRENT, False),
    ("simulated-lcr-meter", Role.PROBE, Quantity.ESR, True),
    ("simulated-esr-meter", Role.PROBE, Quantity.ESR, True),
    ("simulated-power-meter", Role.INLET_VOLTAGE, Quantity.AC_VOLTAGE, False),
    ("simulated-power-meter", Role.INLET_VOLTAGE, Quantity.AC_VOLTAGE, True),
)


def campaign(
    name: str, role: Role, quantity: Quantity, terminal: bool, readings: int, share: float, seed: int
) -> Result:
    """So many readings of one asked meter while answers are late."""
    profile: Profile = find_profile(name)
    server = practice_server(profile, pseudo_terminal=terminal, scale=SCALE, seed=seed)
    server.start()
    clock = RealClock(SCALE)
    offset_s = server.now_s() - clock.now() / 1e6
    meter = registry.make(
        InstrumentConfig(
            name="m", adaptor=profile.family.value, roles=(role,), connection=server.connection, profile=name,
            timeout_s=TIMEOUT_S,
        ),
        clock,
    )  # fmt: skip
    assert isinstance(meter, Meter)
    meter.open()
    made_before = len(server.meter.sent)
    server.troubles.order(Ordered("practice", Trouble.LATE, share=share, delay_s=LATE * TIMEOUT_S))
    taken = wrong = unanswered = 0
    place = 0
    while taken < readings:
        try:
            found = [r for r in meter.read() if isinstance(r, Measured) and r.channel.quantity is quantity]
        except InstrumentFault:
            unanswered += 1
            continue
        for reading in found:
            taken += 1
            sent = server.meter.sent
            match = _sent(sent, place, quantity, reading.value)
            age_s = 1e9 if match is None else (reading.end_us / 1e6 + offset_s - sent[match][0]) / SCALE
            if match is None or age_s > TIMEOUT_S + SLACK_S:
                wrong += 1
                why = "was not sent, or given before" if match is None else f"{1e3 * age_s:.0f} ms old"
                print(f"wrong: {reading.value:g} {why}, reading {taken}", file=sys.stderr, flush=True)
            place = place if match is None else match + 1
    meter.close()
    server.stop()
    label = f"{name.removeprefix('simulated-')} {'pty' if terminal else 'tcp'}"
    return Result(label, taken, len(server.meter.sent) - made_before, wrong, unanswered)


def _sent(
    sent: list[tuple[float, dict[Quantity, object]]], place: int, quantity: Quantity, value: float
) -> int | None:
    """Where, from ``place`` on, the value was made."""
    for i in range(place, len(sent)):
        made = sent[i][1][quantity]
        if isinstance(made, float) and abs(made - value) < 2e-4:
            return i
    return None


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=10_000)
    parser.add_argument("--share", type=float, default=0.03)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--only", default="", help="ways whose profile's name contains this")
    options = parser.parse_args()
    results: list[Result] = []
    table = ["| way | readings | answers made | unanswered | wrong | s |", "|---|---|---|---|---|---|"]
    for way in WAYS:
        if options.only not in way[0]:
            continue
        begun = time.monotonic()
        result = campaign(*way, options.readings, options.share, options.seed)
        results.append(result)
        table.append(
            f"| {result.name} | {result.readings} | {result.made} | {result.unanswered} | {result.wrong} "
            f"| {time.monotonic() - begun:.0f} |"
        )
        print(table[-1], flush=True)
    if options.out is not None:
        options.out.mkdir(parents=True, exist_ok=True)
        facts = json.dumps([asdict(result) for result in results], indent=1)
        (options.out / "late_answers.json").write_text(facts, encoding="utf-8")
        (options.out / "late_answers.md").write_text("\n".join(table) + "\n", encoding="utf-8")
    return int(any(result.wrong for result in results))


if __name__ == "__main__":
    sys.exit(main())
