"""Profiles checked, tried and recorded; discovery; the shelf of profiles; what the shipped ones claim."""

import threading
import time
from pathlib import Path

import msgspec
import pytest

from benchlog.bench.file import Bench, InstrumentConfig, Simulation
from benchlog.bench.profile import Family
from benchlog.bench.profilefile import parse_profile
from benchlog.cli.main import main
from benchlog.model.clock import RealClock
from benchlog.model.errors import InstrumentTimeout, ProtocolFault, UsageError
from benchlog.model.instrument import Accuracy, Coupling, Earth, MeterSheet, Response
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Measured
from benchlog.model.role import Role
from benchlog_drivers import discovery, profiletools, shelf
from benchlog_drivers.traits import with_traits
from benchlog_drivers.transports.ports import canonical_port
from benchlog_drivers.transports.recorded import load_conversation

OWN = r"""
name = "my-meter"
family = "serial-text"
origin = "read off the port with 'profile try'"
[link]
terminator = "\n"
[measure]
period_s = 0.02
[text]
pattern = 'V=(?P<value>-?\d+\.\d+)(?P<unit>V)'
[text.quantities]
V = "dc-voltage"
"""


@pytest.fixture
def feeding(pty_peer):
    """A meter that nobody has a profile for, on a pseudo-terminal."""
    stop = threading.Event()

    def feed() -> None:
        i = 0
        while not stop.wait(0.02):
            pty_peer.send(b"V=%.2fV\n" % (1.0 + i / 100))
            i += 1

    thread = threading.Thread(target=feed)
    thread.start()
    yield pty_peer
    stop.set()
    thread.join()


def own_config(folder: Path, connection: str) -> InstrumentConfig:
    path = folder / "my-meter.toml"
    path.write_text(OWN, encoding="utf-8")
    return InstrumentConfig(
        name="mine", adaptor="serial-text", roles=(Role.OUTPUT_DC,), connection=connection, profile=str(path)
    )


# ---- try, record, check -----------------------------------------------------------------------------


def test_trying_shows_raw_bytes_beside_readings(feeding, tmp_path: Path, clock: RealClock) -> None:
    shown = list(profiletools.try_profile(own_config(tmp_path, feeding.path), clock, 0.4))
    assert len(shown) > 5
    for one in shown:
        for reading in one.readings:
            assert isinstance(reading, Measured)
            assert f"V={reading.value:.2f}V".encode() in one.received
    assert not any(one.sent for one in shown), "nothing is sent to a meter that streams"


def test_a_recorded_conversation_is_the_profiles_test(feeding, tmp_path: Path, clock: RealClock) -> None:
    config = own_config(tmp_path, feeding.path)
    profile = Path(config.profile)
    saved = profiletools.record_conversation(config, clock, profiletools.conversation_beside(profile), 8)
    assert len(saved.readings) == 8
    assert feeding.path not in profiletools.conversation_beside(profile).read_text(encoding="utf-8")
    checked = profiletools.check_profile(profile)
    assert (checked.readings, checked.faults) == (8, ())
    profile.write_text(OWN.replace('V = "dc-voltage"', 'V = "ac-voltage"'), encoding="utf-8")
    assert profiletools.check_profile(profile).readings == 0, (
        "a profile that reads it otherwise fails its test"
    )


def test_a_scpi_conversation_plays_too(scpi_peer, tmp_path: Path, clock: RealClock) -> None:
    shipped = shelf.files("benchlog_drivers") / "profiles" / "simulated-bench-meter.toml"
    profile = tmp_path / "meter.toml"
    profile.write_text(shipped.read_text(encoding="utf-8"), encoding="utf-8")
    config = InstrumentConfig(
        name="m",
        adaptor="scpi",
        roles=(Role.SOURCE_CURRENT,),
        connection=scpi_peer.resource,
        profile=str(profile),
    )
    path = tmp_path / "talk.json"
    profiletools.record_conversation(config, clock, path, 5)
    checked = profiletools.check_profile(profile, path)
    assert (checked.readings, checked.faults) == (5, ())
    changed = profile.read_text(encoding="utf-8").replace('fetch = "FETC?"', 'fetch = "READ?"')
    profile.write_text(changed, encoding="utf-8")
    (fault,) = profiletools.check_profile(profile, path).faults
    assert "The profile has changed" in fault


def test_a_conversation_that_is_none_is_said(tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    path.write_text('{"profile": 1}', encoding="utf-8")
    with pytest.raises(UsageError, match="can't be read"):
        load_conversation(path)


def test_another_baud_rate_shows_the_bytes(pty_peer, tmp_path: Path, clock: RealClock) -> None:
    config = InstrumentConfig(
        name="clamp", adaptor="serial-text", roles=(Role.SOURCE_CURRENT,), connection=pty_peer.path,
        profile="simulated-handheld", timeout_s=0.2,
    )  # fmt: skip
    from benchlog_drivers import registry

    meter = registry.make(config, clock)
    meter.open()
    with pytest.raises(ProtocolFault, match=r"none make sense .*: .*fe e6 98.*baud rate"):
        until = time.monotonic() + 3.0
        while time.monotonic() < until:
            pty_peer.send(b"\xfe\xe6\x98\x00")
            meter.read()
    meter.close()


# ---- discovery --------------------------------------------------------------------------------------


def test_scanning_serial_ports_is_quick_and_opens_none() -> None:
    discovery.scan_ports()
    begun = time.perf_counter()
    found = discovery.scan_ports()
    assert time.perf_counter() - begun < 0.1
    assert all(port.connection for port in found)


def test_who_answers_at_a_chosen_connection(scpi_peer, clock: RealClock) -> None:
    config = InstrumentConfig(
        name="m", adaptor="scpi", roles=(Role.SOURCE_CURRENT,), connection=scpi_peer.resource,
        profile="simulated-bench-meter", timeout_s=0.1,
    )  # fmt: skip
    assert discovery.identify(config, clock).serial_number == "S1"
    scpi_peer.trouble = lambda query, reply: None
    with pytest.raises(InstrumentTimeout):
        discovery.identify(config, clock)


def test_one_connection_is_asked_without_a_bench_file(scpi_peer, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["instruments", "--ask", scpi_peer.resource, "--profile", "simulated-bench-meter"]
    assert main(words) == 0
    assert "INVENTED METER, serial number S1" in capsys.readouterr().out
    assert main(["instruments", "--ask", "/dev/ttyNOBODY", "--profile", "simulated-handheld"]) == 1
    told = capsys.readouterr().out
    assert "no such port" in told
    assert "can't show an inrush peak" in told
    assert "switches itself off after 15 min" in told


@pytest.mark.parametrize("name", ["COM3", "ASRL3", "ASRLCOM3", "ASRL3::INSTR", "asrlcom3::instr", "com3"])
def test_one_port_has_one_name(name: str) -> None:
    assert canonical_port(name, "win32") == "COM3"


def test_paths_keep_their_name_elsewhere() -> None:
    assert canonical_port("ASRL/dev/ttyUSB0::INSTR", "linux") == "/dev/ttyUSB0"
    assert canonical_port("/dev/ttyUSB0", "linux") == "/dev/ttyUSB0"
    assert canonical_port("socket://127.0.0.1:99", "win32") == "socket://127.0.0.1:99"


# ---- the shelf --------------------------------------------------------------------------------------


def test_the_users_own_profile_goes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shelf, "user_config_path", lambda name: tmp_path)
    folder = tmp_path / "profiles"
    folder.mkdir()
    (folder / "simulated-handheld.toml").write_text(OWN, encoding="utf-8")
    assert shelf.find_profile("simulated-handheld").name == "my-meter"
    assert "simulated-handheld" in shelf.known_profiles()


@pytest.mark.parametrize("name", shelf.shipped_profiles())
def test_every_shipped_profile_names_the_source_of_its_facts(name: str) -> None:
    profile = shelf.find_profile(name)
    assert profile.name == name
    assert len(profile.origin) > 10
    assert profile.description
    if name.startswith("simulated"):
        assert "invented for the simulated bench" in profile.origin


@pytest.mark.parametrize("family", list(Family))
def test_every_family_has_a_shipped_profile(family: Family) -> None:
    assert any(shelf.find_profile(name).family is family for name in shelf.shipped_profiles())


@pytest.mark.parametrize(
    ("name", "old", "new", "says"),
    [
        ("simulated-handheld", "(?P<value>", "(?P<worth>", "line 43: it has no group named value"),
        ("simulated-handheld", "(?P<value>", "((?P<value>", "is no regular expression"),
        ("simulated-handheld", 'parity = "N"', 'parity = "X"', "line 27: the parity 'X'"),
        ("simulated-ac-source", '"VOLT {value}"', '"VOLT 12"', "has no place for the number"),
        ("simulated-segment-meter", "[2, 3]", "[2, 15]", r"the digit \[2, 15\] lies outside"),
        ("simulated-segment-meter", '"3f" = "0"', '"ff" = "0"', "is no seven-bit pattern"),
        ("simulated-bcd-meter", '"sum8"', '"sum9"', "'sum9' is none of"),
        ("simulated-bcd-meter", "at = 4, length = 3", "at = 6, length = 3", "reaches into the checksum"),
        ("simulated-power-meter", 'type = "u16"', 'type = "u24"', "'u24' is none of"),
        ("simulated-power-meter", 'family = "modbus"', 'family = "serial-frame"', r"needs a part \[frame\]"),
        (
            "simulated-bcd-meter",
            'origin = "invented for the simulated bench"',
            'origin = " "',
            "where its facts come",
        ),
    ],
)
def test_a_profile_that_makes_no_sense_is_refused_with_its_line(
    name: str, old: str, new: str, says: str
) -> None:
    text = (shelf.files("benchlog_drivers") / "profiles" / f"{name}.toml").read_text(encoding="utf-8")
    assert old in text
    with pytest.raises(UsageError, match=says) as caught:
        parse_profile(text.replace(old, new, 1), f"{name}.toml")
    assert "line " in str(caught.value)


# ---- what a profile states of its meter --------------------------------------------------------------

AVERAGE = (
    OWN
    + """
[traits]
response = "average"
coupling = "ac"
crest_factor = 3.0
least_current_a = 0.05
auto_power_off_min = 10.0
earth = "floating"
"""
)


def test_a_profile_fills_in_the_bench_files_sheet_and_the_more_careful_goes_first(tmp_path: Path) -> None:
    path = tmp_path / "clamp.toml"
    path.write_text(AVERAGE, encoding="utf-8")
    stated = Accuracy(Quantity.AC_CURRENT, 0.015, 5.0, 0.001)
    config = InstrumentConfig(
        "clamp", "serial-text", (Role.SOURCE_CURRENT,), profile=str(path),
        sheet=MeterSheet(accuracy=(stated,), crest_factor=2.0, turns=5),
    )  # fmt: skip
    typed = InstrumentConfig("hand", "typed", (Role.INLET_VOLTAGE,), profile="ac-voltage")
    bench = Bench("mine", (config, typed))
    filled, other = with_traits(bench).instrument
    assert other == typed
    assert (filled.sheet.response, filled.sheet.coupling) == (Response.AVERAGE, Coupling.AC)
    assert (filled.sheet.crest_factor, filled.sheet.auto_power_off_min, filled.sheet.turns) == (2.0, 10.0, 5)
    assert filled.sheet.accuracy[0].least == 0.05
    assert filled.earth is Earth.FLOATING
    simulated = msgspec.structs.replace(bench, simulated=Simulation())
    assert with_traits(simulated) == simulated, "its sheets are the simulated meters' own"
