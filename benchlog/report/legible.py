"""Text of the user made fit to be printed: what can't or should not be shown is replaced, visibly.

Control characters have no shape. Characters that turn the direction of what follows (Unicode TR9, explicit
formatting) can make printed figures read as others, so they are replaced too; right-to-left letters
themselves stay. Private-use characters mean nothing without their font. A word longer than any column
may be broken anywhere.
"""

import re
from typing import Any

import msgspec

from benchlog.report.content import Content

REPLACEMENT = "\N{WHITE SQUARE}"
BREAK = "\N{ZERO WIDTH SPACE}"
LONGEST_WORD = 28

_LINES = re.compile("\r\n|\r|\x0b|\x0c|\x85|\u2028|\u2029")
_HIDDEN = re.compile(
    "[\x00-\x08\x0e-\x1f\x7f-\x9f\u200b\u200e\u200f\u061c\u202a-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ufffe\uffff\ue000-\uf8ff\U000f0000-\U0010ffff]"
)
_LONG = re.compile(rf"[^\s{BREAK}]{{{LONGEST_WORD},}}")
_DIGEST = re.compile(r"[0-9a-f]{16}(?:[0-9a-f]{48})?")
_AS_IS = ("head", "head_short", "attachment", "stamp", "layout", "paper", "file")


def legible(content: Content) -> tuple[Content, tuple[str, ...]]:
    """The content with its texts made fit to be printed, and the characters that were replaced."""
    replaced: dict[str, None] = {}
    plain = _mend(msgspec.to_builtins(content), replaced)
    return msgspec.convert(plain, Content), tuple(replaced)


def _mend(value: Any, replaced: dict[str, None]) -> Any:
    if isinstance(value, str):
        return mend_text(value, replaced)
    if isinstance(value, list | tuple):
        return [_mend(item, replaced) for item in value]
    if isinstance(value, dict):
        return {k: v if k in _AS_IS else _mend(v, replaced) for k, v in value.items()}
    return value


def mend_text(text: str, replaced: dict[str, None]) -> str:
    """One text; what is replaced is added to ``replaced``."""
    text = _LINES.sub("\n", text).replace("\t", " ")
    replaced.update(dict.fromkeys(_HIDDEN.findall(text)))
    return _LONG.sub(_breakable, _HIDDEN.sub(REPLACEMENT, text))


def _breakable(match: re.Match[str]) -> str:
    word = match.group()
    if _DIGEST.fullmatch(word):
        return word
    return BREAK.join(word[k : k + 8] for k in range(0, len(word), 8))


def name_of(character: str) -> str:
    """A character as it is reported: itself where it can be seen, and its number."""
    number = f"U+{ord(character):04X}"
    return f"{character} ({number})" if character.isprintable() else number
