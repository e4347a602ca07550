"""A damaged session comes over into a new one: what is intact, all of it, and nothing else."""

import random
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from session_strategies import CURRENT, WALL, make

from benchlog.cli.main import main
from benchlog.model.errors import SessionFault
from benchlog.model.history import JobEntered, Noted
from benchlog.model.wave import Waveform
from benchlog.session.copying import withhold
from benchlog.session.reader import SessionReader
from benchlog.session.recovery import BY, recover
from benchlog.session.verification import verify
from benchlog.session.writer import SessionWriter

NOW = WALL + timedelta(days=1)


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = make(tmp_path_factory.mktemp("whole") / "a.benchlog", 1000)
    writer = SessionWriter.append_to(path, NOW)
    volts = np.sin(np.arange(70_000) / 100.0)
    writer.add_wave(Waveform(volts, 0.1 * volts, 48_000.0, writer.start_us), "arrival at 12 V")
    writer.close()
    return path


def test_a_whole_session_comes_over_whole(original: Path, tmp_path: Path) -> None:
    out = tmp_path / "b.benchlog"
    recovered = recover(original, out, NOW)
    assert verify(out).ok
    with SessionReader(original) as old, SessionReader(out) as new:
        assert new.entries()[: len(old.entries())] == old.entries()
        for channel in old.channels():
            before, after = old.readings(channel), new.readings(channel)
            for column in ("t_us", "took_us", "late_us", "value", "status"):
                np.testing.assert_array_equal(getattr(before, column), getattr(after, column))
        np.testing.assert_array_equal(old.wave(2).i_a, new.wave(2).i_a)
        assert [wave.note for wave in new.waves()] == [wave.note for wave in old.waves()]
    assert (recovered.missing, recovered.waveforms, recovered.readings) == ((), 2, 2000)


def test_damage_costs_what_it_hit_and_the_rest_keeps_its_numbers(original: Path, tmp_path: Path) -> None:
    rng = random.Random(11)
    with SessionReader(original) as reader:
        true = {entry.seq: entry for entry in reader.entries()}
    content = original.read_bytes()
    lost = 0
    for turn in range(4):
        damaged = bytearray(content)
        for _ in range(40):
            damaged[rng.randrange(len(damaged))] ^= 1 << rng.randrange(8)
        path, out = tmp_path / f"a{turn}.benchlog", tmp_path / f"b{turn}.benchlog"
        path.write_bytes(damaged)
        recovered = recover(path, out, NOW)
        assert verify(out).ok
        with SessionReader(out) as reader:
            for entry in reader.entries():
                by_hand = isinstance(entry.payload, Noted) and entry.payload.by == BY
                if not by_hand and not (entry.seq == 1 and isinstance(entry.payload, JobEntered)):
                    assert entry == true[entry.seq]
        lost += len(recovered.missing)
    assert lost > 0


def test_a_gap_is_told_in_its_place(original: Path, tmp_path: Path) -> None:
    path, out = tmp_path / "a.benchlog", tmp_path / "b.benchlog"
    path.write_bytes(original.read_bytes().replace(b"note 300", b"note 301"))
    recovered = recover(path, out, NOW)
    assert recovered.missing == ((5, 5),)
    with SessionReader(out) as reader:
        assert reader.entries()[4].payload == Noted("Entry 5 was not intact.", by=BY, stage="recovery")
        assert reader.channels()[0] == CURRENT


def test_a_lost_job_is_no_other_job(original: Path, tmp_path: Path) -> None:
    path, out = tmp_path / "a.benchlog", tmp_path / "b.benchlog"
    first = b"Invented Customer"
    path.write_bytes(original.read_bytes().replace(first, first[::-1], 1))
    recover(path, out, NOW)
    with SessionReader(out) as reader:
        assert reader.job().customer.name == ""
        assert any(e.payload == Noted("Entry 1 was not intact.", BY, "recovery") for e in reader.entries())


def test_withheld_entries_stay_withheld(original: Path, tmp_path: Path) -> None:
    numbers = withhold(original, tmp_path / "a.benchlog")
    recovered = recover(tmp_path / "a.benchlog", tmp_path / "b.benchlog", NOW)
    assert recovered.withheld == numbers


@pytest.mark.parametrize("content", [b"", b"nothing of the kind " * 400, bytes(8192)])
def test_where_nothing_is_intact_no_file_is_made(content: bytes, tmp_path: Path) -> None:
    path, out = tmp_path / "a.benchlog", tmp_path / "b.benchlog"
    path.write_bytes(content)
    with pytest.raises(SessionFault, match="Nothing intact"):
        recover(path, out, NOW)
    assert not out.exists()


def test_the_command_says_what_came_over(
    original: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, out = tmp_path / "a.benchlog", tmp_path / "b.benchlog"
    path.write_bytes(original.read_bytes()[:-4096])
    assert main(["recover", str(path), "-o", str(out)]) == 0
    assert "proved by their digests" in capsys.readouterr().out
    assert main(["recover", str(path), "-o", str(out)]) == 1
    assert "exists already" in capsys.readouterr().err
