"""Words that name a member of an enumeration, as somebody typed them."""

from enum import StrEnum
from typing import TypeVar

from benchlog.model.errors import UsageError

_Member = TypeVar("_Member", bound=StrEnum)


def member(kind: type[_Member], text: str, option: str) -> _Member:
    """The member of an enumeration that ``text`` names. `UsageError` lists what there is."""
    try:
        return kind(text)
    except ValueError:
        raise UsageError(f"{option} '{text}' is not known. There is: {names_of(kind)}.") from None


def names_of(kind: type[StrEnum]) -> str:
    """Every word of an enumeration, for a message or a help text."""
    return ", ".join(one.value for one in kind)
