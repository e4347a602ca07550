"""Waveform files as digitisers write them: preambles, delimiters, decimal signs, and what is refused."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.exchange.table import read_table
from benchlog.exchange.wavecsv import even_rate, file_figures, read_waveform
from benchlog.model.errors import UsageError

RATE_HZ = 5000.0
T_S = np.arange(2500) / RATE_HZ
V_V = np.where(T_S > 0.1, 325.0 * np.sin(2 * np.pi * 50 * T_S), 0.0)
I_A = np.where(T_S > 0.1, 0.5 * np.sin(2 * np.pi * 50 * T_S), 0.0)


def write(
    path: Path, header: str, row: str, decimal: str = ".", scale: tuple[float, float, float] = (1, 1, 1)
) -> Path:
    lines = [header] if header else []
    for t, v, i in zip(T_S * scale[0], V_V * scale[1], I_A * scale[2], strict=True):
        lines.append(row.format(t=f"{t:.7g}", v=f"{v:.7g}", i=f"{i:.7g}").replace(".", decimal))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


CASES = {
    "plain": ("t_s,v_v,i_a", "{t},{v},{i}", ".", (1, 1, 1)),
    "no header": ("", "{t},{v},{i}", ".", (1, 1, 1)),
    "semicolon and decimal comma": ("t_s;v_v;i_a", "{t};{v};{i}", ",", (1, 1, 1)),
    "tabs": ("Time (s)\tVoltage (V)\tCurrent (A)", "{t}\t{v}\t{i}", ".", (1, 1, 1)),
    "blanks": ("", "  {t}   {v}   {i}", ".", (1, 1, 1)),
    "prefixes": ("Time [ms],U [kV],I [mA]", "{t},{v},{i}", ".", (1e3, 1e-3, 1e3)),
    "other order": ("i_a,t_s,v_v", "{i},{t},{v}", ".", (1, 1, 1)),
    "preamble": (
        "Record Length,2500\nSample Interval,0.0002\nTrigger,Rising\n\nTIME,VOLTAGE,CURRENT",
        "{t},{v},{i}",
        ".",
        (1, 1, 1),
    ),
    "preamble in front": ("", "Note,x,{t},{v},{i},", ".", (1, 1, 1)),
    "row of units": ("x-axis,voltage,current\nsecond,Volt,Amp", "{t},{v},{i}", ".", (1, 1, 1)),
    "row of units with prefixes": ("time,voltage,current\n(ms),(V),(mA)", "{t},{v},{i}", ".", (1e3, 1, 1e3)),
    "quoted": ('"t_s","v_v","i_a"', '"{t}","{v}","{i}"', ".", (1, 1, 1)),
    "more columns": ("t_s,v_v,i_a,p_w,note", "{t},{v},{i},12.5,", ".", (1, 1, 1)),
}


@pytest.mark.parametrize("case", CASES)
def test_each_layout_gives_the_same_waveform(case: str, tmp_path: Path) -> None:
    header, row, decimal, scale = CASES[case]
    read = read_waveform(write(tmp_path / "wave.csv", header, row, decimal, scale))
    assert read.wave.rate_hz == pytest.approx(RATE_HZ, rel=1e-6)
    assert read.notes == ()
    np.testing.assert_allclose(read.wave.v_v, V_V, rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(read.wave.i_a, I_A, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_the_text_may_be_encoded_in_several_ways(encoding: str, tmp_path: Path) -> None:
    path = write(tmp_path / "wave.csv", "Zeit [s];Spannung [V];Strom [A]", "{t};{v};{i}", ",")
    path.write_bytes(("Prüfung µ;x\n" + path.read_text(encoding="utf-8")).encode(encoding))
    np.testing.assert_allclose(read_waveform(path).wave.v_v, V_V, rtol=1e-6, atol=1e-6)


def test_columns_can_be_named_with_a_factor(tmp_path: Path) -> None:
    path = write(tmp_path / "wave.csv", "TIME,CH1,CH2", "{t},{v},{i}", ".", (1, 0.01, 0.1))
    with pytest.raises(UsageError, match="--columns"):
        read_waveform(path)
    for columns in (("TIME", "CH1*100", "CH2*10"), ("1", "2*100", "3*10"), ("time", "ch1 *100", "ch2 *10")):
        np.testing.assert_allclose(read_waveform(path, columns).wave.i_a, I_A, rtol=1e-5, atol=1e-6)
    with pytest.raises(UsageError, match="no column 'CH9'"):
        read_waveform(path, ("TIME", "CH1", "CH9"))
    with pytest.raises(UsageError, match="factor"):
        read_waveform(path, ("TIME", "CH1*x", "CH2"))
    with pytest.raises(UsageError, match="Three columns"):
        read_waveform(path, ("TIME", "CH1"))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("\n\n", "is empty"),
        ("hello\nworld\n", "no table"),
        ("t_s,v_v\n0,1\n1,2\n2,3\n", "columns could be the current"),
        ("0,1\n1,2\n2,3\n", "2 columns"),
        ("t_s,v_v,i_a\n" + "".join(f"{k},1,{'OL' if k == 3 else k}\n" for k in range(200)), "line 5: 'OL'"),
        ("t_s,v_v,i_a\n0,1,1\n1,2,2\n0.5,3,3\n2,1,1\n", "goes back"),
        ("t_s,v_v,i_a\n1,1,1\n1,2,2\n1,3,3\n1,1,1\n", "stands still"),
        ("t_s,v_v,i_a\n" + "".join(f"{k if k < 50 else k + 40},1,1\n" for k in range(100)), "jumps"),
        ("t_s,v_v,i_a\n0,1,1\n", "no table|samples"),
        ("t_s,v_v,i_a\n0,1,1\n1,nan,2\n2,3,3\n3,1,1\n4,1,1\n5,1,1\n", "no number"),
    ],
)
def test_what_can_not_be_read_is_refused_in_a_sentence(text: str, message: str, tmp_path: Path) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=message):
        file_figures(path)


def test_a_missing_file_is_a_usage_error(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="can't be read"):
        read_waveform(tmp_path / "nowhere.csv")


def test_times_printed_with_few_digits_count_as_even() -> None:
    rate_hz, even = even_rate(np.round(np.arange(20_000) / 20_000.0, 4))
    assert even
    assert rate_hz == pytest.approx(20_000.0, rel=1e-3)


def test_uneven_times_are_put_on_a_grid_and_told(tmp_path: Path) -> None:
    path = tmp_path / "uneven.csv"
    t = np.arange(5000) / 5000.0
    t = t + 0.004 * t * t
    v = 325 * np.sin(2 * np.pi * 50 * t)
    path.write_text(
        "t_s,v_v,i_a\n" + "\n".join(f"{a:.9f},{b:.6f},{b / 500:.6f}" for a, b in zip(t, v, strict=True))
    )
    found = file_figures(path)
    assert found.frequency_hz == pytest.approx(50.0, abs=0.01)
    assert found.settled_rms_v == pytest.approx(325 / np.sqrt(2), rel=2e-3)
    assert "uneven" in found.warnings[0]


PREFIX = {"": 1.0, "m": 1e-3, "µ": 1e-6, "u": 1e-6, "k": 1e3}
"""BIPM, The International System of Units (2019), table 7."""


@settings(max_examples=20, deadline=None)
@given(
    t=st.sampled_from(["", "m", "µ", "u"]), v=st.sampled_from(["", "m", "k"]), i=st.sampled_from([*PREFIX])
)
def test_unit_prefixes_change_no_value(
    t: str, v: str, i: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    scale = (1.0 / PREFIX[t], 1.0 / PREFIX[v], 1.0 / PREFIX[i])
    path = tmp_path_factory.mktemp("csv") / "wave.csv"
    header = f"time [{t}s],voltage [{v}V],current [{i}A]"
    rows = [",".join(f"{x * k:.9g}" for x, k in zip(row, scale, strict=True)) for row in zip(
        T_S[400:700].tolist(), V_V[400:700].tolist(), I_A[400:700].tolist(), strict=True
    )]  # fmt: skip
    path.write_text("\n".join([header, *rows]), encoding="utf-8")
    wave = read_waveform(path).wave
    np.testing.assert_allclose(wave.v_v, V_V[400:700], rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(wave.i_a, I_A[400:700], rtol=1e-7, atol=1e-9)
    assert wave.rate_hz == pytest.approx(RATE_HZ, rel=1e-6)


@settings(max_examples=30, deadline=None)
@given(
    rows=st.lists(st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3)), min_size=4, max_size=30),
    delimiter=st.sampled_from([",", ";", "\t"]),
    comma=st.booleans(),
)
def test_numbers_come_back_as_written(
    rows: list[tuple[float, float]], delimiter: str, comma: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    if comma and delimiter == ",":
        delimiter = ";"
    path = tmp_path_factory.mktemp("csv") / "wave.csv"
    text = "\n".join(delimiter.join((repr(k * 0.5), repr(v), repr(i))) for k, (v, i) in enumerate(rows))
    path.write_text(text.replace(".", ",") if comma else text, encoding="utf-8")
    wave = read_waveform(path).wave
    np.testing.assert_array_equal(wave.v_v, [v for v, _ in rows])
    np.testing.assert_array_equal(wave.i_a, [i for _, i in rows])


@settings(max_examples=60, deadline=None)
@given(data=st.binary(max_size=400))
def test_no_bytes_end_in_a_crash(data: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("csv") / "any.csv"
    path.write_bytes(data)
    try:
        read_table(path)
        read_waveform(path)
    except UsageError as error:
        assert str(error)
