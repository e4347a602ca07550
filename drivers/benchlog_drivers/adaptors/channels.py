"""Which channels an instrument of the bench file has by its profile, and how their readings are made."""

import msgspec

from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import ChannelWords, Profile
from benchlog.model.errors import UsageError
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting, Status, Unusable
from benchlog.model.role import Role

ROLE_QUANTITY = {
    Role.INLET_VOLTAGE: Quantity.AC_VOLTAGE,
    Role.SOURCE_CURRENT: Quantity.AC_CURRENT,
    Role.SOURCE_POWER: Quantity.ACTIVE_POWER,
    Role.OUTPUT_DC: Quantity.DC_VOLTAGE,
    Role.RAIL_PLUS: Quantity.DC_VOLTAGE,
    Role.RAIL_MINUS: Quantity.DC_VOLTAGE,
    Role.HEATSINK: Quantity.TEMPERATURE,
    Role.BIAS: Quantity.DC_VOLTAGE,
    Role.RESERVOIR: Quantity.DC_VOLTAGE,
}
"""What a role measures; the roles that are not here measure what the meter is set to."""

NOT_MEASURING = frozenset({Role.SOURCE, Role.CUT_OFF, Role.WAVEFORM, Role.TYPED})

_CURRENTS = frozenset({Quantity.AC_CURRENT, Quantity.DC_CURRENT, Quantity.PEAK_CURRENT})


class Outlet(msgspec.Struct, frozen=True):
    """One channel: where its value stands in an answer, and what a reading of it carries."""

    channel: Channel
    field: int
    scale: float
    """Answer to SI, turns of the conductor already divided out."""
    setting: Setting
    greatest: float | None
    open_leads: bool
    configure: tuple[str, ...] = ()
    fetch: str = ""

    def reading(self, value: float | Status, start_us: int, end_us: int) -> Reading:
        """A reading of an answer, in SI; more than the instrument can show is garbled."""
        if isinstance(value, Status):
            if value is Status.OVERLOAD and self.open_leads:
                value = Status.OPEN_LEADS
            return Unusable(self.channel, value, start_us, end_us, self.setting)
        if self.greatest is not None and abs(value) > self.greatest:
            return Unusable(self.channel, Status.GARBLED, start_us, end_us, self.setting)
        return Measured(self.channel, value * self.scale, start_us, end_us, self.setting)


def outlets(
    config: InstrumentConfig, profile: Profile, quantity: Quantity | None, otherwise: Quantity | None = None
) -> tuple[Outlet, ...]:
    """The channels for an instrument's roles. `UsageError` names a role that its profile can't play.

    ``quantity`` for all roles, ``otherwise`` for those that do not tell it.
    """
    return tuple(
        _outlet(config, profile, role, quantity or ROLE_QUANTITY.get(role) or otherwise)
        for role in config.roles
        if role not in NOT_MEASURING
    )


def _outlet(config: InstrumentConfig, profile: Profile, role: Role, quantity: Quantity | None) -> Outlet:
    fitting = [
        words
        for words in profile.channel
        if (role in words.roles or not words.roles) and quantity in (None, words.quantity)
    ]
    if not fitting:
        what = f" measuring {quantity.value}" if quantity else ""
        raise UsageError(
            f"The instrument {config.name!r} is to play {role.value!r}{what}, but its profile "
            f"{profile.name!r} has no channel for it. Mend the roles in the bench file or the profile."
        )
    words = fitting[0]
    turns = turns_of(config, words.quantity)
    return Outlet(
        channel=Channel(role, words.quantity, config.name),
        field=words.field,
        scale=words.scale / turns,
        setting=setting_of(
            config,
            words.quantity,
            words.range,
            words.resolution,
            profile.measure.duration_s(),
            test_frequency_hz=words.test_frequency_hz,
        ),
        greatest=words.greatest,
        open_leads=words.open_leads,
        configure=tuple(_on_range(command, config, words) for command in words.configure),
        fetch=words.fetch,
    )


def _on_range(command: str, config: InstrumentConfig, words: ChannelWords) -> str:
    """A command with the range of the bench file's sheet, else the profile's; without one, left to the meter.

    A range that is fixed before arming neither blanks nor jumps.
    """
    stated = config.sheet.find(words.quantity)
    full = words.range if stated is None or stated.range is None else stated.range
    number = "" if full is None else f"{full / words.scale:g}"
    return command.replace("{range}", number).rstrip()


def turns_of(config: InstrumentConfig, quantity: Quantity) -> int:
    """Turns of the conductor through the clamp that readings of a quantity are divided by."""
    return config.sheet.turns if quantity in _CURRENTS else 1


def setting_of(
    config: InstrumentConfig,
    quantity: Quantity,
    full: float | None,
    resolution: float | None,
    aperture_s: float,
    note: str = "",
    test_frequency_hz: float | None = None,
) -> Setting:
    """Setting of a reading: the bench file's sheet fills what the instrument does not say.

    ``full`` and ``resolution`` as displayed, in SI; both are divided by the turns, as the value is.
    """
    stated = config.sheet.find(quantity)
    if stated is not None:
        full = stated.range if full is None else full
        resolution = stated.count or resolution if resolution is None else resolution
    turns = turns_of(config, quantity)
    return Setting(
        range=full / turns if full is not None else None,
        resolution=resolution / turns if resolution is not None else None,
        aperture_us=round(aperture_s * 1e6),
        turns=turns,
        test_frequency_hz=test_frequency_hz,
        note=note,
    )
