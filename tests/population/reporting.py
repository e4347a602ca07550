"""What the campaigns on simulated units share: the unit of a seed, shares with intervals, reports."""

import json
import math
import random
import sys
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from benchlog.model.unit import Amplifier, Core, Supply

AB, A, D, VALVE = Amplifier.CLASS_AB, Amplifier.CLASS_A, Amplifier.CLASS_D, Amplifier.VALVE
KINDS = (
    (0.35, AB, Supply.LINEAR, Core.TOROIDAL),
    (0.35, AB, Supply.LINEAR, Core.FRAME),
    (0.10, A, Supply.LINEAR, Core.TOROIDAL),
    (0.10, VALVE, Supply.LINEAR, Core.FRAME),
    (0.05, D, Supply.LINEAR, Core.TOROIDAL),
    (0.05, AB, Supply.SWITCH_MODE, Core.TOROIDAL),
)
"""Share of each kind of unit among the seeds (ours)."""


def kind_of(seed: int) -> dict[str, Any]:
    """Amplifier, supply, core and mains of the unit that a seed stands for; rating and plate are drawn."""
    dice = random.Random(f"kind {seed}")
    *_, amplifier, supply, core = dice.choices(KINDS, [k[0] for k in KINDS])[0]
    return {
        "amplifier": amplifier, "supply": supply, "core": core, "mains_v": dice.choice((120.0, 230.0)),
        "plate": None, "seed": seed,
    }  # fmt: skip


def wilson(hits: float, of: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson, J. Am. Stat. Assoc. 22 (1927) 209)."""
    if of == 0:
        return 0.0, 1.0
    z, p = 1.959964, hits / of
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    return max(middle - half, 0.0), min(middle + half, 1.0)


def percent(hits: float, of: int, interval: bool = True) -> str:
    """A share as text, with its 95 % interval."""
    if of == 0:
        return "–"
    low, high = wilson(hits, of)
    found = f"{100 * hits / of:.1f} %"
    return f"{found} [{100 * low:.1f}, {100 * high:.1f}]" if interval else found


def table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """A Markdown table."""
    lines = [" | ".join(head), "|".join("---" for _ in head), *(" | ".join(map(str, row)) for row in rows)]
    return "\n".join(f"| {line} |" if k != 1 else f"|{line}|" for k, line in enumerate(lines))


def save(out: Path, name: str, title: str, parts: Sequence[str], data: Mapping[str, Any]) -> None:
    """Write ``name.md`` and ``name.json`` below ``out``, dated, and print the first."""
    out.mkdir(parents=True, exist_ok=True)
    today = date.today().isoformat()
    text = "\n\n".join([f"# {title}", f"{today}. Everything here is simulated.", *parts]) + "\n"
    (out / f"{name}.md").write_text(text, encoding="utf-8")
    body = json.dumps({"date": today, **data}, indent=1, ensure_ascii=False)
    (out / f"{name}.json").write_text(body + "\n", encoding="utf-8")
    sys.stdout.write(text)
