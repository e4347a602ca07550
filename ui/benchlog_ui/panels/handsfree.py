"""Hands-free taking on the screen: the meter's readings as the window hears them, and what is to be said.

No Qt here. The taking itself is `benchlog.cold.taking`; this puts the readings together for it and refuses
those of another quantity than the point has.
"""

from collections.abc import Iterable

from benchlog.bench.typed import Typed
from benchlog.cold.budget import uncertainty
from benchlog.cold.taking import Armed, Sign, State, Taking, Took, Unsteady
from benchlog.model.instrument import MeterSheet
from benchlog.model.point import PointKind
from benchlog.model.printed import with_prefix
from benchlog.model.protocol import Point
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting, Status, Unusable
from benchlog.model.role import Role

_ALSO: dict[Quantity, frozenset[Quantity]] = {
    Quantity.CONTINUITY: frozenset({Quantity.RESISTANCE}),
    Quantity.RESISTANCE: frozenset({Quantity.CONTINUITY}),
    Quantity.JUNCTION_VOLTAGE: frozenset({Quantity.DC_VOLTAGE}),
}
"""What a meter may call its reading where the point calls it otherwise."""


class HandsFree:
    """The taking of one meter, told which kind of point the probe is on."""

    def __init__(self) -> None:
        """Off until `on`."""
        self.on = False
        self.kind: PointKind | None = None
        self.sheet: MeterSheet | None = None
        self.words = ""
        """What the line under the figures says."""
        self.value = "–"
        self.instrument = ""
        self.wrong = ""
        """Why the meter's readings don't fit the point; empty where they do."""
        self._taking = Taking(self._u)

    @property
    def in_contact(self) -> bool:
        """Whether the probe is on something that is not taken yet."""
        return self._taking.state is State.CONTACT

    def aim(self, kind: PointKind | None, sheet: MeterSheet | None) -> None:
        """The point that comes next; its kind, and the sheet of the meter where it is known."""
        self.kind, self.sheet = kind, sheet

    def _u(self, value: float, count: float) -> float:
        kind = self.kind or PointKind.OHMS
        return uncertainty(kind, value, count, self.sheet, leads_known=True).u

    def hear(self, points: Iterable[Point]) -> list[Took]:
        """Feed what the meter read; the readings that are taken now."""
        took: list[Took] = []
        for point in points:
            reading = reading_of(point)
            if reading is None:
                continue
            self.value = _shown(reading)
            self.instrument = reading.channel.instrument
            self.wrong = self._unfit(reading.channel.quantity)
            if self.wrong:
                self.words = self.wrong
            else:
                signs = self._taking.feed(reading)
                took += self._heard(signs)
        return took if self.on else []

    def foot(self) -> list[Took]:
        """The foot switch, or its key: take at once what the meter shows."""
        if self.wrong:
            return []
        return [sign for sign in self._taking.foot() if isinstance(sign, Took)]

    def _unfit(self, quantity: Quantity) -> str:
        if self.kind is None:
            return ""
        wanted = self.kind.quantity
        if quantity is wanted or quantity in _ALSO.get(wanted, frozenset()):
            return ""
        return f"the meter reads {quantity.label}, the point is {wanted.label}"

    def _heard(self, signs: Iterable[Sign]) -> list[Took]:
        took = [sign for sign in signs if isinstance(sign, Took)]
        for sign in signs:
            match sign:
                case Armed():
                    self.words = "armed: probe in the air"
                case Unsteady(why=why):
                    self.words = why
                case Took():
                    self.words = "taken: lift the probe"
        if self._taking.state is State.CONTACT and not self.words.startswith(
            ("rising", "falling", "the con")
        ):
            self.words = "in contact: wait"
        return took


def reading_of(point: Point) -> Reading | None:
    """The reading that a point of the live path came from; None for one that the probe did not make."""
    probe = point.probe
    if probe is None:
        return None
    channel = Channel(Role.PROBE, probe.quantity, probe.instrument)
    setting = Setting(range=probe.range, resolution=probe.resolution)
    if point.value is None:
        status = point.status or Status.NOT_A_NUMBER
        return Unusable(channel, status, probe.start_us, probe.end_us, setting)
    return Measured(channel, point.value, probe.start_us, probe.end_us, setting)


def typed_of(took: Took) -> Typed:
    """What was taken, as it goes into the history."""
    return Typed(took.value, took.status, took.setting.resolution)


def _shown(reading: Reading) -> str:
    if isinstance(reading, Unusable):
        return {Status.OVERLOAD: "OL", Status.OPEN_LEADS: "OL"}.get(reading.status, "– – –")
    return with_prefix(reading.value, reading.channel.quantity.unit)
