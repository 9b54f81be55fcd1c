"""Published rulings drawn at 300 dpi, level and skewed, and read back: kind, pitch, place and slope of every rule.

Figures: the zones of DIN 16552-1 rulings 0 to 4 and 21 to 37 and the 8 mm / 2 mm of Seyes paper, both as quoted in the
texts that `handwriting.sheet.rulings` names (secondary; the standard itself was not read). The width and darkness of
the printed lines are common practice, no source.
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from handwriting.lifting import flatten
from handwriting.phantoms import ABLE, Capture, Paper, draw, random_page
from handwriting.rules import find_rules
from handwriting.sheet.rulings import find_ruling

DPI = 300
PX_PER_MM = DPI / 25.4
WIDE, TALL = 2480, 3508  # A4
TOP_MM, BOTTOM_MM = 28.0, 280.0
PAPERS = ("de-0", "de-1", "de-2", "de-3", "de-4", "de-25", "fr-seyes", "fr-seyes-2.5", "squared-5", "squared-10")
# Seyes paper is finer rules between heavier ones: our name for the pattern is `other`.
KINDS = {"two-line": "double", "seyes": "other"}
HEAVY, FINE = (0.30, 110.0), (0.16, 60.0)  # width mm, depth of 255


def level_lines(name):
    """Return y in mm of every level line with its pen, and of the base lines."""
    ruling = find_ruling(name)
    lines, base, y = [], [], TOP_MM
    while y < BOTTOM_MM:
        for line in ruling.row():
            pen = FINE if line.role == "light" or ruling.kind == "squared" else HEAVY
            lines.append((y - line.above_mm, pen))
        base.append(y)
        y += ruling.pitch_mm
    return sorted(lines), base


def draw_line(paper, place_mm, pen, slope_deg, *, upright=False):
    """Print one line whose place is measured from the page's edge along its middle, square to the line."""
    picture = paper.T if upright else paper
    width, depth = pen[0] * PX_PER_MM, pen[1]
    turn = np.deg2rad(-slope_deg if upright else slope_deg)
    x = np.arange(picture.shape[1])
    course = true_course(place_mm, x, picture.shape, turn)
    rows = np.floor(course).astype(int)[None, :] + np.arange(-6, 8)[:, None]
    across = np.abs(rows - course) * np.cos(turn)
    covered = np.clip(0.5 + width / 2 - across, 0, min(1.0, width))
    seen = (rows >= 0) & (rows < picture.shape[0])
    at = (rows[seen], np.broadcast_to(x, rows.shape)[seen])
    picture[at] = np.minimum(picture[at], 245 - depth * covered[seen])


def true_course(place_mm, x, shape, turn):
    """Row of a line at column x: the page is turned about its middle; a pixel's centre is half a pixel in."""
    tall, wide = shape
    middle = tall / 2 - 0.5
    return middle + (place_mm * PX_PER_MM - tall / 2) / np.cos(turn) + np.tan(turn) * (x - (wide / 2 - 0.5))


def page(name, skew_deg, writing=None):
    ruling = find_ruling(name)
    paper = np.full((TALL, WIDE), 245.0, np.float32)
    for place, pen in level_lines(name)[0]:
        draw_line(paper, place, pen, skew_deg)
    if ruling.upright_pitch_mm:
        for i in range(int(200 / ruling.upright_pitch_mm)):
            pen = FINE if ruling.kind == "squared" else HEAVY
            draw_line(paper, 7 + i * ruling.upright_pitch_mm, pen, skew_deg, upright=True)
    paper = cv2.GaussianBlur(paper, (0, 0), 0.6)
    paper += 2.5 * np.random.default_rng(3).standard_normal(paper.shape, np.float32)
    if writing is not None:
        paper = paper * (writing / 255.0)
    return np.clip(paper, 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def writing():
    """A page of handwriting on white paper."""
    text = "a small red boat sails over the wide grey sea and back again to the old harbour " * 5
    made = draw(
        text, replace(ABLE, x_height_mm=2.0), Paper(rules="none", pitch_mm=16.0), Capture(dpi=DPI), seed=4
    ).image
    grey = made if made.ndim == 2 else cv2.cvtColor(made, cv2.COLOR_RGB2GRAY)
    return np.clip(grey.astype(float) / np.median(grey) * 255, 0, 255)


def check(name, picture, skew_deg):
    ruling = find_ruling(name)
    found = find_rules(flatten(picture, PX_PER_MM), PX_PER_MM).across
    assert found is not None
    assert found.kind == KINDS.get(ruling.kind, ruling.kind)
    assert found.pitch / PX_PER_MM == pytest.approx(ruling.pitch_mm, rel=0.005)
    assert np.rad2deg(np.arctan(found.slope)) == pytest.approx(skew_deg, abs=0.1)
    lines, base = level_lines(name)
    turn = np.deg2rad(skew_deg)
    x = np.linspace(200, WIDE - 200, 9)
    course = np.array([found.at(k, x) for k in range(len(found.offsets))])
    for places, indices in (([place for place, _ in lines], range(len(found.offsets))), (base, found.writing)):
        assert len(indices) == len(places)
        true = np.array([true_course(place, x, (TALL, WIDE), turn) for place in places])
        rms = np.sqrt(np.mean((course[list(indices)] - true) ** 2)) * np.cos(turn) / PX_PER_MM
        assert rms <= 0.10


@pytest.mark.parametrize("skew_deg", [0.0, 1.3])
@pytest.mark.parametrize("name", PAPERS)
def test_a_published_ruling_reads_back(name, skew_deg):
    check(name, page(name, skew_deg), skew_deg)


@pytest.mark.parametrize("name", PAPERS)
def test_a_published_ruling_reads_back_under_handwriting(name, writing):
    check(name, page(name, 0.0, writing), 0.0)


@pytest.mark.parametrize(("name", "pitch_mm"), [("fr-seyes", 8.0), ("squared-5", 5.0)])
def test_upright_rules_read_back(name, pitch_mm):
    found = find_rules(flatten(page(name, 1.3), PX_PER_MM), PX_PER_MM).down
    assert found is not None
    assert found.pitch / PX_PER_MM == pytest.approx(pitch_mm, rel=0.005)
    assert np.rad2deg(np.arctan(found.slope)) == pytest.approx(-1.3, abs=0.1)


@pytest.mark.parametrize("skew_deg", [0.0, 1.3])
@pytest.mark.parametrize("name", ["de-4", "fr-seyes", "squared-10"])
def test_a_margin_line_stands_apart_from_the_rules(name, skew_deg):
    picture = page(name, skew_deg).astype(float)
    place = 41.0 if name == "de-4" else 36.3  # off the squares
    draw_line(picture, place, (0.3, 90.0), skew_deg, upright=True)
    margins = find_rules(flatten(picture.astype(np.uint8), PX_PER_MM), PX_PER_MM).margins
    assert len(margins) == 1
    true = true_course(place, TALL / 2, (WIDE, TALL), np.deg2rad(-skew_deg))
    assert float(margins[0].at(0, TALL / 2) - true) / PX_PER_MM == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize("seed", range(10))
def test_handwriting_alone_has_no_rules(seed):
    text, writer, paper, capture = random_page(seed)
    paper = replace(paper, rules="none", margin_mm=None)
    made = draw(text, writer, paper, capture, seed=seed)
    grey = made.image if made.image.ndim == 2 else cv2.cvtColor(made.image, cv2.COLOR_RGB2GRAY)
    found = find_rules(flatten(grey, made.truth.px_per_mm), made.truth.px_per_mm)
    assert (found.across, found.down, found.margins) == (None, None, ())
