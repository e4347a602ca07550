"""Makes what runs commands in this process importable by name."""

import importlib.util
import sys
from pathlib import Path

NAME = "inline_commands"

if NAME not in sys.modules:
    spec = importlib.util.spec_from_file_location(NAME, Path(__file__).with_name(f"{NAME}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[NAME] = module
    spec.loader.exec_module(module)
