"""Each promise of the safety section names its tests, and the tests that it names are there."""

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
_FILE = re.compile(r"`(tests/[\w/]+\.py)`")
_TEST = re.compile(r"`(test_\w+)`")


def promises() -> list[tuple[str, str]]:
    """Promise and tests of each row of the table."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("## What the program promises", 1)[1].split("\n## ", 1)[0]
    rows = [line.strip("|").split("|") for line in section.splitlines() if line.startswith("| ")]
    return [(row[0].strip(), row[1].strip()) for row in rows if row[0].strip() not in ("promise", "---")]


def test_each_promise_names_tests_that_are_there() -> None:
    assert len(promises()) >= 15
    for promise, tests in promises():
        files, names = _FILE.findall(tests), _TEST.findall(tests)
        assert files and names, promise
        source = "\n".join((ROOT / name).read_text(encoding="utf-8") for name in files)
        for name in names:
            assert f"def {name}(" in source, (promise, name)
