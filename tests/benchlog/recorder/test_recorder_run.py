"""The recorder from port to session file, in this process, over a loopback source."""

from recorder_stand import Stand

from benchlog.model.event import Ended
from benchlog.model.history import BenchSet, RunBegun, RunEnded, RunSaid
from benchlog.model.step import Outcome
from benchlog.session.reader import SessionReader


def test_a_run_completes_and_is_on_the_disk(stand: Stand) -> None:
    result = stand.run()
    assert result.ended == Ended(Outcome.COMPLETED, "Done.")
    assert stand.server.seen[:3] == ["LIMIT 1.1 4.0", "V 12.0", "ON"]
    assert stand.server.seen[-1] == "OFF"
    assert not stand.server.state["output_on"]
    kinds = [type(payload) for payload in stand.entries()]
    assert kinds.index(BenchSet) < kinds.index(RunBegun) < kinds.index(RunSaid) < kinds.index(RunEnded)
    with SessionReader(stand.path) as reader:
        readings = reader.readings(reader.channels()[0])
    assert 20 < len(readings.t_us) < 80
    assert stand.said[-1][1] == result.ended


def test_two_high_readings_cut_off_and_are_timed(stand: Stand) -> None:
    stand.watch.length_s = 20.0
    stand.when_on(lambda: setattr(stand, "current_a", 2.0))
    result = stand.run()
    assert result.ended is not None
    assert (result.ended.outcome, result.ended.reason) == (Outcome.CUT_OFF, "stop-limit")
    (times,) = result.times
    assert times.reading_end_us is not None
    assert times.sent_us is not None
    assert times.confirmed_us is not None
    assert times.reading_end_us <= times.told_us <= times.said_us <= times.sent_us <= times.confirmed_us
    assert times.by == "first connection"
