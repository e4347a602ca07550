"""Options that mean the same in every command."""

import argparse
import locale
import re
from pathlib import Path

import msgspec

from benchlog.model.choice import member as member
from benchlog.model.choice import names_of
from benchlog.model.errors import UsageError
from benchlog.model.unit import Amplifier, Core, Fuse, Plate, PlateKind, Supply, Unit

_FUSE = re.compile(
    r"^(?P<ul>UL\s*)?(?P<char>FF|TT|F|M|T)?\s*(?P<number>\d+(?:[.,]\d+)?)\s*(?P<prefix>m?)A?\s*"
    r"(?P<breaking>[LEH])?\s*(?P<volts>\d+\s*V)?$",
    re.IGNORECASE,
)


def parse_fuse(marking: str) -> Fuse:
    """A fuse from its marking: characteristic, rated current, breaking capacity, volts (IEC 60127-1 order).

    ``T2AL250V``, ``F500mAL``, ``T3.15A``, ``UL 2A``. Raises `UsageError` for anything else.
    """
    match = _FUSE.match(marking.strip())
    if match is None:
        raise UsageError(
            f"'{marking}' is no fuse marking. Write it as on the fuse, e.g. T2AL250V, F500mAL or 'UL 2A'."
        )
    rated = float(match["number"].replace(",", ".")) * (1e-3 if match["prefix"] else 1.0)
    if not 0.0 < rated <= 63.0:
        raise UsageError(f"'{marking}' would be a fuse of {rated:g} A. Unit fuses lie between 1 mA and 63 A.")
    return Fuse(
        marking=marking.strip(),
        rated_a=rated,
        characteristic=(match["char"] or "").upper(),
        breaking=(match["breaking"] or "").upper(),
        standard="ul" if match["ul"] else "iec",
    )


def decimal_comma() -> bool:
    """Whether numbers are written with a decimal comma here, by the numeric locale that is set outside."""
    before = locale.setlocale(locale.LC_NUMERIC)
    try:
        locale.setlocale(locale.LC_NUMERIC, "")
        return locale.localeconv()["decimal_point"] == ","
    except locale.Error:  # the shell names a locale that is not installed
        return False
    finally:
        locale.setlocale(locale.LC_NUMERIC, before)


def add_unit_options(parser: argparse.ArgumentParser) -> None:
    """Options that describe the unit on the bench."""
    group = parser.add_argument_group("the unit on the bench")
    group.add_argument("--amplifier", metavar="KIND", help=names_of(Amplifier))
    group.add_argument("--supply", metavar="KIND", help=names_of(Supply))
    group.add_argument("--core", metavar="KIND", help=names_of(Core))
    plate = group.add_mutually_exclusive_group()
    plate.add_argument("--plate-a", type=positive, metavar="A", help="rated amperes on the nameplate")
    plate.add_argument("--plate-w", type=positive, metavar="W", help="rated watts on the nameplate")
    plate.add_argument("--plate-va", type=positive, metavar="VA", help="rated volt-amperes on the nameplate")
    group.add_argument("--fuse", metavar="MARKING", help="mains fuse as marked, e.g. T2AL250V")
    group.add_argument(
        "--mains", type=positive, metavar="V", help="nominal mains voltage of the unit (120 or 230)"
    )
    idle = group.add_mutually_exclusive_group()
    idle.add_argument("--idle-w", type=positive, metavar="W", help="the maker's idle watts")
    idle.add_argument("--idle-a", type=positive, metavar="A", help="the maker's idle amperes")


def add_run_options(parser: argparse.ArgumentParser) -> None:
    """Options that describe a bring-up."""
    group = parser.add_argument_group("the bring-up")
    group.add_argument(
        "--reference",
        type=Path,
        action="append",
        metavar="FILE",
        help="session of a finished unit of the same model, or a reference file; once for each unit",
    )
    group.add_argument("--lamp", type=positive, metavar="W", help="watts of a series lamp in circuit")
    group.add_argument(
        "--soak", type=positive, metavar="MIN", help="minutes at full voltage after the last step"
    )
    group.add_argument("--plan", type=Path, metavar="FILE", help="step plan of your own (TOML)")
    group.add_argument(
        "--checked",
        default="",
        metavar="REASON",
        help="your answer to what the bench asks before power",
    )
    group.add_argument(
        "--despite",
        default="",
        metavar="REASON",
        help="why to go on in spite of all that is open before power; recorded",
    )
    group.add_argument("--ask", action="store_true", help="step up at the key, not by itself")


def add_json_option(parser: argparse.ArgumentParser) -> None:
    """``--json``: one object on standard output and nothing else there."""
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output")


def positive(text: str) -> float:
    """A finite number above zero, for argparse."""
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number") from None
    if not 0.0 < value < 1e9:
        raise argparse.ArgumentTypeError(f"{text} is not a number above zero")
    return value


def unit_from(args: argparse.Namespace, base: Unit | None) -> Unit:
    """The unit that the options describe; what they leave open comes from ``base`` (bench file, job)."""
    unit = base or Unit(core=None)
    changes: dict[str, object] = {}
    if args.amplifier is not None:
        changes["amplifier"] = member(Amplifier, args.amplifier, "--amplifier")
    if args.supply is not None:
        changes["supply"] = member(Supply, args.supply, "--supply")
    if args.core is not None:
        changes["core"] = member(Core, args.core, "--core")
    if args.fuse is not None:
        changes["fuse"] = parse_fuse(args.fuse)
    if args.mains is not None:
        changes["mains_v"] = args.mains
        changes["mains_hz"] = 50.0 if args.mains > 160.0 else 60.0
    changes |= {name: getattr(args, name) for name in ("idle_w", "idle_a") if getattr(args, name) is not None}
    plate = plate_from(args)
    if plate is not None:
        changes["plate"] = plate
    return msgspec.structs.replace(unit, **changes)


def plate_from(args: argparse.Namespace) -> Plate | None:
    """The nameplate given by options; None where none was."""
    given = {
        PlateKind.AMPERES: args.plate_a,
        PlateKind.WATTS: args.plate_w,
        PlateKind.VOLT_AMPERES: args.plate_va,
    }
    return next((Plate(kind, value) for kind, value in given.items() if value is not None), None)


def check_session_name(session: Path) -> None:
    """`UsageError` for a name that can't be meant as a session file."""
    if session.suffix != ".benchlog":
        raise UsageError(f"A session file ends in .benchlog; name it e.g. {session.stem}.benchlog.")
