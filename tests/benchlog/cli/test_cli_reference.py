"""References through the commands: from a session, from a file, from several units."""

import json
import math
from pathlib import Path
from typing import Any

import msgspec
import pytest
from inline_commands import command

from benchlog.cli.reference import load_reference, load_references, save_reference
from benchlog.model.errors import UsageError
from benchlog.model.reference import Reference, ReferencePoint

REPAIRED = Path(__file__).resolve().parents[3] / "sample_sessions" / "repaired.benchlog"
UNIT = ("--plate-va", "300", "--core", "toroidal")


def planned(*words: object) -> dict[float, dict[str, Any]]:
    code, out, err = command("plan", *UNIT, "--json", *words)
    assert code == 0, err
    return {step["fraction"]: step for step in json.loads(out)["steps"]}


def curve(scale: float, name: str = "unit", mains_v: float = 120.0) -> Reference:
    shape = {0.1: 0.02, 0.3: 0.28, 0.5: 0.43, 1.0: 0.53}
    points = tuple(ReferencePoint(v, scale * a, 1.25 * scale * a, 40.0 * v * scale) for v, a in shape.items())
    return Reference(name, mains_v, points, invented=True)


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    found = []
    for k, scale in enumerate((0.95, 1.0, 1.05)):
        found.append(tmp_path / f"unit{k}.json")
        save_reference(curve(scale, f"unit {k}"), found[-1])
    return found


def test_a_finished_session_is_a_reference_and_can_be_handed_on_as_a_file(tmp_path: Path) -> None:
    handed = tmp_path / "model.json"
    code, _, err = command("export", REPAIRED, "--reference", handed)
    assert code == 0, err
    assert load_reference(handed) == load_reference(REPAIRED)
    assert load_reference(handed).invented
    by_session, by_file = planned("--reference", REPAIRED), planned("--reference", handed)
    assert by_session == by_file
    assert "reference unit job S-101" in by_session[0.5]["acceptance_source"]


def test_several_units_make_a_narrower_band(files: list[Path]) -> None:
    one = planned("--reference", files[1])[0.5]
    three = planned(*(word for path in files for word in ("--reference", path)))[0.5]
    assert one["acceptance_a"] == pytest.approx(1.25 * 0.43, rel=1e-6)
    assert "unit 0, unit 1, unit 2" in three["acceptance_source"]
    merged = load_references(files)
    assert merged is not None
    assert merged.units == 3
    # Student's t for 2 degrees of freedom, 4.303 (JCGM 100:2008, table G.2), for one more unit.
    s = math.sqrt(
        sum(math.log(x) ** 2 for x in (0.95, 1.0, 1.05)) / 2 - 3 / 2 * math.log(0.9975 ** (1 / 3)) ** 2
    )
    assert merged.points[2].upper_a / merged.points[2].current_a == pytest.approx(
        math.exp(4.303 * s * math.sqrt(4 / 3)), rel=1e-3
    )
    assert three["acceptance_a"] == pytest.approx(merged.points[2].upper_a, rel=1e-6)


def test_no_file_is_no_reference() -> None:
    assert load_references(None) is None
    assert load_references([]) is None


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ((), "two steps or more"),
        ((ReferencePoint(0.1, 0.02, 0.03),), "two steps or more"),
        ((ReferencePoint(0.3, 0.2, 0.3), ReferencePoint(0.1, 0.02, 0.03)), "by rising voltage"),
        ((ReferencePoint(0.1, 0.0, 0.0), ReferencePoint(0.3, 0.2, 0.3)), "above zero"),
    ],
)
def test_what_is_no_curve_is_refused(points: tuple[ReferencePoint, ...], words: str, tmp_path: Path) -> None:
    path = tmp_path / "no.json"
    path.write_bytes(msgspec.json.encode(Reference("x", 120.0, points)))
    with pytest.raises(UsageError, match=words):
        load_reference(path)


def test_a_file_that_holds_something_else_says_so(tmp_path: Path) -> None:
    path = tmp_path / "no.json"
    path.write_text("{")
    for words in (("--reference", path), ("--reference", tmp_path / "none.json")):
        code, _, err = command("plan", *words)
        assert code == 2
        assert "holds no reference" in err


def test_a_reference_of_another_mains_voltage_is_refused(tmp_path: Path) -> None:
    other = tmp_path / "other.json"
    save_reference(curve(1.0, "unit of 100 V", 100.0), other)
    code, out, _ = command("plan", *UNIT, "--reference", other)
    assert code == 5
    assert "is of a unit for 100 V, and this one is for 120 V" in out


def test_units_of_two_mains_voltages_are_not_merged(files: list[Path], tmp_path: Path) -> None:
    other = tmp_path / "other.json"
    save_reference(curve(0.5, "unit of 230 V", 230.0), other)
    code, _, err = command("plan", *UNIT, "--reference", files[0], "--reference", other)
    assert code == 2
    assert "different mains voltages" in err


def test_a_record_is_judged_by_a_reference(files: list[Path], tmp_path: Path) -> None:
    record = tmp_path / "run.csv"
    rows = [f"{0.4 * k:.1f},{0.0 if k < 5 else 60.0},{0.0 if k < 5 else 0.7}" for k in range(60)]
    record.write_text("t_s,v_v,i_a\n" + "\n".join(rows) + "\n")
    code, out, err = command("rejudge", record, *UNIT, "--reference", files[1], "--json")
    assert out, err
    report = json.loads(out)
    assert code == 4
    said = report["events"][-1]["reason"]
    assert said.startswith("Wait: 0.70 A is above the acceptance limit of 0.54 A (reference unit unit 1:")
