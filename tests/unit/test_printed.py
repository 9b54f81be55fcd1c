"""Print, frames, circles and stray marks are set aside, and no writing is."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from stages import BLANK, CLEAN, PX_PER_MM, drawn, look

from handwriting.frame import Frame
from handwriting.geometry import Box
from handwriting.phantoms import ABLE, PASSAGES, Paper, Writer
from handwriting.printed import set_area_aside, set_print_aside

VARIED = Writer(height_cv=0.15, slant_sd_deg=5, bounce_mm=0.25, shape_jitter=0.4)
TEXT = PASSAGES[2][:240]
# Our own words, set in a vector type that is no part of the project (OpenCV's Hershey letters).
NOTICE = ("Copy this text on the lines below", "as you always write, and stop", "when told to.")


def printed_notice(grey, top_mm=12.0, size=1.0):
    for i, line in enumerate(NOTICE):
        at = (round(25 * PX_PER_MM), round((top_mm + 8 * i) * PX_PER_MM))
        cv2.putText(grey, line, at, cv2.FONT_HERSHEY_SIMPLEX, size, 20, 2, cv2.LINE_AA)
    return grey


@pytest.fixture(scope="module")
def written():
    return drawn(TEXT, VARIED, replace(BLANK, top_mm=48))


def test_writing_alone_stays_whole(written):
    seen = look(written[0])
    assert seen.aside == ()
    assert len(seen.lines.lines) == len(written[1].lines)
    assert seen.kept > 0.995


def test_an_even_hand_that_repeats_its_letters_stays_whole():
    even = replace(ABLE, height_cv=0.02, slant_sd_deg=0.5, bounce_mm=0.02, shape_jitter=0.0, tremor_mm=0.0)
    grey, truth = drawn(TEXT, even, replace(BLANK, top_mm=48))
    seen = look(grey)
    assert seen.aside == ()
    assert len(seen.lines.lines) == len(truth.lines)


@pytest.mark.parametrize("hand", [VARIED, ABLE], ids=["varied hand", "even hand"])
def test_a_printed_notice_goes_with_its_last_short_line(hand):
    grey, truth = drawn(TEXT, hand, replace(BLANK, top_mm=48))
    seen = look(printed_notice(grey))
    assert len(seen.lines.lines) == len(truth.lines)
    assert len(seen.aside) >= len(NOTICE)
    assert max(box.bottom for box in seen.aside) < 35 * PX_PER_MM


@pytest.mark.parametrize(("size", "tilt"), [(0.55, 0.0), (0.8, -2.0), (1.3, 2.5)])
def test_print_of_any_size_goes_level_or_tilted(size, tilt):
    grey, truth = drawn(TEXT, VARIED, replace(BLANK, top_mm=48))
    height, width = printed_notice(grey, size=size).shape
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), tilt, 1)
    seen = look(cv2.warpAffine(grey, turn, (width, height), borderMode=cv2.BORDER_REPLICATE))
    assert len(seen.lines.lines) == len(truth.lines)
    assert len(seen.aside) >= len(NOTICE)


@pytest.mark.parametrize("skew", [0.0, 1.5])
@pytest.mark.parametrize("boxed", [False, True])
def test_a_printed_passage_goes_framed_or_not_tilted_or_not(boxed, skew):
    paper = Paper(rules="single", pitch_mm=11, passage=PASSAGES[0][:150], boxed=boxed)
    grey, truth = drawn(TEXT, VARIED, paper, replace(CLEAN, skew_deg=skew))
    seen = look(grey)
    assert len(seen.lines.lines) == len(truth.lines)
    assert seen.rules.across is not None
    assert seen.rules.across.pitch / PX_PER_MM == pytest.approx(11, rel=0.005)


def test_a_circle_and_a_triangle_go():
    grey, truth = drawn(TEXT, VARIED, replace(BLANK, top_mm=48, logo=True))
    seen = look(grey)
    assert len(seen.lines.lines) == len(truth.lines)
    # The mark is 20 mm wide, its left edge 32 mm from the right edge of the page.
    right = grey.shape[1] - 12 * PX_PER_MM
    boxes = [*seen.aside, *seen.whole.set_aside]
    assert min(b.left for b in boxes) == pytest.approx(right - 20 * PX_PER_MM, abs=4)
    assert max(b.right for b in boxes) == pytest.approx(right, abs=4)


def ring(grey, wobble):
    """Draw a ring 9 mm wide whose radius varies by a share of it, as a hand's does."""
    angle = np.linspace(0, 2 * np.pi, 240)
    radius = 4.5 * PX_PER_MM * (1 + wobble * np.sin(3 * angle + 1))
    middle = np.array([28, 25]) * PX_PER_MM
    points = middle + radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], 1)
    cv2.polylines(grey, [np.rint(16 * points).astype(np.int32)], isClosed=True, color=30, thickness=5, shift=4)


def line(grey, bow_mm):
    """Draw a line of 60 mm bowed by so much, as a hand's is."""
    x = np.linspace(0, 1, 200)
    points = np.stack([80 + 60 * x, 25 + bow_mm * np.sin(np.pi * x)], 1) * PX_PER_MM
    cv2.polylines(grey, [np.rint(16 * points).astype(np.int32)], isClosed=False, color=30, thickness=3, shift=4)


@pytest.mark.parametrize(("shape", "true", "by_hand"), [(ring, 0.0, 0.06), (line, 0.0, 1.0)])
def test_what_is_drawn_true_is_print_and_what_a_hand_draws_is_not(written, shape, true, by_hand):
    for amount, boxes in ((true, 1), (by_hand, 0)):
        grey = written[0].copy()
        shape(grey, amount)
        assert len(look(grey).aside) == boxes


def square_code(tilt):
    """Return a square code as segno draws it, grey, its modules 0.4 mm wide, turned by so many degrees."""
    made = pytest.importorskip("segno").make("Sheet 12, page 1", error="m", micro=False)
    modules = np.kron(
        255 - 235 * np.array([list(row) for row in made.matrix_iter(border=4)], np.uint8), np.ones((8, 8))
    )
    side = round(modules.shape[0] / 8 * 0.4 * PX_PER_MM)
    small = cv2.resize(modules.astype(np.uint8), (side, side), interpolation=cv2.INTER_AREA)
    turn = cv2.getRotationMatrix2D((side / 2, side / 2), tilt, 1)
    return cv2.warpAffine(small, turn, (side, side), borderMode=cv2.BORDER_REPLICATE)


@pytest.mark.parametrize("tilt", [0.0, 1.5, -2.5])
@pytest.mark.parametrize("place_mm", [(30, 12), (150, 20)])
def test_a_square_code_is_no_writing(written, tilt, place_mm):
    grey, code = written[0].copy(), square_code(tilt)
    x, y = (round(v * PX_PER_MM) for v in place_mm)
    part = grey[y : y + len(code), x : x + len(code)]
    np.minimum(part, code, out=part)
    seen = look(grey)
    assert len(seen.lines.lines) == len(written[1].lines)
    mine = [b for b in seen.aside if b.left > x - 2 and b.right < x + len(code) + 2 and b.bottom < y + len(code) + 2]
    assert mine and len(mine) == len(seen.aside)


def test_a_bar_code_is_no_writing(written):
    grey = written[0].copy()
    rng = np.random.default_rng(5)
    x, top, bottom = 40 * PX_PER_MM, round(12 * PX_PER_MM), round(22 * PX_PER_MM)
    for wide, white in rng.choice([0.5, 1.0, 1.5], (24, 2)):
        grey[top:bottom, round(x) : round(x + wide * PX_PER_MM)] = 30
        x += (wide + white) * PX_PER_MM
    seen = look(grey)
    assert len(seen.lines.lines) == len(written[1].lines)
    assert seen.aside


def test_strokes_like_bars_that_a_hand_makes_stay(written):
    grey = written[0].copy()
    rng = np.random.default_rng(6)
    for i in range(16):
        top, bottom = (np.array([12, 20]) + rng.normal(0, 0.5, 2)) * PX_PER_MM
        at = (40 + 3 * i) * PX_PER_MM
        cv2.line(grey, (round(at), round(top)), (round(at), round(bottom)), 30, 4)
    assert not look(grey).aside


def test_the_head_of_a_sheet_goes_with_its_passage(written):
    """A title and two labels have too few letters to be told for print by themselves."""
    grey, truth = drawn(TEXT, VARIED, replace(BLANK, top_mm=72))
    printed_notice(grey, top_mm=40)
    for at, said, size in (((25, 16), "Copying", 1.7), ((25, 28), "Code:", 1.1), ((90, 28), "Day:", 1.1)):
        place = tuple(round(v * PX_PER_MM) for v in at)
        cv2.putText(grey, said, place, cv2.FONT_HERSHEY_DUPLEX, size, 20, 3, cv2.LINE_AA)
    seen = look(grey)
    assert len(seen.lines.lines) == len(truth.lines)
    assert min(box.top for box in seen.aside) < 16 * PX_PER_MM


def test_the_head_goes_where_the_place_of_the_passage_is_known():
    """A passage of one short row is not told for print by its letters; a person has said that it is."""
    grey, truth = drawn(TEXT, VARIED, replace(BLANK, top_mm=60))
    for y, said in ((16, "Copying"), (40, "Write on")):
        at = (round(25 * PX_PER_MM), round(y * PX_PER_MM))
        cv2.putText(grey, said, at, cv2.FONT_HERSHEY_DUPLEX, 1.5, 20, 3, cv2.LINE_AA)
    area = Box(*(v * PX_PER_MM for v in (20, 30, 100, 48)))
    ink, known = set_area_aside(look(grey).whole, area)
    _, aside, lines = set_print_aside(ink, None, Frame(grey, None, 1.0, 0, PX_PER_MM), known)
    assert len(lines.lines) == len(truth.lines)
    assert min(box.top for box in aside) < 16 * PX_PER_MM


def test_writing_above_print_at_the_foot_stays(written):
    grey = written[0].copy()
    printed_notice(grey, top_mm=grey.shape[0] / PX_PER_MM - 30)
    seen = look(grey)
    assert len(seen.lines.lines) == len(written[1].lines)


def test_a_page_number_and_a_slash_are_no_lines(written):
    grey = written[0].copy()
    bottom = grey.shape[0] - 12 * PX_PER_MM
    cv2.putText(grey, "7", (round(185 * PX_PER_MM), round(bottom)), cv2.FONT_HERSHEY_SCRIPT_SIMPLEX, 0.9, 30, 3)
    ends = [(round(x * PX_PER_MM), round(y * PX_PER_MM)) for x, y in ((188, 8), (180, 24))]
    cv2.line(grey, *ends, 30, 3)
    seen = look(grey)
    assert len(seen.lines.lines) == len(written[1].lines)
    assert len(seen.aside) == 2
    assert seen.lines.line.max() == len(seen.lines.lines) - 1


def test_a_short_last_line_at_the_margin_stays():
    grey, truth = drawn("the cat sat on the mat and saw the dog run by the old red barn I", VARIED)
    last = truth.lines[-1]
    seen = look(grey)
    assert len(seen.lines.lines) == len(truth.lines)
    bottom = last.baseline.y.mean() * truth.px_per_mm
    assert seen.lines.lines[-1].baseline.y.mean() == pytest.approx(bottom, abs=2 * PX_PER_MM)
