"""Where profiles are found: the user's own first, then those that come with the program, or by path."""

from importlib.resources import files
from pathlib import Path

from platformdirs import user_config_path

from benchlog.bench.profile import Profile
from benchlog.bench.profilefile import load_profile, parse_profile
from benchlog.model.errors import UsageError


def users_folder() -> Path:
    """The user's own profiles, in the platform's configuration folder."""
    return user_config_path("benchlog") / "profiles"


def shipped_profiles() -> list[str]:
    """Names of the profiles that come with the program."""
    folder = files("benchlog_drivers") / "profiles"
    return sorted(entry.name[:-5] for entry in folder.iterdir() if entry.name.endswith(".toml"))


def shipped_text(name: str) -> str:
    """TOML text of a shipped profile. `UsageError` lists those there are."""
    if name not in shipped_profiles():
        raise UsageError(f"There is no shipped profile {name!r}. There are: {', '.join(shipped_profiles())}.")
    return (files("benchlog_drivers") / "profiles" / f"{name}.toml").read_text(encoding="utf-8")


def known_profiles() -> list[str]:
    """Names of all profiles that can be used by name."""
    own = [path.stem for path in users_folder().glob("*.toml")] if users_folder().is_dir() else []
    return sorted({*own, *shipped_profiles()})


def find_profile(name: str) -> Profile:
    """Profile of a name or a path. `UsageError` lists the names there are."""
    if "/" in name or "\\" in name or name.endswith(".toml"):
        return load_profile(Path(name).expanduser())
    own = users_folder() / f"{name}.toml"
    if own.is_file():
        return load_profile(own)
    if name in shipped_profiles():
        return parse_profile(shipped_text(name), f"{name}.toml")
    raise UsageError(
        f"There is no profile {name!r}. There are: {', '.join(known_profiles())}. "
        f"Your own go into {users_folder()}."
    )
