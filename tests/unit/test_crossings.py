"""Crossed-out words on drawn pages: found where they are, quiet where there are none."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from drawn_bars import lines_of, row_of

from handwriting.calibration import Given
from handwriting.crossings import FEATURES, SHOWN, Crossings, describe, find_crossings
from handwriting.lines import Lines
from handwriting.page import Page
from handwriting.phantoms import Phantom, draw, random_page
from handwriting.phantoms.strikes import STYLES, strike
from handwriting.phantoms.writer import Slips
from handwriting.pipeline import Options, Result, measure_page
from handwriting.task import read_task
from handwriting.words import Words, find_words

SEED = 6


@cache
def page_with(style: str | None) -> tuple[Phantom, Result]:
    text, writer, paper, capture = random_page(SEED)
    slips = Slips() if style is None else Slips(crossed_out=5, strikes=(style,))
    phantom = draw(text, replace(writer, slips=slips), paper, capture, SEED)
    image = phantom.image
    grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    page = Page(grey, None, "0" * 64, "page", "PNG")
    return phantom, measure_page(page, read_task(), Options(Given(dpi=capture.dpi)))


@pytest.mark.parametrize("style", ["lines", "hatching"])
def test_crossed_out_words_are_shown_with_state_and_chance_and_no_other(style: str) -> None:
    phantom, result = page_with(style)
    crossed = [w.box for w in phantom.truth.words if w.state == "crossed-out" and w.box is not None]
    shown = [w for line in result.record.lines for w in line.words if w.state == "crossed-out?"]
    # Words of one letter show little, as the module says: one or two of them may be shown.
    single = {w for line in result.record.lines for w in line.words if w.box.width < line.x_height}
    assert sum(w in single for w in shown) <= 2
    assert sum(any(w.box.overlap(box) > 0.5 for w in shown) for box in crossed) >= 4
    assert not any(all(w.box.overlap(box) < 0.5 for box in crossed) for w in shown if w not in single)
    assert all(w.confidence is not None and SHOWN <= w.confidence <= 1 for w in shown)
    assert any(note.code == "looks-crossed-out" for note in result.record.flags)


def test_a_page_without_crossings_out_stays_quiet() -> None:
    _, result = page_with(None)
    words = [w for line in result.record.lines for w in line.words]
    assert sum(w.state == "crossed-out?" for w in words) <= 0.01 * len(words)


def test_a_bar_through_a_row_is_what_the_figures_say_it_is() -> None:
    plain = row_of([20.0] * 4)
    lines = lines_of([plain])
    words = find_words(lines, 6.0)
    seen = dict(zip(FEATURES, describe(lines, words)[0], strict=True))
    # Five bars of 6 px, 20 apart, 40 high: 110 px long, an x-height of 40.
    assert seen["width"] == pytest.approx(np.log(110 / 40), abs=0.05)
    assert seen["ink"] == pytest.approx(5 * 6 / 110, abs=0.06)
    assert seen["strokes"] == pytest.approx(5 / (110 / 40), rel=0.06)
    assert seen["pieces"] == pytest.approx(5 / (110 / 40), rel=0.06)
    assert seen["course"] == pytest.approx(seen["ink"], abs=0.06)
    assert seen["over"] == 0


def test_no_words_have_no_chances_and_chances_cannot_be_changed() -> None:
    none = np.empty(0, np.int32)
    lines = lines_of([row_of([20.0] * 4)])
    empty = Lines((), none, replace(lines.pieces, x=none, y=none, piece=none), 5.0, 0.0)
    assert find_crossings(empty, Words((), none)).chance.shape == (0,)
    with pytest.raises(ValueError, match="read-only"):
        Crossings(np.zeros(2)).chance[0] = 1.0


@pytest.mark.parametrize("style", list(STYLES))
def test_every_way_of_crossing_out_runs_over_the_word(style: str) -> None:
    strokes = strike(style, 0.0, 12.0, 2.5, np.random.default_rng(1))
    points = np.concatenate(strokes)
    assert np.ptp(points[:, 0]) > 0.8 * 12
    assert points[:, 1].min() > -1.0 and points[:, 1].max() < 2 * 2.5
