"""How often the forecast of the next step holds the reading that comes, and the bands that it is made with.

    python tests/population/forecast.py --out DIR              coverage with the table in force
    python tests/population/forecast.py --out DIR --write      work the program's table out again first

Each seed is a model. Four specimens of it (`another`: tolerances and ageing) are read at every step of
their plan by four meter sets, each specimen with meter errors of its own: the unit on the bench, and three
finished units, of which one or all three serve as the reference. The maker's idle figure is that of the
model's nominal values, used before any step of the unit's own. A range counts as right where the next reading
of the same meter lies in it.

Populations by seed: `fit` gives the usual curves (with `fit-rare`: kinds that are rare among the seeds),
`calibrate` (and `calibrate-rare`) the split-conformal bands, `inside` and `shifted` (see `shifted`) report.
No seed serves twice. The curves are kept in ``DIR/forecast-curves.jsonl``; a run that broke off goes on
there.
"""

import argparse
import json
import math
import sys
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from statistics import median
from typing import Any

import msgspec
import numpy as np
from curves import SETS, Point, plan_fractions, sheets, stair
from reporting import KINDS, kind_of, percent, save, table
from shifted import SPREAD, nominal_w, shift

from benchlog.bench.sheet import CurrentMeter, current_meter
from benchlog.limits import typical as typical_module
from benchlog.limits.bringup import StepLimits, go_up_u_a, step_limits, u_a
from benchlog.limits.forecast import Forecast, forecast_current, forecast_power, power_u_w
from benchlog.limits.typical import REFERENCE_VA, KindTable, Table, curve_of, kind_name, typical_curve
from benchlog.measure.forecast import merge_references
from benchlog.model.quantity import Quantity
from benchlog.model.reference import Reference, ReferencePoint
from benchlog.model.typical import Bands, TypicalCurve
from benchlog.model.unit import Supply, Unit
from benchlog_drivers.simulated.options import make_options
from benchlog_drivers.simulated.population import draw_unit
from benchlog_drivers.simulated.population_model import another

FIRST_SEED = {
    "fit": 6_100_000, "fit-rare": 6_150_000, "calibrate": 6_200_000, "calibrate-rare": 6_250_000,
    "inside": 6_300_000, "shifted": 6_400_000,
}  # fmt: skip
USUAL = {"fit": 135, "fit-rare": 21, "calibrate": 135, "calibrate-rare": 39, "inside": 60, "shifted": 50}
REPORTED = ("inside", "shifted")
SPECIMENS = 4
KNOWN = ("three reference units", "one reference unit", "maker's idle figure", "own earlier steps")
FIELD = dict(zip(KNOWN, ("references", "one_reference", "maker", "own"), strict=True))
ASSUMES = dict(zip(KNOWN, ("reference", "reference", "maker", "own earlier"), strict=True))
EXACT = "exact"
SHARE = 0.95
FEW = 19
"""Models from which a split-conformal band for 95 % exists."""
LEAST_BAND = 1.02
TABLE = Path(typical_module.__file__).with_name("typical.json")
WATTMETER = next(
    c.accuracy for c in sheets()["bench"].channels if c.accuracy.quantity is Quantity.ACTIVE_POWER
)


@dataclass(frozen=True, slots=True)
class Case:
    """One forecast and what came; A or W."""

    part: str
    known: str
    meters: str
    kind: str
    seed: int
    fraction: float
    seen: float
    found: Forecast
    u: float

    @property
    def inside(self) -> bool:
        return self.found.low <= self.seen <= self.found.high

    @property
    def error(self) -> float:
        """|ln(seen ÷ forecast)|, NaN where nothing was seen."""
        return abs(math.log(self.seen / self.found.middle)) if self.seen > 0.0 else math.nan

    @property
    def half_width(self) -> float:
        """Half of the range, of its middle."""
        return (self.found.high - self.found.low) / (2.0 * self.found.middle)

    @property
    def band_needed(self) -> float:
        """The least factor up and down, beside U, that would have held it."""
        middle = self.found.middle
        if self.seen > middle:
            return max((self.seen - self.u) / middle, 1.0)
        return max(middle / (self.seen + self.u), 1.0) if self.seen + self.u > 0.0 else math.inf


# --- curves -----------------------------------------------------------------------------------------------
def words_of(part: str, seed: int) -> dict[str, Any]:
    """The unit of a seed; of the rare kinds each in turn."""
    words = kind_of(seed)
    if part.endswith("rare"):
        rare = [k for k in KINDS if k[0] <= 0.10 and k[2] is Supply.LINEAR]
        _, words["amplifier"], words["supply"], words["core"] = rare[seed % len(rare)]
    return words


def record(part: str, seed: int) -> dict[str, Any]:
    """The curves of one model."""
    options = make_options(**words_of(part, seed))
    params, unit = draw_unit(options.amplifier, options.supply, options.core, options.mains_v, seed)
    params = shift(params) if part == "shifted" else params
    spread = SPREAD if part == "shifted" else 1.0
    fractions = plan_fractions(unit)
    curves = [
        stair(another(params, k, spread), unit, 10 * seed + k, fractions) for k in range(1, SPECIMENS + 1)
    ]
    return {
        "part": part, "seed": seed, "unit": msgspec.to_builtins(unit), "maker_w": nominal_w(params),
        "fractions": fractions,
        "curves": [[(p.fraction, p.power_w, p.current_a, p.true_a, p.true_w) for p in c] for c in curves],
    }  # fmt: skip


def collect(path: Path, counts: dict[str, int]) -> list[dict[str, Any]]:
    """All records, those that are missing made and added to the file one by one, parts in turn."""
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    found = [json.loads(line) for line in lines]
    have = {(r["part"], r["seed"]) for r in found}
    wanted = [
        (part, FIRST_SEED[part] + k)
        for k in range(max(counts.values()))
        for part in counts
        if k < counts[part] and (part, FIRST_SEED[part] + k) not in have
    ]
    with path.open("a", encoding="utf-8") as file:
        for part, seed in wanted:
            found.append(record(part, seed))
            file.write(json.dumps(found[-1]) + "\n")
            file.flush()
    return [r for r in found if r["seed"] < FIRST_SEED[r["part"]] + counts[r["part"]]]


def unit_of(r: dict[str, Any]) -> Unit:
    """The unit as a technician knows it."""
    return msgspec.convert(r["unit"], Unit)


# --- forecasts --------------------------------------------------------------------------------------------
def _curve(r: dict[str, Any], specimen: int, meters: str) -> list[Point]:
    """A curve as a meter set read it; `EXACT`: as it was."""
    points = [Point(*values) for values in r["curves"][specimen]]
    if meters != EXACT:
        return points
    return [Point(p.fraction, p.true_w, {EXACT: p.true_a}) for p in points]


def reference_of(curve: Sequence[Point], meters: str, mains_v: float) -> Reference:
    """A finished unit as a reference, from the steps at which something was read."""
    kept = [(p.fraction, p.current_a[meters], p.power_w) for p in curve if p.current_a[meters] > 0.0]
    return Reference("ref", mains_v, tuple(ReferencePoint(v, a, 1.25 * a, w) for v, a, w in kept))


def limits_by_knowledge(r: dict[str, Any], meters: str) -> Iterator[tuple[str, StepLimits]]:
    """The limits of the run by what is known of the unit."""
    unit = unit_of(r)
    meter = CurrentMeter(0.0, 0.0, 1e-9) if meters == EXACT else current_meter(sheets()[meters].meter_sheet())
    curves = [_curve(r, k, meters) for k in range(1, SPECIMENS)]
    finished = [reference_of(c, meters, unit.mains_v) for c in curves]
    finished = [one for one in finished if len(one.points) >= 2]
    if len(finished) == SPECIMENS - 1 and _overlap(finished):
        yield KNOWN[0], step_limits(unit, meter, None, merge_references(finished, "three"))
    if finished:
        yield KNOWN[1], step_limits(unit, meter, None, finished[0])
    yield KNOWN[2], step_limits(msgspec.structs.replace(unit, idle_w=r["maker_w"]), meter)
    yield KNOWN[3], step_limits(unit, meter)


def _overlap(references: Sequence[Reference]) -> bool:
    return max(r.points[0].fraction for r in references) < min(r.points[-1].fraction for r in references)


def cases_of(r: dict[str, Any], usual: TypicalCurve | None, meters: str, watts: bool) -> Iterator[Case]:
    """Forecasts at every step, from the steps before it as a bring-up makes them; a maker's figure alone."""
    curve, wattmeter = _curve(r, 0, meters), None if meters == EXACT else WATTMETER
    kind = kind_name(unit_of(r)) if unit_of(r).supply is Supply.LINEAR else "switch-mode"
    for known, limits in limits_by_knowledge(r, meters):
        seen: list[tuple[float, float]] = []
        for v, point in zip(r["fractions"], curve, strict=True):
            came = point.power_w if watts else point.current_a[meters]
            make = partial(forecast_power, accuracy=wattmeter) if watts else forecast_current
            found = make(limits, [] if known == KNOWN[2] else seen, v, typical=usual)
            if found is not None and ASSUMES[known] in found.assumes:
                u = power_u_w(found.middle, wattmeter) if watts else u_a(limits, found.middle)
                yield Case(r["part"], known, meters, kind, r["seed"], v, came, found, u)
            least = power_u_w(came, wattmeter) if watts else go_up_u_a(limits, came)
            if came > least:
                seen = [*seen, (point.fraction, came)][-3:]


# --- the table --------------------------------------------------------------------------------------------
def fitted(records: Sequence[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """The usual curve of each kind: ln of the share at 300 VA and its slope on ln VA, by least squares."""
    by_kind = defaultdict(list)
    for r in records:
        if r["part"].startswith("fit") and unit_of(r).supply is Supply.LINEAR:
            by_kind[kind_name(unit_of(r))].append(r)
    return {kind: _fit(rs) for kind, rs in by_kind.items()}


def _fit(records: Sequence[dict[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {"fractions": records[0]["fractions"]}
    x = np.repeat([math.log(unit_of(r).plate_va / REFERENCE_VA) for r in records], SPECIMENS)
    factors = []
    for name, at in (("current", 3), ("power", 4)):
        rows = [[math.log(max(p[at], 1e-6) / c[-1][at]) for p in c] for r in records for c in r["curves"]]
        lines = [np.polyfit(x, column, 1) for column in np.array(rows).T]
        found[f"ln_{name}"] = [round(float(line[1]), 4) for line in lines]
        found[f"slope_{name}"] = [round(float(line[0]), 4) for line in lines]
    for r in records:
        factors += [c[-1][4] / (c[-1][3] * unit_of(r).mains_v) for c in r["curves"]]
    found["power_factor"] = round(median(factors), 3)
    found["models"] = len(records)
    return found


def conformal(cases: Sequence[Case]) -> float:
    """Split-conformal factor for one more model like these; the largest needed where they are fewer than 19.

    The rank is by models, since the forecasts for one model are no independent cases.
    """
    needed = sorted(c.band_needed for c in cases)
    models = len({c.seed for c in cases})
    if not models:
        return math.inf
    share = min(math.ceil((models + 1) * SHARE - 1e-9) / models, 1.0)
    return needed[math.ceil(share * len(needed) - 1e-9) - 1]


def worked_out(records: Sequence[dict[str, Any]], origin: str) -> Table:
    """Curves from the fitting seeds, bands from the calibrating ones: by the bench meter and by the truth."""
    fits = fitted(records)
    flat = {kind: Bands(*([[1.0] * len(fit["fractions"])] * 4)) for kind, fit in fits.items()}
    bare = {kind: KindTable(**fit, current=flat[kind], power=flat[kind]) for kind, fit in fits.items()}
    mine = [r for r in records if r["part"].startswith("calibrate") and unit_of(r).supply is Supply.LINEAR]
    by_quantity = []
    for watts in (False, True):
        cases = [
            case
            for r in mine
            for meters in ("bench", EXACT)
            for case in cases_of(
                r, curve_of(bare[kind_name(unit_of(r))], unit_of(r).plate_va, ""), meters, watts
            )
        ]
        by_quantity.append(cases)
    kinds = {
        kind: KindTable(
            **fit, current=_bands(kind, fit, by_quantity[0]), power=_bands(kind, fit, by_quantity[1])
        )
        for kind, fit in fits.items()
    }
    return Table(origin, kinds)


def _bands(kind: str, fit: dict[str, Any], cases: Sequence[Case]) -> Bands:
    """By what is known and fraction: the wider of bench meter and no error at all."""
    found: dict[str, tuple[float, ...]] = {}
    for known in KNOWN:
        of_known = [c for c in cases if c.known == known]
        row: list[float] = []
        for v in reversed(fit["fractions"]):
            there = [c for c in of_known if c.fraction == v]
            needed = [_needed([c for c in there if c.meters == m], kind) for m in ("bench", EXACT)]
            finite = [x for x in needed if math.isfinite(x)]
            row.append(max([LEAST_BAND, *finite]) if finite else (row[-1] if row else 2.0))
        found[FIELD[known]] = tuple(math.ceil(1000.0 * b) / 1000.0 for b in reversed(row))
    return Bands(**found)


def _needed(cases: Sequence[Case], kind: str) -> float:
    """The conformal factor of a kind; where it has too few models, at least that of all kinds together."""
    mine = [c for c in cases if c.kind == kind]
    few = len({c.seed for c in mine}) < FEW
    return max(conformal(mine), conformal(cases)) if few and mine else conformal(mine or cases)


# --- figures ----------------------------------------------------------------------------------------------
def figures(cases: Sequence[Case]) -> dict[str, Any]:
    """Coverage and error of some forecasts."""
    errors = [c.error for c in cases if not math.isnan(c.error)]
    return {
        "models": len({c.seed for c in cases}),
        "forecasts": len(cases),
        "coverage": sum(c.inside for c in cases) / len(cases) if cases else None,
        "median error": median(errors) if errors else None,
        "median half-width": median(c.half_width for c in cases) if cases else None,
    }


def _row(name: Sequence[str], f: dict[str, Any]) -> tuple[object, ...]:
    if not f["forecasts"]:
        return (*name, 0, "–", "–", "–")
    return (
        *name,
        f["forecasts"],
        percent(f["coverage"] * f["models"], f["models"]),
        f"{100 * f['median error']:.1f} %",
        f"± {100 * f['median half-width']:.0f} %",
    )


def _tabled(cases: Sequence[Case], by: Callable[[Case], tuple[str, ...]]) -> dict[str, dict[str, Any]]:
    found: dict[tuple[str, ...], list[Case]] = defaultdict(list)
    for case in cases:
        found[by(case)].append(case)
    order = {name: k for k, name in enumerate((*KNOWN, *REPORTED, *SETS))}
    keys = sorted(found, key=lambda key: [(order.get(part, 99), part) for part in key])
    return {" | ".join(key): figures(found[key]) for key in keys}


def _part(case: Case) -> tuple[str, ...]:
    return case.known, case.part


def _meter(case: Case) -> tuple[str, ...]:
    return case.known, case.part, case.meters


def _kind(case: Case) -> tuple[str, ...]:
    return case.known, case.part, case.kind


def _fraction(case: Case) -> tuple[str, ...]:
    return case.known, case.part, f"{100 * case.fraction:03.0f}"


def report(records: Sequence[dict[str, Any]], counts: dict[str, int], out: Path) -> None:
    """Coverage by what is known, population, meter set, kind and voltage."""
    reported = [(r, typical_curve(unit_of(r))) for r in records if r["part"] in REPORTED]
    amperes = [c for r, usual in reported for m in SETS for c in cases_of(r, usual, m, False)]
    watts = [c for r, usual in reported for c in cases_of(r, usual, "bench", True)]
    tail = ("forecasts", "inside the range", "median error", "median half-width")
    bench = [c for c in amperes if c.meters == "bench"]
    high = [c for c in bench if c.fraction >= 0.4]
    tables = {
        "Amperes, by meter": (("known", "population", "meter"), _tabled(amperes, _meter)),
        "Amperes, bench meter, steps from 40 % on": (("known", "population"), _tabled(high, _part)),
        "Watts, bench meter": (("known", "population"), _tabled(watts, _part)),
        "Amperes by kind, bench meter": (("known", "population", "kind"), _tabled(bench, _kind)),
        "Amperes by step, bench meter, class AB": (
            ("known", "population", "% of mains"),
            _tabled([c for c in bench if c.kind.startswith("class-ab")], _fraction),
        ),
    }  # fmt: skip
    parts = [" ".join(p.split()) for p in (__doc__ or "").split("\n\n")[2:4]]
    parts.append(
        "Seeds: " + "; ".join(f"{p} {FIRST_SEED[p]} to {FIRST_SEED[p] + n - 1}" for p, n in counts.items())
        + ". The 95 % interval of a coverage counts models. A range is widened by the meter's U."
    )  # fmt: skip
    for title, (head, rows) in tables.items():
        parts.append(f"## {title}")
        parts.append(table((*head, *tail), [_row(key.split(" | "), f) for key, f in rows.items()]))
    data = {"seeds": FIRST_SEED, "models": counts, **{title: rows for title, (_, rows) in tables.items()}}
    save(out, "forecast", "Coverage of the forecast of the next step", parts, data)


def main(arguments: Sequence[str] | None = None) -> int:
    """Collect what is missing, work the table out where asked, then report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    for part, number in USUAL.items():
        parser.add_argument(f"--{part}", type=int, default=number)
    parser.add_argument("--write", action="store_true", help="work the table of the program out again")
    args = parser.parse_args(arguments)
    args.out.mkdir(parents=True, exist_ok=True)
    counts = {part: getattr(args, part.replace("-", "_")) for part in USUAL}
    records = collect(args.out / "forecast-curves.jsonl", counts)
    if args.write:
        used = {p: n for p, n in counts.items() if p not in REPORTED}
        seeds = ", ".join(f"{p} {FIRST_SEED[p]}-{FIRST_SEED[p] + n - 1}" for p, n in used.items())
        made = worked_out(records, f"simulated units, none real; seeds {seeds}")
        TABLE.write_bytes(msgspec.json.format(msgspec.json.encode(made), indent=1) + b"\n")
        typical_module.load_table.cache_clear()
    report(records, counts, args.out)
    return 0


if __name__ == "__main__":
    sys.exit(main())
