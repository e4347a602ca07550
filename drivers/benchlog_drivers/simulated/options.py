"""What a simulated bench can be asked for."""

from enum import StrEnum
from typing import Any

import msgspec

from benchlog.model.choice import member
from benchlog.model.errors import UsageError
from benchlog.model.unit import Amplifier, Core, Fuse, Plate, PlateKind, Supply
from benchlog_drivers.simulated.faults import Fault, check_fault
from benchlog_drivers.simulated.hand import HandKind
from benchlog_drivers.simulated.sheets import MeterKind, ProbeKind, instruments
from benchlog_drivers.simulated.technician import TechnicianKind
from benchlog_drivers.simulated.trouble import Ordered, parse_trouble


class SourceKind(StrEnum):
    """What feeds the unit."""

    PROGRAMMED = "programmed"
    HAND_SET = "hand-set"


class SerialKind(StrEnum):
    """Over what the streaming meters send."""

    PTY = "pty"
    TCP = "tcp"


class ContactorKind(StrEnum):
    """By what a cut-off contactor is held in."""

    NONE = "none"
    LINE = "line"
    """A modem-control line, over ``rfc2217://``."""
    SCPI = "scpi"
    MODBUS = "modbus"


class SimulateOptions(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """All options of a simulated bench. Make one with `make_options`, which checks them."""

    amplifier: Amplifier = Amplifier.CLASS_AB
    supply: Supply = Supply.LINEAR
    core: Core = Core.TOROIDAL
    plate: Plate | None = Plate(PlateKind.VOLT_AMPERES, 300.0)
    """None draws rating and plate by the seed."""
    fuse: Fuse | None = None
    """The mains fuse that is in the unit; None draws one."""
    idle_w: float | None = None
    """The maker's idle watts, where the technician knows them; it changes nothing in the unit."""
    idle_a: float | None = None
    """The maker's idle amperes, likewise."""
    fault: Fault = Fault.NONE
    fault_at_s: float = 0.0
    """Bench seconds after power was first applied."""
    meters: MeterKind = MeterKind.BENCH
    turns: int = 1
    source: SourceKind = SourceKind.PROGRAMMED
    lamp_w: float | None = None
    mains_v: float = 120.0
    seed: int = 1
    time_scale: float = 1.0
    hand: HandKind = HandKind.STEADY
    technician: TechnicianKind = TechnicianKind.GOES_ON
    wander: float = 0.0
    """Mains behind a hand-set source that wanders: standard deviation, fraction of nominal."""
    contactor: ContactorKind = ContactorKind.NONE
    """A cut-off contactor ahead of the source, held in by beats."""
    probe: ProbeKind = ProbeKind.NONE
    """The meter in the technician's hand."""
    serial: SerialKind = SerialKind.PTY
    sound: str = ""
    """``OUTPUT=INPUT``: the audio interface's samples are played to that sound output, and the bench file
    names the input that hears them. Empty: they go over TCP."""
    troubles: tuple[Ordered, ...] = ()
    write_bench: str = ""
    """Path of the bench file to write; empty for a temporary one."""

    @property
    def rated_va(self) -> float | None:
        """The unit's rating that the plate means: VA as marked, A·V, or W ÷ 0.7; None without a plate."""
        if self.plate is None:
            return None
        factor = {PlateKind.VOLT_AMPERES: 1.0, PlateKind.AMPERES: self.mains_v, PlateKind.WATTS: 1.0 / 0.7}
        return self.plate.value * factor[self.plate.kind]


_ENUMS: dict[str, type[StrEnum]] = {
    "amplifier": Amplifier,
    "supply": Supply,
    "core": Core,
    "fault": Fault,
    "meters": MeterKind,
    "source": SourceKind,
    "hand": HandKind,
    "technician": TechnicianKind,
    "serial": SerialKind,
    "contactor": ContactorKind,
    "probe": ProbeKind,
}
_BOUNDS = {
    "fault_at_s": (0.0, 1e6),
    "turns": (1, 50),
    "idle_w": (0.1, 5000.0),
    "idle_a": (0.001, 50.0),
    "lamp_w": (5.0, 2000.0),
    "mains_v": (90.0, 260.0),
    "seed": (0, 2**63),
    "time_scale": (0.1, 200.0),
    "wander": (0.0, 0.1),
}
_MOST_VA = 5000.0
FASTEST_WAVEFORM = 2.0
WAVEFORM_KINDS = (MeterKind.DIGITISER, MeterKind.AUDIO)


def make_options(**words: Any) -> SimulateOptions:
    """Options from words and numbers by the names of `SimulateOptions`; left out or None takes the default.

    Kinds may be given as text; ``troubles`` as a sequence of ``INSTRUMENT:KIND[@START][+LENGTH][*SHARE]``.
    `UsageError` for an unknown word (listing what there is), a number out of bounds, a pair that makes no
    sense, or a trouble of an instrument that this bench does not have.
    """
    given: dict[str, Any] = {}
    for name, value in words.items():
        if name not in SimulateOptions.__struct_fields__:
            raise TypeError(f"no option {name}")
        if value is None and name != "plate":
            continue
        given[name] = member(_ENUMS[name], value, f"--{name}") if name in _ENUMS else value
    troubles = given.get("troubles", ())
    given["troubles"] = tuple(parse_trouble(one) if isinstance(one, str) else one for one in troubles)
    options = SimulateOptions(**given)
    check_options(options)
    return options


def check_options(options: SimulateOptions) -> None:
    """`UsageError` where the options don't fit each other or are out of bounds."""
    for name, (least, most) in _BOUNDS.items():
        value = getattr(options, name)
        if value is not None and not least <= value <= most:
            raise UsageError(
                f"--{_spelled(name)} {value:g} is out of bounds. It lies between {least:g} and {most:g}."
            )
    check_fault(options.amplifier, options.supply, options.fault)
    rated_va = options.rated_va
    if rated_va is not None and not 5.0 <= rated_va <= _MOST_VA:
        raise UsageError(
            f"A plate of {rated_va:g} VA is out of bounds. Give one between 5 and {_MOST_VA:g} VA."
        )
    if options.turns > 1 and options.meters is not MeterKind.CLAMP:
        raise UsageError("--turns goes with a clamp: add --meters clamp, or leave it out.")
    if options.meters in WAVEFORM_KINDS and options.time_scale > FASTEST_WAVEFORM:
        raise UsageError(
            f"A true waveform takes the simulator about a quarter of real time: with --meters "
            f"{options.meters} the time scale is {FASTEST_WAVEFORM:g} at most. Give a smaller --time-scale."
        )
    if options.sound:
        sound_ways(options)
    _check_troubles(options)


def sound_ways(options: SimulateOptions) -> tuple[str, str]:
    """Output and input of ``sound``. `UsageError` where they can't be meant."""
    output, _, heard_at = options.sound.partition("=")
    if not (output and heard_at and options.meters is MeterKind.AUDIO and options.time_scale == 1.0):
        raise UsageError(
            "--sound takes OUTPUT=INPUT, names of a sound output and of the input that hears it, and goes "
            "with --meters audio at time scale 1."
        )
    return output, heard_at


def instrument_names(options: SimulateOptions) -> tuple[str, ...]:
    """Names of the instruments of such a bench, as the bench file has them."""
    source = ("source",) if options.source is SourceKind.PROGRAMMED else ()
    digitiser = ("digitiser",) if options.meters is MeterKind.DIGITISER else ()
    sheets = instruments(options.meters, options.turns)
    contactor = ("contactor",) if options.contactor is not ContactorKind.NONE else ()
    hand = ("probe",) if options.probe is not ProbeKind.NONE else ()
    return (*source, *(sheet.name for sheet in sheets), *digitiser, *contactor, *hand)


def _check_troubles(options: SimulateOptions) -> None:
    names = instrument_names(options)
    for trouble in options.troubles:
        if trouble.instrument not in names:
            raise UsageError(
                f"There is no instrument '{trouble.instrument}' on this bench. There are: {', '.join(names)}."
            )


def _spelled(name: str) -> str:
    """An option as the command line writes it."""
    given = {"fault_at_s": "fault-at", "lamp_w": "lamp", "mains_v": "mains"}
    return given.get(name, name.replace("_", "-"))
