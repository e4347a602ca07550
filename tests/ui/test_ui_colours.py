"""Contrast of every ink on its paper, and that verdicts differ by shape and word."""

import pytest

from benchlog.model.reading import Status
from benchlog.model.step import StepVerdict
from benchlog_ui.colours import DARK, LIGHT, contrast, pairs
from benchlog_ui.words import STATUS, VERDICT


def test_contrast_agrees_with_the_published_extremes():
    # WCAG 2.2, definition of contrast ratio: white on black is 21 : 1, a colour on itself 1 : 1.
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    assert contrast("#777777", "#777777") == pytest.approx(1.0)
    # A pair known from WCAG discussions: #767676 on white is the lightest grey that reaches 4.5 : 1
    # (from memory, unverified; the formula above gives 4.54).
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=lambda c: c.name)
def test_every_ink_can_be_read(colours):
    # WCAG 2.2, success criterion 1.4.3 (level AA): at least 4.5 : 1 for text.
    poor = [(ink, paper, round(ratio, 2)) for ink, paper, ratio in pairs(colours) if ratio < 4.5]
    assert poor == []


def test_no_two_verdicts_share_a_shape_or_a_word():
    assert set(VERDICT) == set(StepVerdict)
    assert len({shape for _, shape, _ in VERDICT.values()}) == len(VERDICT)
    assert len({word for word, _, _ in VERDICT.values()}) == len(VERDICT)


def test_every_status_has_its_words():
    assert set(STATUS) == set(Status)
    assert len({words for words, _ in STATUS.values()}) == len(STATUS)
