"""Meters that fall silent, are lost, come back as another; contactor; dial; a sitting without a run."""

import threading
import time
from itertools import pairwise

import pytest
from recorder_fakes import CURRENT, VOLTAGE, FakeMeter, SmallWatch
from recorder_stand import THREE, Stand

from benchlog.model.clock import RealClock
from benchlog.model.errors import BenchlogError, LinkLost, PlanRefused, ProtocolFault, UsageError
from benchlog.model.event import Ended, Key, KeyPressed, LinkChanged, ReadingTaken, StorageChanged
from benchlog.model.history import BenchSet, DiskTrouble, RunBegun, RunEnded, RunTold
from benchlog.model.job import Job
from benchlog.model.reading import Status, Unusable
from benchlog.model.role import Role
from benchlog.model.step import Outcome
from benchlog.recorder.recorder import Recorder
from benchlog.session.lock import holder_of
from benchlog.session.reader import SessionReader
from benchlog.session.verification import verify
from benchlog.session.writer import SessionWriter

pytestmark = pytest.mark.alone


def ammeter(stand: Stand) -> FakeMeter:
    meter = FakeMeter(CURRENT, stand.clock, 0.02, lambda: stand.current_a)
    stand.adaptors[Role.SOURCE_CURRENT] = meter
    return meter


def test_a_silent_meter_is_cut_off_by_time_alone(stand: Stand) -> None:
    stand.watch.length_s = 30.0
    meter = ammeter(stand)
    stand.when_on(lambda: setattr(meter, "silent", True))
    result = stand.run()
    assert result.ended is not None
    assert result.ended.reason == "stale"
    assert result.times[0].reading_end_us is None
    assert not stand.server.state["output_on"]


def test_a_lost_meter_is_told_found_again_and_the_gap_stays(stand: Stand) -> None:
    stand.watch.length_s = 2.0
    stand.watch.stale_s = 5.0
    meter = ammeter(stand)
    stand.when_on(lambda: setattr(meter, "trouble", LinkLost("The ammeter is gone.")))
    stand.when_on(lambda: setattr(meter, "trouble", None), delay_s=0.6)
    result = stand.run()
    assert result.ended == Ended(Outcome.COMPLETED, "Done.")
    links = [event for _, event in stand.watch.told if isinstance(event, LinkChanged)]
    assert [(event.role, event.up) for event in links] == [
        (Role.SOURCE_CURRENT, False),
        (Role.SOURCE_CURRENT, True),
    ]
    assert meter.opened == 2
    with SessionReader(stand.path) as reader:
        t_us = reader.readings(CURRENT).t_us
    assert max(b - a for a, b in pairwise(t_us)) > 300_000


def test_another_meter_in_its_place_is_not_taken(stand: Stand) -> None:
    stand.watch.length_s = 1.5
    stand.watch.stale_s = 5.0
    meter = ammeter(stand)

    def swap() -> None:
        meter.trouble = LinkLost("The ammeter is gone.")
        time.sleep(0.1)
        meter.serial_number = "8"
        meter.trouble = None

    stand.when_on(swap)
    stand.run()
    links = [event for _, event in stand.watch.told if isinstance(event, LinkChanged)]
    assert not any(event.up for event in links)
    assert any("another instrument answers" in event.detail for event in links)


def test_an_answer_that_cannot_be_is_a_garbled_reading(stand: Stand) -> None:
    meter = ammeter(stand)
    stand.when_on(lambda: setattr(meter, "trouble", ProtocolFault("half a line")), delay_s=0.1)
    stand.when_on(lambda: setattr(meter, "trouble", None), delay_s=0.3)
    stand.run()
    readings = [event.reading for _, event in stand.watch.told if isinstance(event, ReadingTaken)]
    garbled = [r for r in readings if isinstance(r, Unusable)]
    assert garbled
    assert {r.status for r in garbled} == {Status.GARBLED}


def test_events_are_told_at_strictly_later_instants(stand: Stand) -> None:
    stand.run()
    instants = [t for t, _ in stand.watch.told]
    assert all(a < b for a, b in pairwise(instants))


def test_the_contactor_is_held_in_while_readings_are_fresh_and_dropped(stand: Stand) -> None:
    stand.watch.length_s = 30.0
    stand.watch.stale_s = 2.0
    meter = ammeter(stand)
    stand.when_on(lambda: setattr(meter, "silent", True), delay_s=0.6)
    stand.run((*THREE, Role.CUT_OFF))
    contactor = stand.adaptors[Role.CUT_OFF]
    assert 5 <= len(contactor.beats_ns) <= 16
    assert len(contactor.dropped_ns) == 1
    gaps = [(b - a) / 1e9 for a, b in pairwise(contactor.beats_ns)]
    assert max(gaps) < 0.4
    # 2 s until the cut-off, of which the last 1.4 s had no beat: the box had dropped long before
    assert (contactor.dropped_ns[0] - contactor.beats_ns[-1]) / 1e9 > 0.9


def test_a_hand_set_source_is_instructed_and_alarmed(stand: Stand) -> None:
    stand.watch = SmallWatch(length_s=30.0, hand_set=True)
    stand.after(1.0, lambda: setattr(stand, "current_a", 2.0))
    result = stand.run()
    assert result.ended is not None
    assert result.ended.outcome is Outcome.ALARMED
    lines = stand.adaptors[Role.SOURCE].lines
    assert lines[0] == ("Turn the dial to 12 V.", 12.0, False)
    assert lines[-1] == ("Bench switch off. Dial to zero. Unplug.", 0.0, True)
    (times,) = result.times
    assert times.reading_end_us is not None
    assert times.sent_us is not None
    assert times.sent_us >= times.said_us


def test_a_hand_that_does_not_take_the_source_away_is_waited_for_and_told(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchlog.recorder.recorder.HAND_S", 0.5)
    stand.watch = SmallWatch(length_s=0.3, hand_set=True)
    stand.server.state["set_v"] = 60.0
    result = stand.run()
    assert any("did not fall to near zero" in text for text in result.warnings)
    with SessionReader(stand.path) as reader:
        last_us = int(reader.readings(VOLTAGE).t_us[-1])
    ended_us = next(t for t, said in stand.said if isinstance(said, Ended))
    assert last_us - ended_us > 300_000


def test_the_word_that_the_source_is_away_ends_the_wait(stand: Stand) -> None:
    stand.watch = SmallWatch(length_s=0.3, hand_set=True)
    stand.server.state["set_v"] = 60.0
    recorder = stand.make()
    stand.after(1.0, lambda: recorder._board.press(KeyPressed(Key.NEAR_ZERO, "unplugged")))
    assert recorder.run().ended == Ended(Outcome.COMPLETED, "Done.")


def test_a_sitting_without_a_run_records_until_it_is_ended(stand: Stand) -> None:
    store = SessionWriter.create(stand.path, Job(simulated=True), stand.clock.wall())
    from recorder_fakes import bench

    recorder = Recorder(store, bench(Role.INLET_VOLTAGE), stand._open, stand.clock)
    stand.after(0.5, lambda: setattr(recorder._board, "leaving", True))
    result = recorder.run()
    assert result.ended is None
    kinds = {type(payload) for payload in stand.entries()}
    assert BenchSet in kinds
    assert not kinds & {RunBegun, RunEnded, RunTold}
    with SessionReader(stand.path) as reader:
        assert len(reader.readings(reader.channels()[0]).t_us) > 10


def test_a_watch_that_fails_takes_the_source_away_and_is_a_bug(stand: Stand) -> None:
    stand.watch.length_s = 30.0

    def fail(now_us: int) -> None:
        raise ZeroDivisionError("in the watch")

    stand.when_on(lambda: setattr(stand.watch, "advance", fail))
    with pytest.raises(ZeroDivisionError, match="in the watch"):
        stand.run()
    assert stand.server.off.is_set()
    (ended,) = [payload for payload in stand.entries() if isinstance(payload, RunEnded)]
    assert ended.outcome is Outcome.CUT_OFF


def test_a_worker_that_fails_takes_the_source_away(stand: Stand) -> None:
    stand.watch.length_s = 30.0

    class Odd(FakeMeter):
        period_s = "wrong"  # type: ignore[assignment]

    meter = ammeter(stand)
    stand.when_on(lambda: setattr(meter, "period_s", "wrong"))
    with pytest.raises((TypeError, BenchlogError)):
        stand.run()
    assert stand.server.off.is_set()


def test_real_instruments_have_no_time_scale(stand: Stand) -> None:
    from recorder_fakes import bench

    store = SessionWriter.create(stand.path, Job(), stand.clock.wall())
    with pytest.raises(PlanRefused):
        Recorder(store, bench(Role.INLET_VOLTAGE, simulated=False), stand._open, RealClock(10.0))
    assert holder_of(stand.path) is None


def test_an_adaptor_that_plays_no_part_is_wrong_use(stand: Stand) -> None:
    stand.adaptors[Role.PROBE] = object()
    with pytest.raises(UsageError, match="no meter, source, dial or contactor"):
        stand.make((*THREE, Role.PROBE))


def test_a_stalled_disk_is_told_and_the_watch_goes_on(stand: Stand) -> None:
    stand.watch.length_s = 30.0
    recorder = stand.make()
    store = recorder._store
    commit = store.commit
    stall = threading.Event()

    def slow() -> object:
        if stall.is_set():
            stall.clear()
            time.sleep(3.0)
        return commit()

    store.commit = slow  # type: ignore[method-assign]
    stand.when_on(stall.set)
    stand.when_on(lambda: setattr(stand, "current_a", 2.0), delay_s=2.6)
    result = recorder.run()
    storing = [event for _, event in stand.watch.told if type(event).__name__ == "StorageChanged"]
    assert not storing[0].storing
    assert "not answered" in storing[0].detail
    (times,) = result.times
    assert times.sent_us is not None
    assert times.sent_us - times.told_us < 100_000
    trouble = [payload for payload in stand.entries() if isinstance(payload, DiskTrouble)]
    assert any("slow" in payload.detail for payload in trouble)
    assert all(payload.lost_s == 0.0 for payload in trouble)


def test_the_file_tells_the_same_events_at_the_same_instants(stand: Stand) -> None:
    stand.watch.length_s = 30.0
    stand.when_on(lambda: setattr(stand, "current_a", 2.0))
    stand.run()
    with SessionReader(stand.path) as reader:
        (run,) = reader.runs()
        stored = [(t, event) for t, event in reader.told() if t > run.begun.t_us]
    assert [(t, type(e)) for t, e in stored] == [(t, type(e)) for t, e in stand.watch.told]
    again = SmallWatch(length_s=30.0)
    said = [*again.begin(run.begun.t_us), *(pair for t, event in stored for pair in again.feed(event, t))]
    assert said == stand.said


def test_a_full_disk_is_told_and_nothing_is_lost_once_there_is_room(stand: Stand) -> None:
    stand.watch.length_s = 4.0
    recorder = stand.make()
    db = recorder._store._db  # type: ignore[attr-defined]

    def fill() -> None:
        db.execute(f"pragma max_page_count = {db.execute('pragma page_count').fetchone()[0]}")

    stand.when_on(fill)
    stand.when_on(lambda: db.execute("pragma max_page_count = 1000000"), delay_s=2.4)
    result = recorder.run()
    assert result.ended == Ended(Outcome.COMPLETED, "Done.")
    storing = [event for _, event in stand.watch.told if isinstance(event, StorageChanged)]
    assert [event.storing for event in storing] == [False, True]
    assert "full" in storing[0].detail
    told = [t for t, e in stand.watch.told if isinstance(e, ReadingTaken) and e.reading.channel == CURRENT]
    with SessionReader(stand.path) as reader:
        rows = reader.readings(CURRENT)
    stored = {int(t + late) for t, late in zip(rows.t_us, rows.late_us, strict=True)}
    assert set(told) <= stored
    trouble = [payload for payload in stand.entries() if isinstance(payload, DiskTrouble)]
    assert trouble
    assert all(payload.lost_s == 0.0 for payload in trouble)
    assert verify(stand.path).ok
