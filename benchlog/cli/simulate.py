"""``benchlog simulate``: the simulated bench in a process of its own, or one instrument to practise with."""

import argparse
from pathlib import Path

from benchlog.cli.before import terminal
from benchlog.cli.options import member, parse_fuse, plate_from, positive
from benchlog.cli.output import say
from benchlog.model.quantity import Quantity
from benchlog_drivers.practice.run import PracticeOptions
from benchlog_drivers.practice.run import run as practise
from benchlog_drivers.simulated.options import SimulateOptions, make_options
from benchlog_drivers.simulated.process import run as serve


def add_bench_options(parser: argparse.ArgumentParser) -> None:
    """Options of a simulated bench that are no facts a technician would know of the unit."""
    group = parser.add_argument_group("the simulated bench")
    group.add_argument(
        "--fault", metavar="NAME", help="fault of the unit (an unknown one lists those there are)"
    )
    group.add_argument(
        "--fault-at", type=float, metavar="SECONDS", help="bench seconds after power was first applied"
    )
    group.add_argument("--meters", metavar="KIND", help="meters on the bench, e.g. bench or handheld")
    group.add_argument("--turns", type=int, metavar="N", help="turns of the conductor through the clamp")
    group.add_argument("--source", metavar="KIND", help="programmed or hand-set")
    group.add_argument("--seed", type=int, metavar="N", help="which unit and which meters are drawn")
    group.add_argument("--time-scale", type=positive, metavar="X", help="bench seconds per real second")
    group.add_argument("--hand", metavar="KIND", help="who turns a hand-set source, e.g. steady or late")
    group.add_argument("--technician", metavar="KIND", help="what the technician does, e.g. goes-on or stops")
    group.add_argument("--serial", metavar="KIND", help="pty or tcp")
    group.add_argument("--probe", metavar="KIND", help="meter in the technician's hand, e.g. segments, esr")
    group.add_argument(
        "--sound",
        metavar="OUTPUT=INPUT",
        help="with --meters audio: play the samples to a sound output, and listen at that input",
    )
    group.add_argument("--contactor", metavar="KIND", help="cut-off contactor: line, scpi or modbus")
    group.add_argument("--wander", type=float, metavar="FRACTION", help="mains that wander (hand-set)")
    group.add_argument(
        "--trouble",
        action="append",
        default=[],
        metavar="INSTRUMENT:KIND[@START][+LENGTH]",
        help="an instrument that misbehaves; may be given more than once",
    )


def add_unit_words(parser: argparse.ArgumentParser) -> None:
    """The unit that is simulated, and the lamp."""
    group = parser.add_argument_group("the simulated unit")
    for name in ("amplifier", "supply", "core"):
        group.add_argument(f"--{name}", metavar="KIND")
    plate = group.add_mutually_exclusive_group()
    for name in ("a", "w", "va"):
        plate.add_argument(f"--plate-{name}", type=positive, metavar=name.upper())
    group.add_argument("--mains", type=positive, metavar="V")
    group.add_argument("--lamp", type=positive, metavar="W")
    group.add_argument("--fuse", metavar="MARKING", help="mains fuse that is in it, e.g. T2AL250V")
    idle = group.add_mutually_exclusive_group()
    idle.add_argument("--idle-w", type=positive, metavar="W", help="idle watts by the maker's papers")
    idle.add_argument("--idle-a", type=positive, metavar="A", help="idle amperes by the maker's papers")


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``simulate``."""
    add_unit_words(parser)
    add_bench_options(parser)
    parser.add_argument(
        "--write-bench", type=Path, metavar="FILE", help="write the bench file that reaches it"
    )
    group = parser.add_argument_group("one instrument to practise with, instead of a bench")
    group.add_argument(
        "--practice",
        metavar="NAME",
        help="a shipped profile (an unknown one lists those there are), or 'stranger': a meter without one",
    )
    group.add_argument(
        "--quantity", action="append", default=[], metavar="NAME", help="what it measures; may be repeated"
    )
    group.add_argument("--tcp-port", type=int, default=0, metavar="N", help="its port (default: a free one)")


def options_from(args: argparse.Namespace, **changes: object) -> SimulateOptions:
    """The simulated bench that the words describe. `UsageError` lists what there is."""
    words: dict[str, object] = {
        "amplifier": args.amplifier,
        "supply": args.supply,
        "core": args.core,
        "fault": args.fault,
        "fault_at_s": args.fault_at,
        "meters": args.meters,
        "turns": args.turns,
        "source": args.source,
        "lamp_w": args.lamp,
        "fuse": None if args.fuse is None else parse_fuse(args.fuse),
        "idle_w": args.idle_w,
        "idle_a": args.idle_a,
        "mains_v": args.mains,
        "seed": args.seed,
        "time_scale": args.time_scale,
        "hand": args.hand,
        "technician": args.technician,
        "serial": args.serial,
        "probe": args.probe,
        "contactor": args.contactor,
        "sound": args.sound,
        "wander": args.wander,
        "troubles": tuple(args.trouble),
    }
    plate = plate_from(args)
    if plate is not None:
        words["plate"] = plate
    return make_options(**(words | changes))


def _practice_from(args: argparse.Namespace) -> PracticeOptions:
    """The instrument to practise with; its line is a TCP stream unless ``--serial pty``."""
    return PracticeOptions(
        name=args.practice,
        quantities=tuple(member(Quantity, name, "--quantity") for name in args.quantity),
        troubles=tuple(args.trouble),
        pseudo_terminal=args.serial == "pty",
        port=args.tcp_port,
        write_bench=str(args.write_bench or ""),
    )


def run(args: argparse.Namespace) -> int:
    """Serve until standard input closes or the process is told to end."""
    if args.practice:
        return practise(_practice_from(args))
    changes = {"write_bench": str(args.write_bench)} if args.write_bench else {}
    say(
        "The simulated bench runs until Ctrl-C, or until its standard input closes. Leave it running and "
        "work in another terminal."
    )
    code = serve(options_from(args, **changes))
    if args.write_bench:
        say(_ended(args.write_bench))
    return code


def _ended(bench: Path) -> str:
    """What is left of a simulated bench that has ended: a file that reaches nothing."""
    why = "" if terminal() is not None else " (its standard input was closed; give it a terminal of its own)"
    return f"The simulated bench has ended{why}. {bench} reaches nothing until it is started again."
