"""Writing on a softly photographed sheet: sizes come out as drawn, and what stays unsure is said."""

import dataclasses

import cv2
import numpy as np
import pytest
from conftest import PX_PER_MM, Printed

from handwriting.page import Page
from handwriting.phantoms import WRITERS, Capture, Paper, draw
from handwriting.pipeline import Options, measure_page
from handwriting.sheet.photographs import View, photograph
from handwriting.task import read_task

PEN_MM, BODY_MM = 0.45, 2.6


@pytest.fixture(scope="module")
def written():
    """A sheet with five lines of an even hand on its rules, and the truth of the hand."""
    sheet = Printed("kite", "uk-10")
    layout = sheet.layout
    hand = dataclasses.replace(
        WRITERS["able"],
        x_height_mm=BODY_MM,
        pen_width_mm=PEN_MM,
        left_margin_mm=layout.area.left + 3,
        right_margin_mm=layout.width - layout.area.right + 3,
    )
    base = layout.baselines
    page = Paper(layout.width, layout.height, rules="none", pitch_mm=base[1] - base[0], top_mm=base[0])
    text = "an even hand wrote some more words over seven rows here so we can see how large each one came out " * 2
    drawn = draw(text, hand, page, Capture(dpi=300, noise_sd=0.0), 7)
    ink = drawn.image if drawn.image.ndim == 2 else cv2.cvtColor(drawn.image, cv2.COLOR_RGB2GRAY)
    both = sheet.copy()
    rows, columns = min(len(ink), len(both)), min(ink.shape[1], both.shape[1])
    both[:rows, :columns] = np.minimum(both[:rows, :columns], ink[:rows, :columns])
    return both, drawn.truth


def measured(written, **how):
    view = View(3264, 2448, tilt_deg=8.0, tilt_towards_deg=40.0, roll_deg=91.0, noise=3.0, jpeg=80, seed=4, **how)
    grey, _ = photograph(written[0], PX_PER_MM, view)
    result = measure_page(Page(grey, None, "0" * 64, "soft", "PNG"), read_task(), Options(read=False))
    return result.record


def test_a_soft_photograph_gives_the_size_as_drawn(written):
    record = measured(written, blur_px=1.7)
    truth = written[1].realised
    found = record.measures["x_height"]
    assert found.value == pytest.approx(truth["x_height_ink_mm"], rel=0.02)
    assert found.low <= truth["x_height_ink_mm"] <= found.high
    # As it stands in the picture the pen's line is half as wide again.
    assert record.measures["stroke_width"].value == pytest.approx(PEN_MM, rel=0.15)


def test_the_softer_the_photograph_the_wider_the_interval(written):
    sharp, soft = measured(written, blur_px=0.5), measured(written, blur_px=1.9, fill=0.7)
    assert [note.code for note in sharp.flags].count("sheet-soft") == 0
    assert [note.code for note in soft.flags].count("sheet-soft") == 1
    for key in ("x_height", "stroke_width"):
        wide, narrow = (r.measures[key].high - r.measures[key].low for r in (soft, sharp))
        assert wide > 1.2 * narrow
