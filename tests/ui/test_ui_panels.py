"""Cold checks, parts and final checks by the keyboard: what is sent, and what is held back."""

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QImage
from PySide6.QtTest import QTest

from benchlog.cold.discharge import reservoir
from benchlog.model.history import (
    Approved,
    Corrected,
    JobEntered,
    PartChanged,
    PointsListed,
    RunEnded,
    Taken,
)
from benchlog.model.job import Customer, Job
from benchlog.model.known import Check, Known
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.protocol import EntryAdded, Live, Point, Probe
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog.model.step import Outcome, PointVerdict
from benchlog.model.unit import Fuse, Unit
from benchlog.model.work import Adjusted, Estimated, FinalChecked, FirstLook, Photographed, SafetyMeasured
from benchlog_ui.board import Board
from benchlog_ui.colours import LIGHT
from benchlog_ui.invented import entries_of
from benchlog_ui.lines import row_of
from benchlog_ui.look import Look
from benchlog_ui.panel import PANELS, Place
from benchlog_ui.panels.coldpanel import ColdPanel
from benchlog_ui.panels.finalpanel import FinalPanel, overview
from benchlog_ui.panels.handsfree import HandsFree, typed_of
from benchlog_ui.panels.partspanel import PartsPanel
from benchlog_ui.stages import Ledger, Stage

PLUS, MINUS = reservoir("reservoir +", "supply"), reservoir("reservoir -", "supply")
PIN = TestPoint(
    "output pin to + rail", PointKind.OHMS, "left", "reservoir +, reservoir -",
    known=Known(check=Check.OUTPUT_TO_RAIL),
)  # fmt: skip
BASE = TestPoint("Q12 B-E", PointKind.JUNCTION, "left", "reservoir +", known=Known(device="bipolar"))
JOB = Job(
    "J-1", Customer("Invented"), spending_cap="EUR 100", invented=True,
    unit=Unit(fuse=Fuse("T4AL250V", 4.0, "T", "L"), protective_earth=False),
)  # fmt: skip


class Desk:
    """One open panel, and what it sends, put back into its history as a recorder would."""

    def __init__(self, kind):
        self.sent, self.asked, self.entries = [], [], []
        self.board, self.ledger = Board(), Ledger()
        self.look = Look(LIGHT, 0.7)
        place = Place(
            self.look, self._send, lambda *asked: self.asked.append(asked), self.board, self.ledger,
            lambda: None, lambda words: None,
        )  # fmt: skip
        self.panel = kind(place)
        self.panel.resize(1000, 480)
        self.panel.show()
        self.put(JobEntered(JOB))

    def _send(self, message):
        assert isinstance(message, EntryAdded)
        self.sent.append(message.payload)

    def put(self, *payloads):
        count = len(self.entries)
        new = entries_of([(float(count + n), p) for n, p in enumerate(payloads)], count + 1)
        self.entries += new
        self.ledger.take(new)
        self.panel.take(new)

    def last(self, kind):
        """The last thing sent, stored."""
        found = self.sent.pop()
        assert isinstance(found, kind), found
        self.put(found)
        return found

    def type(self, field, text):
        field.setFocus()
        field.setText(text)
        QTest.keyClick(field, Qt.Key.Key_Return)


@pytest.fixture
def desk(qapp, monkeypatch, tmp_path):
    """Makes panels, and lets go of them at the end."""
    monkeypatch.setattr("platformdirs.user_config_path", lambda *_, **__: tmp_path / "config")
    made = []

    def make(kind):
        made.append(Desk(kind))
        return made[-1]

    yield make
    for each in made:
        each.panel.close()
        each.panel.deleteLater()
    qapp.processEvents()


@pytest.fixture
def cold(desk):
    made = desk(ColdPanel)
    made.put(PointsListed((PLUS, MINUS, PIN, BASE)))
    return made


def test_typed_readings_wait_for_both_reservoirs_and_are_judged_on_the_spot(cold):
    panel = cold.panel
    panel.points.choose(PIN.name, PIN.kind)
    cold.type(panel.reading, "3.1")
    assert not cold.sent
    assert "reservoir +, reservoir -" in panel.trouble.text()
    assert panel.reading.text() == "3.1"
    for name in ("reservoir +", "reservoir -"):
        panel.prove_next()
        assert panel.point.name == name
        panel.proved.setChecked(True)
        cold.type(panel.reading, "0.02")
        taken = cold.last(Taken)
        assert taken.meter_proved
        assert taken.verdict is PointVerdict.WITHIN
        if name == "reservoir +":
            panel.points.choose(PIN.name, PIN.kind)
            cold.type(panel.reading, "3.1")
            assert not cold.sent
            assert "1 V: reservoir -." in panel.trouble.text()
            panel.reading.clear()
    assert panel.safe.text() == "Proved below 1 V: reservoir +, reservoir -."
    panel.points.choose(PIN.name, PIN.kind)
    cold.type(panel.reading, "3.1")
    assert cold.last(Taken).verdict is PointVerdict.OUTSIDE
    assert "5 Ω" in panel.verdict.limit
    assert "next: left: Q12 B-E" in panel.verdict.name
    assert "shorted collector to emitter" in panel.found.text()
    assert panel.point.name == BASE.name


def test_a_comma_is_read_where_the_system_writes_one(cold, monkeypatch):
    cold.panel.points.choose("reservoir +", cold.panel.point.kind)
    cold.panel.prove_next()
    cold.panel.proved.setChecked(True)
    cold.type(cold.panel.reading, "0,02")
    assert not cold.sent
    assert "comma" in cold.panel.trouble.text()
    monkeypatch.setattr("benchlog_ui.panels.coldpanel.decimal_comma", lambda: True)
    cold.type(cold.panel.reading, "0,02")
    assert cold.last(Taken).value == 0.02


def test_i_have_checked_is_recorded_with_the_reading(cold):
    panel = cold.panel
    panel.points.choose(PIN.name, PIN.kind)
    {deed.key: deed.act for deed in panel.deeds()}["Ctrl+D"]()
    ((words, answers, field),) = cold.asked
    assert "nothing that feeds this point" in words
    assert field
    assert answers[0].needs_text
    answers[0].act("bleeders seen, 0 V on a second meter")
    assert "bleeders seen" in panel.safe.text()
    cold.type(panel.reading, "14k")
    assert cold.last(Taken).checked == "bleeders seen, 0 V on a second meter"


def test_a_charge_that_was_read_is_called_so_and_no_word_goes_past_it(cold):
    panel = cold.panel
    panel.points.choose("reservoir +", PointKind.DC_VOLTS)
    cold.type(panel.reading, "45")
    assert "CHARGED to 45 V" in cold.last(Taken).reason
    assert panel.safe.text().startswith("CHARGED: reservoir + read 45 V")
    panel.vouch()
    answers = cold.asked[-1][1]
    answers[0].act("x")
    assert "says nothing" in panel.trouble.text()
    answers[0].act("bleeders seen, 0 V on a second meter")
    panel.points.choose(PIN.name, PIN.kind)
    cold.sent.clear()
    cold.type(panel.reading, "14k")
    assert not cold.sent
    assert panel.trouble.text().startswith("CHARGED: reservoir +")


def test_a_doubtful_figure_is_asked_back_and_taken_at_the_second_enter(cold):
    panel = cold.panel
    panel.points.choose("reservoir +", PointKind.DC_VOLTS)
    for _ in range(2):
        assert not cold.sent
        cold.type(panel.reading, "1500")
    assert cold.last(Taken).value == 1500.0
    cold.type(panel.reading, "teapot")
    assert not cold.sent
    assert "is not understood as DC voltage" in panel.trouble.text()
    assert panel.reading.text() == "teapot"


def test_a_junction_goes_on_to_its_other_polarity(cold):
    panel = cold.panel
    cold.put(*(Taken(p, Quantity.DC_VOLTAGE, 0.02, u=0.01, meter_proved=True) for p in (PLUS, MINUS)))
    panel.points.choose(BASE.name, BASE.kind)
    panel.circuit.setCurrentText("out of circuit")
    cold.type(panel.reading, "0.62")
    assert cold.last(Taken).polarity == "forward"
    assert (panel.point.name, panel.polarity.currentText()) == (BASE.name, "reverse")
    cold.type(panel.reading, "OL")
    assert cold.sent[-1].polarity == "reverse"
    assert "both ways: within limit" in panel.trouble.text()


def test_a_slip_does_not_count_and_stays(cold):
    panel = cold.panel
    panel.strike()
    assert "no reading" in panel.trouble.text()
    panel.points.choose("reservoir +", PointKind.DC_VOLTS)
    panel.proved.setChecked(True)
    cold.type(panel.reading, "0.02")
    cold.last(Taken)
    assert "Proved: reservoir +" in panel.safe.text()
    panel.points.choose("reservoir +", PointKind.DC_VOLTS)
    panel.strike()
    ((words, answers, _),) = cold.asked
    assert "20 mV" in words
    answers[0].act("read at the other one")
    struck = cold.last(Corrected)
    assert (struck.corrects, struck.void, struck.text) == (3, True, "read at the other one")
    assert "Proved" not in panel.safe.text()
    assert panel.points.readings(PLUS) == []


def probe(t_s, value, quantity=Quantity.RESISTANCE):
    t_us = int(t_s * 1e6)
    status = Status.OVERLOAD if value is None else None
    return Point("probe", t_us, value, status, Probe("hand meter", quantity, t_us - 1000, t_us, 60.0, 0.01))


def test_hands_free_takes_what_is_steady_and_arms_again(cold):
    panel, board = cold.panel, cold.board
    cold.put(*(Taken(p, Quantity.DC_VOLTAGE, 0.02, u=0.01, meter_proved=True) for p in (PLUS, MINUS)))
    panel.points.choose(PIN.name, PIN.kind)
    panel.free.setChecked(True)
    noise = np.random.default_rng(3).normal(0.0, 0.004, 40)
    air = [probe(0.1 * k, None) for k in range(5)]
    board.take(Live(0, (*air, *(probe(0.5 + 0.1 * k, 3.1 + x) for k, x in enumerate(noise)))), 0.0)
    panel.refresh(0.0)
    (taken,) = cold.sent
    assert taken.value == pytest.approx(3.1, abs=0.02)
    assert taken.instrument == "hand meter"
    assert taken.typed == ""
    assert panel.verdict.flashing
    panel.points.choose(PIN.name, PIN.kind)
    board.take(Live(0, (probe(10.0, 0.6, Quantity.JUNCTION_VOLTAGE),)), 0.0)
    panel.refresh(0.0)
    panel.foot()
    assert len(cold.sent) == 1
    assert "the point is" in panel.trouble.text()


def test_the_foot_takes_at_once_and_an_overload_too():
    hands = HandsFree()
    hands.aim(PointKind.OHMS, None)
    assert hands.foot() == []
    assert hands.hear([probe(0.1, 2.0), probe(0.2, 9.0)]) == []
    assert typed_of(hands.foot()[0]).value == 9.0
    hands.hear([probe(0.3, None)])
    assert typed_of(hands.foot()[0]).status is Status.OVERLOAD
    assert hands.hear([Point("probe", 1, 2.0)]) == []


def test_first_look_known_parts_points_and_lists(cold):
    panel = cold.panel
    panel.show_first_look()
    panel.first.seen.setText("dust")
    panel.first.fitted.setText("T6.3AL250V")
    panel._now()
    look = cold.last(FirstLook)
    assert (look.fuse_marked, look.fuse_verdict) == ("T4AL250V", PointVerdict.OUTSIDE)
    assert "first look" in cold.ledger.survey(Stage.COLD).done
    panel.points.choose(PIN.name, PIN.kind)
    panel.known.setText("teapot")
    panel._change_known()
    assert "is not understood as resistance" in panel.trouble.text()
    panel.known.setText("8R voice-coil")
    panel._change_known()
    assert cold.last(PointsListed).points[2].known == Known(check=Check.VOICE_COIL, rated_ohm=8.0)
    panel._new_point(PointKind.ESR, "supply: C5")
    assert cold.last(PointsListed).points[-1] == TestPoint("C5", PointKind.ESR, "supply")
    panel.add_template()
    assert len(cold.last(PointsListed).points) > 8
    panel.first.fitted.setText("teapot")
    panel.first.store()
    assert not cold.sent


def test_photographs_are_stored_with_the_point_that_is_on(cold, tmp_path, qtbot):
    panel = cold.panel
    panel.points.choose(PIN.name, PIN.kind)
    good, bad = tmp_path / "a.png", tmp_path / "b.jpg"
    image = QImage(40, 30, QImage.Format.Format_RGB32)
    image.fill(0x335577)
    assert image.save(str(good))
    bad.write_text("no picture", encoding="utf-8")
    assert panel.drop([bad, good])

    def there():
        panel.refresh(0.0)
        return bool(cold.sent) and "b.jpg" in panel.trouble.text()

    qtbot.waitUntil(there, timeout=30_000)
    photo = cold.last(Photographed)
    assert (photo.point, photo.group, photo.stage) == (PIN.name, "left", "cold-checks")
    assert "b.jpg is no photograph" in panel.trouble.text()
    assert row_of(cold.entries[-1]).kind == "photograph"
    assert not panel.preview.isHidden()
    assert panel.preview.pixmap().width() * 3 == panel.preview.pixmap().height() * 4
    assert panel.preview.accessibleName() == "Photograph a.png, 40 × 30"
    panel.points.choose(BASE.name, BASE.kind)
    assert panel.preview.isHidden()


@pytest.fixture
def parts(desk):
    return desk(PartsPanel)


def test_estimate_and_answer(parts):
    panel = parts.panel
    parts.type(panel.item, "labour")
    assert "no line" in panel.trouble.text()
    parts.type(panel.item, "devices = 58.00")
    parts.type(panel.item, "labour = 90")
    assert "148.00" in panel.total.text()
    panel.put_estimate()
    put = parts.last(Estimated)
    assert str(put.over_cap) == "48.00"
    assert "waits for approval" in panel.waits.text()
    panel.approve()
    assert "who gave it" in panel.trouble.text()
    panel.how.setText("telephone")
    panel.approve()
    answer = parts.last(Approved)
    assert (answer.amount, answer.who, answer.approved, answer.estimate) == ("148.00", "Invented", True, 2)
    panel.decline()
    assert parts.last(Approved).changes == 3


def test_a_part_is_checked_by_itself_or_asked_for_twice(parts):
    panel = parts.panel
    panel.direction.setCurrentText("fitted")
    panel.kind.setCurrentText("capacitor")
    panel.position.setText("C31")
    parts.type(panel.value, " ")
    assert "its value" in panel.trouble.text()
    parts.type(panel.value, "4K7")
    assert "is no capacitor" in panel.trouble.text()
    parts.type(panel.value, "220u")
    assert not parts.sent
    assert "was not checked" in panel.trouble.text()
    panel.known.setText("220u 50V lead=0")
    parts.type(panel.reading, "0.16")
    taken = parts.last(Taken)
    assert (taken.part, taken.verdict, taken.point.known.used) == ("C31", PointVerdict.WITHIN, False)
    parts.type(panel.value, "220u")
    fitted = parts.last(PartChanged)
    assert (fitted.checked_by, fitted.si_value, fitted.series) == (2, pytest.approx(220e-6), "E3")
    assert panel.parts.item(0).text() == "C31  fitted: 220u; by itself 160 mΩ, within limit"
    panel.position.setText("Q1")
    panel.kind.setCurrentText("transistor")
    for _ in range(2):
        assert not parts.sent
        parts.type(panel.value, "npn")
    assert parts.last(PartChanged).checked_by == 0


def test_a_value_in_no_series_is_asked_back(parts):
    panel = parts.panel
    panel.kind.setCurrentText("resistor")
    panel.position.setText("R1")
    parts.type(panel.value, "4K6")
    assert not parts.sent
    assert "no series" in panel.trouble.text()
    parts.type(panel.value, "4K6")
    assert parts.last(PartChanged).series == ""


@pytest.fixture
def final(desk):
    made = desk(FinalPanel)
    made.put(RunEnded(Outcome.COMPLETED, "", ()))
    return made


def test_final_checks_adjustment_and_safety_figures(final):
    panel = final.panel
    panel.check.setCurrentText("dc-offset")
    final.type(panel.value, "4m")
    offset = final.last(FinalChecked)
    assert (offset.channel, offset.relay_side, offset.verdict) == ("left", "amplifier", PointVerdict.WITHIN)
    assert "direct-coupled" in panel.said.text()
    panel.side.setCurrentText("loudspeaker")
    final.type(panel.value, "4m")
    assert final.last(FinalChecked).verdict is PointVerdict.NONE
    panel.check.setCurrentText("rails")
    panel.value.setText("41.2")
    final.type(panel.second, "41")
    assert not final.sent
    final.type(panel.second, "-41")
    assert final.last(FinalChecked).verdict is PointVerdict.WITHIN
    panel.check.setCurrentText("output-into-load")
    panel.load.setText("8")
    panel.distortion.setText("0.05")
    final.type(panel.value, "20")
    output = final.last(FinalChecked)
    assert (output.power_w, output.distortion) == (50.0, pytest.approx(5e-4))
    panel.check.setCurrentText("tap")
    final.type(panel.seen, "no crackle")
    assert final.last(FinalChecked).seen == "no crackle"
    panel.show_form(1, panel.before)
    panel.before.setText("3.1m")
    panel.minutes.setText("20")
    for _ in range(2):
        assert not final.sent
        final.type(panel.after, "12.4")
    assert final.last(Adjusted).after == 12.4
    final.type(panel.after, "12.4m")
    assert final.last(Adjusted).verdict is PointVerdict.WITHIN
    panel.show_form(2, panel.figure)
    panel.test.setCurrentText("touch-current")
    assert panel.protection.currentText() == "class II"
    final.type(panel.figure, "0.1m")
    assert not final.sent
    assert "licensed" in panel.said.text()
    panel.tester.setText("Invented tester")
    final.type(panel.figure, "0.1m")
    assert final.last(SafetyMeasured).verdict is PointVerdict.NONE
    panel.due.setText("soon")
    final.type(panel.figure, "0.1m")
    assert not final.sent
    rows, channels = overview(final.entries)
    assert channels == ("left", "")
    assert rows["rails"][""][0] == "41.2 V / -41 V, within limit"
    assert panel.table.rowCount() == len(rows) == 6
    assert final.ledger.survey(Stage.FINAL).done[0] == "8 checks and figures"


def test_the_panels_are_named_in_their_stages():
    for stage, kind in ((Stage.COLD, ColdPanel), (Stage.PARTS, PartsPanel), (Stage.FINAL, FinalPanel)):
        assert PANELS[stage] == f"{kind.__module__}:{kind.__name__}"


def test_every_panel_is_drawn_and_its_keys_type_nothing(desk):
    for kind in (ColdPanel, PartsPanel, FinalPanel):
        made = desk(kind)
        made.put(PointsListed((PLUS, MINUS, PIN, BASE)), Taken(PIN, Quantity.RESISTANCE, 3.1))
        made.panel.restyle(Look(LIGHT, 1.0))
        assert not made.panel.grab().isNull()
        keys = [deed.key for deed in made.panel.deeds()]
        assert len(keys) == len(set(keys))
        assert all(key.startswith("Ctrl+") for key in keys)
