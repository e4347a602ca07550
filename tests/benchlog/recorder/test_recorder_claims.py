"""One recording at a time on an instrument; the lock goes with its holder."""

from pathlib import Path

import pytest

from benchlog.bench.file import InstrumentConfig
from benchlog.model.errors import PortRefused
from benchlog.model.role import Role
from benchlog.recorder.claims import Claims

SOURCE = InstrumentConfig("source", "scpi", (Role.SOURCE,), "TCPIP::192.0.2.1::5025::SOCKET")
METER = InstrumentConfig("meter", "serial-text", (Role.SOURCE_CURRENT,), "/dev/ttyUSB0")
TYPED = InstrumentConfig("typed", "typed", (Role.PROBE,))


def test_a_second_recording_is_told_who_has_the_instrument(tmp_path: Path) -> None:
    first = Claims((SOURCE, METER, TYPED), Path("job-a.benchlog"), tmp_path)
    with pytest.raises(PortRefused, match=r"meter \(/dev/ttyUSB0\) is in use by the recording of job-a"):
        Claims((METER,), Path("job-b.benchlog"), tmp_path)
    first.release()
    second = Claims((METER,), Path("job-b.benchlog"), tmp_path)
    first.release()
    second.release()
    assert list(tmp_path.iterdir()) == []


def test_who_is_refused_one_holds_none(tmp_path: Path) -> None:
    first = Claims((METER,), Path("job-a.benchlog"), tmp_path)
    with pytest.raises(PortRefused):
        Claims((SOURCE, METER), Path("job-b.benchlog"), tmp_path)
    third = Claims((SOURCE,), Path("job-c.benchlog"), tmp_path)
    third.release()
    first.release()


def test_two_names_of_one_connection_in_a_bench_are_one(tmp_path: Path) -> None:
    other = InstrumentConfig("volts", "serial-text", (Role.INLET_VOLTAGE,), "/dev/ttyUSB0")
    Claims((METER, other), Path("job-a.benchlog"), tmp_path).release()


def test_where_no_lock_can_be_made_it_says_so_and_goes_on(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    claims = Claims((METER,), Path("job-a.benchlog"), tmp_path / "file")
    assert "Nothing keeps another recording off" in claims.trouble
    claims.release()
