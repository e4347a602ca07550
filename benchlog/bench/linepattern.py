"""How long a line pattern may take: a bound on the ways in which one line can be tried.

    most_ways(pattern, longest) -> number

A pattern of a profile from a stranger may never come to an end on some lines (a repeat inside a repeat, or
repeats of the same characters one behind the other), and Python's expressions know no time limit. The bound
counts in how many ways neighbours that can match the same characters may share them out; elsewhere the line
tells where one part ends and the next begins.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib import import_module
from typing import Any

MOST_WAYS = 1e6
"""About 50 ms of the processor."""

_parser: Any = import_module("re._parser")
_EVERY = frozenset(range(257))
"""Latin-1, and 256 for everything else."""
_CATEGORY = {"DIGIT": r"\d", "SPACE": r"\s", "WORD": r"\w"}


@dataclass(frozen=True, slots=True)
class _Part:
    """A piece of a pattern: what it can match, in how many ways, and whether it may match nothing."""

    characters: frozenset[int]
    ways: float = 1.0
    nullable: bool = False
    fixed: bool = True
    """It matches in one way only, wherever it stands."""


def most_ways(pattern: str, longest: int) -> float:
    """A bound for lines of up to ``longest`` characters. `ValueError` where it is no regular expression."""
    try:
        parsed = _parser.parse(pattern, re.ASCII)
        return _chained(list(_parts(parsed, longest)))
    except (re.error, RecursionError, OverflowError) as error:
        raise ValueError(str(error) or type(error).__name__) from error


def _chained(parts: list[_Part]) -> float:
    """Ways of a row of parts.

    Neighbours that contend for the same characters can share a text out in many ways, and each of them is
    tried with all that follows; of one group the last part only decides whether the text fits.
    """
    owner = list(range(len(parts)))
    for i, part in enumerate(parts):
        for j in range(i + 1, len(parts)):
            if part.ways > 1.0 and parts[j].ways > 1.0 and part.characters & parts[j].characters:
                owner[j] = owner[i]
            if not parts[j].nullable and not part.characters & parts[j].characters:
                break
    total = 1.0
    for group in set(owner):
        ways = [part.ways for part, own in zip(parts, owner, strict=True) if own == group]
        total *= _product(sorted(ways)[:-1])
    return total * max((part.ways for part in parts), default=1.0)


def _parts(parsed: Iterable[Any], longest: int) -> Iterator[_Part]:
    for code, value in parsed:
        match str(code):
            case "AT":
                continue
            case "SUBPATTERN":
                yield from _parts(value[3], longest)
            case "ATOMIC_GROUP":
                yield from _parts(value, longest)
            case "MAX_REPEAT" | "MIN_REPEAT" | "POSSESSIVE_REPEAT":
                yield _repeated(value[0], value[1], value[2], longest)
            case "BRANCH":
                yield _either([list(_parts(one, longest)) for one in value[1]])
            case "ASSERT" | "ASSERT_NOT":
                yield _Part(_EVERY, _chained(list(_parts(value[1], longest))), nullable=True)
            case "GROUPREF" | "GROUPREF_EXISTS":
                yield _Part(_EVERY, float(longest), nullable=True, fixed=False)
            case _:
                yield _Part(_characters(str(code), value))


def _repeated(least: int, most: int, inner: Any, longest: int) -> _Part:
    parts = list(_parts(inner, longest))
    top = min(int(most), longest)
    characters = frozenset().union(*(part.characters for part in parts)) if parts else frozenset[int]()
    fixed = all(part.fixed for part in parts)
    counts = max(top - least + 1, 1)
    ways = float(counts) if fixed else _powers(_product(part.ways for part in parts), min(least, top), top)
    nullable = least == 0 or all(part.nullable for part in parts)
    return _Part(characters, ways, nullable, fixed and counts == 1)


def _powers(ways: float, least: int, most: int) -> float:
    """Ways of so many rounds, each in ``ways``; beyond what counts it is infinite."""
    try:
        return sum(ways**rounds for rounds in range(least, most + 1))
    except OverflowError:
        return float("inf")


def _product(ways: Iterable[float]) -> float:
    product = 1.0
    for one in ways:
        product *= one
    return product


def _either(branches: list[list[_Part]]) -> _Part:
    parts = [part for branch in branches for part in branch]
    characters = frozenset().union(*(part.characters for part in parts)) if parts else frozenset[int]()
    nullable = any(all(part.nullable for part in branch) for branch in branches)
    return _Part(
        characters, sum(_product(part.ways for part in branch) for branch in branches), nullable, fixed=False
    )


def _characters(code: str, value: Any) -> frozenset[int]:
    """What one character of a pattern can be."""
    match code:
        case "LITERAL":
            return frozenset({min(value, 256)})
        case "NOT_LITERAL":
            return _EVERY - {value}
        case "RANGE":
            return frozenset(range(min(value[0], 256), min(value[1], 256) + 1))
        case "CATEGORY":
            _, _, name = str(value).removeprefix("CATEGORY_").rpartition("NOT_")
            one = re.compile(_CATEGORY[name], re.ASCII)
            found = frozenset(c for c in range(256) if one.match(chr(c)))
            return _EVERY - found if "NOT_" in str(value) else found
        case "IN":
            listed = [_characters(str(c), v) for c, v in value if str(c) != "NEGATE"]
            union = frozenset[int]().union(*listed)
            return _EVERY - union if str(value[0][0]) == "NEGATE" else union
        case _:
            return _EVERY
