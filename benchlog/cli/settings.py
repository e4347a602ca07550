"""``benchlog settings``: the workshop's own particulars."""

import argparse

import msgspec

from benchlog.cli.options import add_json_option
from benchlog.cli.output import print_json, print_lines, say
from benchlog.job.settings import Settings, load_settings, save_settings, settings_path
from benchlog.model.errors import Exit


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``settings``: one for each particular; without any they are printed."""
    for field in Settings.__struct_fields__:
        parser.add_argument(f"--{field}", metavar="TEXT", help="an empty text takes it away")
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Change what is given, and print what holds."""
    given = {f: getattr(args, f) for f in Settings.__struct_fields__ if getattr(args, f) is not None}
    settings = load_settings()
    if given:
        settings = msgspec.structs.replace(settings, **given)
        say(f"Kept in {save_settings(settings)}.")
    if args.json:
        print_json({"file": str(settings_path()), "settings": settings})
    else:
        print_lines([f"{f}: {getattr(settings, f)}" for f in Settings.__struct_fields__])
    return int(Exit.DONE)
