"""No late answer is taken for another; ten thousand a way by ``python tests/faults/late_answers.py``."""

import importlib.util
import sys
from pathlib import Path

import pytest


def test_no_late_answer_is_taken_for_another() -> None:
    pytest.importorskip("termios")
    path = Path(__file__).with_name("late_answers.py")
    spec = importlib.util.spec_from_file_location("late_answers", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["late_answers"] = module
    spec.loader.exec_module(module)
    result = module.campaign(module.WAYS[0], late=5, share=0.06, factor=1.3, seed=2, readings=150)
    assert result.unanswered > 0
    assert result.wrong == []
