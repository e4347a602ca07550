"""The adaptors, with the standards' own words, against a device written from the standards alone."""

import time
from contextlib import closing
from pathlib import Path

import pytest
from standard_bench import adaptor, take, written
from standard_device import INFINITY, NAN, Device, HislipPeer, SocketPeer, Vxi11Peer

from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profilefile import parse_profile
from benchlog.model.clock import RealClock
from benchlog.model.errors import InstrumentTimeout, ProtocolFault, UsageError
from benchlog.model.instrument import Accuracy, MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Measured, Reading, Status
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.adaptors.scpi_meter import ScpiMeter
from benchlog_drivers.adaptors.scpi_source import ScpiSource

# ---- a multimeter, with the shipped profile ----------------------------------------------------------


def test_a_multimeter_over_every_transport(peer: SocketPeer, device: Device, clock: RealClock) -> None:
    meter = adaptor(peer, clock, "scpi-multimeter:resistance", (Role.PROBE,))
    identity = meter.open()
    assert (identity.description, identity.serial_number) == ("INVENTED WORKS MODEL ONE", "SN-0042")
    meter.sampler.pace.period_s = 0.01
    (reading,) = take(meter, 1)
    device.value = INFINITY
    (over,) = take(meter, 1)
    device.value = NAN
    (none,) = take(meter, 1)
    meter.close()
    assert isinstance(reading, Measured)
    assert reading.value == 1.5
    assert [r.status for r in (over, none)] == [Status.OPEN_LEADS, Status.NOT_A_NUMBER]
    assert "CONF:RES" in device.heard


@pytest.mark.parametrize("quantity", [w.quantity for w in parse_profile(
    (Path(registry.__file__).parent / "profiles/scpi-multimeter.toml").read_text(), "").channel])  # fmt: skip
def test_every_function_of_the_shipped_multimeter_can_be_chosen(
    plain: SocketPeer, device: Device, clock: RealClock, quantity: Quantity
) -> None:
    meter = adaptor(plain, clock, f"scpi-multimeter:{quantity.value}", (Role.PROBE,))
    meter.open()
    assert meter.channels[0].quantity is quantity
    assert sum(line.startswith("CONF:") for line in device.heard) == 1
    meter.close()


@pytest.mark.parametrize(("full", "sent"), [(3.0, "CONF:CURR:AC 3"), (None, "CONF:CURR:AC")])
def test_the_range_of_the_sheet_is_fixed_before_arming(
    plain: SocketPeer, device: Device, clock: RealClock, full: float | None, sent: str
) -> None:
    config = InstrumentConfig(
        "ammeter", "scpi", (Role.SOURCE_CURRENT,), plain.resource, "scpi-multimeter", timeout_s=0.5,
        sheet=MeterSheet((Accuracy(Quantity.AC_CURRENT, 0.001, 10.0, 1e-5, full),), turns=5),
    )  # fmt: skip
    meter = registry.make(config, clock)
    assert isinstance(meter, ScpiMeter)
    meter.open()
    meter.sampler.pace.period_s = 0.01
    (reading,) = take(meter, 1)
    meter.close()
    assert sent in device.heard
    assert reading.setting.range == (None if full is None else full / 5)


def test_a_function_that_it_lacks_is_told_from_its_error_queue(
    plain: SocketPeer, device: Device, clock: RealClock
) -> None:
    device.knows = lambda header: "DIODe" not in header
    meter = adaptor(plain, clock, "scpi-multimeter:junction-voltage", (Role.PROBE,))
    with pytest.raises(ProtocolFault, match="did not take 'CONF:DIOD': -113 Undefined header"):
        meter.open()
    meter.close()


def test_one_without_an_error_queue_is_told_what_to_write(
    plain: SocketPeer, device: Device, clock: RealClock
) -> None:
    device.knows = lambda header: not header.startswith("SYST")
    meter = adaptor(plain, clock, "scpi-multimeter", (Role.OUTPUT_DC,), timeout_s=0.15)
    with pytest.raises(InstrumentTimeout, match=r"no answer in time to 'SYST:ERR\?'.*write error = \"\""):
        meter.open()
    meter.close()


def test_what_stood_in_the_error_queue_before_is_not_blamed_on_us(
    plain: SocketPeer, device: Device, clock: RealClock
) -> None:
    device.queue += [(-350, "Queue overflow"), (-410, "Query INTERRUPTED")]
    meter = adaptor(plain, clock, "scpi-multimeter", (Role.OUTPUT_DC,))
    meter.open()
    meter.close()


def test_one_that_knows_no_marker_is_found_by_silence(
    plain: SocketPeer, device: Device, clock: RealClock, tmp_path: Path
) -> None:
    device.knows = lambda header: not header.startswith("*ES")
    text = """family = "scpi"
[measure]
fetch = "READ?"
[[channel]]
quantity = "dc-voltage"
"""
    meter = adaptor(plain, clock, written(tmp_path, text), (Role.OUTPUT_DC,), timeout_s=0.15)
    meter.open()
    meter.sampler.pace.period_s = 0.01
    assert isinstance(take(meter, 1)[0], Measured)
    plain.delay = lambda message: 0.25 if message == "READ?" else 0.0
    device.value = 77.0
    with pytest.raises(InstrumentTimeout):
        take(meter, 1)
    plain.delay = lambda message: 0.0
    device.value = 5.0
    (reading,) = take(meter, 1)
    meter.close()
    assert reading.value == 5.0, "the late answer is none of this question's"
    assert not any("*ESE" in line for line in device.heard[5:]), "the marker is tried once"


@pytest.mark.parametrize("kind", [HislipPeer, Vxi11Peer])
def test_late_answers_where_messages_are_kept_apart(
    kind: type[SocketPeer], device: Device, clock: RealClock, tmp_path: Path
) -> None:
    text = """family = "scpi"
[measure]
fetch = "READ?"
[[channel]]
quantity = "dc-voltage"
"""
    with closing(kind(device)) as peer:
        meter = adaptor(peer, clock, written(tmp_path, text), (Role.OUTPUT_DC,), timeout_s=0.15)
        meter.open()
        meter.sampler.pace.period_s = 0.001
        timeouts, taken = 0, []
        for i in range(12):
            device.value = float(i)
            peer.delay = lambda message, late=i % 4 == 1: 0.25 if late and message == "READ?" else 0.0
            try:
                taken += [(i, reading.value) for reading in take(meter, 1)]
            except InstrumentTimeout:
                timeouts += 1
        meter.close()
    assert timeouts == 3
    assert taken == [(i, float(i)) for i in range(12) if i % 4 != 1]


def test_polling_for_the_end_of_an_operation(
    peer: SocketPeer, device: Device, clock: RealClock, tmp_path: Path
) -> None:
    # IEEE 488.2, 10.18: *OPC sets bit 0 of the event status register when all is done
    text = """family = "scpi"
[measure]
period_s = 0.02
aperture_s = 0.05
initiate = "INIT;*OPC"
busy = "*ESR?"
done_bit = 0
fetch = "FETC?"
[[channel]]
quantity = "dc-voltage"
"""
    device.measure_s = 0.08
    meter = adaptor(peer, clock, written(tmp_path, text), (Role.OUTPUT_DC,))
    meter.open()
    longest = 0.0
    readings: list[Reading] = []
    while len(readings) < 2:
        begun = time.monotonic()
        readings.extend(meter.read())
        longest = max(longest, time.monotonic() - begun)
    meter.close()
    assert [r.value for r in readings] == [1.5, 1.5]
    assert device.heard.count("*ESR?") >= 2


# ---- a source ----------------------------------------------------------------------------------------

SOURCE = """family = "scpi"
[source]
limit = "CURR:PROT {value}"
frequency = "FREQ {value}"
range = "VOLT:RANG {value}"
frequency_hz = 60.0
range_v = 135.0
[source.read]
limit_a = "CURR:PROT?"
frequency_hz = "FREQ?"
range_v = "VOLT:RANG?"
tripped = "STAT:QUES:COND?"
tripped_bit = 9
limiting = "STAT:QUES:COND?"
limiting_bit = 1
[measure]
period_s = 0.02
[[channel]]
quantity = "peak-current"
fetch = "FETC:CURR:AMPL:MAX?"
[[channel]]
quantity = "apparent-power"
fetch = "FETC:POW:AC:APP?"
"""


def test_a_source_with_the_standards_own_words(
    peer: SocketPeer, device: Device, clock: RealClock, tmp_path: Path
) -> None:
    source = adaptor(peer, clock, written(tmp_path, SOURCE), (Role.SOURCE,))
    assert isinstance(source, ScpiSource)
    source.open()
    assert (device.state["FREQ"], device.state["RANG"]) == (60.0, 135.0)
    assert source.set_limit(2.5, 4.0).limit_a == 2.5
    assert source.set_voltage(12.5).set_v == 12.5
    assert source.output(True).output_on
    device.questionable = 1 << 1
    assert (source.state().limiting, source.state().tripped) == (True, False)
    device.questionable = 1 << 9 | 1
    assert (source.state().limiting, source.state().tripped) == (False, True)
    device.questionable = 0
    with pytest.raises(ProtocolFault, match="is on; it is not set to 50 Hz under power"):
        source.set_frequency(50.0)
    with pytest.raises(ProtocolFault, match="-222 Data out of range"):
        source.set_voltage(400.0)
    off = source.off()
    assert (off.set_v, off.output_on) == (0.0, False)
    with pytest.raises(ProtocolFault, match="did not take 'FREQ 1000'"):
        source.set_frequency(1000.0)
    source.close()


def test_frequency_and_range_are_left_alone_when_it_is_found_on(
    plain: SocketPeer, device: Device, clock: RealClock, tmp_path: Path
) -> None:
    device.state.update(OUTP=1, VOLT=24.0, FREQ=50.0)
    source = adaptor(plain, clock, written(tmp_path, SOURCE), (Role.SOURCE,))
    source.open()
    source.close()
    assert (device.state["FREQ"], device.state["OUTP"], device.state["VOLT"]) == (50.0, 1, 24.0)


@pytest.mark.parametrize(("name", "value"), [("peak-current", 7.25), ("apparent-power", 31.0)])
def test_peak_and_apparent_power_beside_the_source(
    plain: SocketPeer, clock: RealClock, tmp_path: Path, name: str, value: float
) -> None:
    source = adaptor(plain, clock, f"{written(tmp_path, SOURCE)}:{name}", (Role.SOURCE, Role.PROBE))
    source.open()
    (reading,) = take(source, 1)
    source.close()
    assert (reading.channel.quantity.value, reading.value) == (name, value)


def test_a_frequency_without_a_command_for_it_is_refused_with_its_line() -> None:
    text = f'name = "x"\norigin = "y"\n{SOURCE}'.replace('frequency = "FREQ {value}"\n', "")
    with pytest.raises(UsageError, match=r"line \d+: there is no command 'frequency'"):
        parse_profile(text, "x.toml")
