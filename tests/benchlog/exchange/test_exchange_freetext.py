"""Free text is never run as a formula, and comes back as it was."""

from hypothesis import given
from hypothesis import strategies as st
from session_strategies import nasty_texts

from benchlog.exchange.freetext import guard, unguard

# OWASP, "CSV Injection": fields that begin with these are run by spreadsheets (also the full-width forms).
DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


@given(st.one_of(nasty_texts, st.text()))
def test_text_comes_back(text: str) -> None:
    assert unguard(guard(text)) == text


@given(st.sampled_from(DANGEROUS), st.text(), st.sampled_from(["", " ", "  "]))
def test_nothing_dangerous_is_left_in_front(start: str, rest: str, blanks: str) -> None:
    blanks = "" if start in "\t\r\n" else blanks
    assert guard(blanks + start + rest).startswith("'")


def test_plain_text_is_left_alone() -> None:
    for text in ("", "left channel", "Ω", "#set text(red)", '"quoted"', "a=b", "1+1"):
        assert guard(text) == text


def test_an_apostrophe_of_ones_own_is_kept() -> None:
    assert guard("'tis") == "''tis"
    assert unguard("''tis") == "'tis"
    assert unguard(guard("'=1")) == "'=1"
