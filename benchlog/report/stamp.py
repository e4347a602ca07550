"""How a document was laid out, kept in its metadata, so that it can be laid out once more and compared."""

import hashlib
from functools import cache
from importlib import metadata, resources
from importlib.resources.abc import Traversable

from benchlog.report.content import Layout, Paper

TOPIC = "repair record"
_DECIDE = ("bench", "cold", "exchange", "limits", "measure", "model", "report", "session")
"""Packages on which what is printed depends."""


@cache
def program() -> str:
    """Digest of all that decides what is printed: 16 hexadecimal digits."""
    digest = hashlib.sha256(metadata.version("benchlog").encode() + metadata.version("typst").encode())
    for package in _DECIDE:
        folder = resources.files(f"benchlog.{package}")
        for source in sorted(_sources(folder), key=lambda f: f.name):
            digest.update(source.name.encode() + b"\0" + source.read_bytes().replace(b"\r\n", b"\n"))
    return digest.hexdigest()[:16]


def _sources(folder: Traversable) -> list[Traversable]:
    return [f for f in folder.iterdir() if f.name.endswith((".py", ".typ", ".toml"))]


def stamp_of(layout: Layout, paper: Paper) -> tuple[str, ...]:
    """Keywords of the document."""
    return (TOPIC, f"layout {layout.value}", f"paper {paper.value}", f"program {program()}")


def read_stamp(keywords: str) -> tuple[Layout, Paper, str]:
    """Layout, paper and program of a document's keywords. `ValueError` where they are not there."""
    words = dict(part.strip().rsplit(" ", 1) for part in keywords.split(",") if " " in part.strip())
    try:
        return Layout(words["layout"]), Paper(words["paper"]), words["program"]
    except KeyError as error:
        raise ValueError(f"no {error.args[0]} in the document's keywords") from error
