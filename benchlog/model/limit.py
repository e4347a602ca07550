"""A limit with where it comes from."""

from enum import StrEnum

import msgspec


class Confidence(StrEnum):
    """How sure a figure is."""

    STANDARD = "standard"
    """Read in a standard or in a copy of its table."""
    MAKER = "maker"
    """A maker's own figure for this unit or part."""
    OURS = "ours"
    """A rule of this project, tried on simulated units."""
    COMMON_PRACTICE = "common-practice"
    """Common practice, no source."""
    UNVERIFIED = "unverified"
    """From memory; never prints a verdict."""


class Limit(msgspec.Struct, frozen=True):
    """A value with its unit of measure, source and confidence."""

    name: str
    value: float
    unit: str
    source: str
    """One phrase that names the kind of source, fit for a document."""
    confidence: Confidence
