"""What a profile states of its instrument, where the bench file's sheet is silent or less careful."""

import msgspec

from benchlog.bench.file import Bench, InstrumentConfig
from benchlog.bench.profile import Family, Profile, Traits
from benchlog.model.instrument import Accuracy, Coupling, Earth, MeterSheet, Response
from benchlog.model.quantity import Quantity
from benchlog_drivers.shelf import find_profile


def with_traits(bench: Bench) -> Bench:
    """The bench with what the profiles say filled in; a simulated bench has sheets of its own.

    `UsageError` names a profile that is not there.
    """
    if bench.simulated is not None:
        return bench
    return msgspec.structs.replace(bench, instrument=tuple(_filled(one) for one in bench.instrument))


def profile_of(config: InstrumentConfig) -> Profile | None:
    """The profile of an instrument; None where its adaptor has none."""
    if config.adaptor not in {family.value for family in Family} or not config.profile:
        return None
    whole = config.profile.endswith(".toml")
    return find_profile(config.profile if whole else config.profile.partition(":")[0])


def _filled(config: InstrumentConfig) -> InstrumentConfig:
    profile = profile_of(config)
    if profile is None:
        return config
    traits = profile.traits
    earth = traits.earth if config.earth is Earth.UNKNOWN else config.earth
    return msgspec.structs.replace(config, earth=earth, sheet=cautious_sheet(config.sheet, traits))


def cautious_sheet(sheet: MeterSheet, traits: Traits) -> MeterSheet:
    """Of sheet and profile, for each property whichever asks for more care."""
    crests = [crest for crest in (sheet.crest_factor, traits.crest_factor) if crest is not None]
    least = traits.least_current_a or 0.0
    off_min = traits.auto_power_off_min if sheet.auto_power_off_min is None else sheet.auto_power_off_min
    return msgspec.structs.replace(
        sheet,
        response=Response.AVERAGE if traits.response is Response.AVERAGE else sheet.response,
        coupling=Coupling.AC if traits.coupling is Coupling.AC else sheet.coupling,
        crest_factor=min(crests, default=None),
        auto_power_off_min=off_min,
        accuracy=tuple(_from(one, least) for one in sheet.accuracy),
    )


def _from(accuracy: Accuracy, least_a: float) -> Accuracy:
    if accuracy.quantity is not Quantity.AC_CURRENT or accuracy.least >= least_a:
        return accuracy
    return msgspec.structs.replace(accuracy, least=least_a)
