"""Makes the shared strategies and readers importable by name."""

import importlib.util
import sys
from pathlib import Path

HERE = Path(__file__)
SHARED = {
    "session_strategies": HERE.parents[1] / "session" / "session_strategies.py",
    "report_sessions": HERE.parents[1] / "report" / "report_sessions.py",
    "xlsx_reading": HERE.with_name("xlsx_reading.py"),
}

for name, path in SHARED.items():
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
