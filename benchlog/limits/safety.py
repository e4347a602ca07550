"""Limits of the electrical safety tests after a repair; they differ by country, and the user chooses whose.

    safety(test, scheme, protection) -> Limit

Tests: ``earth-ohms``, ``insulation-ohms``, ``earth-current``, ``touch-current``, ``leakage-volts``. Schemes:
``de`` (VDE 0701-0702:2008, since replaced by EN 50678 after repair and EN 50699 for repeat tests), ``uk``
(code of practice for in-service inspection), ``us`` (maker's practice after ANSI/UL 101), ``iec62353``
(medical, for comparison), ``iec62368`` (product standard). The program records results; it certifies nothing.
"""

from benchlog.model.errors import UsageError
from benchlog.model.limit import Confidence, Limit

_READ = Confidence.STANDARD
_MEMORY = Confidence.UNVERIFIED
_MAKER = Confidence.MAKER
_DE = "VDE 0701-0702:2008 (since replaced by EN 50678 and EN 50699)"
_US = "maker's practice: 1.5 kΩ with 0.15 µF to earth, 0.5 mA"

_LIMITS: dict[tuple[str, str, str], tuple[float, str, str, Confidence]] = {
    ("earth-ohms", "de", "i"): (0.3, "Ω", _DE + ", cords to 5 m; + 0.1 Ω each 7.5 m, at most 1 Ω", _READ),
    ("earth-ohms", "iec62353", "i"): (0.3, "Ω", "IEC 62353 with cord, as testers' manuals quote it", _READ),
    ("earth-ohms", "uk", "i"): (0.1, "Ω", "UK code of practice, plus the cord's own resistance", _READ),
    ("earth-ohms", "iec62368", "i"): (0.1, "Ω", "product standard, 1.5 × rating, as quoted", _READ),
    ("insulation-ohms", "de", "i"): (1e6, "Ω", _DE + ", 500 V DC, class I", _READ),
    ("insulation-ohms", "de", "ii"): (2e6, "Ω", _DE + ", 500 V DC, class II", _READ),
    ("insulation-ohms", "de", "iii"): (0.25e6, "Ω", _DE + ", class III", _READ),
    ("insulation-ohms", "iec62353", "i"): (2e6, "Ω", "IEC 62353, class I, from memory", _MEMORY),
    ("insulation-ohms", "iec62353", "ii"): (7e6, "Ω", "IEC 62353, class II, from memory", _MEMORY),
    ("insulation-ohms", "uk", "i"): (1e6, "Ω", "UK code of practice, class I", _READ),
    ("insulation-ohms", "uk", "ii"): (2e6, "Ω", "UK code of practice, class II", _READ),
    ("earth-current", "de", "i"): (3.5e-3, "A", _DE, _READ),
    ("earth-current", "uk", "i"): (3.5e-3, "A", "UK code of practice; 0.75 mA portable", _READ),
    ("earth-current", "iec62368", "i"): (3.5e-3, "A", "product standard, from memory", _MEMORY),
    ("touch-current", "de", "ii"): (0.5e-3, "A", _DE, _READ),
    ("touch-current", "de", "i"): (0.5e-3, "A", _DE + ", parts not earthed", _READ),
    ("touch-current", "uk", "ii"): (0.25e-3, "A", "UK code of practice, class II", _READ),
    ("touch-current", "iec62353", "ii"): (0.1e-3, "A", "IEC 62353, class II, from memory", _MEMORY),
    ("touch-current", "iec62368", "ii"): (0.5e-3, "A", "network of IEC 60990, from memory", _MEMORY),
    ("leakage-volts", "us", "i"): (0.75, "V", _US, _MAKER),
    ("leakage-volts", "us", "ii"): (0.75, "V", _US, _MAKER),
}  # fmt: skip

SAFETY_TESTS = ("earth-ohms", "insulation-ohms", "earth-current", "touch-current", "leakage-volts")
"""Tests that have a limit on file."""


def safety(test: str, scheme: str, protection: str = "i") -> Limit:
    """Limit of a test by scheme and class of protection (``i``, ``ii``, ``iii``).

    Resistances of protective earth and all currents are upper limits, insulation is a lower one.
    `UsageError` lists what is on file.
    """
    found = _LIMITS.get((test, scheme, protection))
    if found is None:
        have = sorted({" ".join(key) for key in _LIMITS if key[0] == test} or {key[0] for key in _LIMITS})
        raise UsageError(
            f"No limit for {test} {scheme} {protection} is on file. There is: {', '.join(have)}."
        )
    value, unit, source, confidence = found
    return Limit(f"safety-{test}", value, unit, source, confidence)


def schemes(test: str) -> tuple[tuple[str, str], ...]:
    """Schemes and classes of protection for which a test has a limit."""
    return tuple((scheme, protection) for name, scheme, protection in _LIMITS if name == test)
