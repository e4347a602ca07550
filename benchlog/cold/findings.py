"""Findings: what the readings point to, and what to measure next to tell it apart.

    findings(entries) -> tuple[Finding, ...]

The rules are data (``finding_rules.toml``); each finding carries the readings it rests on and its source. A
point's latest reading counts, so that a repaired one takes its finding away. No reading, no finding.
"""

import tomllib
from collections.abc import Iterable, Sequence
from functools import lru_cache
from importlib.resources import files

import msgspec

from benchlog.cold.known import check_of
from benchlog.model.errors import UsageError
from benchlog.model.history import Entry, Taken
from benchlog.model.known import Check
from benchlog.model.point import PointKind
from benchlog.model.step import PointVerdict


class Condition(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A reading that has to be there. Empty fields mean any."""

    verdict: PointVerdict
    check: Check | None = None
    kind: PointKind | None = None
    name_has: str = ""
    """Text that the point's name has in it."""


class Rule(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """When readings make a finding."""

    name: str
    says: str
    source: str
    measure_next: str
    conditions: tuple[Condition, ...]
    same_group: bool = True


class Finding(msgspec.Struct, frozen=True):
    """Something found, with the readings behind it."""

    name: str
    says: str
    group: str
    evidence: tuple[str, ...]
    seqs: tuple[int, ...]
    """Numbers of the entries with those readings."""
    measure_next: str
    source: str


class _Rules(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    rule: tuple[Rule, ...]


def read_rules(text: str) -> tuple[Rule, ...]:
    """Rules of a TOML text. `UsageError` says what is wrong in it."""
    try:
        rules = msgspec.convert(tomllib.loads(text), _Rules).rule
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as error:
        raise UsageError(f"The rules can't be read: {error}.") from error
    if any(not rule.conditions for rule in rules):
        raise UsageError("A rule without conditions would find something without any reading.")
    return rules


@lru_cache(maxsize=1)
def shipped_rules() -> tuple[Rule, ...]:
    """The rules that are shipped."""
    return read_rules((files("benchlog.cold") / "finding_rules.toml").read_text(encoding="utf-8"))


def findings(entries: Iterable[Entry], rules: Sequence[Rule] | None = None) -> tuple[Finding, ...]:
    """What the latest readings of all points point to, in the order of the rules, each group for itself."""
    latest: dict[tuple[object, ...], tuple[int, Taken]] = {}
    for entry in entries:
        if isinstance(entry.payload, Taken):
            taken = entry.payload
            key = (taken.point.group, taken.point.name, taken.point.kind, taken.polarity)
            latest[key] = (entry.seq, taken)
    readings = list(latest.values())
    found = [f for rule in rules or shipped_rules() for f in _found(rule, readings)]
    return tuple(found)


def _found(rule: Rule, readings: Sequence[tuple[int, Taken]]) -> list[Finding]:
    groups = dict.fromkeys(t.point.group for _, t in readings) if rule.same_group else {"": None}
    found: list[Finding] = []
    for group in groups:
        here = [(seq, t) for seq, t in readings if not rule.same_group or t.point.group == group]
        matched = [[(seq, t) for seq, t in here if _holds(c, t)] for c in rule.conditions]
        if all(matched):
            behind = dict(pair for some in matched for pair in some)
            evidence = tuple(_words(t) for t in behind.values())
            found.append(
                Finding(rule.name, rule.says, group, evidence, tuple(behind), rule.measure_next, rule.source)
            )
    return found


def _holds(condition: Condition, taken: Taken) -> bool:
    if taken.verdict is not condition.verdict or condition.name_has not in taken.point.name:
        return False
    if condition.kind not in (None, taken.point.kind):
        return False
    return condition.check is None or _check(taken) is condition.check


def _check(taken: Taken) -> Check | None:
    try:
        return check_of(taken.point.kind, taken.point.known)
    except UsageError:
        return None


def _words(taken: Taken) -> str:
    value = taken.typed or (f"{taken.value:.4g}" if taken.value is not None else str(taken.status or ""))
    unit = taken.quantity.unit if value[-1:].isdigit() else ""
    return f"{taken.point.name}: {value} {unit}".strip() + f" ({taken.reason})" * bool(taken.reason)
