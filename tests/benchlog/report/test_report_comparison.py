"""Comparing sessions: which differences are real, and what stands in one of them only."""

import json
import math
import re
from pathlib import Path

import msgspec
import pytest
from GTC import ureal
from hypothesis import given
from hypothesis import strategies as st
from report_sessions import BENCH, JOB, Building, ended, taken, text_of

from benchlog.cli.main import main
from benchlog.model.errors import UsageError
from benchlog.model.history import Taken
from benchlog.model.job import Customer
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.step import Outcome
from benchlog.model.work import Adjusted, Adjustment, FinalCheck, FinalChecked
from benchlog.report.comparison import compare, make_comparison
from benchlog.report.document import make_document
from benchlog.report.pairs import difference

amounts = st.floats(-1e6, 1e6)
uncertainties = st.floats(1e-6, 1e3)


@given(amounts, uncertainties, amounts, uncertainties)
def test_uncertainty_of_a_difference(a: float, u_a: float, b: float, u_b: float) -> None:
    """Against GTC (Measurement Standards Laboratory of New Zealand), which propagates by JCGM 100."""
    found = difference(a, u_a, b, u_b)
    wanted = ureal(b, u_b / 2.0) - ureal(a, u_a / 2.0)
    assert found is not None
    assert found.u is not None
    assert found.value == pytest.approx(wanted.x)
    assert found.u == pytest.approx(2.0 * wanted.u)
    assert found.real is (abs(found.value) > found.u)


def test_nothing_is_said_where_it_is_not_known() -> None:
    assert difference(None, 0.1, 1.0, 0.1) is None
    found = difference(1.0, None, 2.0, 0.1)
    assert found is not None
    assert found.real is None


@pytest.fixture
def sessions(tmp_path: Path) -> tuple[Path, Path]:
    left = Building(tmp_path / "left.benchlog").add(taken("emitter resistor", 0.22, 0.01), taken("coil", 7.6))
    left.add(taken("only here", 1.0, 0.1))
    right = Building(tmp_path / "right.benchlog").add(
        taken("emitter resistor", 0.31, 0.01), taken("coil", 7.6)
    )
    return left.run(ended(idle_a=0.30)).close(), right.run(ended(idle_a=0.33)).close()


def test_which_differences_are_real(sessions: tuple[Path, Path]) -> None:
    found = compare(sessions)
    by_name = {c.what: c for c in found.differences}
    # 0.3 and 0.33 A ± 0.012 A at full voltage: 0.03 > √2 · 0.012 = 0.017; at 5 % only a twentieth of it
    full, low = by_name["idle current at 100 % of mains"], by_name["idle current at 5 % of mains"]
    assert full.difference == pytest.approx(0.03)
    assert full.difference_u == pytest.approx(0.012 * math.sqrt(2))
    assert (full.real, low.real) == (True, False)
    assert by_name["left channel: emitter resistor (resistance)"].real is True
    assert by_name["left channel: coil (resistance)"].real is None
    assert found.only_in_one == ("left channel: only here (resistance): not in session 2",)


def test_left_against_right_in_one_session(tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    building = Building(tmp_path / "a.benchlog")
    for group, ohms, volts in (("left", 0.22, 0.010), ("right", 0.31, 0.014)):
        point = TestPoint("emitter resistor", PointKind.OHMS, group)
        building.add(
            Taken(point, Quantity.RESISTANCE, ohms, u=0.01),
            Adjusted(Adjustment.BIAS, group, 0.05, volts, u=0.0004),
            FinalChecked(FinalCheck.OFFSET, group, ohms / 10.0, quantity=Quantity.DC_VOLTAGE, u=0.1),
        )
    session = str(building.run(ended()).close())
    assert main(["compare", session, "--groups", "left", "right", "--json"]) == 0
    found = json.loads(capfdbinary.readouterr().out)
    by_name = {d["what"]: d for d in found["differences"]}
    assert set(by_name) == {
        "emitter resistor (resistance)", "bias as set", "final check, DC at the output",
    }  # fmt: skip
    assert by_name["emitter resistor (resistance)"]["difference"] == pytest.approx(0.09)
    assert [by_name[k]["real"] for k in sorted(by_name)] == [True, True, False]
    assert main(["compare", session, session, session, "--groups", "left", "right"]) == 2


def test_a_step_that_was_not_reached_is_told(tmp_path: Path, sessions: tuple[Path, Path]) -> None:
    cut = Building(tmp_path / "cut.benchlog").run(ended(Outcome.CUT_OFF)).close()
    found = compare((sessions[0], cut))
    assert sum("step" in line and "not in session 2" in line for line in found.only_in_one) == 4


def test_the_document_of_a_comparison(tmp_path: Path, sessions: tuple[Path, Path]) -> None:
    make_comparison((*sessions, sessions[0]), tmp_path / "c.pdf")
    pages = text_of(tmp_path / "c.pdf")
    text = re.sub(r"\s+", " ", " ".join(pages))
    assert "idle current at 100 % of mains 300 mA ± 12 mA 330 mA ± 12 mA +30 mA ± 17 mA real" in text
    assert "Session 3 against session 1" in text
    assert text.count("session 3") == 2, "both graphs name their lines"
    assert "Source current (r.m.s.) from the beginning of the last bring-up, 3 sessions." in text
    for session in sessions:
        assert str(session.name) in text.replace(" ", "")
    assert not re.search(r"\b(healthy|safe|passed|ok)\b", text.split("Cautions")[0], re.IGNORECASE)


def test_simulated_is_on_every_page(tmp_path: Path, sessions: tuple[Path, Path]) -> None:
    simulated = Building(tmp_path / "s.benchlog").add(msgspec.structs.replace(BENCH, simulated=True))
    make_comparison((sessions[0], simulated.run(ended()).close()), tmp_path / "c.pdf")
    assert all("Simulated" in page for page in text_of(tmp_path / "c.pdf"))


def test_hostile_names(tmp_path: Path, sessions: tuple[Path, Path]) -> None:
    job = msgspec.structs.replace(JOB, number='#panic("=1") 😀', customer=Customer("@x"))
    odd = Building(tmp_path / "#set.benchlog", job).add(taken("#x *y* \u202e", 1.0, 0.1)).run(ended()).close()
    make_comparison((odd, sessions[0]), tmp_path / "c.pdf")
    assert '#panic("=1")' in "".join(text_of(tmp_path / "c.pdf"))


def test_the_command(
    tmp_path: Path, sessions: tuple[Path, Path], capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    make_document(sessions[1], tmp_path / "right.pdf")
    words = ["compare", str(sessions[0]), str(tmp_path / "right.pdf")]
    assert main([*words, "--document", str(tmp_path / "c.pdf"), "--json"]) == 0
    found = json.loads(capfdbinary.readouterr().out)
    assert set(found) == {"sessions", "differences", "only_in_one"}
    assert found["sessions"][1]["session"] == str(tmp_path / "right.pdf")
    assert (tmp_path / "c.pdf").read_bytes().startswith(b"%PDF-")
    assert main(words) == 0
    assert "+30 mA ± 17 mA" in capfdbinary.readouterr().out.decode()


def test_what_can_not_be_compared(tmp_path: Path, sessions: tuple[Path, Path]) -> None:
    with pytest.raises(UsageError, match="from 2 to 4"):
        compare(sessions[:1])
    empty = Building(tmp_path / "empty.benchlog").close()
    with pytest.raises(UsageError, match="in common"):
        compare((sessions[0], empty))
