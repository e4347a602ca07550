"""A source that does not obey, is lost, comes back, or is another one."""

import time
from typing import Any

import pytest
from recorder_fakes import SourceServer, TcpSource, bench
from recorder_stand import Stand

from benchlog.bench.adaptor import SourceState
from benchlog.model.errors import InstrumentFault, LinkLost, ProtocolFault, SessionFault
from benchlog.model.event import Instruct, Key, KeyPressed, LinkChanged, SourceAnswered
from benchlog.model.history import Noted, RunBegun, RunTold
from benchlog.model.job import Job
from benchlog.model.role import Role
from benchlog.model.step import Outcome
from benchlog.recorder.recorder import Recorder
from benchlog.session.writer import SessionWriter

pytestmark = pytest.mark.alone


def told(stand: Stand, kind: type) -> list[Any]:
    return [event for _, event in stand.watch.told if isinstance(event, kind)]


def test_the_limit_is_read_back_before_output_on(stand: Stand) -> None:
    stand.run()
    seen = stand.server.seen
    assert seen.index("LIMIT 1.1 4.0") < seen.index("ON")


def test_a_source_that_allows_more_than_its_limit_is_refused(stand: Stand) -> None:
    class Deaf(TcpSource):
        def set_limit(self, limit_a: float, trip_delay_s: float) -> SourceState:
            return SourceState(0.0, False, 9.0)

    stand.adaptors[Role.SOURCE] = Deaf(stand.server.port)
    with pytest.raises(ProtocolFault, match=r"limit of 1.1 A and reads back 9 A"):
        stand.run()
    assert not stand.server.on.is_set()


def test_a_source_found_on_is_switched_off_before_the_run(stand: Stand) -> None:
    stand.server.state |= {"set_v": 120.0, "output_on": True}
    result = stand.run()
    assert stand.server.seen[:2] == ["OFF", "LIMIT 1.1 4.0"]
    assert any("was on when it was found" in text for text in result.warnings)


def test_a_sitting_without_a_run_leaves_the_source_alone(stand: Stand) -> None:
    stand.server.state |= {"set_v": 120.0, "output_on": True}
    store = SessionWriter.create(stand.path, Job(simulated=True), stand.clock.wall())
    recorder = Recorder(store, bench(Role.SOURCE), stand._open, stand.clock)
    stand.after(0.5, lambda: setattr(recorder._board, "leaving", True))
    recorder.run()
    assert stand.server.seen == []
    assert stand.server.state["output_on"]


def test_a_cut_off_before_the_run_begins_switches_nothing_on(stand: Stand) -> None:
    recorder = stand.make()
    begin = recorder._begin

    def late(begun: RunBegun) -> None:
        recorder._board.press(KeyPressed(Key.CUT_OFF, "not yet"))
        begin(begun)

    recorder._begin = late  # type: ignore[method-assign]
    result = recorder.run()
    assert result.ended is not None
    assert result.ended.reason == "not yet"
    assert not stand.server.on.is_set()


def test_too_little_room_on_the_disk_switches_nothing_on(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchlog.session.place.LEAST_FREE", 1 << 60)
    with pytest.raises(SessionFault, match="MB free"):
        stand.run()
    assert not stand.server.on.is_set()


def test_a_source_without_a_limit_is_told(stand: Stand) -> None:
    class Plain(TcpSource):
        def set_limit(self, limit_a: float, trip_delay_s: float) -> SourceState:
            raise ProtocolFault("It can't.")

    stand.adaptors[Role.SOURCE] = Plain(stand.server.port)
    result = stand.run()
    assert any("no current limit of its own" in text for text in result.warnings)
    assert result.ended is not None
    assert result.ended.outcome is Outcome.COMPLETED


def test_a_mute_first_connection_is_overtaken_by_the_second(stand: Stand) -> None:
    stand.watch.length_s = 30.0
    stand.adaptors[Role.SOURCE] = TcpSource(stand.server.port, timeout_s=3.0)

    def cut_off() -> None:
        stand.server.mute_connections.add(0)
        stand.current_a = 2.0

    stand.when_on(cut_off)
    result = stand.run()
    (times,) = result.times
    assert times.by == "second connection"
    assert times.confirmed_us is not None
    assert times.confirmed_us - times.told_us < 500_000
    assert not stand.server.state["output_on"]


def test_a_source_that_ignores_off_is_an_alarm(stand: Stand) -> None:
    stand.watch.length_s = 30.0
    stand.server.deaf = True
    stand.when_on(lambda: setattr(stand, "current_a", 2.0))
    stand.when_on(lambda: setattr(stand.server, "deaf", False), delay_s=2.0)
    result = stand.run()
    assert any("does not confirm off. Bench switch off." in text for text in result.warnings)
    assert len(stand.server.off_ns) > 4
    assert result.times[0].confirmed_us is not None
    notes = [payload.text for payload in stand.entries() if isinstance(payload, Noted)]
    assert any("does not confirm off" in text for text in notes)


def test_a_source_that_never_confirms_does_not_hold_up_the_end(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchlog.recorder.recorder.OFF_S", 0.6)
    stand.watch.length_s = 30.0
    stand.server.deaf = True
    stand.when_on(lambda: setattr(stand, "current_a", 2.0))
    result = stand.run()
    assert result.times[0].confirmed_us is None
    assert result.ended is not None


def test_a_lost_source_is_an_alarm_within_half_a_second(stand: Stand) -> None:
    stand.watch.length_s = 30.0
    lost_us: list[int] = []

    def lose() -> None:
        lost_us.append(stand.clock.now())
        stand.server.drop_all(listening=False)

    stand.when_on(lose)
    import benchlog.recorder.recorder as module

    before, module.OFF_S = module.OFF_S, 0.5
    try:
        result = stand.run()
    finally:
        module.OFF_S = before
    assert result.ended is not None
    assert result.ended.reason == "source-link"
    told_us = next(t for t, event in stand.watch.told if isinstance(event, LinkChanged) and not event.up)
    assert told_us - lost_us[0] < 500_000
    alarm_us = next(t for t, said in stand.said if isinstance(said, Instruct) and said.urgent)
    assert alarm_us - lost_us[0] < 500_000


def test_a_silent_source_is_an_alarm_within_half_a_second(stand: Stand) -> None:
    stand.watch.length_s = 30.0
    stand.adaptors[Role.SOURCE] = TcpSource(stand.server.port, timeout_s=3.0)
    mute_us: list[int] = []

    def mute() -> None:
        mute_us.append(stand.clock.now())
        stand.server.mute_connections.add(0)

    stand.when_on(mute)
    result = stand.run()
    told_us = next(t for t, event in stand.watch.told if isinstance(event, LinkChanged) and not event.up)
    assert told_us - mute_us[0] < 500_000
    assert result.times[0].by == "second connection"
    assert not stand.server.state["output_on"]


def test_a_source_that_comes_back_is_switched_off_and_never_on(stand: Stand) -> None:
    stand.watch.length_s = 30.0
    stand.adaptors[Role.SOURCE] = TcpSource(stand.server.port, second_way=False)
    stand.when_on(stand.server.drop_all)
    result = stand.run()
    assert result.ended is not None
    assert result.ended.reason == "source-link"
    assert stand.server.seen.count("ON") == 1
    assert stand.server.seen[-1] != "ON"
    assert not stand.server.state["output_on"]
    assert any(isinstance(event, LinkChanged) and event.up for event in told(stand, LinkChanged))
    assert any("No standby" in text for text in result.warnings)


def test_a_source_that_trips_by_itself_is_told(stand: Stand) -> None:
    stand.when_on(lambda: stand.server.state.update(output_on=False, tripped=True))
    result = stand.run()
    assert any("switched its output off by itself: its own limit tripped" in text for text in result.warnings)
    assert any(not event.output_on for event in told(stand, SourceAnswered))


def test_another_source_on_the_same_connection_stays_lost(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchlog.recorder.recorder.OFF_S", 1.0)
    stand.watch.length_s = 30.0
    source = stand.adaptors[Role.SOURCE] = TcpSource(stand.server.port, second_way=False)

    def swap() -> None:
        source.serial_number = "2"
        stand.server.drop_all()

    stand.when_on(swap)
    stand.run()
    details = [event.detail for event in told(stand, LinkChanged)]
    assert any("another instrument answers" in detail for detail in details)
    assert not any(event.up for event in told(stand, LinkChanged))
    recorded = [p.event for p in stand.entries() if isinstance(p, RunTold)]
    assert any(isinstance(event, LinkChanged) and not event.up for event in recorded)


def test_output_switched_on_by_hand_after_a_cut_off_is_taken_away_again(stand: Stand) -> None:
    stand.watch.length_s = 30.0
    source = TcpSource(stand.server.port)
    source.open()
    recorder = stand.make(terminal=None)
    # a cut-off, then somebody presses the source's own output key
    stand.when_on(lambda: setattr(stand, "current_a", 2.0))

    def press_output() -> None:
        assert stand.server.off.wait(10.0)
        source._ask("V 50\nON\n")

    stand.when_on(press_output, delay_s=0.0)
    original = recorder._finished
    began = time.monotonic()
    recorder._finished = lambda: original() and time.monotonic() - began > 3.0  # type: ignore[method-assign]
    recorder.run()
    source.close()
    assert stand.server.seen.count("ON") == 2
    assert not stand.server.state["output_on"]


def test_an_unreachable_source_switches_nothing_on(stand: Stand) -> None:
    dead = SourceServer()
    dead.close()
    stand.adaptors[Role.SOURCE] = TcpSource(dead.port)
    with pytest.raises(LinkLost):
        stand.run()
    assert stand.entries()


def test_a_fault_in_an_adaptor_is_a_lost_link_and_not_a_crash(stand: Stand) -> None:
    class Broken(TcpSource):
        def open(self) -> Any:
            raise ZeroDivisionError("oh")

    stand.adaptors[Role.SOURCE] = Broken(stand.server.port)
    with pytest.raises(InstrumentFault, match="ZeroDivisionError"):
        stand.run()
