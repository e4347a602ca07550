"""Whether a window can be shown at all, by the environment alone."""

from collections.abc import Mapping


def display_missing(environment: Mapping[str, str], platform: str) -> bool:
    """Whether Qt would abort for want of a display (Linux and other X or Wayland systems only)."""
    if platform in ("win32", "darwin") or environment.get("QT_QPA_PLATFORM"):
        return False
    return not environment.get("DISPLAY") and not environment.get("WAYLAND_DISPLAY")
