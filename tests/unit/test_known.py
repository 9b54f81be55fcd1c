"""Measures of known letters: against the page as drawn, against plain arithmetic, and refusing what is too little."""

from dataclasses import replace

import numpy as np
import pytest

from handwriting.alignment.pixels import owners
from handwriting.calibration import Given
from handwriting.geometry import Box
from handwriting.measures.known import KEYS, known_letters
from handwriting.page import Page
from handwriting.phantoms import PASSAGES, WRITERS, Capture, Paper, draw
from handwriting.pipeline import Options, measure_page
from handwriting.quantity import Measured, NotMeasured
from handwriting.task import read_task


def measured(writer, text=PASSAGES[0], asked=PASSAGES[0], dpi=200.0, seed=4):
    page = draw(text, writer, Paper(pitch_mm=11.0), Capture(dpi=dpi), seed)
    read = Page(np.ascontiguousarray(page.image), None, "0" * 64, "page.png", "PNG", claimed_dpi=(dpi, dpi))
    return measure_page(read, read_task(text=asked), Options(Given(dpi))).record.measures, page.truth


@pytest.fixture(scope="module", params=["able", "very variable", "variable joined"])
def page(request):
    return measured(WRITERS[request.param])


def test_sizes_are_those_of_the_letters_drawn(page):
    found, truth = page
    letters = [x for w in truth.words if w.state == "written" for x in w.letters]
    body = [x.height_mm + x.pen_mm for x in letters if x.char in "acemnorsuvwxz"]
    tall = [x.height_mm + x.lift_mm for x in letters if x.char in "bdfhkl"]
    small = np.mean([x.height_mm for x in letters if x.char in "acemnorsuvwxz"])
    assert found["known_x_height"].value == pytest.approx(np.mean(body), rel=0.015)
    assert found["known_ascender_ratio"].value == pytest.approx(np.mean(tall) / small, rel=0.06)
    deep = [-x.bottom_mm for x in letters if x.char in "gjpqy"]
    assert found["known_descender_ratio"].value == pytest.approx(np.mean(deep) / small, abs=0.08)
    assert found["known_height_cv"].value == pytest.approx(truth.realised["size_cv"], abs=0.015)
    for key in KEYS[:4]:
        assert found[key].low < found[key].value < found[key].high
    assert found["known_x_height"].n > 150


def test_gaps_are_those_of_unjoined_letters(page):
    found, truth = page
    gap, true = found["known_letter_space"], truth.realised["letter_space_mm"]
    assert gap.low < true < gap.high
    # A joined hand has few gaps, and of those the narrowest run together.
    assert gap.value == pytest.approx(true, abs=0.12 if gap.n >= 30 else 0.2)


def test_ratios_do_not_change_with_the_scale():
    coarse, fine = (measured(WRITERS["able"], dpi=dpi)[0] for dpi in (150.0, 300.0))
    for key in ("known_height_cv", "known_ascender_ratio", "known_descender_ratio"):
        assert coarse[key].value == pytest.approx(fine[key].value, abs=0.05)
    assert coarse["known_x_height"].value == pytest.approx(fine["known_x_height"].value, abs=0.06)


def test_a_class_has_its_own_mean():
    # Spread within letters, not between them: tall and small letters of hardly any spread have no more.
    even = replace(WRITERS["able"], height_cv=0.03, shape_jitter=0.0)
    assert measured(even)[0]["known_height_cv"].value == pytest.approx(0.03, abs=0.008)


def test_little_or_no_text_is_said():
    assert all(q.flag == "no-text" for q in known_letters(None, None).values())
    few = measured(WRITERS["able"], text="old boat", asked="old boat on the sand")[0]
    assert isinstance(few["known_height_cv"], NotMeasured)
    assert few["known_height_cv"].flag == "few-letters"
    assert not isinstance(few["known_descender_ratio"], Measured)


def test_pieces_belong_to_the_letter_they_lie_in():
    # A dot within one box, a stroke across two boxes cut at them.
    x = np.array([1, 2, 3, 4, 5, 6, 2], np.int32)
    y = np.array([5, 5, 5, 5, 5, 5, 1], np.int32)
    piece = np.array([0, 0, 0, 0, 0, 0, 1], np.int32)
    boxes = [Box(0, 0, 4, 6), Box(4, 0, 8, 6)]
    assert owners(x, y, piece, boxes).tolist() == [0, 0, 0, 1, 1, 1, 0]
    assert owners(x, y, piece, []).tolist() == [-1] * 7
