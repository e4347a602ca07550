"""Figures with SI prefixes, for sentences and screens."""

_PREFIXES = (
    (1e9, "G"),
    (1e6, "M"),
    (1e3, "k"),
    (1.0, ""),
    (1e-3, "m"),
    (1e-6, "µ"),
    (1e-9, "n"),
    (1e-12, "p"),
)
_PLAIN = frozenset({"°C", ""})


def figure(value: float, unit: str, digits: int = 4) -> str:
    """A value with an SI prefix and its unit of measure: 0.0123 V → ``12.3 mV``."""
    if value == 0.0 or unit in _PLAIN:
        return f"{value:.{digits}g} {unit}".strip()
    size, prefix = next((p for p in _PREFIXES if abs(value) >= 0.9995 * p[0]), _PREFIXES[-1])
    return f"{value / size:.{digits}g} {prefix}{unit}"
