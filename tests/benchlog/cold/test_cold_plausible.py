"""Figures off by a prefix are asked back. What is usual: common practice, no source."""

import pytest

from benchlog.cold.plausible import USUAL, figure_of
from benchlog.model.errors import UsageError
from benchlog.model.quantity import Quantity

VOLTS, OHMS, AMPERES = Quantity.DC_VOLTAGE, Quantity.RESISTANCE, Quantity.AC_CURRENT


@pytest.mark.parametrize(
    ("text", "quantity", "what", "meant"),
    [
        ("12.4", VOLTS, "bias", "12.4m"),
        ("-12", VOLTS, "dc-offset", "-12m"),
        ("3", Quantity.AC_VOLTAGE, "hum", "3m"),
        ("120", Quantity.PEAK_VOLTAGE, "ripple", "120m"),
        ("200m", OHMS, "insulation-ohms", "200M"),
        ("200", OHMS, "insulation-ohms", "200M"),
        ("120", OHMS, "earth-ohms", "120m"),
        ("0.25", AMPERES, "touch-current", "0.25m"),
        ("75", Quantity.AC_VOLTAGE, "leakage-volts", "75m"),
    ],
)
def test_off_by_a_prefix(text: str, quantity: Quantity, what: str, meant: str) -> None:
    with pytest.raises(UsageError, match="unusually") as asked:
        figure_of(text, quantity, what, USUAL[what])
    assert f"is typed {meant}" in str(asked.value)
    assert figure_of(text, quantity, what, USUAL[what], sure=True) == figure_of(text, quantity, sure=True)
    figure_of(meant, quantity, what, USUAL[what])


@pytest.mark.parametrize(
    ("text", "quantity", "what", "value"),
    [
        ("35V", VOLTS, "offset", 35.0),
        ("0.05", VOLTS, "bias", 0.05),
        ("0", OHMS, "insulation-ohms", 0.0),
        ("0.3M", OHMS, "insulation-ohms", 3e5),
        ("0.12", OHMS, "earth-ohms", 0.12),
        ("12.4", VOLTS, "rails", 12.4),
    ],
)
def test_usual_ones_pass(text: str, quantity: Quantity, what: str, value: float) -> None:
    assert figure_of(text, quantity, what, USUAL.get(what)) == value


def test_what_is_no_figure() -> None:
    with pytest.raises(UsageError, match="--after OL: a number is needed"):
        figure_of("OL", VOLTS, "--after")
