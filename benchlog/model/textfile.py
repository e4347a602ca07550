"""Files that people write, read within bounds: a stranger's must neither fill the memory nor hang.

read_bounded(path, most_bytes) -> bytes     a plain file of at most so many bytes
read_toml(path) -> table                    a TOML file
parse_toml(text) -> table                   TOML, nested and named within reason
"""

import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from benchlog.model.errors import UsageError

MOST_TOML = 200_000
"""Bytes of a TOML file; those of this program have a few thousand."""

_QUOTED = re.compile(r"\"(?:[^\"\\\n]|\\.)*+\"|'[^'\n]*+'")
_LONG_NAME = re.compile(r"(?<![\w-])[\w-]++(?:[ \t]*+\.[ \t]*+[\w-]++){16}")
"""Names of many parts: the time that the standard library takes for them grows with their square."""


def read_bounded(path: Path, most_bytes: int) -> bytes:
    """Bytes of a plain file. `OSError` as the system tells it; `UsageError` where it is too large."""
    state = path.stat()
    if not stat.S_ISREG(state.st_mode):
        raise UsageError(f"{path} is no plain file. Copy what it holds into a file and name that.")
    with path.open("rb") as file:
        data = file.read(most_bytes + 1) if state.st_size <= most_bytes else b""
    if max(len(data), state.st_size) > most_bytes:
        raise UsageError(
            f"{path} is larger than {in_words(most_bytes)}, more than is read of such a file. "
            "Check that it is the right one."
        )
    return data


def in_words(count: int) -> str:
    """A number of bytes as it is told, e.g. 200 kB."""
    for size, unit in ((10**9, "GB"), (10**6, "MB"), (10**3, "kB")):
        if count >= size:
            return f"{count // size} {unit}"
    return f"{count} bytes"


def read_toml(path: Path) -> dict[str, Any]:
    """The table of a TOML file.

    `OSError`, `UnicodeDecodeError` and `tomllib.TOMLDecodeError` as they are; `UsageError` as `read_bounded`.
    """
    return parse_toml(read_bounded(path, MOST_TOML).decode("utf-8"))


def parse_toml(text: str) -> dict[str, Any]:
    """The table of a TOML text. `tomllib.TOMLDecodeError` for anything that is none, or is beyond bounds."""
    if len(text) > MOST_TOML:
        raise tomllib.TOMLDecodeError(f"it has more than {MOST_TOML // 1000} thousand characters")
    for number, line in enumerate(text.split("\n"), 1):
        if _LONG_NAME.search(_QUOTED.sub("quoted", line)):
            raise tomllib.TOMLDecodeError(f"a name of more than 16 parts (at line {number})")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError as error:
        raise tomllib.TOMLDecodeError("it is nested too deeply") from error
    except ValueError as error:
        raise tomllib.TOMLDecodeError(str(error)) from error
