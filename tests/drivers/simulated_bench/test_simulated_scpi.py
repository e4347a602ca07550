"""The language of the simulated instruments against SCPI-1999 and IEEE 488.2-1992."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog_drivers.simulated.scpi import (
    DATA_TYPE,
    MISSING_PARAMETER,
    NO_ERROR,
    QUEUE_OVERFLOW,
    UNDEFINED_HEADER,
    CommandSet,
    ErrorQueue,
    Refusal,
    answer,
    boolean,
    number,
    spellings,
)


def told(line: str) -> tuple[str | None, list[str], list[str]]:
    """What a line answers, which handlers ran, what it left in the error queue."""
    ran: list[str] = []

    def handler(name: str, reply: str | None):  # type: ignore[no-untyped-def]
        def run(text: str) -> str | None:
            ran.append(f"{name} {text}".strip())
            return reply

        return run

    commands = CommandSet(
        {
            "*CLS": handler("cls", None),
            "*ESE?": handler("ese?", "7"),
            "[SOURce:]VOLTage[:LEVel]": handler("volt", None),
            "[SOURce:]VOLTage[:LEVel]?": handler("volt?", "60"),
            "OUTPut[:STATe]": handler("outp", None),
            "FETCh:VOLTage?": handler("fetch volt?", "1"),
            "FETCh:CURRent?": handler("fetch curr?", "2"),
        }
    )
    errors = ErrorQueue()
    reply = answer(line, commands, errors)
    left = []
    while (entry := errors.take()) != NO_ERROR:
        left.append(entry)
    return reply, ran, left


@pytest.mark.parametrize(
    "header", ["VOLT?", "volt?", "VOLTAGE?", ":VOLT?", "SOUR:VOLT?", "SOURCE:VOLTAGE:LEVEL?", "volt:lev?"]
)
def test_long_and_short_forms_in_any_case(header: str) -> None:
    # SCPI-1999 vol. 1, 6.2.1: the short or the long form, nothing between; optional nodes 6.2.3
    assert told(header) == ("60", ["volt?"], [])


@pytest.mark.parametrize("header", ["VOLTA?", "VOL?", "FETC:SOUR:VOLT?", "OUTPU ON", "FETCH", "?"])
def test_other_spellings_are_undefined_headers(header: str) -> None:
    assert told(header) == (None, [], [UNDEFINED_HEADER])


def test_a_unit_goes_on_at_the_level_of_the_one_before() -> None:
    # SCPI-1999 vol. 1, 6.2.4: FETC:VOLT?;CURR? is FETC:VOLT?;:FETC:CURR?
    assert told("FETC:VOLT?;CURR?") == ("1;2", ["fetch volt?", "fetch curr?"], [])
    assert told("FETC:VOLT?;:VOLT 5") == ("1", ["fetch volt?", "volt 5"], [])
    assert told("OUTP OFF;:VOLT 0") == (None, ["outp OFF", "volt 0"], [])


def test_common_commands_leave_the_path_alone() -> None:
    # IEEE 488.2-1992 A.1.1 (as SCPI-1999 vol. 1, 6.2.4 takes it up)
    assert told("FETC:VOLT?;*ESE?;CURR?") == ("1;7;2", ["fetch volt?", "ese?", "fetch curr?"], [])


def test_what_can_t_be_done_goes_into_the_queue_and_the_rest_is_done() -> None:
    assert told("NONSENSE 1;:VOLT 5") == (None, ["volt 5"], [UNDEFINED_HEADER])


def test_numbers_and_switches() -> None:
    assert [number(text) for text in ("1", "+1.5", "-.5", "1e3", "2.E-1")] == [1.0, 1.5, -0.5, 1000.0, 0.2]
    for text, refusal in (
        ("1_0", DATA_TYPE),
        ("nan", DATA_TYPE),
        ("inf", DATA_TYPE),
        ("", MISSING_PARAMETER),
    ):
        with pytest.raises(Refusal, match=refusal[:4]):
            number(text)
    assert [boolean(text) for text in ("ON", "off", "1", "0")] == [True, False, True, False]
    with pytest.raises(Refusal):
        boolean("2")


def test_the_queue_gives_the_oldest_first_and_says_when_it_overflowed() -> None:
    errors = ErrorQueue()
    for k in range(25):
        errors.put(f"-{k}")
    taken = [errors.take() for _ in range(21)]
    assert taken[0] == "-0"
    assert taken[19] == QUEUE_OVERFLOW  # SCPI-1999 vol. 2, 21.8.1
    assert taken[20] == NO_ERROR


def test_spellings_of_a_pattern() -> None:
    assert spellings("OUTPut[:STATe]?") == {
        "OUTP?", "OUTPUT?", "OUTP:STAT?", "OUTPUT:STAT?", "OUTP:STATE?", "OUTPUT:STATE?"
    }  # fmt: skip


@given(st.text(alphabet=st.characters(max_codepoint=255), max_size=60))
def test_no_line_makes_it_fail(line: str) -> None:
    reply, _, left = told(line)
    assert reply is None or reply
    assert all(entry[0] == "-" for entry in left)
