"""The ``benchlog`` command: reads the words, runs one command, turns faults into exit codes."""

import argparse
import importlib
import os
import re
import sys
import traceback
from collections.abc import Callable, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import NoReturn

from benchlog.cli.output import print_lines, say, shortened
from benchlog.model.errors import BenchlogError, Exit

CAUTION = (
    "Mains voltages and charged reservoirs can kill. Work only if you are trained and permitted where "
    "you are; "
    "local codes and licensed practice take precedence. Benchlog is no emergency stop."
)

COMMANDS: dict[str, tuple[str, str]] = {
    "open": ("benchlog.cli.window", "open the window, on a session or the session inside a document"),
    "rehearse": ("benchlog.cli.rehearse", "the whole bring-up on the simulated bench, with its document"),
    "simulate": ("benchlog.cli.simulate", "run the simulated bench and write the bench file that reaches it"),
    "plan": ("benchlog.cli.plan", "show the step plan of a unit and which steps the meters can judge"),
    "bringup": ("benchlog.cli.bringup", "bring a unit up on the instruments of a bench file"),
    "rejudge": ("benchlog.cli.rejudge", "judge a recorded run again"),
    "instruments": ("benchlog.cli.instruments", "what the bench file names and what answers"),
    "profile": ("benchlog.cli.profile", "check, try or record the profile of an instrument's dialect"),
    "new": ("benchlog.cli.new", "begin a session for a job"),
    "look": ("benchlog.cli.look", "enter the first look: what is seen and smelt, fuse, selector, swelling"),
    "take": ("benchlog.cli.take", "enter a reading at a test point and judge it"),
    "point": ("benchlog.cli.point", "the test points of a job: lists, templates, before and after"),
    "note": ("benchlog.cli.note", "enter a note, photographs, or the correction of an entry"),
    "estimate": ("benchlog.cli.agree", "enter an estimate, line by line"),
    "approve": ("benchlog.cli.agree", "enter the customer's answer to an estimate"),
    "part": ("benchlog.cli.part", "enter a part taken out, ordered, fitted or given back"),
    "adjust": ("benchlog.cli.final", "enter bias or offset of a channel: before, after, how warm"),
    "final": ("benchlog.cli.final", "enter a final check of a channel"),
    "safety": ("benchlog.cli.final", "enter a safety figure measured by a licensed person; a record only"),
    "end": ("benchlog.cli.end", "end a job: repaired, no-fault-found, declined, beyond-repair, returned"),
    "jobs": ("benchlog.cli.jobs", "list and search the jobs of a folder, and what each waits for"),
    "settings": ("benchlog.cli.settings", "show or change the workshop's name, address, currency, paper"),
    "show": ("benchlog.cli.show", "print a session: the job, the steps, the history"),
    "export": ("benchlog.cli.export", "write a session's data in other formats, or without the customer"),
    "import": ("benchlog.cli.reading_in", "make a session of exported data"),
    "compare": ("benchlog.cli.compare", "two or more sessions beside each other: which differences are real"),
    "document": ("benchlog.cli.document", "make the document of a session"),
    "verify": ("benchlog.cli.verify", "check a session against its chain, a document against its data"),
    "recover": ("benchlog.cli.recover", "make a new session of what is intact in a damaged one"),
    "calibrate": ("benchlog.cli.calibrate", "compare an audio interface's inputs with the bench's own meter"),
    "figures": ("benchlog.cli.figures", "figures of a recorded waveform"),
    "limit": ("benchlog.cli.limit", "print a limit with its source"),
}
"""Command → module that adds its options (``add_options``) and runs it (``run``), and what it is for."""

_WORDS_ANYWHERE = frozenset({"note", "final", "estimate"})
"""Commands whose words may also stand behind their options."""

_NEGATIVE = re.compile(r"-(?:\d+\.?\d*|\.\d+)[pnuµmkKMGRVAΩ]\w*")

Runner = Callable[[argparse.Namespace], int]


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one line; which options there are is told by ``--help``."""

    def error(self, message: str) -> NoReturn:
        """Exit 2 with the message, without the block of every option."""
        self.exit(int(Exit.USAGE), f"{self.prog}: {message}. '{self.prog} --help' lists the options.\n")


def build_parser() -> argparse.ArgumentParser:
    """The parser that knows the commands by name; each command's own parser comes with its module."""
    parser = argparse.ArgumentParser(
        prog="benchlog",
        description="Measurement logger for the audio-electronics repair bench.",
        epilog=CAUTION,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="store_true", help="print the version")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    for name, (_, purpose) in COMMANDS.items():
        commands.add_parser(name, help=purpose, add_help=False)
    return parser


def load_command(name: str) -> tuple[argparse.ArgumentParser, Runner]:
    """A command's own parser and its runner; its module is imported only now, which keeps the start quick."""
    module_name, purpose = COMMANDS[name]
    module = importlib.import_module(module_name)
    description = purpose[0].upper() + purpose[1:] + "."
    parser = _Parser(prog=f"benchlog {name}", description=description, epilog=CAUTION, allow_abbrev=False)
    module.add_options(parser, name)
    runner: Runner = module.run
    return parser, runner


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    try:
        return _dispatch(words)
    except BenchlogError as error:
        say(f"benchlog: {shortened(str(error))}")
        return int(error.exit_code)
    except KeyboardInterrupt:
        say("benchlog: interrupted.")
        return int(Exit.UNDECIDED)
    except MemoryError:
        say(
            "benchlog: there is not enough memory for that. Close other programs, or take a smaller file; "
            "a file from someone else may have been made to fill the memory."
        )
        return int(Exit.ENVIRONMENT)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return int(Exit.ENVIRONMENT)
    except Exception:  # noqa: BLE001 - the top: a bug is logged, told in one line, and ends with 70
        say(
            f"benchlog: a fault in the program itself; the details are in "
            f"{write_crash_log(traceback.format_exc())}."
        )
        return int(Exit.BUG)


def _dispatch(words: list[str]) -> int:
    words = [_minus(word) for word in words] or ["open"]
    if words == ["--version"]:
        print_lines([f"benchlog {version('benchlog')}"])
        return int(Exit.DONE)
    if words[0] not in COMMANDS:
        build_parser().parse_args(words[:1])
    name = words[0]
    parser, runner = load_command(name)
    parse = parser.parse_intermixed_args if name in _WORDS_ANYWHERE else parser.parse_args
    args = parse(words[1:])
    args.command = name
    return runner(args)


def _minus(word: str) -> str:
    """A negative figure in the trade's notation, e.g. ``-12m``, so that it is not taken for an option."""
    return f"−{word[1:]}" if _NEGATIVE.fullmatch(word) else word


def write_crash_log(text: str) -> Path:
    """Keep the details of a bug in the platform's log folder and return the file."""
    from benchlog.session.crashlog import write_crash_log as keep

    return keep(text)


def entry() -> None:
    """Console entry point."""
    sys.exit(main())


if __name__ == "__main__":
    entry()
