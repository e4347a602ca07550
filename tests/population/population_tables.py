"""Tables of a campaign: what was cut off, what was judged, what was told, each with n and its 95 % bounds."""

import statistics
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from population_cells import PARTS
from reporting import table
from scipy.stats import beta

Line = dict[str, Any]
STEPS = (0.05, 0.10, 0.15, 0.20, 0.30, 0.40, 0.50, 0.65, 1.00)
BESIDE = 0.01
"""A voltmeter may read a programmed step by so much of nominal too high."""
CLASSES = (("below 60 VA", 0.0, 60.0), ("60-100", 60.0, 100.0), ("100-200", 100.0, 200.0),
           ("from 200", 200.0, 1e9))  # fmt: skip
DMM_OR_FIVE = ("handheld", "clamp, 5 turns")
RISE = ("rise-30s", "rise-slope")
GROUPS = {cell.name: cell.group for cells in PARTS.values() for cell in cells}


def bounds(hits: int, of: int) -> tuple[float, float]:
    """95 % bounds of a share, two-sided; one-sided at 0 and 1 (Clopper, Pearson 1934)."""
    if of == 0:
        return 0.0, 1.0
    tail = 0.05 if hits in (0, of) else 0.025
    low = 0.0 if hits == 0 else float(beta.ppf(tail, hits, of - hits + 1))
    high = 1.0 if hits == of else float(beta.ppf(1.0 - tail, hits + 1, of - hits))
    return low, high


def _percent(share: float) -> str:
    """Two figures, never a power of ten."""
    return f"{100 * share:.2g}" if share < 0.095 else f"{100 * share:.0f}"


def share(hits: int, of: int) -> str:
    """``hits`` of ``of`` as text: the share and its bounds in percent."""
    if of == 0:
        return "–"
    low, high = bounds(hits, of)
    if hits == 0:
        return f"0 of {of} [≤ {_percent(high)} %]"
    if hits == of:
        return f"all {of} [≥ {100 * low:.3g} %]"
    return f"{100 * hits / of:.3g} % of {of} [{_percent(low)}, {_percent(high)}]"


def is_cut(line: Line) -> bool:
    """Whether the source was taken away, or the technician told to."""
    return line["outcome"] in ("cut-off", "alarmed")


def waits(line: Line) -> bool:
    """Whether at least one step was left at wait, or a wait ended the run."""
    return any(step[2] == "w" for step in line["steps"]) or line["outcome"] == "undecided"


def of_group(lines: Iterable[Line], **wanted: object) -> list[Line]:
    """Lines whose cell has these words; a tuple means any of them."""
    found = []
    for line in lines:
        group = GROUPS.get(line["cell"])
        if group is not None and all(
            group[key] in (value if isinstance(value, tuple) else (value,)) for key, value in wanted.items()
        ):
            found.append(line)
    return found


def values_of(lines: Iterable[Line], key: str) -> list[str]:
    """What there is under a word of the cells, in the order of the cells."""
    there = {GROUPS[line["cell"]][key] for line in lines if line["cell"] in GROUPS}
    return [one for one in dict.fromkeys(group[key] for group in GROUPS.values()) if one in there]


def cumulative(lines: Sequence[Line], when: Callable[[Line], float | None]) -> list[float]:
    """Share in % by measured inlet volts of each of `STEPS`."""
    at = [when(line) for line in lines]
    return [100.0 * sum(a is not None and (a <= s + BESIDE or s == 1.0) for a in at) / len(at) for s in STEPS]


def by_step(lines: Sequence[Line], when: Callable[[Line], float | None]) -> str:
    """Cumulative share in % by measured inlet volts of 5/10/15/20/30/40/50/65/100 %, and n."""
    if not lines:
        return "–"
    return "/".join(f"{s:.0f}" for s in cumulative(lines, when)) + f" (n {len(lines)})"


def cut_at(line: Line) -> float | None:
    """Measured fraction at which it was cut off; None where it was not."""
    return line["at"] if is_cut(line) else None


def told_rails(line: Line) -> float | None:
    """Measured fraction at the first step that was left at wait for its rails, or at a cut-off."""
    first = next((step[1] for step in line["steps"] if step[3] == "rails"), None)
    return first if first is not None else cut_at(line)


def good_table(lines: Sequence[Line], key: str) -> str:
    """Good units by kind, meter or source."""
    head = (key, "runs", "cut off or alarmed", "steps judged", "runs with a wait", "ended undecided")
    rows = [_good_row(name, of_group(lines, **{key: name})) for name in values_of(lines, key)]
    return table(head, [*rows, _good_row("all", lines)])


def _good_row(name: str, these: Sequence[Line]) -> list[str]:
    judged = statistics.fmean(one["judged"] for one in these) if these else 0.0
    undecided = sum(one["outcome"] == "undecided" for one in these)
    cut, waiting = sum(map(is_cut, these)), sum(map(waits, these))
    return [name, str(len(these)), share(cut, len(these)), f"{100 * judged:.1f} %",
            share(waiting, len(these)), share(undecided, len(these))]  # fmt: skip


def listed(lines: Sequence[Line]) -> str:
    """Each run, one row: where, which unit, what was said."""
    rows = [
        (one["cell"].partition(" / ")[2], one["core"], f"{one['plate_va']:.0f}", one["seed"], one["rule"],
         one["reason"].removeprefix("Cut off. ")) for one in lines
    ]  # fmt: skip
    return table(("cell", "core", "plate VA", "seed", "rule", "what was said"), rows) if rows else "None."


def shorts_table(
    lines: Sequence[Line], faults: Sequence[str], meters: tuple[str, ...],
    when: Callable[[Line], float | None] = cut_at,
) -> str:  # fmt: skip
    """Faults × plate class: cumulative share by measured inlet volts."""
    rows = []
    for fault in faults:
        these = of_group(lines, what=fault, kind="class AB, linear", meter=meters)
        cells = [by_step([x for x in these if low <= x["plate_va"] < high], when) for _, low, high in CLASSES]
        rows.append([fault, *cells])
    return table(("fault", *(name for name, *_ in CLASSES)), rows)


def faults_table(lines: Sequence[Line], meters: tuple[str, ...], kind: str = "class AB, linear") -> str:
    """Faults: cut off, at least a wait, passed clean, a claim that no short was seen."""
    head = ("fault", "runs", "cut off", "at least a wait", "passed clean", "“no short … seen” printed")
    these = of_group(lines, kind=kind, meter=meters)
    rows = [_fault_row(fault, of_group(these, what=fault)) for fault in values_of(these, "what")]
    return table(head, rows)


def _fault_row(fault: str, these: Sequence[Line]) -> list[str]:
    n = len(these)
    told = sum(is_cut(one) or waits(one) for one in these)
    return [fault, str(n), share(sum(map(is_cut, these)), n), share(told, n),
            share(sum(one["clean"] for one in these), n),
            share(sum(one["claim"] is not None for one in these), n)]  # fmt: skip


def runaway_table(lines: Sequence[Line]) -> str:
    """Runaways by meter and hand: stopped before the device was destroyed, and by which rule."""
    head = ("hand and meter", "runs", "stopped in time", "of these × 2 really passed", "stopped by")
    rows = []
    for what in values_of(lines, "what"):
        for meter in values_of(lines, "meter"):
            these = of_group(lines, what=what, meter=meter)
            if these:
                rows.append(_runaway_row(f"{what}, {meter}", these))
    fine = of_group(lines, what="bias-runaway", meter=("bench", *DMM_OR_FIVE))
    return table(head, [*rows, _runaway_row("bias-runaway, DMM or 5 turns", fine)])


def missed(line: Line) -> bool:
    """Whether the device was destroyed."""
    return line["destroyed_s"] is not None


def _runaway_row(name: str, these: Sequence[Line]) -> list[str]:
    passed = [one for one in these if one["hottest"] >= 2.0]
    rules = Counter(one["rule"] for one in these if not missed(one))
    return [name, str(len(these)), share(sum(not missed(one) for one in these), len(these)),
            share(sum(not missed(one) for one in passed), len(passed)),
            ", ".join(f"{rule} {n}" for rule, n in rules.most_common())]  # fmt: skip


def clamp_table(lines: Sequence[Line]) -> str:
    """Clamp on good units: steps that could not be judged, and those that the plan had not named."""
    head = ("clamp", "source", "runs", "steps", "could not be judged", "of these not named by the plan",
            "plans that name steps as uncertain")  # fmt: skip
    rows = []
    for meter in ("clamp, 1 turn", "clamp, 5 turns"):
        for source in ("programmed", "hand-set"):
            these = of_group(lines, meter=meter, source=source)
            steps, blind = sum(len(one["steps"]) for one in these), sum(one["blind"] for one in these)
            unnamed = sum(one["blind_unnamed"] for one in these)
            apart = sum(one["may_miss"] for one in these)
            rows.append([meter, source, len(these), steps, share(blind, steps), share(unnamed, blind),
                         share(apart, len(these))])  # fmt: skip
    return table(head, rows)


def hands_table(lines: Sequence[Line]) -> str:
    """Hands and mains: good units cut off, by which rule; told to stop turning."""
    head = ("hand or mains", "runs", "cut off or alarmed", "by", "told to stop turning", "steps judged")
    rows = []
    for what in values_of(lines, "what"):
        these = of_group(lines, what=what)
        rules = Counter(one["rule"] for one in these if is_cut(one))
        judged = statistics.fmean(one["judged"] for one in these)
        rows.append([what, len(these), share(sum(map(is_cut, these)), len(these)),
                     ", ".join(f"{rule} {n}" for rule, n in rules.most_common()),
                     share(sum(one["stop_turning"] > 0 for one in these), len(these)),
                     f"{100 * judged:.0f} %"])  # fmt: skip
    return table(head, rows)


def known_table(lines: Sequence[Line]) -> str:
    """What a reference unit or the maker's idle watts add."""
    head = ("fault and what is known", "runs", "cut off", "at least a wait", "passed clean", "by volts")
    rows = []
    for what in values_of(lines, "what"):
        these = of_group(lines, what=what)
        row = _fault_row(what, these)
        rows.append([*row[:5], by_step(these, cut_at)])
    return table(head, rows)


def screen_table(lines: Sequence[Line]) -> str:
    """Settled idle of good units by kind and meter: at or above a stop limit, judged, can't be judged."""
    head = ("kind", "meter", "units", "a step at or above its stop limit", "largest ÷ stop limit",
            "steps to go up", "above acceptance", "can't be judged")  # fmt: skip
    rows = []
    for kind in dict.fromkeys(group["kind"] for group in GROUPS.values()):
        these = [line["meters"] for line in lines if line["kind"] == kind]
        for meter in these[0] if these else ():
            looks = [one[meter] for one in these]
            over = sum(any(step[1] >= 1.0 for step in look) for look in looks)
            steps = Counter(step[2] for look in looks for step in look)
            shares = (f"{100 * steps[v] / steps.total():.1f} %" for v in "gwn")
            largest = max(step[1] for look in looks for step in look)
            rows.append([kind, meter, len(looks), share(over, len(looks)), f"{largest:.2f}", *shares])
    return table(head, rows)


def screen_list(lines: Sequence[Line]) -> str:
    """Units of the quick look with a step at or above its stop limit."""
    rows = []
    for line in lines:
        over = {m: [s for s in look if s[1] >= 1.0] for m, look in line["meters"].items()}
        if any(over.values()):
            words = "; ".join(
                f"{m}: {max(s[1] for s in steps):.2f} at {', '.join(f'{s[0]:g}' for s in steps)}"
                for m, steps in over.items()
                if steps
            )
            rows.append([line["kind"], line["core"], line["plate_va"], line["va"], line["seed"], words])
    head = ("kind", "core", "plate VA", "transformer VA", "seed", "reading ÷ stop limit, at")
    return table(head, rows) if rows else "None."
