"""What is known of a part, typed in one line."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.cold.knowing import known_of, known_words
from benchlog.limits.fuse import parse_fuse
from benchlog.model.errors import UsageError
from benchlog.model.known import Check, Known
from benchlog.model.point import PointKind
from benchlog.model.unit import OutputTopology

ESR, OHMS, JUNCTION, VOLTS = PointKind.ESR, PointKind.OHMS, PointKind.JUNCTION, PointKind.DC_VOLTS


@pytest.mark.parametrize(
    ("text", "kind", "known"),
    [
        ("220u 50V", ESR, Known(farad=220e-6, rated_v=50)),
        ("50V 4n7 new low-impedance 35C", ESR, Known(farad=4.7e-9, rated_v=50, used=False,
                                                    family="low-impedance", celsius=35)),
        ("8R voice-coil lead=0.2", OHMS, Known(check=Check.VOICE_COIL, rated_ohm=8, lead_zero_ohm=0.2)),
        ("R22 emitter-resistor", OHMS, Known(check=Check.EMITTER_RESISTOR, rated_ohm=0.22)),
        ("4k7 resistor 1%", OHMS, Known(check=Check.RESISTOR, rated_ohm=4700, tolerance=0.01)),
        ("T5AH250V", OHMS, Known(fuse=parse_fuse("T5AH250V"))),
        ("bipolar", JUNCTION, Known(device="bipolar")),
        ("collector-emitter", JUNCTION, Known(device="collector-emitter")),
        ("winding 300VA 230V", OHMS, Known(check=Check.WINDING, transformer_va=300, winding_v=230)),
        ("offset direct", VOLTS, Known(check=Check.OFFSET, topology=OutputTopology.DIRECT)),
        ("", OHMS, Known()),
    ],
)  # fmt: skip
def test_words_and_back(text: str, kind: PointKind, known: Known) -> None:
    found = known_of(text, kind)
    assert found == known
    assert known_of(known_words(found, kind), kind) == known


@pytest.mark.parametrize(
    ("text", "kind"),
    [("teapot", ESR), ("220", ESR), ("bipolar", OHMS), ("8R", JUNCTION), ("lead=x", OHMS), ("TT", OHMS)],
)
def test_words_that_say_nothing(text: str, kind: PointKind) -> None:
    with pytest.raises(UsageError):
        known_of(text, kind)


def test_what_is_left_open_stays() -> None:
    assert known_of("new", ESR, Known(farad=1e-4, rated_v=25)) == Known(farad=1e-4, rated_v=25, used=False)


@given(st.integers(1, 9999), st.integers(1, 500))
def test_capacitors_come_back(microfarads: int, volts: int) -> None:
    known = known_of(f"{microfarads}u {volts}V", ESR)
    assert known_of(known_words(known, ESR), ESR) == known
