"""Asking for a bring-up, another bench or job, a rehearsal; the cut-off works while any of it is open."""

import time

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest

from benchlog.bringup.planfile import load_plan
from benchlog.job.digest import Digest
from benchlog.model.event import Key
from benchlog.model.history import Noted
from benchlog.model.instrument import Accuracy, Earth, InstrumentRecord, MeterSheet
from benchlog.model.protocol import (
    Answered,
    BenchAsked,
    EntryAdded,
    Hello,
    InstrumentNow,
    InstrumentsNow,
    JobAsked,
    Live,
    Point,
    PowerState,
    Pressed,
    Raw,
    RawAsked,
    ReferenceAsked,
    ReferenceNow,
    RehearsalAsked,
    RolesGiven,
    RunAsked,
)
from benchlog.model.quantity import Quantity
from benchlog.model.reference import Reference, ReferencePoint
from benchlog.model.role import Role
from benchlog_ui.benchchoice import NONE, REHEARSALS, file_dialog
from benchlog_ui.climbpage import SLOW
from benchlog_ui.invented import bench as bench_set
from benchlog_ui.invented import cold_checks, entries_of
from benchlog_ui.planedit import ampere_value
from benchlog_ui.plantable import ACCEPTANCE
from benchlog_ui.scenes import job, named, setup
from benchlog_ui.shell import BEFORE, BENCH, HISTORY, JOBS
from benchlog_ui.story import Story


def sent(bench, kind):
    time.sleep(0.05)
    return [m for m in bench.heard() if isinstance(m, kind)]


def frames(bench, count=SLOW + 1):
    for _ in range(count):
        bench.start.desk.frame()


def sit(bench, name="completed"):
    """A sitting without a run, on the instruments of a scene."""
    desk = bench.start.desk
    hello = Hello("", job(), (), 120.0, True, True, 1.0, 0, takes_requests=True, bench_path="/b/one.toml")
    desk.board.take(hello, time.monotonic())
    desk.board.take(PowerState(False, False, True), time.monotonic())
    desk.frame()
    desk.shell.take(entries_of([*cold_checks(), (1990.0, bench_set(setup(named(name))))]))
    return desk


def answer_all(bench):
    for box in bench.start.desk.shell.before.boxes.values():
        if not box.isChecked():
            box.click()


def begin_on_my_word(bench):
    """Begin, and answer what stands open in the job."""
    bench.start.desk.shell.begin()
    question = bench.start.window.question
    assert "output pin to + rail, left: 600 mΩ, outside limit" in question.words
    QTest.keyClicks(question.field, "read again, not entered")
    QTest.keyClick(question.field, Qt.Key.Key_Return)


def key(bench, which, modifier=Qt.KeyboardModifier.NoModifier):
    QTest.keyClick(bench.start.window, which, modifier)


def test_a_bring_up_is_asked_for_once_all_was_seen_to(bench):
    desk = sit(bench)
    key(bench, Qt.Key.Key_B, Qt.KeyboardModifier.ControlModifier)
    assert desk.shell.at == BEFORE
    frames(bench)
    desk.shell.before.begin.lamp.setText("100")
    desk.shell.before.begin.soak.setText("30")
    frames(bench)
    key(bench, Qt.Key.Key_B, Qt.KeyboardModifier.ControlModifier)
    question = bench.start.window.question
    assert "loudspeaker off" in question.words
    assert sent(bench, RunAsked) == []
    QTest.keyClick(question, Qt.Key.Key_Escape)
    answer_all(bench)
    begin_on_my_word(bench)
    assert question.words == ""
    assert bench.start.window.bands.words[1:] == []
    (asked,) = sent(bench, RunAsked)
    assert (asked.unit, asked.lamp_w, asked.soak_min, asked.plan) == (job().unit, 100.0, 30.0, "")


def test_a_reference_unit_is_chosen_before_power_and_shows_in_the_limits(bench):
    desk = sit(bench)
    desk.shell.go(BEFORE)
    frames(bench)
    page = desk.shell.before
    QTest.keyClicks(page.begin.reference.box, "J-009")
    QTest.keyClick(page.begin.reference.box, Qt.Key.Key_Return)
    assert sent(bench, ReferenceAsked) == [ReferenceAsked(("J-009",))]
    assert "still being read" in page.begin.fault()
    points = tuple(ReferencePoint(v, 0.3 * v + 0.01, 0.36 * v + 0.012) for v in (0.05, 0.2, 0.5, 1.0))
    bench.tell(ReferenceNow(("J-009",), Reference("job J-009", 120.0, points)))
    assert bench.pump(lambda: page.begin.reference.reference is not None)
    frames(bench)
    assert "J-009" in page.plan.steps[-1].acceptance.source
    answer_all(bench)
    begin_on_my_word(bench)
    assert sent(bench, RunAsked)[-1].references == ("J-009",)


def test_a_reference_that_is_none_is_told_and_nothing_begins_with_it(bench):
    desk = sit(bench)
    desk.shell.go(BEFORE)
    frames(bench)
    page = desk.shell.before
    page.begin.reference.box.setCurrentText("J-1  (unit not named); b.json")
    page.begin.reference.box.lineEdit().editingFinished.emit()
    assert sent(bench, ReferenceAsked) == [ReferenceAsked(("J-1", "b.json"))]
    bench.tell(ReferenceNow(("J-1", "b.json"), fault="b.json holds no reference."))
    assert bench.pump(lambda: page.begin.reference.fault != "")
    frames(bench)
    assert page.words.text().endswith("b.json holds no reference.")
    assert page.begin.fault() == "b.json holds no reference."


def test_leads_and_a_makers_procedure_stand_before_power(bench):
    desk = sit(bench)
    desk.shell.go(BEFORE)
    frames(bench)
    page = desk.shell.before
    assert page.leads.text().startswith("Leads: source EARTHED lead, ammeter floating")
    QTest.keyClicks(page.begin.procedure, "as the service sheet has it")
    QTest.keyClick(page.begin.procedure, Qt.Key.Key_Return)
    notes = [m.payload for m in sent(bench, EntryAdded) if isinstance(m.payload, Noted)]
    assert [n.text for n in notes] == ["maker's procedure: as the service sheet has it"]


def test_a_question_of_the_recorder_is_asked_and_the_answer_goes_back_with_the_request(bench):
    desk = sit(bench)
    desk.shell.go(BEFORE)
    frames(bench)
    answer_all(bench)
    begin_on_my_word(bench)
    bench.tell(Answered("Is the earthed lead on the right node?", refused=True, question=True))
    question = bench.start.window.question
    assert bench.pump(lambda: "earthed lead" in question.words)
    QTest.keyClicks(question.field, "on the chassis")
    QTest.keyClick(question.field, Qt.Key.Key_Return)
    heard = bench.heard()
    assert [m.checked for m in heard if isinstance(m, RunAsked)] == ["", "on the chassis"]
    notes = [m.payload for m in heard if isinstance(m, EntryAdded) and m.payload.stage == "before-power"]
    assert "Begun all the same: read again, not entered" in notes[-2].text
    assert notes[-1].text.endswith("right node? Answered: on the chassis")


def test_what_stands_open_in_the_job_is_shown_and_asked_before_power(bench):
    desk = sit(bench)
    desk.shell.go(BEFORE)
    frames(bench)
    answer_all(bench)
    assert desk.shell.before.open.text().startswith("Open before power: output pin to + rail, left: 600 mΩ")
    desk.shell.begin()
    question = bench.start.window.question
    assert question.words.startswith("Open before power: output pin to + rail, left: 600 mΩ, outside limit")
    QTest.keyClick(question.field, Qt.Key.Key_Return)
    assert sent(bench, RunAsked) == []
    assert question.words
    QTest.keyClicks(question.field, "the new device was read in circuit")
    QTest.keyClick(question.field, Qt.Key.Key_Return)
    assert bench.pump(lambda: question.words == "")
    heard = bench.heard()
    assert sum(isinstance(m, RunAsked) for m in heard) == 1
    (note,) = [m.payload for m in heard if isinstance(m, EntryAdded) and "outside limit" in m.payload.text]
    assert note.stage == "before-power"


def test_a_refusal_is_told(bench):
    sit(bench)
    bench.tell(Answered("Not while a bring-up runs.", refused=True))
    assert bench.pump(lambda: "Not while a bring-up runs." in bench.start.window.bands.words)


def test_a_limit_is_changed_with_its_reason_and_shows_its_source(bench, tmp_path):
    desk = sit(bench)
    desk.shell.go(BEFORE)
    frames(bench)
    before = desk.shell.before
    before.table.setCurrentCell(3, ACCEPTANCE)
    assert "24 V, acceptance" in before.source.text()
    assert "nameplate" in before.source.text()
    before.table.item(3, ACCEPTANCE).setText("0,25")
    question = bench.start.window.question
    assert "plan changed at 24 V: acceptance 0.250 A" in question.words
    QTest.keyClicks(question.field, "same model, job 12")
    QTest.keyClick(question.field, Qt.Key.Key_Return)
    frames(bench)
    assert before.plan.steps[3].acceptance.value == 0.25
    assert before.table.item(3, ACCEPTANCE).text() == "0.250 A ✎"
    assert "same model, job 12" in before.plan.steps[3].acceptance.source
    notes = [m.payload.text for m in sent(bench, EntryAdded)]
    assert notes == ["plan changed at 24 V: acceptance 0.250 A. same model, job 12"]
    answer_all(bench)
    begin_on_my_word(bench)
    (asked,) = sent(bench, RunAsked)
    plan = tmp_path / "plan.toml"
    plan.write_text(asked.plan)
    assert [s.acceptance_a for s in load_plan(plan).step] == [None] * 3 + [0.25] + [None] * 7


@pytest.mark.parametrize(
    ("typed", "amps"), [("0.12", 0.12), ("0,12 A", 0.12), ("120 mA", 0.12), ("120mA", 0.12), (" 1 ", 1.0)]
)
def test_currents_as_they_are_typed(typed, amps):
    assert ampere_value(typed) == pytest.approx(amps)


@pytest.mark.parametrize("typed", ["", "much", "0", "-1", "nan", "1e9", "inf"])
def test_what_is_no_current_is_refused(typed):
    with pytest.raises(ValueError, match=r"current|limit"):
        ampere_value(typed)


def test_a_rehearsal_is_asked_for_from_the_menu_by_keyboard(bench):
    desk = sit(bench)
    desk.shell.go(BENCH)
    frames(bench)
    choice = desk.shell.bench.choice
    choice.menu.popup(bench.start.window.mapToGlobal(QPoint(200, 200)))
    assert bench.pump(choice.menu.isVisible)
    for _ in range(3):
        QTest.keyClick(choice.menu, Qt.Key.Key_Down)
    QTest.keyClick(choice.menu, Qt.Key.Key_Return)
    assert sent(bench, RehearsalAsked) == [RehearsalAsked(REHEARSALS[2][1])]


def test_no_bench_is_changed_while_power_is_on(bench):
    desk = bench.start.desk
    for message in Story(named("middle")).messages():
        desk.board.take(message, time.monotonic())
    desk.frame()
    desk.requests.use_bench("/b/other.toml")
    assert sent(bench, BenchAsked) == []
    assert any("end the run first" in words for words in bench.start.window.bands.words)


def test_cut_off_while_our_menu_our_file_dialog_and_our_long_lists_are_open(bench):
    desk = sit(bench)
    desk.shell.go(BENCH)
    frames(bench)
    choice = desk.shell.bench.choice
    choice.menu.popup(bench.start.window.mapToGlobal(QPoint(100, 100)))
    assert bench.pump(choice.menu.isVisible)
    QTest.keyClick(choice.menu.windowHandle(), Qt.Key.Key_F12)
    choice.menu.close()
    dialog = file_dialog(choice, "Bench file", "Bench files (*.toml)")
    dialog.open()
    assert bench.pump(dialog.isVisible)
    time.sleep(0.2)
    QTest.keyClick(dialog.windowHandle(), Qt.Key.Key_F12)
    dialog.close()
    desk.shell.take(entries_of([(n * 0.5, Noted(f"line {n}")) for n in range(10_000)], first=5000))
    desk.shell.go(HISTORY)
    desk.shell.history.table.setFocus()
    time.sleep(0.2)
    key(bench, Qt.Key.Key_F12)
    assert [m.key for m in sent(bench, Pressed)] == [Key.CUT_OFF] * 3


def test_the_bench_page_tells_who_answers_and_shows_bytes(bench):
    desk = sit(bench)
    desk.shell.go(BENCH)
    page = desk.shell.bench
    frames(bench)
    assert page.choice.box.currentText().startswith("one")
    assert page.choice.box.itemText(0) == NONE
    silent = InstrumentNow("voltmeter", "scpi", (Role.INLET_VOLTAGE,), False, "", "no answer within 1 s")
    desk.board.take(InstrumentsNow((silent,)), time.monotonic())
    page.raw.click()
    desk.board.take(Raw((("ammeter", ">", "READ?\\n"), ("ammeter", "<", "+1.2E-1\\n"))), time.monotonic())
    frames(bench)
    texts = [page.table.item(r, 2).text() for r in range(page.table.rowCount())]
    assert any("DOES NOT ANSWER: no answer within 1 s" in text for text in texts)
    assert page.lines.toPlainText() == "ammeter > READ?\\n\nammeter < +1.2E-1\\n"
    assert sent(bench, RawAsked) == [RawAsked(True)]
    page.choice.box.activated.emit(0)
    assert sent(bench, BenchAsked) == [BenchAsked("")]


def test_a_part_is_given_to_an_instrument(bench):
    desk = sit(bench)
    desk.shell.go(BENCH)
    frames(bench)
    page = desk.shell.bench
    page.table.selectRow(1)
    page._offer_parts()
    menu = next(w for w in page.findChildren(type(page.choice.menu)) if w is not page.choice.menu)
    next(a for a in menu.actions() if a.text() == "rail plus").trigger()
    menu.close()
    assert sent(bench, RolesGiven) == [RolesGiven({"ammeter": (Role.SOURCE_CURRENT, Role.RAIL_PLUS)})]


def test_leads_are_zeroed_into_the_history(bench):
    desk = sit(bench)
    desk.shell.go(BENCH)
    frames(bench)
    desk.shell.bench.zero.click()
    assert "gives no reading now" in desk.shell.bench.words.text()
    desk.board.take(Live(9_000_000, (Point("probe", 9_000_000, 0.12),)), time.monotonic())
    desk.shell.bench.zero.click()
    assert [m.payload.text for m in sent(bench, EntryAdded)] == ["lead zero: 0.12"]


def test_jobs_are_listed_with_what_each_waits_for_and_opened_by_enter(bench, tmp_path):
    from benchlog.model.clock import HandClock
    from benchlog.model.job import Job
    from benchlog.session.writer import SessionWriter

    for number in ("J-1", "J-2"):
        clock = HandClock()
        with_one = SessionWriter.create(tmp_path / f"{number}.benchlog", Job(number=number), clock.wall())
        with_one.close()
    desk = sit(bench)
    desk.shell.session = tmp_path / "J-1.benchlog"
    desk.shell.go(JOBS)
    page = desk.shell.jobs

    def listed(count):
        desk.frame()
        return len(page.model.rows) == count and not page._busy.is_set()

    assert bench.pump(lambda: listed(2), 20.0)
    assert {job.number for job in page.model.rows} == {"J-1", "J-2"}
    assert all(isinstance(job, Digest) for job in page.model.rows)
    assert page.model.index(0, 4).data() == "first reading"
    QTest.keyClicks(page.search, "J-2")
    assert bench.pump(lambda: listed(1), 20.0)
    QTest.keyClick(page.search, Qt.Key.Key_Return)
    assert sent(bench, JobAsked) == [JobAsked(str(tmp_path / "J-2.benchlog"))]


def test_another_session_begins_with_empty_pages(bench, tmp_path):
    desk = sit(bench)
    desk.shell.go(HISTORY)
    assert desk.shell.history.model.all
    other = Hello("", job(), (), 120.0, True, False, 1.0, 0, takes_requests=True)
    desk.shell.session = tmp_path / "before.benchlog"
    desk.board.take(other, time.monotonic())
    desk.frame()
    assert desk.shell.history.model.all == []
    assert desk.shell.ledger.bench is None
    frames(bench)


def test_a_meter_that_can_not_judge_is_told_with_what_would_help(bench):
    desk = sit(bench, "cannot-judge")
    coarse = MeterSheet((Accuracy(Quantity.AC_CURRENT, 0.03, 9, 0.01),))
    record = InstrumentRecord("clamp", "clamp", "", "", (Role.SOURCE_CURRENT,), Earth.FLOATING, coarse)
    kept = bench_set(setup(named("cannot-judge")))
    import msgspec

    others = tuple(i for i in kept.instruments if Role.SOURCE_CURRENT not in i.roles)
    desk.shell.take(
        entries_of([(1995.0, msgspec.structs.replace(kept, instruments=(*others, record)))], first=900)
    )
    desk.shell.go(BEFORE)
    frames(bench)
    assert "What would help" in desk.shell.before.words.text()
    assert "can NOT judge" in [desk.shell.before.table.item(r, 4).text() for r in range(3)]


def test_help_tells_of_the_page_that_was_open_and_lists_every_key(bench):
    desk = sit(bench)
    desk.shell.go(BENCH)
    key(bench, Qt.Key.Key_F1)
    page = desk.shell.help
    assert page.about.text().startswith("Instruments. Which bench file is read")
    listed = {label.text() for label, bold in page._labels if bold}
    assert {"F12", "F2", "F8", "Ctrl+B", "Ctrl+1", "F11", "Ctrl + F7"} <= listed


def test_every_page_has_help(bench):
    from benchlog_ui.helpwords import HELP

    assert set(HELP) == set(bench.start.desk.shell.route.buttons)


def test_the_alarm_is_answered_by_its_own_key_and_never_by_enter(bench):
    desk = bench.start.desk
    for message in Story(named("hand-set")).messages():
        desk.board.take(message, time.monotonic())
    frames(bench)
    assert not bench.start.window.alarm.isHidden()
    bench.start.window.keys.note.setFocus()
    QTest.keyClicks(bench.start.window.keys.note, "smoke")
    key(bench, Qt.Key.Key_Return)
    key(bench, Qt.Key.Key_Space)
    assert sent(bench, Pressed) == []
    key(bench, Qt.Key.Key_F9, Qt.KeyboardModifier.ControlModifier)
    pressed = []
    assert bench.pump(lambda: pressed.extend(sent(bench, Pressed)) or bool(pressed), 10.0)
    assert [m.key for m in pressed] == [Key.NEAR_ZERO]
