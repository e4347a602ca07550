"""SCPI adaptors against devices written by others: those that come with pyvisa-sim, unchanged.

They are reached by USB, GPIB and serial resource strings, so that the transports that keep messages apart are
used too. Each has a dialect of its own, written here as a profile.
"""

import time
from pathlib import Path

import pytest

from benchlog.bench.adaptor import SourceState
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import RealClock
from benchlog.model.errors import InstrumentTimeout, ProtocolFault
from benchlog.model.reading import Measured
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.adaptors.scpi_meter import ScpiMeter
from benchlog_drivers.adaptors.scpi_source import ScpiSource

ACKNOWLEDGING = """
name = "acknowledging-generator"
family = "scpi"
origin = "the generator of pyvisa-sim's default devices"
[link]
terminator = "{end}"
ends = "\\n"
timeout_s = 0.2
[scpi]
identity = "?IDN"
clear = ""
error = ""
marker = ""
acknowledge = "OK"
[source]
voltage = "!AMP {{value:.2f}}"
on = "!OUT 1"
off = "!OUT 0\\n!AMP 0.00"
[source.read]
set_v = "?AMP"
output_on = "?OUT"
[measure]
period_s = 0.01
[[channel]]
quantity = "frequency"
fetch = "?FREQ"
"""

SUPPLY = """
name = "supply"
family = "scpi"
origin = "the supply of pyvisa-sim's default devices"
[link]
terminator = "{end}"
ends = "\\n"
timeout_s = 0.2
[scpi]
clear = ""
error = ""
marker = ""
[source]
voltage = ":VOLT:IMM:AMPL {{value:.3f}}"
on = "OUTP 1"
off = "OUTP 0"
limit = ":CURR:IMM:AMPL {{value:.3f}}"
[source.read]
set_v = ":VOLT:IMM:AMPL?"
output_on = "OUTP?"
limit_a = ":CURR:IMM:AMPL?"
"""

READING = """
name = "reading"
family = "scpi"
origin = "the meter of pyvisa-sim's default devices"
[link]
terminator = "{end}"
ends = "\\n"
timeout_s = 0.2
[scpi]
identity = ""
clear = ""
error = ":SYST:ERR?"
marker = ""
[measure]
period_s = 0.01
fetch = "{fetch}"
separator = ", "
[[channel]]
quantity = "dc-voltage"
"""


def made(
    folder: Path, clock: RealClock, text: str, resource: str, roles: tuple[Role, ...], fetch: str = ":READ?"
) -> ScpiMeter | ScpiSource:
    path = folder / "dialect.toml"
    end = "\\r\\n" if "ASRL" in resource else "\\n"
    path.write_text(text.format(end=end, fetch=fetch), encoding="utf-8")
    adaptor = registry.make(
        InstrumentConfig(
            name="peer", adaptor="scpi", roles=roles, connection=f"@sim {resource}", profile=str(path)
        ),
        clock,
    )
    assert isinstance(adaptor, ScpiMeter | ScpiSource)
    return adaptor


def take(meter: ScpiMeter | ScpiSource, count: int) -> list[object]:
    found: list[object] = []
    until = time.monotonic() + 5.0
    while len(found) < count and time.monotonic() < until:
        found.extend(meter.read())
    return found


@pytest.mark.parametrize("resource", ["ASRL1::INSTR", "USB::0x1111::0x2222::0x1234::INSTR", "GPIB::8::INSTR"])
def test_a_device_that_acknowledges_every_command(tmp_path: Path, clock: RealClock, resource: str) -> None:
    source = made(tmp_path, clock, ACKNOWLEDGING, resource, (Role.SOURCE, Role.PROBE))
    assert isinstance(source, ScpiSource)
    assert source.open().description == "LSG Serial #1234"
    assert source.set_voltage(2.5) == SourceState(2.5, False)
    assert source.output(True) == SourceState(2.5, True)
    readings = take(source, 20)
    assert {r.value for r in readings if isinstance(r, Measured)} == {100.0}
    assert source.off() == SourceState(0.0, False)
    with pytest.raises(ProtocolFault, match="no acknowledgement"):
        source.set_voltage(400.0)
    source.close()


@pytest.mark.parametrize("resource", ["ASRL2::INSTR", "USB::0x1111::0x2222::0x2468::INSTR", "GPIB::9::INSTR"])
def test_a_device_with_scpi_words(tmp_path: Path, clock: RealClock, resource: str) -> None:
    source = made(tmp_path, clock, SUPPLY, resource, (Role.SOURCE,))
    assert isinstance(source, ScpiSource)
    identity = source.open()
    assert (identity.description, identity.serial_number) == ("SCPI MOCK", "VERSION_1.0")
    assert source.set_limit(2.0, 1.0) == SourceState(1.0, False, 2.0)
    assert source.set_voltage(5.0).set_v == 5.0
    assert source.output(True).output_on
    assert not source.off().output_on
    assert source.standby() is None, "such a resource has no second connection and no port to share"
    assert source.second() is None
    source.close()


@pytest.mark.parametrize("resource", ["ASRL5::INSTR", "USB::0x1111::0x2222::0x5555::INSTR"])
def test_a_meter_that_gives_numbers(tmp_path: Path, clock: RealClock, resource: str) -> None:
    meter = made(tmp_path, clock, READING, resource, (Role.OUTPUT_DC,))
    meter.open()
    readings = take(meter, 30)
    meter.close()
    values = [r.value for r in readings if isinstance(r, Measured)]
    assert len(values) == 30
    assert all(0.0 <= value <= 10.5 for value in values)
    assert len(set(values)) > 5


def test_its_error_queue_is_drained(tmp_path: Path, clock: RealClock) -> None:
    meter = made(tmp_path, clock, READING, "USB::0x1111::0x2222::0x4444::INSTR", (Role.OUTPUT_DC,))
    meter.open()
    with pytest.raises(ProtocolFault, match="1 Command error"):
        meter.talk.configure("NONSENSE 1")
    assert meter.talk.drain_errors() == []
    meter.close()


def test_a_question_it_does_not_know_is_a_timeout_and_the_next_is_answered(
    tmp_path: Path, clock: RealClock
) -> None:
    source = made(tmp_path, clock, SUPPLY, "USB::0x1111::0x2222::0x2468::INSTR", (Role.SOURCE,))
    source.open()
    with pytest.raises((InstrumentTimeout, ProtocolFault)):
        source.talk.ask("NOBODY:KNOWS?")
    assert source.state().output_on is False
    source.close()
