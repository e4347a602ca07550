"""Makes the sample sessions beside this file again: an invented scenario on the simulated bench.

    python sample_sessions/make.py [--out DIR] [--time-scale X]

Every customer, unit and reading is invented. Three jobs: one repaired and brought up to full voltage with
its cold checks, approval and parts; one with both output devices shorted that is cut off at the first volts;
one whose bias runs away during the soak.
"""

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

INVENTED = "Invented customer (sample scenario)"


def benchlog(*words: str | Path, ends: tuple[int, ...] = (0,)) -> None:
    """Run one command; stop where it ends otherwise than it should."""
    done = subprocess.run(
        [sys.executable, "-m", "benchlog", *map(str, words)], stdin=subprocess.DEVNULL, check=False
    )
    if done.returncode not in ends:
        sys.exit(f"benchlog {words[0]} ended with {done.returncode}")


def bring_up(
    session: Path, scale: float, simulate: list[str], bringup: list[str], ends: tuple[int, ...]
) -> None:
    """A simulated bench beside a bring-up into the session."""
    with tempfile.TemporaryDirectory() as folder:
        bench = Path(folder) / "bench.toml"
        words = [sys.executable, "-m", "benchlog", "simulate", *simulate]
        words += ["--time-scale", str(scale), "--write-bench", str(bench)]
        with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as simulated:
            assert simulated.stdout is not None
            assert simulated.stdin is not None
            simulated.stdout.readline()
            benchlog(
                "bringup",
                "--bench",
                bench,
                "--out",
                session,
                "--when-not-judged",
                "go-on",
                *bringup,
                ends=ends,
            )
            simulated.stdin.close()


def repaired(session: Path, scale: float) -> None:
    """Blown rail fuse, a shorted output device, replaced; brought up to full voltage."""
    benchlog(
        "new", session, "--number", "S-101", "--customer", INVENTED,
        "--complaint", "dead, fuse blown",
        "--invented", "--accessories", "mains cord", "--plate-va", "300", "--fuse", "T4AL250V", "--core",
        "toroidal",
        "--amplifier", "class-ab", "--supply", "linear", "--mains", "120", "--model-text",
        "two-channel amplifier",
    )  # fmt: skip
    benchlog("note", session, "Smell of burnt resistor, left channel. Fuse fitted is the one marked.")
    for reservoir, volts in (("reservoir +", "0.02"), ("reservoir -", "0.04")):
        benchlog("take", session, reservoir, volts, "--reservoir", "--meter-proved")
    rail, junction = ("--check", "output-to-rail"), ("--device", "bipolar", "--polarity", "forward")
    for point, value, kind, known in (
        ("rail fuse, left", "open", "continuity", ("--fuse", "T5AH250V")),
        ("output pin to + rail, left", "3.1", "ohms", rail),
        ("output pin to - rail, left", "12k", "ohms", rail),
        ("output pin to + rail, right", "14k", "ohms", rail),
        ("B-E, left upper device", "0.04", "junction", junction),
        ("B-E, right upper device", "0.61", "junction", junction),
        ("voice coil, left loudspeaker", "6.1", "ohms", ("--check", "voice-coil", "--rated-ohm", "8")),
    ):
        benchlog("take", session, point, value, "--kind", kind, "--in-circuit", "--sure", *known)
    benchlog(
        "approve", session, "--amount", "140.00", "--who", INVENTED, "--how", "telephone",
        "--line", "two output devices, emitter resistor, rail fuse, labour",
    )  # fmt: skip
    benchlog(
        "part",
        session,
        "out",
        "left upper output device",
        "npn power",
        "--note",
        "shorted C-E, kept for return",
    )
    benchlog(
        "part", session, "in", "left output pair", "npn and pnp power", "--lot", "lot 7", "--quantity", "2"
    )
    benchlog("part", session, "in", "rail fuse, left", "T5AH250V")
    benchlog(
        "take", session, "output pin to + rail, left", "15k", "--kind", "ohms", "--in-circuit", *rail,
        "--stage", "parts",
    )  # fmt: skip
    bring_up(session, scale, ["--meters", "handheld", "--source", "programmed", "--seed", "11"], [], (0,))


def rail_short(session: Path, scale: float) -> None:
    """Both devices of a channel shorted: cut off at the first volts."""
    new_job(session, "S-102", "blows its fuse at once")
    bring_up(session, scale, ["--fault", "rail-short", "--meters", "bench", "--seed", "12"], [], (3,))


def runaway(session: Path, scale: float) -> None:
    """The bias runs away during the soak."""
    new_job(session, "S-103", "gets hot and distorts after some minutes")
    simulate = ["--fault", "bias-runaway", "--fault-at", "430", "--meters", "handheld", "--seed", "13"]
    bring_up(session, scale, [*simulate, "--source", "programmed"], ["--soak", "10"], (3,))


def new_job(session: Path, number: str, complaint: str) -> None:
    """Intake of an invented 300 VA amplifier."""
    benchlog(
        "new", session, "--number", number, "--customer", INVENTED, "--complaint", complaint, "--invented",
        "--plate-va", "300", "--fuse", "T4AL250V", "--core", "toroidal", "--amplifier", "class-ab",
        "--supply", "linear", "--mains", "120", "--model-text", "two-channel amplifier",
    )  # fmt: skip


JOBS = {"repaired": repaired, "rail-short": rail_short, "runaway-on-soak": runaway}


def main() -> int:
    """Make all of them."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--out", type=Path, default=Path(__file__).parent)
    parser.add_argument("--time-scale", type=float, default=20.0)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    for name, make in JOBS.items():
        session = args.out / f"{name}.benchlog"
        session.unlink(missing_ok=True)
        make(session, args.time_scale)
    return 0


if __name__ == "__main__":
    sys.exit(main())
