"""Practice instruments that give no readings: a cut-off contactor, and a digitiser that sees a switch-on."""

import threading
import time

import numpy as np

from benchlog.bench.profile import ContactorWords, Profile
from benchlog.model.errors import UsageError
from benchlog.model.wave import Waveform
from benchlog_drivers.simulated.contactor import SimulatedContactor
from benchlog_drivers.simulated.digitiser import RATE_HZ, Digitiser
from benchlog_drivers.simulated.link import Outlet
from benchlog_drivers.simulated.modbus import ModbusTalk, no_registers
from benchlog_drivers.simulated.relay import RelayInstrument, coil_relay, line_relay
from benchlog_drivers.simulated.server import HOST, Begin, Server, line_talk
from benchlog_drivers.simulated.trouble import TroubleBox
from benchlog_drivers.simulated.waveform import DigitiserInstrument

_CHUNK_S = 0.05
_SWITCH_ON_S = 0.3
"""The unit in practice is switched on so long after the digitiser was armed."""


class PracticeBox:
    """One instrument behind one TCP port."""

    def __init__(self, troubles: TroubleBox, seed: int = 0) -> None:
        """Nothing served yet; a kind of box puts its server in ``_server``."""
        self.troubles = troubles
        self._begun_s = time.monotonic()
        self.outlet = Outlet(troubles, self.now_s, seed)
        self._server: Server | None = None
        self.connection = ""
        """As a bench file names it."""

    def now_s(self) -> float:
        """Practice seconds."""
        return time.monotonic() - self._begun_s

    def serve(self, begin: Begin, form: str) -> None:
        """Take a port; ``form`` is its connection with ``{host}`` and ``{port}``."""
        self._server = Server("practice", begin, self.outlet)
        self.connection = form.format(host=HOST, port=self._server.port)

    def start(self) -> None:
        """Begin to serve."""
        if self._server is not None:
            self._server.start()

    def stop(self) -> None:
        """Close everything and wait for the threads."""
        self.outlet.stopping.set()
        if self._server is not None:
            self._server.stop()


class PracticeContactor(PracticeBox):
    """A box that drops when no beat came for its hold time."""

    def __init__(self, words: ContactorWords, troubles: TroubleBox, seed: int = 0) -> None:
        """By the way in that its profile names."""
        super().__init__(troubles, seed)
        self.contactor = SimulatedContactor(words.hold_s)
        box, outlet = self.contactor, self.outlet
        if words.line:
            self.serve(lambda _: line_relay(box, outlet), "rfc2217://{host}:{port}")
        elif words.coil is not None:
            self.serve(
                lambda _: ModbusTalk(
                    outlet, no_registers, lambda at, on: coil_relay(box, outlet, at, on), True, words.unit
                ),
                "tcp://{host}:{port}",
            )
        else:
            relay = RelayInstrument(box, outlet, "P1")
            self.serve(line_talk(relay.handle, outlet), "TCPIP0::{host}::{port}::SOCKET")

    @property
    def is_closed(self) -> bool:
        """Whether it holds just now."""
        return self.contactor.is_closed(self.now_s())


class PracticeDigitiser(PracticeBox):
    """Sees a unit switched on a moment after it is armed, each time."""

    def __init__(self, troubles: TroubleBox, seed: int = 0) -> None:
        """As the shipped digitiser's dialect has it."""
        super().__init__(troubles, seed)
        self.digitiser = Digitiser(seed)
        self.digitiser.length_s = 0.5
        instrument = DigitiserInstrument(self.digitiser, "P1")
        self.serve(line_talk(instrument.handle, self.outlet), "TCPIP0::{host}::{port}::SOCKET")
        self._thread = threading.Thread(target=self._feed, name="practice-feed", daemon=True)

    def start(self) -> None:
        """Begin to serve, and to feed it."""
        super().start()
        self._thread.start()

    def stop(self) -> None:
        """Close everything and wait for the threads."""
        super().stop()
        self._thread.join(5.0)

    def _feed(self) -> None:
        armed_s = 0.0
        while not self.outlet.stopping.wait(_CHUNK_S):
            if not self.digitiser.wants:
                armed_s = 0.0
                continue
            self.digitiser.take(_switch_on(armed_s - _SWITCH_ON_S), armed_s)
            armed_s += _CHUNK_S


def _switch_on(begin_s: float) -> Waveform:
    """A stretch of an invented switch-on at 120 V, 60 Hz: 30 A of inrush that decays to 0.4 A."""
    t_s = begin_s + np.arange(round(_CHUNK_S * RATE_HZ)) / RATE_HZ
    sine = np.where(t_s < 0.0, 0.0, np.sin(2.0 * np.pi * 60.0 * t_s))
    return Waveform(170.0 * sine, (0.4 + 30.0 * np.exp(-np.maximum(t_s, 0.0) / 0.04)) * sine, RATE_HZ, 0)


def practice_box(profile: Profile, troubles: TroubleBox, seed: int = 0) -> PracticeBox:
    """The box of a profile. `UsageError` where it is neither contactor nor digitiser."""
    if profile.contactor is not None:
        return PracticeContactor(profile.contactor, troubles, seed)
    if profile.capture is None:
        raise UsageError(f"The profile {profile.name!r} is neither a contactor's nor a digitiser's.")
    return PracticeDigitiser(troubles, seed)
