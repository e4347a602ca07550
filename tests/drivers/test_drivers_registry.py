"""Adaptors by name, clashes and failing imports."""

from importlib.metadata import EntryPoint

import pytest

from benchlog.bench.adaptor import Dial, Meter, Openable, Reporting, Source
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import RealClock
from benchlog.model.errors import UsageError
from benchlog.model.role import Role
from benchlog_drivers import registry


def config(**changes: object) -> InstrumentConfig:
    facts: dict[str, object] = {
        "name": "clamp", "adaptor": "serial-text", "roles": (Role.SOURCE_CURRENT,),
        "connection": "/dev/ttyUSB0", "profile": "simulated-handheld",
    }  # fmt: skip
    return InstrumentConfig(**{**facts, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize("name", sorted(registry.TABLE))
def test_every_entry_of_the_table_imports(name: str) -> None:
    assert callable(registry.maker(name))


def test_an_unknown_adaptor_lists_those_there_are(clock: RealClock) -> None:
    with pytest.raises(UsageError, match=r"no adaptor 'telepathy'.*serial-text"):
        registry.make(config(adaptor="telepathy"), clock)


def test_a_profile_of_another_family_is_refused(clock: RealClock) -> None:
    with pytest.raises(UsageError, match=r"is for the adaptor 'serial-text', not 'scpi'"):
        registry.make(config(adaptor="scpi"), clock)


def test_an_unknown_profile_lists_those_there_are(clock: RealClock) -> None:
    with pytest.raises(UsageError, match=r"no profile 'nobody'.*simulated-handheld"):
        registry.make(config(profile="nobody"), clock)


def test_a_role_that_the_profile_can_not_play_is_refused(clock: RealClock) -> None:
    wanted = config(adaptor="scpi", profile="simulated-bench-meter", roles=(Role.HEATSINK,))
    with pytest.raises(UsageError, match=r"'heatsink' measuring temperature.*has no channel"):
        registry.make(wanted, clock)


def test_an_instrument_without_connection_is_refused(clock: RealClock) -> None:
    with pytest.raises(UsageError, match="has no connection"):
        registry.make(config(connection=""), clock)


def test_what_is_made_has_the_shape_the_recorder_asks_for(clock: RealClock) -> None:
    resource = "TCPIP0::127.0.0.1::1::SOCKET"
    source = registry.make(
        config(adaptor="scpi", profile="simulated-ac-source", roles=(Role.SOURCE,), connection=resource),
        clock,
    )
    assert isinstance(source, Source)
    assert isinstance(source, Openable)
    assert isinstance(source, Reporting)
    meter = registry.make(
        config(adaptor="scpi", profile="simulated-bench-meter", roles=(Role.OUTPUT_DC,), connection=resource),
        clock,
    )
    assert isinstance(meter, Meter)
    assert isinstance(registry.make(config(), clock), Meter)
    assert isinstance(registry.make(config(adaptor="typed", profile=""), clock), Meter)
    dial = registry.make(config(adaptor="hand-set", roles=(Role.SOURCE,), connection="", profile=""), clock)
    assert isinstance(dial, Dial)


def test_a_clash_names_both(monkeypatch: pytest.MonkeyPatch) -> None:
    point = EntryPoint("scpi", "elsewhere:make", registry.GROUP)
    monkeypatch.setattr(registry, "entry_points", lambda **wanted: [point])
    with pytest.raises(
        UsageError, match=r"'scpi' is claimed by benchlog .*makers:make_scpi.* and .*elsewhere:make"
    ):
        registry.maker("scpi")


def test_a_failing_import_is_named_and_chained(monkeypatch: pytest.MonkeyPatch) -> None:
    point = EntryPoint("odd-meter", "no_such_package_here:make", registry.GROUP)
    monkeypatch.setattr(registry, "entry_points", lambda **wanted: [point])
    with pytest.raises(UsageError, match=r"'odd-meter' of .*no_such_package_here") as caught:
        registry.maker("odd-meter")
    assert isinstance(caught.value.__cause__, ModuleNotFoundError)
