"""The cut-off contactor's ways in: a modem-control line, SCPI, and a Modbus coil."""

from benchlog_drivers.simulated.contactor import SimulatedContactor
from benchlog_drivers.simulated.instruments import Instrument
from benchlog_drivers.simulated.link import Outlet
from benchlog_drivers.simulated.modem import ModemTalk
from benchlog_drivers.simulated.scpi import OUT_OF_RANGE, Refusal, number
from benchlog_drivers.simulated.trouble import Trouble

COIL = 0
_LINE = "rts"
_LONGEST_S = 0.5


class RelayInstrument(Instrument):
    """A relay with a timer, told by SCPI: ``ROUT:HOLD <s>`` closes it for a while, ``ROUT:OPEN`` opens it."""

    def __init__(self, contactor: SimulatedContactor, outlet: Outlet, serial_number: str) -> None:
        """Beats go to ``contactor``."""
        self._contactor = contactor
        self._outlet = outlet
        commands = {"ROUTe:HOLD": self._hold, "ROUTe:OPEN": self._open, "ROUTe:CLOSe?": self._is_closed}
        super().__init__("RELAY", serial_number, commands)

    def _hold(self, text: str) -> None:
        if not 0.0 < number(text) <= _LONGEST_S:
            raise Refusal(OUT_OF_RANGE)
        self._contactor.beat(self._outlet.now_s())

    def _open(self, _: str) -> None:
        self._contactor.drop(self._outlet.now_s())

    def _is_closed(self, _: str) -> str:
        return "1" if self._contactor.is_closed(self._outlet.now_s()) else "0"


def line_relay(contactor: SimulatedContactor, outlet: Outlet) -> ModemTalk:
    """A talk whose RTS line, each time it changes, is a beat."""
    before = {_LINE: False}

    def on_line(name: str, state: bool) -> None:
        if before.get(name) in (None, state) or outlet.acts(Trouble.SILENT):
            return
        before[name] = state
        contactor.beat(outlet.now_s())

    return ModemTalk(on_line)


def coil_relay(contactor: SimulatedContactor, outlet: Outlet, address: int, on: bool) -> bool:
    """A coil that is a beat when it is written on, and drops the contactor when off."""
    if address != COIL:
        return False
    if on:
        contactor.beat(outlet.now_s())
    else:
        contactor.drop(outlet.now_s())
    return True
