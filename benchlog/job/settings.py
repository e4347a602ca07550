"""Workshop settings: name, address, currency, paper, technician; in the platform's configuration folder.

Nothing of it is needed to start measuring: where there is no file everything is empty.
"""

import tomllib
from pathlib import Path

import msgspec
import platformdirs
import tomli_w

from benchlog.model.errors import BenchlogError, EnvironmentFault, UsageError
from benchlog.model.job import Workshop

PAPERS = ("a4", "letter")


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Of one workshop."""

    workshop: str = ""
    address: str = ""
    currency: str = ""
    paper: str = "a4"
    technician: str = ""
    competence: str = ""
    """What the technician is trained and permitted for, in their own words."""
    terms: str = ""
    """Terms that a new job begins with."""
    photographs: str = ""
    """Folder that photographs are picked up from."""


def settings_path() -> Path:
    """The file of the settings."""
    return platformdirs.user_config_path("benchlog", appauthor=False) / "settings.toml"


def load_settings(path: Path | None = None) -> Settings:
    """The settings; empty where there is no file.

    `UsageError` says what is wrong in the file, `EnvironmentFault` why it can't be read.
    """
    path = path or settings_path()
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return Settings()
    except (OSError, UnicodeDecodeError) as error:
        raise EnvironmentFault(f"{path} can't be read: {error}.") from error
    try:
        return checked(msgspec.convert(tomllib.loads(text), Settings))
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as error:
        raise UsageError(f"{path} can't be understood: {error}. Mend it, or delete it.") from error


def save_settings(settings: Settings, path: Path | None = None) -> Path:
    """Write them, whole or not at all, and return the file. `EnvironmentFault` where it can't be written."""
    path = path or settings_path()
    text = tomli_w.dumps(msgspec.to_builtins(checked(settings)))
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        draft = path.with_suffix(".new")
        draft.write_text(text, encoding="utf-8")
        draft.replace(path)
    except OSError as error:
        raise EnvironmentFault(f"{path} can't be written: {error}.") from error
    return path


def workshop_of(settings: Settings) -> Workshop:
    """What a job keeps of the settings."""
    return Workshop(
        settings.workshop, settings.address, settings.currency, settings.technician, settings.competence
    )


def usable_settings() -> Settings:
    """The settings, and empty ones where their file can't be used: nothing of them is needed to start."""
    try:
        return load_settings()
    except BenchlogError:
        return Settings()


def checked(settings: Settings) -> Settings:
    """The settings themselves. `UsageError` for a paper that is not on file."""
    if settings.paper not in PAPERS:
        raise UsageError(f"Paper '{settings.paper}' is not known. There is: {', '.join(PAPERS)}.")
    return settings
