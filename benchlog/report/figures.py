"""Figures and verdicts as they are printed."""

from benchlog.model.step import PointVerdict

POINT_WORDS = {
    PointVerdict.WITHIN: "within limit",
    PointVerdict.DOUBTFUL: "doubtful",
    PointVerdict.OUTSIDE: "outside limit",
    PointVerdict.NONE: "no judgement",
}

_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))


def with_prefix(value: float, unit: str, digits: int = 4) -> str:
    """A value with an SI prefix, e.g. ``47.2 mΩ``; ratios and degrees are printed as they are."""
    if unit in ("", "°C") or value == 0.0:
        return f"{value:.{digits}g} {unit}".strip()
    factor, prefix = next(((f, p) for f, p in _PREFIXES if abs(value) >= f * 0.9999), _PREFIXES[-1])
    scaled = float(f"{value / factor:.{digits}g}")
    return f"{scaled:.10g} {prefix}{unit}"
