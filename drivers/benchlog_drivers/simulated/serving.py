"""The servers of a simulated bench: one for each instrument, on the transport that its adaptor expects."""

from collections.abc import Callable
from pathlib import Path

from benchlog_drivers.simulated.contactor import SimulatedContactor
from benchlog_drivers.simulated.feed import SoundFeed
from benchlog_drivers.simulated.instruments import Instrument, Measurement, MeterInstrument
from benchlog_drivers.simulated.link import Outlet
from benchlog_drivers.simulated.live import LiveBench
from benchlog_drivers.simulated.loudly import Player
from benchlog_drivers.simulated.make import serial_number
from benchlog_drivers.simulated.meters import SimulatedMeter
from benchlog_drivers.simulated.modbus import Coil, ModbusTalk, Registers, no_coil, no_registers
from benchlog_drivers.simulated.options import ContactorKind
from benchlog_drivers.simulated.power_meter import PowerMeterRegisters
from benchlog_drivers.simulated.probes import LcrInstrument, MultimeterInstrument
from benchlog_drivers.simulated.relay import RelayInstrument, coil_relay, line_relay
from benchlog_drivers.simulated.server import HOST, Begin, Server, line_talk
from benchlog_drivers.simulated.sound_server import SoundServer
from benchlog_drivers.simulated.streams import Asked, Port, RequestTalk, Stream, stream_port
from benchlog_drivers.simulated.trouble import Trouble, TroubleBox

REQUESTS = {
    "simulated-esr-meter": b"?\x8d\n",  # CR and LF with even parity: 8D, 0A
    "simulated-lcr-meter": bytes.fromhex("550156"),
}
"""What the asked meters are asked with, as the profile has it, parity included."""


class Serving:
    """Every server of one bench. Made first, then `start`, then `stop`."""

    def __init__(self, live: LiveBench, folder: Path, over_tcp: bool, seed: int) -> None:
        """``folder`` holds the links to pseudo-terminals; ``over_tcp`` uses TCP streams instead."""
        self.live = live
        self.connections: dict[str, str] = {}
        """How the bench file names each, by the instrument's name."""
        self._folder = folder
        self._over_tcp = over_tcp
        self._seed = seed
        self._parts: list[Server | Stream | Asked | SoundServer | Player] = []
        self._outlets: list[Outlet] = []
        self._counts: dict[str, Callable[[], int]] = {}

    def start(self) -> None:
        """Begin to serve."""
        for part in self._parts:
            part.start()

    def stop(self) -> None:
        """End every thread and close every port."""
        for outlet in self._outlets:
            outlet.stopping.set()
        for part in self._parts:
            part.stop()

    def counts(self) -> dict[str, int]:
        """Lines, frames or requests that each instrument took or sent."""
        return {name: count() for name, count in self._counts.items()}

    def outlet(self, box: TroubleBox) -> Outlet:
        """An outlet that ends with the others."""
        outlet = Outlet(box, self.live.now_s, self._seed)
        self._outlets.append(outlet)
        return outlet

    def add_server(self, name: str, begin: Begin, outlet: Outlet) -> Server:
        """A TCP server; its connection is for the caller to name."""
        server = Server(name, begin, outlet)
        self._parts.append(server)
        return server

    def add_scpi(self, name: str, instrument: Instrument, outlet: Outlet) -> None:
        """An instrument that takes program messages over a raw socket."""
        server = self.add_server(name, line_talk(instrument.handle, outlet), outlet)
        self.connections[name] = f"TCPIP::{HOST}::{server.port}::SOCKET"
        self._counts[name] = lambda: instrument.counted

    def add_meter(self, meter: SimulatedMeter, mains_hz: float) -> None:
        """A meter, on whatever its sheet says that it speaks."""
        sheet, outlet = meter.sheet, self.outlet(meter.troubles)
        if sheet.profile.startswith("scpi-"):
            self.add_scpi(sheet.name, self._probe(meter, outlet), outlet)
        elif sheet.adaptor == "scpi":
            self.add_scpi(sheet.name, MeterInstrument(meter, serial_number(sheet)), outlet)
        elif sheet.adaptor == "modbus":
            registers = PowerMeterRegisters(meter, mains_hz)
            self.add_modbus(
                sheet.name,
                outlet,
                lambda: registers.words(outlet.acts(Trouble.WRONG_INSTRUMENT)),
                no_coil,
            )
        elif sheet.profile in REQUESTS:
            talk = RequestTalk(REQUESTS[sheet.profile], meter, outlet)
            self._counts[sheet.name] = lambda: talk.counted
            self._parts.append(Asked(sheet.name, self._port(sheet.name), outlet, talk))
        else:
            stream = Stream(sheet, self._port(sheet.name), outlet)
            self.live.listen(stream.take)
            self._counts[sheet.name] = lambda: stream.counted
            self._parts.append(stream)

    def _probe(self, meter: SimulatedMeter, outlet: Outlet) -> Instrument:
        measurement, number = Measurement(self.live, meter), serial_number(meter.sheet)
        if meter.sheet.profile == "scpi-lcr-meter":
            return LcrInstrument(measurement, number)
        return MultimeterInstrument(measurement, outlet, number)

    def add_modbus(self, name: str, outlet: Outlet, registers: Registers, coil: Coil) -> None:
        """A Modbus device, RTU on a pseudo-terminal or Modbus TCP."""
        taken: list[ModbusTalk] = []
        self._counts[name] = lambda: sum(talk.taken for talk in taken)

        def begin(_wrong: bool) -> ModbusTalk:
            taken.append(ModbusTalk(outlet, registers, coil, over_tcp=over_tcp))
            return taken[-1]

        over_tcp = self._over_tcp
        if over_tcp:
            server = self.add_server(name, begin, outlet)
            self.connections[name] = f"tcp://{HOST}:{server.port}"
        else:
            self._parts.append(Asked(name, self._port(name), outlet, begin(False)))

    def add_contactor(self, contactor: SimulatedContactor, kind: ContactorKind, box: TroubleBox) -> None:
        """The cut-off contactor by its way in."""
        name, outlet = "contactor", self.outlet(box)
        self._counts[name] = lambda: contactor.beats
        if kind is ContactorKind.SCPI:
            self.add_scpi(name, RelayInstrument(contactor, outlet, "SIM-C1"), outlet)
        elif kind is ContactorKind.MODBUS:
            self.add_modbus(name, outlet, no_registers, lambda at, on: coil_relay(contactor, outlet, at, on))
        else:
            server = self.add_server(name, lambda _: line_relay(contactor, outlet), outlet)
            self.connections[name] = f"rfc2217://{HOST}:{server.port}"

    def add_sound(self, name: str, feed: SoundFeed, outlet: Outlet) -> None:
        """The audio interface: a stream of samples over TCP."""
        server = SoundServer(name, feed, outlet)
        self.connections[name] = server.connection()
        self._counts[name] = lambda: server.counted
        self._parts.append(server)

    def add_player(self, name: str, player: Player) -> None:
        """The audio interface, by way of the system's own sound."""
        self.connections[name] = player.connection()
        self._counts[name] = lambda: player.counted
        self._parts.append(player)

    def _port(self, name: str) -> Port:
        port = stream_port(name, self._folder, self._over_tcp)
        self.connections[name] = port.connection()
        return port
