"""What the earth of the instruments' leads means, in words."""

from benchlog.model.history import BenchSet
from benchlog.model.instrument import Earth

EARTH_WORDS = {
    Earth.EARTHED: "EARTHED lead",
    Earth.FLOATING: "floating",
    Earth.UNKNOWN: "not known",
}


def earth_words(bench: BenchSet | None) -> str:
    """What the earths of the connected leads mean together. Common practice, no source."""
    if bench is None:
        return "No bench file was given: readings are typed, or the window was opened on a session."
    earthed = [i.name for i in bench.instruments if i.earth is Earth.EARTHED]
    unknown = [i.name for i in bench.instruments if i.earth is Earth.UNKNOWN]
    parts = []
    if len(earthed) > 1:
        parts.append(
            f"{' and '.join(earthed)} have earthed leads: on different nodes they short the unit. "
            "Put them on one node, or take one off."
        )
    elif earthed:
        parts.append(f"{earthed[0]} has an earthed lead: connected to the unit, it is no longer isolated.")
    if unknown:
        parts.append(f"Of {', '.join(unknown)} the earth is not known: measure it and write it down.")
    return " ".join(parts) or "No lead is earthed: the unit stays isolated."
