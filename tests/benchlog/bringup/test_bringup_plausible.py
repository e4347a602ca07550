"""Volts, amperes and watts that can't all be true: no further step, told in words; those that can: nothing.

The bound is mathematics (Cauchy-Schwarz: active power is at most r.m.s. volts times r.m.s. amperes).
"""

import numpy as np
import pytest

from benchlog.model.instrument import Accuracy, MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role

WATTMETER = MeterSheet((Accuracy(Quantity.ACTIVE_POWER, 0.003, 10, 0.1),))


def watched(rig, **options):
    """A bench that reads watts too."""
    r = rig(periods={Role.SOURCE_POWER: 0.1}, **options)
    r.setup.sheets[Role.SOURCE_POWER] = WATTMETER
    return r


@pytest.mark.parametrize("factor", [0.3, 0.6, 1.0])
def test_watts_that_can_be_forbid_nothing(rig, factor: float) -> None:
    r = watched(rig)
    r.level[Role.SOURCE_CURRENT] = 0.05
    r.level[Role.SOURCE_POWER] = lambda volts, _: factor * 0.05 * volts
    r.run(60.0)
    assert not [line for line in r.lines() if line.urgent]
    assert len(r.watch.records) >= 2


def test_a_clamp_said_to_have_more_turns_than_it_has_is_found(rig) -> None:
    r = watched(rig)
    true_a = 0.25
    r.level[Role.SOURCE_CURRENT] = true_a / 5.0
    r.level[Role.SOURCE_POWER] = lambda volts, _: 0.6 * true_a * volts
    r.run(90.0)
    assert r.verdict.rule == "implausible"
    assert "the current reads low" in r.verdict.reason
    assert [line.text for line in r.lines() if line.urgent] == [
        "Alarm: volts, amperes and watts don't fit each other"
    ]
    stood = len(r.watch.records)
    r.level[Role.SOURCE_CURRENT] = 0.251
    r.level[Role.SOURCE_POWER] = lambda volts, _: 0.6 * 0.251 * volts
    r.run(3.0)
    assert r.verdict.rule != "implausible"
    assert stood <= len(r.watch.records)


def test_watts_of_a_few_counts_prove_nothing(rig) -> None:
    r = watched(rig)
    r.level[Role.SOURCE_CURRENT] = 0.003
    r.level[Role.SOURCE_POWER] = 0.5
    r.run(40.0)
    assert not [line for line in r.lines() if line.urgent]


def test_the_bound_itself() -> None:
    rng = np.random.default_rng(1)
    v, i = rng.normal(size=(2, 1000, 64))
    assert np.all(np.abs((v * i).mean(1)) <= np.sqrt((v * v).mean(1) * (i * i).mean(1)) * (1 + 1e-12))
