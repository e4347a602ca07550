"""The arrows of the house, read from the source text with `ast`.

import-linter sees real imports of importable modules; this reader also sees imports by string
(`importlib.import_module("…")`, `__import__("…")`), imports through the folder names ``drivers`` and
``ui``, and which module inside a package may touch a library at all.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

CORE = "benchlog"
ALLOWED: dict[str, set[str]] = {
    "benchlog.model": set(),
    "benchlog.bench": {"benchlog.model"},
    "benchlog.measure": {"benchlog.model"},
    "benchlog.limits": {"benchlog.model", "benchlog.bench", "benchlog.measure"},
    "benchlog.bringup": {"benchlog.model", "benchlog.bench", "benchlog.measure", "benchlog.limits"},
    "benchlog.cold": {"benchlog.model", "benchlog.bench", "benchlog.measure", "benchlog.limits"},
    "benchlog.session": {"benchlog.model"},
    "benchlog.exchange": {"benchlog.model", "benchlog.measure", "benchlog.session"},
    "benchlog.job": {
        "benchlog.model",
        "benchlog.bench",
        "benchlog.measure",
        "benchlog.limits",
        "benchlog.cold",
        "benchlog.bringup",
        "benchlog.session",
        "benchlog.exchange",
    },
    "benchlog.report": {
        "benchlog.model",
        "benchlog.bench",
        "benchlog.measure",
        "benchlog.limits",
        "benchlog.bringup",
        "benchlog.cold",
        "benchlog.session",
        "benchlog.exchange",
    },
    "benchlog.recorder": {
        "benchlog.model",
        "benchlog.bench",
        "benchlog.measure",
        "benchlog.limits",
        "benchlog.bringup",
        "benchlog.session",
    },
    "benchlog_drivers": {"benchlog.model", "benchlog.bench"},
    "benchlog_ui": {
        "benchlog.model",
        "benchlog.bench",
        "benchlog.measure",
        "benchlog.limits",
        "benchlog.bringup",
        "benchlog.cold",
        "benchlog.job",
        "benchlog.session",
        "benchlog.exchange",
    },
}
"""What each part may import of the project, besides itself. ``benchlog.cli`` may import everything."""

LIBRARIES: dict[str, tuple[str, ...]] = {
    "PySide6": ("benchlog_ui",),
    "shiboken6": ("benchlog_ui",),
    "pyqtgraph": ("benchlog_ui",),
    "pyvisa": ("benchlog_drivers.transports",),
    "pyvisa_py": ("benchlog_drivers.transports",),
    "serial": ("benchlog_drivers.transports",),
    "pymodbus": ("benchlog_drivers.transports",),
    "typst": ("benchlog.report",),
    "xlsxwriter": ("benchlog.exchange",),
    "PIL": ("benchlog.job.photograph",),
    "sounddevice": ("benchlog_drivers.transports.audio", "benchlog_ui.sound"),
    "soundfile": ("benchlog.exchange",),
    "sqlite3": ("benchlog.session", "benchlog.job", "benchlog_drivers.adaptors.played_back"),
}
"""Which part may import a library; nobody else may. ``benchlog.cli`` has no exception here."""

PURE = ("benchlog.measure", "benchlog.limits", "benchlog.bringup", "benchlog.cold")
IMPURE_MODULES = {"time", "socket", "threading", "subprocess", "random", "asyncio", "multiprocessing", "os"}
UNPICKLERS = {"pickle", "shelve", "marshal", "dill"}


def part_of(module: str) -> str:
    """The part of the house a module belongs to: ``benchlog.x`` in the core, else its top-level package."""
    pieces = module.split(".")
    if module == f"{CORE}.__main__":
        return "benchlog.cli"
    if pieces[0] == CORE:
        return ".".join(pieces[:2])
    return pieces[0]


def within(module: str, parents: tuple[str, ...]) -> bool:
    """Whether a module is one of, or lies below one of, the parents."""
    return any(module == p or module.startswith(p + ".") for p in parents)


def imported(tree: ast.AST, module: str, is_package: bool) -> Iterator[tuple[int, str]]:
    """Line and absolute name of everything a module imports, by statement or by string."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = _absolute(node, module, is_package)
            yield node.lineno, base
            yield from ((node.lineno, f"{base}.{alias.name}") for alias in node.names)
        elif isinstance(node, ast.Call) and _imports_by_string(node.func):
            first = node.args[0] if node.args else None
            if isinstance(first, ast.Constant) and isinstance(first.value, str):
                yield node.lineno, first.value


def _absolute(node: ast.ImportFrom, module: str, is_package: bool) -> str:
    if not node.level:
        return node.module or ""
    pieces = module.split(".")
    keep = len(pieces) - node.level + (1 if is_package else 0)
    base = ".".join(pieces[:keep])
    return f"{base}.{node.module}" if node.module else base


def _imports_by_string(func: ast.expr) -> bool:
    name = func.attr if isinstance(func, ast.Attribute) else func.id if isinstance(func, ast.Name) else ""
    return name in {"import_module", "__import__"}


def fault(module: str, name: str) -> str | None:
    """Why ``module`` may not import ``name``; None where it may."""
    top = name.split(".")[0]
    if top in {"drivers", "ui"}:
        return "import through the folder name makes a second copy of every class"
    if top in UNPICKLERS:
        return "nothing is ever unpickled"
    owners = LIBRARIES.get(top)
    if owners is not None and not within(module, owners):
        return f"only {' and '.join(owners)} may import {top}"
    if within(module, PURE) and top in IMPURE_MODULES:
        return "pure parts take time and readings as arguments"
    part = part_of(module)
    target = part_of(name)
    ours = target in ALLOWED or target == "benchlog.cli"
    if part == "benchlog.cli" or part == CORE or not ours or target == part:
        return None
    return None if target in ALLOWED[part] else f"{part} may not know {target}"


def faults_below(roots: dict[str, Path]) -> list[str]:
    """All forbidden imports below the folders of the named packages, one line each."""
    found: set[str] = set()
    for package, root in roots.items():
        for path in sorted(root.rglob("*.py")):
            pieces = [package, *path.relative_to(root).with_suffix("").parts]
            is_package = pieces[-1] == "__init__"
            module = ".".join(pieces[:-1] if is_package else pieces)
            tree = ast.parse(path.read_text(encoding="utf-8"), str(path))
            for line, name in imported(tree, module, is_package):
                why = fault(module, name)
                if why:
                    found.add(f"{module}:{line} imports {name.split(' ')[0]}: {why}")
    return sorted(found)
