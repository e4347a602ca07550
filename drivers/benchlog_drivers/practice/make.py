"""Makes the practice instrument of a profile."""

from benchlog.bench.profile import Profile
from benchlog.model.errors import UsageError
from benchlog.model.quantity import Quantity
from benchlog_drivers.practice.meter import PracticeMeter
from benchlog_drivers.practice.server import PracticeServer, PracticeTerminal
from benchlog_drivers.practice.stranger import NAME
from benchlog_drivers.simulated.trouble import Ordered, TroubleBox

_USUAL = {
    NAME: (Quantity.DC_VOLTAGE,),
    "simulated-handheld": (Quantity.AC_CURRENT,),
    "simulated-esr-meter": (Quantity.ESR, Quantity.CAPACITANCE),
    "simulated-segment-meter": (Quantity.AC_CURRENT,),
    "simulated-bcd-meter": (Quantity.DC_VOLTAGE,),
    "simulated-lcr-meter": (Quantity.ESR, Quantity.CAPACITANCE),
    "simulated-power-meter": (Quantity.AC_VOLTAGE, Quantity.AC_CURRENT, Quantity.ACTIVE_POWER),
    "simulated-bench-meter": (
        Quantity.AC_CURRENT,
        Quantity.AC_VOLTAGE,
        Quantity.ACTIVE_POWER,
        Quantity.DC_VOLTAGE,
    ),
}


def practice_quantities(profile: Profile) -> tuple[Quantity, ...]:
    """What a profile's practice instrument measures unless told. `UsageError` where there is none."""
    found = _USUAL.get(profile.name)
    if found is None:
        raise UsageError(
            f"There is no practice instrument for {profile.name!r}. There is one for {', '.join(_USUAL)}, "
            "and for the shipped contactors and digitiser."
        )
    return found


def practice_server(
    profile: Profile,
    quantities: tuple[Quantity, ...] = (),
    troubles: tuple[Ordered, ...] = (),
    pseudo_terminal: bool = False,
    scale: float = 1.0,
    seed: int = 0,
    port: int = 0,
) -> PracticeServer:
    """A server, not yet started. `UsageError` where the profile has no practice instrument."""
    box = TroubleBox(troubles)
    meter = PracticeMeter(profile, quantities or practice_quantities(profile), box)
    if pseudo_terminal:
        return PracticeTerminal(meter, box, scale, seed)
    return PracticeServer(meter, box, scale, seed, port)
