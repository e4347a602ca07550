"""Calibration of an audio interface's inputs as it is done: two lamps, a meter, one recorded step."""

import io
import json
import wave
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import load_bench
from benchlog.cli import calibrate
from benchlog.cli.main import main
from benchlog.model.audio import AudioSetup, SampleBlock
from benchlog_drivers.simulated.sound import SimulatedInput, SoundInterface

RATE = 48_000
TRUE_A, TRUE_V = 87.0, 412.0
BENCH = """
name = "bench (invented)"
mains_v = 120.0
[[instrument]]
name = "meter"
adaptor = "typed"
roles = ["probe"]
[[instrument.sheet.accuracy]]
quantity = "ac-current"
reading_fraction = 0.003
counts = 10
count = 0.001
[[instrument.sheet.accuracy]]
quantity = "ac-voltage"
reading_fraction = 0.005
counts = 2
count = 0.1
[[instrument]]
name = "ears"
adaptor = "audio"
roles = ["source-current", "inlet-voltage"]
connection = "Box"
[instrument.audio]
current = { channel = 2, per_full_scale = 100.0, corners_hz = [7.0] }
voltage = { channel = 1, per_full_scale = 400.0, corners_hz = [3.0] }
"""


class Lamps:
    """Nothing, then two lamps on 120 V at 60 Hz, each for as long as it is listened to."""

    def __init__(self, audio: AudioSetup, reversed_: bool = False) -> None:
        self.audio = audio
        self.amperes = 0.0
        sign = -1.0 if reversed_ else 1.0
        self.interface = SoundInterface(
            SimulatedInput(TRUE_V, (3.0,)), SimulatedInput(sign * TRUE_A, (7.0,), delay_s=30e-6), RATE
        )
        self.at = 0

    def open(self) -> Identity:
        return Identity("Box")

    def close(self) -> None:
        pass

    def listen(self) -> list[SampleBlock]:
        t = (self.at + np.arange(4800)) / RATE
        turn = np.sin(2.0 * np.pi * 60.0 * t) * np.sqrt(2.0)
        samples = self.interface.hear((120.0 if self.amperes else 0.0) * turn, self.amperes * turn, RATE)
        self.at += 4800
        return [SampleBlock(self.at - 4800, samples, 0)]


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH, encoding="utf-8")
    return path


def answered(monkeypatch: pytest.MonkeyPatch, bench: Path, lines: list[str], reversed_: bool = False) -> None:
    audio = load_bench(bench).instrument[1].audio
    assert audio is not None
    lamps = Lamps(audio, reversed_)
    monkeypatch.setattr(calibrate, "make", lambda config, clock: lamps)

    class Typed(io.StringIO):
        def readline(self, size: int = -1) -> str:  # type: ignore[override]
            line = super().readline()
            lamps.amperes = float(line.split()[0]) if line.strip() and line[0].isdigit() else lamps.amperes
            return line

    monkeypatch.setattr("sys.stdin", Typed("".join(f"{line}\n" for line in lines)))


def test_two_lamps_give_level_phase_noise_and_date(
    bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answered(monkeypatch, bench, ["", "0.83 120.0", "2.5 120.0"])
    words = ["calibrate", "--bench", str(bench), "--by", "meter", "--seconds", "1", "--json"]
    assert main(words) == 0
    captured = capsys.readouterr()
    assert "Never a mains conductor" in captured.err
    assert json.loads(captured.out)["audio"]["current"]["channel"] == 2
    audio = load_bench(bench).instrument[1].audio
    assert audio is not None
    for one, true in ((audio.current, TRUE_A), (audio.voltage, TRUE_V)):
        assert abs(one.per_full_scale / true - 1.0) <= one.u_fraction
        assert one.per_full_scale == pytest.approx(true, rel=2e-3)
        assert 0.001 < one.u_fraction < 0.03
        assert one.noise == pytest.approx(1e-5, rel=0.1)
        assert one.calibrated
    assert audio.current.delay_s == pytest.approx(30e-6, abs=2e-6)
    assert load_bench(bench).instrument[1].sheet.accuracy[0].per_second == 120.0


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        (["", "0.83 120.0", "0.9 120.0"], "too much alike"),
        (["", "0.83", "2.5 120.0"], "is not two numbers"),
        ([""], "nobody answers"),
    ],
)
def test_what_can_not_calibrate_is_told(
    bench: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    lines: list[str],
    says: str,
) -> None:
    before = bench.read_text(encoding="utf-8")
    answered(monkeypatch, bench, lines)
    assert main(["calibrate", "--bench", str(bench), "--by", "meter", "--seconds", "0.5"]) == 2
    assert says in capsys.readouterr().err
    assert bench.read_text(encoding="utf-8") == before


def test_a_reversed_sensor_is_told(
    bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answered(monkeypatch, bench, ["", "0.83 120.0", "2.5 120.0"], reversed_=True)
    assert main(["calibrate", "--bench", str(bench), "--by", "meter", "--seconds", "0.5"]) == 2
    assert "reversed" in capsys.readouterr().err


def step(path: Path) -> Path:
    x: npt.NDArray[np.float64] = np.concatenate([np.zeros(9600), np.full(96_000, 8.0)])
    heard = SoundInterface(SimulatedInput(400.0), SimulatedInput(87.0, (11.0,)), RATE).hear(0.0 * x, x, RATE)
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(4)
        file.setframerate(RATE)
        file.writeframes(np.round(heard.astype(np.float64) * 2.0**31).astype("<i4").tobytes())
    return path


def test_a_corner_from_a_recorded_step(bench: Path, tmp_path: Path) -> None:
    assert main(["calibrate", "--bench", str(bench), "--step", str(step(tmp_path / "step.wav"))]) == 0
    audio = load_bench(bench).instrument[1].audio
    assert audio is not None
    assert audio.current.corners_hz == pytest.approx((11.0,), rel=5e-3)
    assert abs(audio.current.corners_hz[0] / 11.0 - 1.0) <= audio.current.corner_u_fraction


def test_a_meter_must_be_named(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["calibrate", "--bench", str(bench)]) == 2
    assert "There are: meter" in capsys.readouterr().err
