"""Style, formatting and types, as tests, so that one command checks everything."""

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "benchlog",
    "drivers",
    "ui",
    "tests",
    "sample_sessions",
}


def _run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", *words], cwd=ROOT, capture_output=True, text=True, timeout=280, check=False
    )


@pytest.mark.parametrize("words", [("ruff", "check", "."), ("ruff", "format", "--check", ".")])
def test_ruff(words: tuple[str, ...]) -> None:
    done = _run(*words)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.timeout(300)
def test_mypy_strict() -> None:
    done = _run("mypy")
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_readme_has_its_two_commands_and_begins_with_the_job() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert re.search(r"<!-- run command -->\s*```sh\n.*benchlog rehearse", text, re.S)
    assert re.search(r"<!-- test command -->\s*```sh\n.*pytest", text, re.S)
    first = text.split("\n\n")[1]
    assert "amplifier" in first
    assert not first.startswith("#")
    cautions, commands = text.index("can kill"), text.index("<!-- run command -->")
    assert cautions < commands


def test_nothing_else_stands_at_the_top() -> None:
    listed = subprocess.run(
        ["git", "ls-tree", "--name-only", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if listed.returncode:
        names = {p.name for p in ROOT.iterdir()} - {"out", "build", "dist"}
    else:
        names = set(listed.stdout.split())
    assert {n for n in names if not n.startswith(".")} <= TOP_LEVEL


def test_every_dependency_is_used_and_every_package_is_shipped() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    shipped = project["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"]
    assert shipped == ["benchlog", "drivers/benchlog_drivers", "ui/benchlog_ui"]
    imports = {
        "PySide6-Essentials": "PySide6", "pyserial": "serial", "pyvisa-py": "@py", "tomli-w": "tomli_w",
        "pillow": "PIL",
    }  # fmt: skip
    source = "\n".join(
        p.read_text(encoding="utf-8") for folder in shipped for p in (ROOT / folder).rglob("*.py")
    )
    for line in project["project"]["dependencies"]:
        name = re.split(r"[<>=! ]", line)[0]
        assert imports.get(name, name) in source, name


def test_every_command_is_in_the_readme() -> None:
    from benchlog.cli.main import COMMANDS

    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for name in COMMANDS:
        assert f"benchlog {name}" in text, name
