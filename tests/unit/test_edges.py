"""A plain sheet photographed at a slant is straightened by its edges; flat scans are left alone."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from handwriting.calibration import Given
from handwriting.edges import find_outline
from handwriting.page import Page
from handwriting.phantoms import ABLE, Capture, Paper, draw
from handwriting.pipeline import Options, measure_page
from handwriting.sheet.photographs import View, photograph
from handwriting.task import read_task

TEXT = "the old boat lay on the sand until a storm came in from the west and took it far out again to sea"
PX_PER_MM = 200 / 25.4


@pytest.fixture(scope="module")
def drawn():
    return draw(TEXT, ABLE, Paper(), Capture(dpi=200), 4)


@pytest.fixture(scope="module")
def flat(drawn):
    return drawn.image if drawn.image.ndim == 2 else cv2.cvtColor(drawn.image, cv2.COLOR_RGB2GRAY)


def photo(flat, **view):
    return photograph(flat, PX_PER_MM, View(width=3000, height=2250, fill=0.85, **view))


@pytest.mark.parametrize(
    ("tilt", "towards", "roll"), [(12, 20, 85), (25, 100, 95), (30, 200, 80), (18, 45, 265), (22, 310, 5)]
)
def test_corners_and_shape(flat, tilt, towards, roll):
    picture, truth = photo(flat, tilt_deg=tilt, tilt_towards_deg=towards, roll_deg=roll, seed=tilt)
    outline = find_outline(picture)
    true = truth.to_image(np.array([(0, 0), (210, 0), (210, 297), (0, 297)], float))
    apart = np.linalg.norm(outline.corners[:, None] - true[None], axis=-1).min(1)
    assert apart.max() < 2.0
    assert min(abs(outline.shape - 210 / 297), abs(outline.shape - 297 / 210)) < 0.001


def test_scans_are_left_alone(flat):
    assert find_outline(flat) is None
    # A sheet on a dark scanner bed, square to it.
    bed = np.full((flat.shape[0] + 200, flat.shape[1] + 200), 60, np.uint8)
    bed[100:-100, 100:-100] = flat
    assert find_outline(bed) is None
    assert find_outline(np.full((400, 300), 200, np.uint8)) is None


def test_a_cut_off_sheet_is_left_alone(flat):
    picture, _ = photo(flat, tilt_deg=20, tilt_towards_deg=30, roll_deg=88)
    assert find_outline(picture[:, 700:]) is None


def test_a_slanted_photograph_gives_ratios_and_with_the_rules_mm(drawn, flat):
    picture, _ = photo(flat, tilt_deg=24, tilt_towards_deg=60, roll_deg=92, seed=2)
    page = Page(np.ascontiguousarray(picture), None, "0" * 64, "photo.jpg", "JPEG", claimed_dpi=(300.0, 300.0))
    options = Options(Given(None, 8.0), read=False)
    result = measure_page(page, read_task(), options)
    record = result.record
    assert "straightened" in {flag.code for flag in record.flags}
    assert len(record.lines) == len(drawn.truth.lines)
    truth = drawn.truth.realised
    assert record.measures["x_height_centre"].value == pytest.approx(truth["x_height_mm"], rel=0.05)
    assert record.measures["slant"].value == pytest.approx(truth["slant_deg"], abs=2.0)
    # The maps lie on the ink of the photograph itself.
    lines = result.label_maps()["lines"] > 0
    around = (cv2.dilate(lines.astype(np.uint8), np.ones((15, 15))) > 0) & ~lines
    assert picture[lines].mean() < picture[around].mean() - 30
    # A claimed resolution says nothing of a slanted photograph.
    without = measure_page(page, read_task(), replace(options, given=Given(300.0, None))).record
    assert without.scale.unit == "px"
    assert "holds for a flat scan" in without.scale.sentence
    assert "no-scale" in {flag.code for flag in without.flags}
