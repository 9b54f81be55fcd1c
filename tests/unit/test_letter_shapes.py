"""How alike letters are: falls with the drawn jitter alone, and the gallery shows every letter in order."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy import stats

from handwriting.calibration import Given
from handwriting.geometry import Box
from handwriting.letter_shapes import LetterShape, alike, shape_consistency, soft_picture
from handwriting.page import Page
from handwriting.phantoms import WRITERS, Capture, Paper, draw
from handwriting.pipeline import Options, measure_page
from handwriting.quantity import NotMeasured
from handwriting.report.gallery import render_gallery
from handwriting.task import read_task

TEXT = (
    "the old boat lay on the sand until a storm came in from the west and took it far out again, so all the men "
    "set out to find it late that day"
)


def measured(**changes):
    page = draw(TEXT, replace(WRITERS["able"], **changes), Paper(), Capture(dpi=250), 3)
    grey = page.image if page.image.ndim == 2 else np.asarray(page.image[..., 1])
    read = Page(np.ascontiguousarray(grey), None, "0" * 64, "page.png", "PNG", claimed_dpi=(250.0, 250.0))
    return measure_page(read, read_task(text=TEXT, seconds=120), Options(Given(250.0)))


@pytest.fixture(scope="module")
def steady():
    return measured(shape_jitter=0.1)


def consistency(result):
    return result.record.measures["shape_consistency"]


def test_it_falls_with_the_jitter_and_with_nothing_else(steady):
    jitters = (0.1, 0.4, 0.7, 1.0)
    values = [consistency(steady).value, *(consistency(measured(shape_jitter=j)).value for j in jitters[1:])]
    assert stats.spearmanr(jitters, values).statistic == pytest.approx(-1.0)
    for change in ({"x_height_mm": 3.3}, {"slant_deg": 72.0}, {"pen_width_mm": 0.3}):
        other = consistency(measured(shape_jitter=0.1, **change)).value
        assert other == pytest.approx(values[0], rel=0.02)


def test_the_interval_holds_the_value(steady):
    found = consistency(steady)
    assert 0.9 < found.low <= found.value <= found.high <= 1.0


def drawn(points, **shape):
    turn = np.asarray(points, float) @ np.array(
        [[shape.get("size", 1.0), 0], [shape.get("shear", 0.0), shape.get("size", 1.0)]]
    )
    mask = np.zeros((400, 400), np.uint8)
    cv2.polylines(mask, [np.rint(turn + 150).astype(np.int32)], False, 255, shape.get("pen", 7))
    y, x = np.nonzero(mask)
    return soft_picture(x.astype(np.int32), y.astype(np.int32))


HOOK = [(0, 0), (0, 60), (20, 80), (45, 70), (50, 40)]
BOWL = [(0, 40), (30, 0), (60, 40), (30, 80), (0, 40)]


def test_size_slant_and_pen_make_no_difference():
    base = drawn(HOOK)
    assert base @ base == pytest.approx(1.0)
    for change in ({"size": 1.6}, {"shear": 0.35}, {"shear": -0.35}, {"pen": 3}, {"pen": 13}):
        assert base @ drawn(HOOK, **change) > 0.97
    assert base @ drawn(BOWL) < 0.9


def test_classes_are_judged_apart_and_pooled():
    hook, bowl = drawn(HOOK), drawn(BOWL)
    box = Box(0, 0, 1, 1)
    shapes = tuple(
        LetterShape(text, line, 1, box, soft)
        for text, softs in {"n": [hook] * 5, "o": [bowl] * 5, "m": [hook, hook, hook, bowl, bowl]}.items()
        for line, soft in enumerate(softs)
    )
    found = alike(shapes)
    assert next(iter(found)) == "m"
    # Of ten pairs four are of one shape and six of two.
    assert found["m"] == pytest.approx((4 + 6 * (hook @ bowl)) / 10)
    assert found["n"] == pytest.approx(1.0)
    assert shape_consistency(shapes).value == pytest.approx((1 + 1 + found["m"]) / 3)


def test_too_few_letters_are_not_measured():
    assert isinstance(shape_consistency(()), NotMeasured)
    assert soft_picture(np.arange(3, dtype=np.int32), np.zeros(3, np.int32)) is None


def test_the_gallery_shows_every_letter_that_is_known(steady):
    page = render_gallery(steady.record, steady.picture)
    for letter in set(TEXT.replace(" ", "").replace(",", "")):
        assert f'<th scope="row">{letter}</th>' in page
    assert "<script" not in page
    letters = [x for line in steady.record.lines for w in line.words for x in w.letters if x.text == "t"]
    assert f'<td class="number">{len(letters)}</td>' in page
    silent = replace(steady.record, lines=())
    assert render_gallery(silent, steady.picture) is None
