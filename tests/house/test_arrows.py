"""The arrows hold, and each check bites on a planted violation."""

import importlib.util
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]


def _load_arrows() -> ModuleType:
    spec = importlib.util.spec_from_file_location("house_arrows", Path(__file__).with_name("arrows.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


arrows = _load_arrows()
PACKAGES = {
    "benchlog": "benchlog",
    "benchlog_drivers": "drivers/benchlog_drivers",
    "benchlog_ui": "ui/benchlog_ui",
}

PLANTED = [
    ("benchlog/model/planted.py", "from benchlog.session import reader\n"),
    ("benchlog/bench/planted.py", "import benchlog.limits\n"),
    ("benchlog/measure/planted.py", "from benchlog import bench\n"),
    ("benchlog/measure/planted.py", "import time\n"),
    ("benchlog/limits/planted.py", "def f():\n    from benchlog.bringup import plan\n"),
    ("benchlog/bringup/planted.py", "import benchlog.cold\n"),
    ("benchlog/cold/planted.py", "from ..job import index\n"),
    ("benchlog/session/planted.py", "import benchlog.recorder\n"),
    (
        "benchlog/recorder/planted.py",
        "import importlib\nimportlib.import_module('benchlog_drivers.registry')\n",
    ),
    ("benchlog/recorder/planted.py", "from benchlog.report import document\n"),
    ("benchlog/report/planted.py", "import PySide6.QtCore\n"),
    ("benchlog/exchange/planted.py", "__import__('benchlog.cli.main')\n"),
    ("benchlog/job/planted.py", "import pickle\n"),
    ("drivers/benchlog_drivers/planted.py", "from benchlog.bringup import watch\n"),
    ("drivers/benchlog_drivers/planted.py", "import serial\n"),
    ("ui/benchlog_ui/planted.py", "from benchlog_drivers import registry\n"),
    ("ui/benchlog_ui/planted.py", "import benchlog.recorder.window\n"),
    ("ui/benchlog_ui/planted.py", "from drivers.benchlog_drivers import registry\n"),
]


def test_the_arrows_hold() -> None:
    assert arrows.faults_below({name: ROOT / folder for name, folder in PACKAGES.items()}) == []


@pytest.mark.parametrize(("where", "text"), PLANTED)
def test_a_planted_import_is_seen(where: str, text: str, tmp_path: Path) -> None:
    planted = tmp_path / where
    planted.parent.mkdir(parents=True)
    planted.write_text(text, encoding="utf-8")
    roots = {name: tmp_path / folder for name, folder in PACKAGES.items()}
    assert arrows.faults_below({n: p for n, p in roots.items() if p.exists()})


def _lint_imports(tree: Path) -> subprocess.CompletedProcess[str]:
    """import-linter over a copy of the house: the copy's folders come first on the path."""
    code = (
        "import sys\n"
        f"sys.path[:0] = [{str(tree)!r}, {str(tree / 'drivers')!r}, {str(tree / 'ui')!r}]\n"
        "from importlinter.cli import lint_imports_command\n"
        "lint_imports_command(['--no-cache'], standalone_mode=True)\n"
    )
    return subprocess.run(
        [sys.executable, "-c", code], cwd=tree, capture_output=True, text=True, timeout=110, check=False
    )


def _copy_house(to: Path) -> None:
    for folder in PACKAGES.values():
        shutil.copytree(ROOT / folder, to / folder, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", to)


def test_import_linter_holds_and_bites(tmp_path: Path) -> None:
    _copy_house(tmp_path)
    kept = _lint_imports(tmp_path)
    assert kept.returncode == 0, kept.stdout + kept.stderr
    plants = {
        "Inside the core": ("benchlog/limits/planted.py", "import benchlog.bringup\n"),
        "The recorder knows": ("benchlog/recorder/planted.py", "import benchlog.report\n"),
        "The session file": ("benchlog/session/planted.py", "import benchlog.measure\n"),
        "Adaptors know": ("drivers/benchlog_drivers/planted.py", "import benchlog.session\n"),
        "The window knows": ("ui/benchlog_ui/planted.py", "import benchlog_drivers\n"),
        "The core has no": ("benchlog/cold/planted.py", "import pyqtgraph\n"),
    }
    for where, text in plants.values():
        (tmp_path / where).write_text(text, encoding="utf-8")
    broken = _lint_imports(tmp_path)
    assert broken.returncode == 1
    for name in plants:
        assert any(name in line and "BROKEN" in line for line in broken.stdout.splitlines()), (
            name,
            broken.stdout,
        )


def test_no_package_marker_in_the_folders_the_packages_stand_in() -> None:
    assert not (ROOT / "drivers" / "__init__.py").exists()
    assert not (ROOT / "ui" / "__init__.py").exists()
    assert not list((ROOT / "tests").rglob("__init__.py"))
