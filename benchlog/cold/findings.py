"""Findings: what the readings point to, and what to measure next to tell it apart.

    findings(entries) -> tuple[Finding, ...]

The rules are data (``finding_rules.toml``); each finding carries the readings it rests on and its source. A
point's latest reading counts, so that a repaired one takes its finding away; of the first look and of the
final checks the latest, too. No reading, no finding.
"""

import tomllib
from collections.abc import Iterable, Sequence
from functools import lru_cache
from importlib.resources import files

import msgspec

from benchlog.cold.corrections import in_force
from benchlog.cold.known import check_of
from benchlog.model.errors import UsageError
from benchlog.model.history import Entry, Taken
from benchlog.model.known import Check
from benchlog.model.point import PointKind
from benchlog.model.step import PointVerdict
from benchlog.model.work import FinalCheck, FinalChecked, FirstLook


class Condition(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A reading that has to be there. Empty fields mean any."""

    verdict: PointVerdict
    check: Check | None = None
    kind: PointKind | None = None
    name_has: str = ""
    """Text that the point's name has in it."""
    look: str = ""
    """Of the first look: ``fuse`` or ``selector``."""


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


class _Evidence(msgspec.Struct, frozen=True):
    """One reading, or one answer of the first look, as the rules see it."""

    seq: int
    group: str
    name: str
    verdict: PointVerdict
    words: str
    check: Check | None = None
    kind: PointKind | None = None
    look: str = ""


def findings(entries: Iterable[Entry], rules: Sequence[Rule] | None = None) -> tuple[Finding, ...]:
    """What the latest readings of all points point to, in the order of the rules, each group for itself."""
    latest: dict[tuple[object, ...], _Evidence] = {}
    for entry in in_force(entries):
        match entry.payload:
            case Taken() as taken if not taken.part:
                key = (taken.point.group, taken.point.name, taken.point.kind, taken.polarity)
                latest[key] = _of_reading(entry.seq, taken)
            case FirstLook() as look:
                latest |= {(e.look,): e for e in _of_look(entry.seq, look)}
            case FinalChecked(check=FinalCheck.OFFSET) as checked:
                latest[FinalCheck.OFFSET, checked.channel] = _of_offset(entry.seq, checked)
            case _:
                pass
    readings = list(latest.values())
    found = [f for rule in rules or shipped_rules() for f in _found(rule, readings)]
    return tuple(found)


def _found(rule: Rule, readings: Sequence[_Evidence]) -> list[Finding]:
    groups = dict.fromkeys(e.group for e in readings) if rule.same_group else {"": None}
    found: list[Finding] = []
    for group in groups:
        here = [e for e in readings if not rule.same_group or e.group == group]
        matched = [[e for e in here if _holds(c, e)] for c in rule.conditions]
        if all(matched):
            behind = {e.seq: e for some in matched for e in some}
            evidence = tuple(e.words for e in behind.values())
            found.append(
                Finding(rule.name, rule.says, group, evidence, tuple(behind), rule.measure_next, rule.source)
            )
    return found


def _holds(condition: Condition, seen: _Evidence) -> bool:
    if seen.verdict is not condition.verdict or condition.name_has not in seen.name:
        return False
    if condition.kind not in (None, seen.kind) or condition.look != seen.look:
        return False
    return condition.check is None or seen.check is condition.check


def _of_reading(seq: int, taken: Taken) -> _Evidence:
    try:
        check = check_of(taken.point.kind, taken.point.known)
    except UsageError:
        check = None
    point = taken.point
    return _Evidence(seq, point.group, point.name, taken.verdict, _words(taken), check, point.kind)


def _of_look(seq: int, look: FirstLook) -> tuple[_Evidence, ...]:
    return (
        _Evidence(
            seq, "", look.fuse_fitted, look.fuse_verdict,
            f"fuse fitted {look.fuse_fitted}, marked {look.fuse_marked}: {look.fuse_reason}", look="fuse",
        ),
        _Evidence(seq, "", "", look.selector_verdict, look.selector_reason, look="selector"),
    )  # fmt: skip


def _of_offset(seq: int, checked: FinalChecked) -> _Evidence:
    value = "" if checked.value is None else f"{1e3 * checked.value:.4g} mV"
    words = f"DC offset, {checked.channel}: {value}"
    return _Evidence(seq, checked.channel, "DC offset", checked.verdict, words, Check.OFFSET)


def _words(taken: Taken) -> str:
    value = taken.typed or (f"{taken.value:.4g}" if taken.value is not None else str(taken.status or ""))
    unit = taken.quantity.unit if value[-1:].isdigit() else ""
    return f"{taken.point.name}: {value} {unit}".strip() + f" ({taken.reason})" * bool(taken.reason)
