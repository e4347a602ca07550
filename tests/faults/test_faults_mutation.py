"""Mutated frames invent no reading; the full campaign is ``python tests/faults/mutate_frames.py``."""

import importlib.util
import math
import sys
from pathlib import Path
from types import ModuleType

import pytest


def campaign_module() -> ModuleType:
    path = Path(__file__).with_name("mutate_frames.py")
    spec = importlib.util.spec_from_file_location("mutate_frames", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["mutate_frames"] = module
    spec.loader.exec_module(module)
    return module


MODULE = campaign_module()


@pytest.mark.parametrize("make", MODULE.FAMILIES, ids=lambda make: make.__name__)
def test_no_reading_is_invented_by_what_the_check_catches(make) -> None:
    family = make()
    count = MODULE.campaign(family, 8_000, seed=3)
    assert count.caught == 0
    assert count.impossible == 0
    expected = family.theory * count.frames
    assert count.random <= 1.5 * expected + 3.0 * math.sqrt(expected) + 1.0


def test_the_campaign_can_fail() -> None:
    family = MODULE.bcd_family()
    blind = MODULE.Family("blind", family.frame, lambda frame: frame, family.caught, "", family.random, 0.0)
    assert MODULE.campaign(blind, 50, seed=1).caught == 50
