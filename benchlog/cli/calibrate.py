"""``benchlog calibrate``: the inputs of an audio interface against the bench's own meter, on steady loads."""

import argparse
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np

from benchlog.bench.adaptor import Listening
from benchlog.bench.check import AUDIO_CAUTION
from benchlog.bench.file import Bench, InstrumentConfig, load_bench, save_bench
from benchlog.cli.options import add_json_option, positive
from benchlog.cli.output import print_json, print_lines, say
from benchlog.exchange.wavefile import read_sound
from benchlog.measure.coupling import find_corners
from benchlog.measure.halfcycles import HalfCycles, Input
from benchlog.measure.level import Level, Point, fit_level, fit_one, input_delay, noise_floor
from benchlog.measure.uncertainty import linear_u
from benchlog.model.audio import AudioInput, AudioSetup, SampleBlock
from benchlog.model.clock import Clock, RealClock
from benchlog.model.errors import Exit, UsageError
from benchlog.model.instrument import MeterSheet
from benchlog.model.quantity import Quantity
from benchlog_drivers.registry import make

Samples = np.ndarray[tuple[int, ...], np.dtype[np.float32]]
_SETTLE_S = 2.5
"""Not used of each load: what was put back has to settle first."""
_STEADY = 0.02


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``calibrate``."""
    parser.add_argument("--bench", type=Path, required=True, metavar="FILE", help="bench file; it is changed")
    parser.add_argument("--by", metavar="NAME", help="instrument of the bench file that is compared with")
    parser.add_argument("--seconds", type=positive, default=4.0, metavar="S", help="to listen to each load")
    parser.add_argument(
        "--step", type=Path, metavar="FILE.wav", help="find an input's low corner from one step"
    )
    parser.add_argument("--input", choices=("current", "voltage"), default="current", help="of --step")
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Ask for two loads and what the meter reads; write what was found into the bench file."""
    bench = load_bench(args.bench)
    config = next((one for one in bench.instrument if one.audio is not None), None)
    if config is None or config.audio is None:
        raise UsageError(
            f"No instrument of {args.bench} is an audio interface. Add [instrument.audio] to one."
        )
    if args.step is not None:
        audio = _with_corner(config.audio, args.step, args.input)
    else:
        audio = _compared(bench, config, args, RealClock())
    _keep(bench, config, audio, args.bench)
    if args.json:
        print_json({"audio": audio})
    else:
        print_lines(
            [_told(name, getattr(audio, name), unit) for name, unit in (("current", "A"), ("voltage", "V"))]
        )
    return int(Exit.DONE)


def _told(name: str, one: AudioInput, unit: str) -> str:
    corners = ", ".join(f"{c:.2f} Hz" for c in one.corners_hz) or "not known"
    return (
        f"{name}: {one.per_full_scale:.5g} {unit} at full scale ± {one.u_fraction:.1%}, low corner "
        f"{corners}, late by {1e6 * one.delay_s:.1f} µs, compared {one.calibrated or 'never'}"
    )


def _keep(bench: Bench, config: InstrumentConfig, audio: AudioSetup, path: Path) -> None:
    """Write the bench file; the sheet is made of the inputs again when it is read."""
    changed = msgspec.structs.replace(config, audio=audio, sheet=MeterSheet())
    instruments = tuple(changed if one is config else one for one in bench.instrument)
    save_bench(msgspec.structs.replace(bench, instrument=instruments), path)
    say(f"Kept in {path}.")


def _with_corner(audio: AudioSetup, path: Path, name: str) -> AudioSetup:
    """The corner from the largest step of a recording, on the channel of an input."""
    sound, one = read_sound(path), getattr(audio, name)
    if one.channel > sound.samples.shape[1]:
        raise UsageError(f"{path} has no channel {one.channel}, the input of the {name}.")
    x = sound.samples[:, one.channel - 1]
    at = int(np.argmax(np.abs(np.diff(x))))
    if at < 0.05 * sound.rate_hz:
        raise UsageError(f"{path}: the step must come at least 0.05 s after the beginning. Record it again.")
    zero = float(np.mean(x[: at - 4]))
    found = find_corners(x[at + 2 : at + 2 + round(2.0 * sound.rate_hz)] - zero, sound.rate_hz)
    u_fraction = max(found.u_fraction, 0.002)
    changed = msgspec.structs.replace(one, corners_hz=found.corners_hz, corner_u_fraction=u_fraction)
    return msgspec.structs.replace(audio, **{name: changed})


@dataclass(frozen=True, slots=True)
class _Load:
    """What came of one load: r.m.s. of full scale of both inputs, their scatter, and the samples."""

    raw_v: float
    raw_i: float
    scatter_v: float
    scatter_i: float
    v: Samples
    i: Samples
    amperes: float
    volts: float


def _compared(bench: Bench, config: InstrumentConfig, args: argparse.Namespace, clock: Clock) -> AudioSetup:
    assert config.audio is not None
    meter = next((one for one in bench.instrument if one.name == args.by), None)
    if meter is None or meter is config:
        names = ", ".join(one.name for one in bench.instrument if one is not config)
        raise UsageError(f"Say with --by which meter the inputs are compared with. There are: {names}.")
    adaptor = make(config, clock)
    if not isinstance(adaptor, Listening):
        raise UsageError(f"The adaptor {config.adaptor!r} of {config.name} gives no samples.")
    say(f"Caution: {AUDIO_CAUTION}.")
    adaptor.open()
    try:
        ask("Source off, nothing flows. Press Enter.")
        quiet = _listen(adaptor, args.seconds)
        loads = [_load(adaptor, config.audio, args.seconds, which) for which in ("first", "second, larger")]
    finally:
        adaptor.close()
    date = clock.wall().date().isoformat()
    return fit(config.audio, loads, meter.sheet, noise_floor(quiet[:, 1]), noise_floor(quiet[:, 0]), date)


def ask(text: str) -> str:
    """One line from the terminal. `UsageError` where there is none."""
    say(text)
    line = sys.stdin.readline()
    if not line:
        raise UsageError("Calibrating asks questions, and nobody answers. Run it in a terminal.")
    return line.strip()


def _load(adaptor: Listening, audio: AudioSetup, seconds: float, which: str) -> _Load:
    words = ask(
        f"Switch the {which} load on (a lamp), wait, and type what the meter reads: AMPERES VOLTS"
    ).split()
    try:
        amperes, volts = (float(word) for word in words)
    except ValueError as error:
        raise UsageError(
            f"{' '.join(words)!r} is not two numbers. Type amperes and volts: 0.512 119.8"
        ) from error
    return measure(_listen(adaptor, _SETTLE_S + seconds), audio, amperes, volts)


def _listen(adaptor: Listening, seconds: float) -> Samples:
    """So many seconds without a gap, from now on."""
    adaptor.listen()
    wanted, found, have = round(seconds * adaptor.audio.rate_hz), [], 0
    while have < wanted:
        for one in adaptor.listen():
            if isinstance(one, SampleBlock):
                found.append(one.samples)
                have += len(one.samples)
            else:
                found, have = [], 0
    return np.concatenate(found)


def measure(samples: Samples, audio: AudioSetup, amperes: float, volts: float) -> _Load:
    """R.m.s. of a load in full scale, low frequencies put back. `UsageError` where it is not steady."""
    inputs = [Input(1.0, corners_hz=one.corners_hz) for one in (audio.voltage, audio.current)]
    cut = HalfCycles(inputs[0], inputs[1], audio.rate_hz, audio.mains_hz)
    halves = [one for one in cut.feed(samples[:, 0], samples[:, 1]) if one.aligned]
    late = [one for one in halves if one.start > _SETTLE_S * audio.rate_hz]
    if len(late) < 20:
        raise UsageError("No steady alternating voltage was heard. Check the voltage sensor and its channel.")

    def mean(pick: Callable[[int], float]) -> tuple[float, float]:
        x = np.array([pick(k) for k in range(len(late))])
        if x.max() - x.min() > _STEADY * x.mean() + 1e-4:
            raise UsageError("The load was not steady while it was listened to. Wait until the lamp is warm.")
        return float(x.mean()), float(x.std(ddof=1)) / math.sqrt(len(x))

    raw_v, scatter_v = mean(lambda k: late[k].voltage_v)
    raw_i, scatter_i = mean(lambda k: late[k].current_a)
    v, i = (np.concatenate(x) for x in zip(*cut.restored, strict=True))
    cut_off = round(_SETTLE_S * audio.rate_hz)
    return _Load(raw_v, raw_i, scatter_v, scatter_i, v[cut_off:], i[cut_off:], amperes, volts)


def _u(sheet: MeterSheet, quantity: Quantity, value: float) -> tuple[float, float]:
    """U of a meter's reading by its sheet, and the part of it that is not a fraction of reading."""
    stated = sheet.find(quantity)
    if stated is None:
        raise UsageError(
            f"The sheet of the meter states no accuracy for {quantity.label}. Add it to the bench file."
        )
    counts = linear_u(0.0, 0.0, stated.counts, stated.count) + linear_u(
        0.0, 0.0, 1.0, stated.range_fraction * (stated.range or 0.0)
    )
    return linear_u(value, stated.reading_fraction, 0.0, 0.0) + counts, counts


def fit(
    audio: AudioSetup, loads: list[_Load], sheet: MeterSheet, noise_i: float, noise_v: float, date: str
) -> AudioSetup:
    """Levels, noise and phase of both inputs from two loads. `UsageError` where they can't tell."""
    currents = [
        Point(one.raw_i, one.scatter_i, one.amperes, *_u(sheet, Quantity.AC_CURRENT, one.amperes))
        for one in loads
    ]
    last = loads[-1]
    level_i = fit_level(currents)
    level_v = fit_one(
        Point(last.raw_v, last.scatter_v, last.volts, *_u(sheet, Quantity.AC_VOLTAGE, last.volts))
    )
    sign_i, sign_v = (math.copysign(1.0, one.per_full_scale) for one in (audio.current, audio.voltage))
    late = input_delay(sign_v * last.v, sign_i * last.i, audio.rate_hz, audio.mains_hz)
    if abs(late.seconds) > 0.1 / audio.mains_hz:
        raise UsageError(
            f"On a lamp the current comes {1e3 * late.seconds:.1f} ms from the voltage: one sensor is "
            "reversed. Turn it round, or give its per_full_scale a minus sign."
        )
    current = _found(audio.current, level_i, noise_i, late.seconds, date)
    voltage = _found(audio.voltage, level_v, noise_v, -late.seconds, date)
    return msgspec.structs.replace(audio, current=current, voltage=voltage)


def _found(one: AudioInput, level: Level, noise: float, late_s: float, date: str) -> AudioInput:
    return msgspec.structs.replace(
        one,
        per_full_scale=math.copysign(level.per_full_scale, one.per_full_scale),
        u_fraction=round(level.u_fraction, 5),
        noise=max(noise, 1e-7),
        delay_s=max(late_s, 0.0),
        calibrated=date,
    )
