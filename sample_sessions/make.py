"""Makes the sample sessions beside this file again: an invented scenario on the simulated bench.

    python sample_sessions/make.py [--out DIR] [--time-scale X] [NAME ...]

Every customer, unit and reading is invented. Four jobs: one worked through from the first look to the safety
figures; one with both output devices shorted that is cut off at the first volts; one whose bias runs away
during the soak; one declined after the estimate.
"""

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image, ImageDraw

from benchlog.cli.main import main

TECHNICIAN = "Invented technician"
INVENTED = "Invented customer (sample scenario)"


def benchlog(*words: str | Path, ends: tuple[int, ...] = (0,)) -> None:
    """Run one command in this process; stop where it ends otherwise than it should."""
    done = main([str(word) for word in words])
    if done not in ends:
        sys.exit(f"benchlog {words[0]} ended with {done}")


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
    """Blown rail fuse, shorted output stage, dried reservoirs: found, replaced, brought up and checked."""
    benchlog(
        "new", session, "--number", "S-101", "--customer", INVENTED, "--complaint", "dead, fuse blown",
        "--invented", "--accessories", "mains cord", "--terms", "estimate first", "--cap", "EUR 200",
        "--may-open", "--plate-va", "300", "--fuse", "T4AL250V", "--core", "toroidal",
        "--amplifier", "class-ab", "--supply", "linear", "--mains", "120",
        "--model-text", "two-channel amplifier", "--serial", "0101", "--topology", "direct",
        "--protection", "ii",
    )  # fmt: skip
    look(session)
    for reservoir, volts in (("reservoir +", "38.2"), ("reservoir +", "0.02"), ("reservoir -", "0.04")):
        benchlog("take", session, reservoir, volts, "--reservoir", "--meter-proved")
    cold_checks(session, READ_BEFORE)
    agreed(session)
    fitted(session)
    cold_checks(session, READ_AFTER, "--stage", "parts")
    simulate = ["--meters", "handheld", "--source", "programmed", "--seed", "11"]
    bring_up(session, scale, simulate, ["--soak", "5"], (0,))
    final_checks(session)
    benchlog("end", session, "--as", "repaired", "--note", "loudspeakers were not here", "--by", TECHNICIAN)


def look(session: Path) -> None:
    """First look and a photograph."""
    benchlog(
        "look", session, "--seen", "dust; left heat sink discoloured", "--smelt", "burnt resin, left channel",
        "--cord", "sound, strain relief holds", "--fuse-fitted", "T4AL250V", "--selector-v", "120",
        "--swelling", "C5 and C6 domed", "--earlier-repairs", "none seen", "--by", TECHNICIAN,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        picture = Path(folder) / "left-board.png"
        drawn(picture)
        benchlog(
            "note", session, "--photo", picture, "--caption", "left board, Q12 burnt (a drawing: invented)",
            "--part", "Q12", "--strip",
        )  # fmt: skip


def drawn(path: Path) -> None:
    """A drawing in place of a photograph: a board with four parts, one of them burnt."""
    picture = Image.new("RGB", (640, 400), "#5d7052")
    pen = ImageDraw.Draw(picture)
    for number, (x, colour) in enumerate(
        ((60, "#222222"), (210, "#3a2a20"), (360, "#222222"), (510, "#222222"))
    ):
        pen.rectangle((x, 60, x + 90, 200), fill=colour, outline="#c8c8b0", width=3)
        pen.text((x + 30, 215), f"Q{11 + number}", fill="#f0f0e0")
    pen.ellipse((200, 50, 310, 210), outline="#141010", width=6)
    for x in (120, 330):
        pen.ellipse((x, 260, x + 110, 370), fill="#30406a", outline="#d8d8e8", width=4)
    picture.save(path)


PIN = ("--kind", "ohms", "--check", "output-to-rail", "--in-circuit")
BASE = ("--kind", "junction", "--device", "bipolar", "--in-circuit", "--polarity")
ESR = ("--kind", "esr", "--farad", "10m", "--rated-v", "63", "--lead-zero", "0")
READ_BEFORE: tuple[tuple[str, ...], ...] = (
    ("rail fuse +", "open", "--kind", "continuity", "--fuse", "T5AH250V", "--in-circuit", "--group", "left"),
    ("rail fuse -", "0.05", "--kind", "ohms", "--fuse", "T5AH250V", "--lead-zero", "0", "--u", "0.01",
     "--out-of-circuit", "--group", "left"),
    ("output pin to + rail", "3.1", *PIN, "--group", "left"),
    ("output pin to + rail", "14k", *PIN, "--group", "right"),
    ("output pin to - rail", "12k", *PIN, "--group", "left"),
    ("output pin to - rail", "13k", *PIN, "--group", "right"),
    ("Q12 B-E", "0.04", *BASE, "forward", "--group", "left"),
    ("Q12 B-E", "0.04", *BASE, "reverse", "--group", "left"),
    ("Q22 B-E", "0.61", *BASE, "forward", "--group", "right"),
    ("emitter resistor R14", "open", "--kind", "ohms", "--check", "emitter-resistor", "--rated-ohm", "R22",
     "--in-circuit", "--group", "left"),
    ("C5 ESR", "0.42", *ESR, "--in-circuit", "--group", "supply"),
    ("C6 ESR", "0.38", *ESR, "--in-circuit", "--group", "supply"),
    ("voice coil, left loudspeaker", "6.1", "--kind", "ohms", "--check", "voice-coil", "--rated-ohm", "8",
     "--lead-zero", "0", "--out-of-circuit"),
    ("voice coil, right loudspeaker", "6.0", "--kind", "ohms", "--check", "voice-coil", "--rated-ohm", "8",
     "--lead-zero", "0", "--out-of-circuit"),
)  # fmt: skip
"""What was read before the repair: point, value, and what is known of it."""

READ_AFTER: tuple[tuple[str, ...], ...] = (
    ("output pin to + rail", "15k", *PIN, "--group", "left"),
    ("Q12 B-E", "0.60", *BASE, "forward", "--group", "left"),
    ("Q12 B-E", "OL", *BASE, "reverse", "--group", "left"),
    ("emitter resistor R14", "0.22", "--kind", "ohms", "--check", "emitter-resistor", "--rated-ohm", "R22",
     "--lead-zero", "0", "--u", "0.01", "--in-circuit", "--group", "left"),
    ("C5 ESR", "0.02", *ESR, "--u", "0.005", "--in-circuit", "--group", "supply"),
    ("C6 ESR", "0.02", *ESR, "--u", "0.005", "--in-circuit", "--group", "supply"),
    ("rail fuse +", "0.03", "--kind", "continuity", "--fuse", "T5AH250V", "--lead-zero", "0", "--u", "0.005",
     "--in-circuit", "--group", "left"),
)  # fmt: skip


def cold_checks(session: Path, readings: tuple[tuple[str, ...], ...], *more: str) -> None:
    """Readings at test points, typed from a hand meter."""
    for point, value, *known in readings:
        benchlog("take", session, point, value, "--fed-by", "reservoir +, reservoir -", *known, *more)


def agreed(session: Path) -> None:
    """An estimate, its answer, and another answer when the reservoirs were added."""
    lines = ["two output devices and emitter resistor=38.00", "rail fuse=2.00", "labour=100.00"]
    for count, how in ((3, "telephone, 9:40"), (4, "telephone, 11:05")):
        more = ["two reservoirs 10 mF/63 V=32.00"] if count == 4 else []
        benchlog("estimate", session, *lines, *more, "--currency", "EUR", "--by", TECHNICIAN)
        benchlog("approve", session, "--who", INVENTED, "--how", how, "--by", TECHNICIAN)


def fitted(session: Path) -> None:
    """Parts out; the new ones checked by themselves, and in."""
    new = ("--kind", "junction", "--device", "bipolar", "--polarity", "forward")
    for position, value, kind, note in (
        ("Q12, Q13", "npn and pnp power", "output pair", "Q12 shorted C-E, kept for return"),
        ("R14", "R22", "resistor", "open"),
        ("rail fuse + left", "T5AH250V", "fuse", "blown"),
        ("C5, C6", "10mF", "capacitor", "dried out, domed"),
    ):
        benchlog("part", session, "out", position, value, "--type", kind, "--note", note)
    benchlog("part", session, "ordered", "C5, C6", "10mF", "--type", "capacitor", "--rating", "63 V")
    benchlog("take", session, "new Q12 B-E", "0.58", *new, "--part", "Q12, Q13")
    benchlog("take", session, "new R14", "0.22", "--kind", "ohms", "--check", "emitter-resistor",
             "--rated-ohm", "R22", "--lead-zero", "0", "--u", "0.01", "--part", "R14")  # fmt: skip
    benchlog("take", session, "new fuse", "0.03", "--kind", "ohms", "--fuse", "T5AH250V", "--lead-zero", "0",
             "--u", "0.005", "--part", "rail fuse + left")  # fmt: skip
    benchlog("take", session, "new C5", "0.019", *ESR, "--u", "0.005", "--part", "C5, C6")
    benchlog("take", session, "new C5", "9.9m", "--kind", "capacitance", "--farad", "10m",
             "--part", "C5, C6")  # fmt: skip
    for position, value, kind, more in (
        ("Q12, Q13", "npn and pnp power", "output pair", ("--lot", "lot 7", "--quantity", "2")),
        ("R14", "R22", "resistor", ()),
        ("rail fuse + left", "T5AH250V", "fuse", ()),
        ("C5, C6", "10mF", "capacitor",
         ("--rating", "63 V", "--quantity", "2", "--polarity", "+ towards the edge")),
    ):  # fmt: skip
        benchlog("part", session, "in", position, value, "--type", kind, *more)


def final_checks(session: Path) -> None:
    """Adjustment warm and again later, then every channel, then the safety figures."""
    warm = ("--conditions", "lid on, no signal, no load", "--emitter-ohm", "R22", "--target", "10m",
            "--within", "2m", "--u", "0.0002")  # fmt: skip
    for channel, before, after, later in (
        ("left", "2.1m", "10.2m", "10.9m"),
        ("right", "8.8m", "10.0m", "10.4m"),
    ):
        benchlog(
            "adjust",
            session,
            "bias",
            channel,
            "--before",
            before,
            "--after",
            after,
            "--warm-min",
            "20",
            *warm,
        )
        benchlog("adjust", session, "bias", channel, "--after", later, "--warm-min", "30", "--recheck", *warm)
    for channel, offset, volts in (("left", "4m", "20.3"), ("right", "-6m", "20.4")):
        at = ("--channel", channel)
        benchlog("final", session, "dc-offset", offset, *at, "--relay-side", "amplifier")
        benchlog("final", session, "output-into-load", volts, *at, "--load-ohm", "8",
                 "--frequency-hz", "1000", "--distortion", "0.0006")  # fmt: skip
        for check, seen in (
            ("signal", "clear at low and at high level"), ("hum", "none at half a metre"),
            ("tap", "no crackle, board and sockets tapped"), ("heat", "both heat sinks alike by hand"),
        ):  # fmt: skip
            benchlog("final", session, check, *at, "--seen", seen)
    of_the_unit(session)


def of_the_unit(session: Path) -> None:
    """Checks that belong to no channel, and the safety figure."""
    benchlog("final", session, "rails", "41.2", "--second", "-40.9", "--u", "0.3")
    benchlog("final", session, "ripple", "0.12", "--supply-a", "0.16", "--farad", "10m", "--u", "0.005")
    benchlog("final", session, "protection", "--seen", "relay opens on 3 V from a current-limited supply")
    benchlog(
        "safety", session, "touch-current", "0.08m", "--scheme", "de", "--tester", "Invented licensed tester",
        "--licence", "invented", "--instrument", "appliance tester", "--instrument-serial", "T-1",
        "--calibration-due", "2099-12-31", "--u", "0.000005",
        "--conditions", "both mains polarities, switch on",
    )  # fmt: skip


def declined(session: Path, scale: float) -> None:
    """A powered subwoofer whose repair is too dear: declined after the estimate."""
    benchlog(
        "new", session, "--number", "S-104", "--customer", INVENTED, "--complaint", "hums, then silent",
        "--invented", "--plate-w", "120", "--fuse", "T1.6AL250V", "--core", "frame", "--mains", "120",
        "--model-text", "powered subwoofer", "--serial", "0104", "--cap", "EUR 60", "--may-open",
    )  # fmt: skip
    benchlog(
        "look", session, "--seen", "foam of the cone crumbles", "--fuse-fitted", "T3.15AL250V",
        "--selector-v", "120", "--by", TECHNICIAN,
    )  # fmt: skip
    for reservoir in ("reservoir +", "reservoir -"):
        benchlog("take", session, reservoir, "0.03", "--reservoir", "--meter-proved")
    cold_checks(session, DECLINED)
    benchlog(
        "estimate", session, "power module=75.00", "driver=60.00", "labour=80.00", "--currency", "EUR",
        "--note", "no other module is made", "--by", TECHNICIAN,
    )  # fmt: skip
    benchlog("approve", session, "--who", INVENTED, "--how", "in person", "--declined", "--note", "too dear")
    benchlog("end", session, "--as", "declined", "--note", "given back as it came", "--by", TECHNICIAN)


DECLINED: tuple[tuple[str, ...], ...] = (
    ("output pin to + rail", "0.6", *PIN),
    ("output pin to - rail", "0.7", *PIN),
    ("voice coil", "1.1", "--kind", "ohms", "--check", "voice-coil", "--rated-ohm", "4", "--lead-zero", "0",
     "--out-of-circuit"),
)  # fmt: skip
"""What was read on the subwoofer."""


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


JOBS = {"repaired": repaired, "rail-short": rail_short, "runaway-on-soak": runaway, "declined": declined}


def make_all() -> int:
    """Make all of them."""
    parser = argparse.ArgumentParser()
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"only these of {', '.join(JOBS)}")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent)
    parser.add_argument("--time-scale", type=float, default=20.0)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    for name, make in JOBS.items():
        if args.names and name not in args.names:
            continue
        session = args.out / f"{name}.benchlog"
        session.unlink(missing_ok=True)
        make(session, args.time_scale)
    return 0


if __name__ == "__main__":
    sys.exit(make_all())
