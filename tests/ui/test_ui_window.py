"""The window in this process: cut-off from everywhere, alarms, questions, faults, drawing."""

import gc
import os
import sys
import time

import pytest
from crowd import crowd
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QFileDialog, QListWidget, QMenu

from benchlog.model.event import Key
from benchlog.model.history import Noted
from benchlog.model.protocol import (
    Closed,
    Closing,
    EntryAdded,
    Live,
    Painted,
    Ping,
    Point,
    Pong,
    PowerState,
    Pressed,
    StorageState,
    Trouble,
    WantsToClose,
)
from benchlog_ui.alarm import GONE
from benchlog_ui.climbpage import SLOW
from benchlog_ui.colours import DARK, LIGHT
from benchlog_ui.scenes import named
from benchlog_ui.shell import HISTORY
from benchlog_ui.story import Story


def scene(name):
    return list(Story(named(name)).messages())


def show(bench, name):
    """Put a scene on the window, as it stands at its end."""
    messages = scene(name)
    for message in messages:
        bench.start.desk.board.take(message, time.monotonic())
    for _ in range(SLOW + 1):
        bench.start.desk.frame()


def cut_offs(bench):
    time.sleep(0.05)
    return [m for m in bench.heard() if isinstance(m, Pressed) and m.key is Key.CUT_OFF]


def f12(bench):
    """The key as it comes from the platform: to whichever window has the keyboard."""
    from PySide6.QtGui import QGuiApplication

    window = QGuiApplication.focusWindow() or bench.start.window.windowHandle()
    QTest.keyClick(window, Qt.Key.Key_F12)


def test_the_first_thing_said_is_painted_and_it_comes_once(bench):
    bench.pump(lambda: False, 0.2)
    assert [m for m in bench.heard() if isinstance(m, Painted)] == [Painted()]


def test_cut_off_by_mouse_acts_when_pressed(bench):
    show(bench, "middle")
    bar = bench.start.window.trip
    QTest.mousePress(bar, Qt.MouseButton.LeftButton, pos=QPoint(bar.width() // 2, 5))
    assert len(cut_offs(bench)) == 1
    assert "cut-off sent" in _after_frame(bench)


def _after_frame(bench):
    bench.start.desk.frame()
    return bench.start.window.trip.state


def test_cut_off_by_key_while_a_note_is_typed(bench):
    show(bench, "middle")
    note = bench.start.window.keys.note
    note.setFocus()
    QTest.keyClicks(note, "smells of ")
    f12(bench)
    QTest.keyClicks(note, "varnish")
    assert len(cut_offs(bench)) == 1
    assert note.text() == "smells of varnish"


@pytest.mark.parametrize("modifier", [Qt.KeyboardModifier.ShiftModifier, Qt.KeyboardModifier.ControlModifier])
def test_cut_off_with_a_modifier_held(bench, modifier):
    show(bench, "middle")
    QTest.keyClick(bench.start.window.windowHandle(), Qt.Key.Key_F12, modifier)
    assert len(cut_offs(bench)) == 1


def test_pause_works_too_and_escape_does_not(bench):
    show(bench, "middle")
    QTest.keyClick(bench.start.window.windowHandle(), Qt.Key.Key_Escape)
    assert cut_offs(bench) == []
    QTest.keyClick(bench.start.window.windowHandle(), Qt.Key.Key_Pause)
    assert len(cut_offs(bench)) == 1


def test_cut_off_while_a_menu_is_open(bench):
    show(bench, "middle")
    menu = QMenu(bench.start.window)
    menu.addAction("one")
    menu.popup(bench.start.window.mapToGlobal(QPoint(100, 100)))
    assert bench.pump(menu.isVisible, 1.0)
    QTest.keyClick(menu.windowHandle(), Qt.Key.Key_F12)
    assert len(cut_offs(bench)) == 1
    assert menu.isVisible()
    menu.close()


def test_cut_off_while_a_file_dialog_is_open(bench):
    show(bench, "middle")
    dialog = QFileDialog(bench.start.window)
    dialog.setOption(QFileDialog.Option.DontUseNativeDialog)
    dialog.open()
    assert bench.pump(dialog.isVisible, 1.0)
    QTest.keyClick(dialog.windowHandle(), Qt.Key.Key_F12)
    assert len(cut_offs(bench)) == 1
    dialog.close()


def test_cut_off_while_a_long_list_has_the_keyboard(bench):
    show(bench, "middle")
    many = QListWidget(bench.start.window)
    many.addItems([str(n) for n in range(10_000)])
    many.show()
    many.setFocus()
    f12(bench)
    assert len(cut_offs(bench)) == 1


def test_cut_off_before_the_recorder_has_said_anything(bench):
    f12(bench)
    assert len(cut_offs(bench)) == 1


def test_cut_off_while_a_question_is_asked(bench):
    show(bench, "middle")
    bench.start.desk.deeds.go_on()
    assert bench.start.window.question.field.hasFocus()
    f12(bench)
    assert len(cut_offs(bench)) == 1


def test_going_on_needs_a_reason(bench):
    show(bench, "cannot-judge")
    bench.start.desk.deeds.go_on()
    question = bench.start.window.question
    QTest.keyClick(question.field, Qt.Key.Key_Return)
    assert not question.isHidden()
    QTest.keyClicks(question.field, "lamp stays dark")
    QTest.keyClick(question.field, Qt.Key.Key_Return)
    assert question.isHidden()
    time.sleep(0.05)
    assert Pressed(Key.GO_ON, "lamp stays dark") in bench.heard()


def test_beginning_again_asks_for_the_fuse(bench):
    show(bench, "rail-short")
    bench.start.desk.deeds.begin_again()
    question = bench.start.window.question
    assert "fuse" in question.words
    QTest.keyClick(question.field, Qt.Key.Key_Return)
    time.sleep(0.05)
    assert Pressed(Key.REARM, "", fuse_intact=True) in bench.heard()


def test_a_note_is_stored_with_enter(bench):
    note = bench.start.window.keys.note
    QTest.keyClicks(note, "hum at 10 %")
    QTest.keyClick(note, Qt.Key.Key_Return)
    time.sleep(0.05)
    notes = [m.payload for m in bench.heard() if isinstance(m, EntryAdded)]
    assert [n.text for n in notes if isinstance(n, Noted)] == ["hum at 10 %"]
    assert note.text() == ""


def test_the_heartbeat_is_answered_with_the_age_of_the_last_input(bench):
    bench.start.key.input_s = time.monotonic() - 7.0
    bench.tell(Ping(41))
    found = []
    assert bench.pump(lambda: found.extend(m for m in bench.heard() if isinstance(m, Pong)) or bool(found))
    assert found[0].n == 41
    assert 6.9 < found[0].input_age_s < 12.0
    QTest.keyClick(bench.start.window.windowHandle(), Qt.Key.Key_Shift)
    bench.tell(Ping(42))
    found.clear()
    assert bench.pump(lambda: found.extend(m for m in bench.heard() if isinstance(m, Pong)) or bool(found))
    assert found[-1].input_age_s < 2.0


def test_closing_with_power_on_asks_inside_the_window(bench):
    show(bench, "middle")
    window = bench.start.window
    window.close()
    assert window.isVisible()
    assert "Power is on" in window.question.words
    QTest.keyClick(window.question, Qt.Key.Key_Escape)
    assert window.question.isHidden()
    time.sleep(0.05)
    assert not any(isinstance(m, WantsToClose) for m in bench.heard())
    window.close()
    window.question._answers[0][0].click()
    time.sleep(0.05)
    assert WantsToClose(power_off=True) in bench.heard()
    assert window.isVisible()


def test_closing_in_order_answers_the_recorder(bench):
    show(bench, "completed")
    bench.tell(Closing())
    heard = []
    assert bench.pump(lambda: heard.extend(bench.heard()) or Closed() in heard)
    os.close(bench.to_window)
    assert bench.pump(lambda: not bench.start.window.isVisible())


@pytest.mark.alone
def test_the_alarm_fills_the_window_when_the_recorder_is_gone(bench):
    show(bench, "middle")
    window = bench.start.window
    bench.pump(lambda: False, 0.5)
    began = time.monotonic()
    os.close(bench.to_window)
    assert bench.pump(lambda: window.alarm.head == GONE, 2.0)
    assert time.monotonic() - began < 0.5 * crowd()
    assert window.isVisible()
    assert window.alarm.height() >= window.height() - window.trip.height() - window.bands.height()
    assert window.alarm.width() == window.width()
    assert "source on" in " ".join(window.alarm.facts)
    assert window.bands.words[0].startswith("SIMULATED")


def test_the_alarm_of_a_hand_set_source_stays_until_it_is_near_zero(bench):
    show(bench, "hand-set")
    window = bench.start.window
    assert not window.alarm.isHidden()
    window.alarm.button.click()
    time.sleep(0.05)
    assert any(isinstance(m, Pressed) and m.key is Key.NEAR_ZERO for m in bench.heard())
    bench.start.desk.frame()
    assert not window.alarm.isHidden()
    bench.tell(PowerState(False, True, True))
    assert bench.pump(window.alarm.isHidden)
    assert "latched" in window.trip.state


def test_a_stalled_disk_is_told_in_words(bench):
    show(bench, "middle")
    bench.tell(StorageState(False, "the disk does not answer"))
    words, current = bench.start.window.bands, bench.start.desk.shell.bring_up.current
    assert bench.pump(lambda: any("not being stored" in w for w in words.words))
    now_us = bench.start.desk.board.now_us(time.monotonic())
    for number in range(1, 4):  # the numbers go on meanwhile
        t_us = now_us + number * 10_000
        bench.tell(Live(t_us, (Point("source-current", t_us, 0.2 + number / 100),)))
        assert bench.pump(lambda n=number: current.shown.digits == f"0.2{n}0")
        assert any("not being stored" in w for w in words.words)
    bench.tell(StorageState(True))
    assert bench.pump(lambda: not any("not being stored" in w for w in words.words))


def test_a_slot_that_raises_is_told_and_shown(bench, capsys):
    caught = sys.excepthook
    sys.excepthook = bench.start.caught
    try:
        bench.start.desk.shell.route.buttons[HISTORY].clicked.connect(_raise)
        bench.start.desk.shell.route.buttons[HISTORY].click()
    finally:
        sys.excepthook = caught
    time.sleep(0.05)
    troubles = [m for m in bench.heard() if isinstance(m, Trouble)]
    assert len(troubles) == 1
    assert "a planted fault" in troubles[0].text
    assert any("a planted fault" in w for w in bench.start.window.bands.words)
    assert "a planted fault" in capsys.readouterr().err


def _raise():
    raise RuntimeError("a planted fault")


def test_digits_can_be_read_from_two_metres(bench):
    # 12 mm on a screen of 24 inches at 1920 × 1080 (531 mm wide): 43 pixels.
    bench.start.window.resize(1920, 1080)
    bench.pump(lambda: False, 0.05)
    assert bench.start.desk.shell.bring_up.current.digit_height() >= 43
    assert bench.start.desk.shell.bring_up.inlet.digit_height() >= 43


def test_accessible_names_carry_values(bench):
    show(bench, "middle")
    window, page = bench.start.window, bench.start.desk.shell.bring_up
    assert "0.190 A" in page.current.accessibleName()
    assert "48.0 V" in page.inlet.accessibleName()
    assert window.trip.accessibleName().startswith("CUT OFF, key F12. source ON")
    assert window.instruction.accessibleName().startswith("Now: Wait: ")
    assert "36 V" in page.climb.accessibleDescription()
    assert page.ladder.ladder.index(5, 0).data().startswith("48 V")


@pytest.mark.parametrize(("name", "colours"), [("middle", DARK), ("hand-set", LIGHT), ("stale", DARK)])
def test_scenes_are_drawn(bench, name, colours):
    bench.start.window.set_colours(colours)
    show(bench, name)
    assert not bench.start.window.grab().isNull()


@pytest.mark.skipif(sys.version_info >= (3, 12), reason="None is immortal from Python 3.12 on")
def test_references_to_none_stay_over_200_frames(bench, qapp):
    show(bench, "middle")
    desk = bench.start.desk
    frames_of(desk, qapp, 20)
    gc.collect()
    before = sys.getrefcount(None)
    frames_of(desk, qapp, 200)
    gc.collect()
    assert sys.getrefcount(None) > before - 100


def frames_of(desk, qapp, count):
    """Frames with a new reading each, drawn by the event loop."""
    for n in range(count):
        t_us = desk.board.now_us(time.monotonic())
        desk.board.take(Live(t_us, (Point("source-current", t_us, 0.1 + n / 1e4),)), time.monotonic())
        desk.frame()
        qapp.processEvents()


def test_larger_text_leaves_figures_and_bar_their_size(bench):
    window, page = bench.start.window, bench.start.desk.shell.bring_up
    before = (window.keys.note.font().pixelSize(), window.trip.height(), page.current.digit_height())
    QTest.keyClick(window, Qt.Key.Key_Plus, Qt.KeyboardModifier.ControlModifier)
    after = (window.keys.note.font().pixelSize(), window.trip.height(), page.current.digit_height())
    assert after[0] > before[0]
    assert after[1:] == before[1:]
