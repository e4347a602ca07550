"""What is done and missing in each stage, and the history in words."""

import pytest

from benchlog.model.event import Judged, Marked, StepDone
from benchlog.model.history import BenchSet, JobEnded, Noted, RunBegun, RunSaid
from benchlog.model.job import Ending
from benchlog.model.step import StepVerdict
from benchlog_ui.before import checks, plan_for
from benchlog_ui.benchpage import accuracy_words, earth_words
from benchlog_ui.board import Board
from benchlog_ui.invented import bench, cold_checks, ended, entries_of, run_lines
from benchlog_ui.lines import row_of
from benchlog_ui.past import put_back, recall
from benchlog_ui.scenes import job, named, setup
from benchlog_ui.stages import Ledger, Stage
from benchlog_ui.story import Story


def told(name):
    """A story's set-up and messages."""
    story = Story(named(name))
    return story.setup, list(story.messages())


def ledger_of(payloads):
    ledger = Ledger()
    ledger.take(entries_of(payloads))
    return ledger


def test_an_empty_job_misses_everything_and_a_full_one_nothing():
    assert not Ledger().survey(Stage.INTAKE).done
    assert "nameplate" in Ledger().survey(Stage.INTAKE).missing
    assert ledger_of(cold_checks()).survey(Stage.INTAKE).missing == ()


def test_cold_checks_count_points_and_name_poor_ones():
    survey = ledger_of(cold_checks()).survey(Stage.COLD)
    assert survey.done[0] == "4 readings at 4 test points"
    assert any("outside limit" in words for words in survey.done)
    assert any("doubtful" in words for words in survey.done)


def test_a_part_out_without_one_in_is_missing():
    payloads = [p for p in cold_checks() if getattr(p[1], "direction", "") != "in"]
    assert any("nothing fitted" in m for m in ledger_of(payloads).survey(Stage.PARTS).missing)
    assert ledger_of(cold_checks()).survey(Stage.PARTS).missing == ()


def test_a_bring_up_that_was_cut_off_says_how_far_it_saw():
    run_setup, messages = told("rail-short")
    lines = run_lines(run_setup, messages, 10.0)
    survey = ledger_of([*lines, (99.0, ended(messages))]).survey(Stage.BRING_UP)
    assert survey.missing[0] == "nothing seen above 5 % of nominal"
    assert ledger_of(lines).survey(Stage.BRING_UP).done == ("a run was begun and has no end",)


def test_answers_before_power_belong_to_the_bench_they_were_given_at():
    run_setup, _ = told("cannot-judge")
    yes = (1.0, Noted("loudspeaker off: yes", stage="before-power"))
    no = (2.0, Noted("loudspeaker off: taken back", stage="before-power"))
    assert ledger_of([yes]).checks == {"loudspeaker off"}
    assert ledger_of([yes, no]).checks == set()
    assert ledger_of([yes, (3.0, bench(run_setup))]).checks == set()


def test_hand_over():
    survey = ledger_of([(1.0, JobEnded(Ending.REPAIRED))]).survey(Stage.HAND_OVER)
    assert survey.done == ("repaired",)


@pytest.mark.parametrize("name", ["completed", "hand-set"])
def test_every_line_of_a_run_is_either_in_words_or_left_out(name):
    run_setup, messages = told(name)
    entries = entries_of([*cold_checks(), *run_lines(run_setup, messages, 2000.0)])
    rows = [r for r in map(row_of, entries) if r is not None]
    assert len(rows) > 14
    assert all(r.what and r.hay == r.hay.lower() for r in rows)
    assert any(r.kind == "step" for r in rows)
    forbidden = {"healthy", "safe", "passed", "ok"}
    assert not any(forbidden & set(r.hay.replace(".", " ").split()) for r in rows)


def test_a_window_started_again_gets_its_steps_back():
    run_setup, messages = told("middle")
    entries = entries_of(run_lines(run_setup, messages, 10.0))
    recalled = recall(entries, running=True)
    assert recalled is not None
    assert not recalled.old
    board = Board()
    board.take(messages[0], 0.0)
    put_back(board, recalled)
    done = [m.said for m in messages if hasattr(m, "said") and isinstance(m.said, StepDone)]
    assert sorted(board.records) == [d.step for d in done]
    assert board.setup is run_setup


def test_a_run_of_an_earlier_sitting_is_not_taken_for_the_present_one():
    run_setup, messages = told("middle")
    earlier = run_lines(run_setup, messages, 10.0)
    entries = entries_of([*earlier, (500.0, bench(run_setup))])
    assert recall(entries, running=True) is None
    recalled = recall(entries, running=False)
    assert recalled is not None
    assert recalled.old


def test_only_what_came_after_arming_again_counts():
    run_setup, messages = told("rail-short")
    lines = run_lines(run_setup, messages, 10.0)
    lines.append((90.0, RunSaid(Marked("rearmed", "From 6 V"))))
    recalled = recall(entries_of(lines), running=True)
    assert recalled is not None
    assert len(recalled.said) == 1


def test_an_old_run_is_shown_while_nothing_runs():
    import msgspec

    run_setup, messages = told("completed")
    board = Board()
    board.take(msgspec.structs.replace(messages[0], steps=()), 0.0)
    put_back(board, recall(entries_of(run_lines(run_setup, messages, 10.0)), running=False))
    assert board.old
    assert len(board.records) == 11
    assert not board.running
    assert board.hello.steps == run_setup.steps


def test_before_power_asks_for_the_earth_of_a_class_one_unit_and_the_dial_of_a_hand_set_source():
    import msgspec

    unit = msgspec.structs.replace(job().unit, protective_earth=True)
    names = {c.name for c in checks(unit, None, setup(named("hand-set")))}
    assert {"protective earth", "dial", "loudspeaker off"} <= names
    names = {c.name for c in checks(job().unit, None, setup(named("completed")))}
    assert "protective earth" not in names
    assert "dial" not in names


def test_before_power_names_the_steps_a_coarse_clamp_cannot_judge():
    run_setup = setup(named("cannot-judge"))
    plan = plan_for(run_setup.unit, bench(run_setup))
    poor = [s.set_v for s in plan.steps if not s.judgeable]
    assert poor[:2] == [6.0, 12.0]
    assert "turn" in plan.steps[0].remedy or "times" in plan.steps[0].remedy


def test_earth_and_accuracy_in_words():
    run_setup = setup(named("completed"))
    assert "no longer isolated" in earth_words(bench(run_setup))
    assert "stays isolated" in earth_words(BenchSet(()))
    sheet = next(iter(run_setup.sheets.values()))
    assert accuracy_words(sheet.accuracy[0]) == "±(0.3 % + 10 × 0.001 A)"
    assert accuracy_words(None) == "not stated"


def test_entries_carry_what_was_said():
    run_setup, messages = told("middle")
    entries = entries_of(run_lines(run_setup, messages, 0.0))
    assert isinstance(entries[0].payload, BenchSet)
    assert isinstance(entries[1].payload, RunBegun)
    assert any(
        isinstance(e.payload, RunSaid)
        and isinstance(e.payload.said, Judged)
        and e.payload.said.verdict is StepVerdict.GO_UP
        for e in entries
    )
