"""Readings typed with a decimal comma where the locale has one."""

import locale
from pathlib import Path

import pytest

from benchlog.cli.main import main
from benchlog.cli.options import decimal_comma


@pytest.fixture
def comma(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = locale.localeconv()
    monkeypatch.setattr(locale, "localeconv", lambda: {**plain, "decimal_point": ","})


@pytest.fixture
def job(tmp_path: Path) -> str:
    path = str(tmp_path / "job.benchlog")
    assert main(["new", path, "--complaint", "dead"]) == 0
    return path


def test_a_comma_is_taken_where_the_locale_writes_one(
    comma: None, job: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert decimal_comma()
    words = ["take", job, "main filter", "--kind", "esr", "--farad", "220u", "--rated-v", "50"]
    assert main([*words, "1,8", "--out-of-circuit", "--json"]) == 0
    assert '"value": 1.8' in capsys.readouterr().out


def test_elsewhere_a_comma_is_asked_back(job: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert not decimal_comma()
    assert main(["take", job, "main filter", "--kind", "esr", "1,8", "--out-of-circuit"]) == 2
    assert "has a comma. Type a decimal point" in capsys.readouterr().err


def test_a_locale_that_is_not_installed_is_no_comma(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LC_ALL", "xx_NOWHERE.UTF-8")
    before = locale.setlocale(locale.LC_NUMERIC)
    assert not decimal_comma()
    assert locale.setlocale(locale.LC_NUMERIC) == before
