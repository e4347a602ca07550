"""The names of rules and marks that others rely on: the watch's page lists those that the code uses."""

import re
from pathlib import Path

import benchlog.bringup.watch as watch

_FOLDER = Path(watch.__file__).parent
_CODE = "\n".join(
    path.read_text(encoding="utf-8") for path in sorted(_FOLDER.glob("*.py")) if path.name != "watch.py"
)


def listed() -> tuple[set[str], set[str]]:
    """Rules and marks of the docstring."""
    rules, marks = (
        (watch.__doc__ or "").split("Names that others may rely on.")[1].split("Marks in `Marked.what`")
    )
    return set(re.findall(r"``([a-z0-9-]+)", rules)), set(re.findall(r"``([a-z-]+)``", marks))


def test_every_listed_name_is_used() -> None:
    rules, marks = listed()
    assert len(rules) > 25 and len(marks) > 15
    unused = {name for name in rules | marks if f'"{name}' not in _CODE}
    assert unused <= {"stale", "link"}, unused
    assert 'f"stale:{role}"' in _CODE and 'f"link:{event.role}"' in _CODE


def test_every_mark_is_listed() -> None:
    used = set(re.findall(r'Marked\(\s*"([a-z-]+)"', _CODE)) | {"link-up", "link-down"}
    assert used == listed()[1]


def test_every_rule_that_cuts_off_is_listed() -> None:
    rules, _ = listed()
    calls = re.findall(r"(?<!def )(?:cut_off|current\.cut|\bcut)\(.*?\n", _CODE)
    used = {name for call in calls for name in re.findall(r', "([a-z0-9-]+)"[,)]', call)}
    assert used <= rules
    assert {"stop-limit", "droop", "source-off", "unwatched"} <= used
    assert {"technician", "program"} <= rules
