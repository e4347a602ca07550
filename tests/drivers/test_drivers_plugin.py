"""An adaptor that comes in another package, laid out as an installer lays it."""

import importlib
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchlog.bench.adaptor import Meter
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import RealClock
from benchlog.model.errors import UsageError
from benchlog.model.reading import Measured
from benchlog.model.role import Role
from benchlog_drivers import registry

EXAMPLE = Path(__file__).with_name("example_plugin")


def install(site: Path, name: str, entry: str) -> None:
    """A package's metadata as an installer writes them."""
    info = site / f"{name}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n", encoding="utf-8")
    (info / "entry_points.txt").write_text(f"[benchlog.adaptors]\n{entry}\n", encoding="utf-8")
    (info / "RECORD").write_text("", encoding="utf-8")


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    folder = tmp_path / "site"
    shutil.copytree(EXAMPLE, folder)
    monkeypatch.syspath_prepend(str(folder))
    importlib.invalidate_caches()
    yield folder
    sys.modules.pop("benchlog_example_thermometer", None)


def config(path: Path, adaptor: str = "file-thermometer") -> InstrumentConfig:
    return InstrumentConfig(name="heatsink", adaptor=adaptor, roles=(Role.HEATSINK,), connection=str(path))


def test_an_installed_package_adds_an_adaptor(site: Path, tmp_path: Path, clock: RealClock) -> None:
    install(site, "benchlog-example-thermometer", "file-thermometer = benchlog_example_thermometer:make")
    assert "file-thermometer" in registry.names()
    sensor = tmp_path / "sensor"
    sensor.write_text("41500\n", encoding="ascii")
    meter = registry.make(config(sensor), clock)
    assert isinstance(meter, Meter)
    meter.open()
    (reading,) = meter.read()
    meter.close()
    assert isinstance(reading, Measured)
    assert reading.value == 41.5


def test_a_clash_with_one_of_the_programs_names_both(site: Path, tmp_path: Path, clock: RealClock) -> None:
    install(site, "rude-package", "scpi = benchlog_example_thermometer:make")
    with pytest.raises(UsageError, match=r"'scpi' is claimed by benchlog .* and rude-package"):
        registry.make(config(tmp_path, "scpi"), clock)


def test_a_clash_between_two_others_names_both(site: Path, tmp_path: Path, clock: RealClock) -> None:
    install(site, "one-package", "file-thermometer = benchlog_example_thermometer:make")
    install(site, "other-package", "file-thermometer = benchlog_example_thermometer:make")
    with pytest.raises(UsageError, match=r"one-package.*other-package|other-package.*one-package"):
        registry.make(config(tmp_path), clock)


def test_a_package_that_does_not_import_is_named(site: Path, tmp_path: Path, clock: RealClock) -> None:
    (site / "benchlog_example_broken.py").write_text("import a_package_that_nobody_has\n", encoding="utf-8")
    install(site, "broken-package", "broken-meter = benchlog_example_broken:make")
    with pytest.raises(
        UsageError, match=r"'broken-meter' of broken-package .*a_package_that_nobody_has"
    ) as caught:
        registry.make(config(tmp_path, "broken-meter"), clock)
    assert isinstance(caught.value.__cause__, ModuleNotFoundError)
