"""Profiles: messages name the line."""

import pytest

from benchlog.bench.lines import line_of
from benchlog.bench.profile import Family
from benchlog.bench.profilefile import parse_profile
from benchlog.model.errors import UsageError

GOOD = """name = "x"
family = "scpi"
origin = "invented for the simulated bench"

[link]
timeout_s = 0.5

[[channel]]
quantity = "ac-current"
field = 1

[[channel]]
quantity = "ac-voltage"
roles = ["inlet-voltage"]
"""


def test_a_good_profile() -> None:
    profile = parse_profile(GOOD, "x.toml")
    assert profile.family is Family.SCPI
    assert profile.link.timeout_s == 0.5
    assert profile.channel[1].field == 0


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ("0.5", '"fast"', 6, "Expected `float`"),
        ('"ac-voltage"', '"volts"', 13, "volts"),
        ("field = 1", "feld = 1", 10, "feld"),
        ('["inlet-voltage"]', '["inlet"]', 14, "inlet"),
        ("[link]", "[linked]", 5, "linked"),
        ('quantity = "ac-current"\n', "", 8, "quantity"),
        ('family = "scpi"', 'family = "telepathy"', 2, "telepathy"),
    ],
)
def test_a_mistake_is_named_with_its_line(old: str, new: str, line: int, says: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_profile(GOOD.replace(old, new, 1), "x.toml")
    assert f"x.toml, line {line}:" in str(caught.value)
    assert says in str(caught.value)


def test_what_is_not_toml_names_its_line() -> None:
    with pytest.raises(UsageError, match="line 2"):
        parse_profile('name = "x"\nfamily = scpi\n', "x.toml")


def test_lines_of_nested_tables() -> None:
    text = "a = 1\n[b.c]\nd = 2\n[[e]]\nf = 1\n[e.g]\nh = 1\n[[e]]\nf = 2\n[e.g]\nh = 2\n"
    assert line_of(text, "$.b.c.d") == 3
    assert line_of(text, "$.e[0].g.h") == 7
    assert line_of(text, "$.e[1].g.h") == 11
    assert line_of(text, "$.e[1].nothing") == 8
    assert line_of(text, "$") == 1
