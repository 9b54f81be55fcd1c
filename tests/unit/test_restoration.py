"""Blur taken out of ink: strokes of known width, blurred by scipy's Gaussian filter and by a simulated camera."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from handwriting.geometry import Box
from handwriting.lifting import PAPER
from handwriting.restoration import restored

PX_PER_MM = 300 / 25.4
DEPTH = 160


def page(width_px: int, blur: tuple[float, float], noise: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Return stems and bars of one width with crossings, sharp and blurred (sd down, across)."""
    sharp = np.full((240, 400), float(PAPER))
    for left in range(40, 360, 40):
        sharp[60:180, left : left + width_px] = PAPER - DEPTH
    sharp[80 : 80 + width_px, 40:345] = PAPER - DEPTH
    soft = ndimage.gaussian_filter(sharp, blur)
    grain = np.random.default_rng(5).normal(0, noise, soft.shape)
    return sharp.astype(np.uint8), np.clip(np.rint(soft + grain), 0, 255).astype(np.uint8)


def widths(picture: np.ndarray) -> np.ndarray:
    """Widths of the stems at half of their own depth, to parts of a pixel, over rows away from the bar."""
    found = []
    for left in range(40, 360, 40):
        profile = PAPER - picture[110:160, left - 14 : left + 20].astype(float).mean(0)
        half = profile.max() / 2
        inside = np.flatnonzero(profile > half)
        first, last = inside[0], inside[-1]
        start = first - (profile[first] - half) / (profile[first] - profile[first - 1])
        end = last + (profile[last] - half) / (profile[last] - profile[last + 1])
        found.append(end - start)
    return np.array(found)


def sharpened(soft: np.ndarray, blur: tuple[float, float], step: float = 1.0) -> np.ndarray:
    spread = np.array([blur[1], blur[0]])
    whole = Box(0, 0, soft.shape[1], soft.shape[0])
    return restored(soft, (whole,), lambda places: np.tile(spread, (len(places), 1)), PX_PER_MM, step)


@pytest.mark.parametrize("blur", [(1.2, 1.2), (2.4, 2.4), (1.6, 2.6)])
@pytest.mark.parametrize("noise", [0.0, 4.0])
def test_blurred_strokes_get_their_width_back(blur: tuple[float, float], noise: float) -> None:
    _, soft = page(5, blur, noise)
    before, after = widths(soft), widths(sharpened(soft, blur))
    assert np.abs(after - 5).mean() < 0.4
    if max(blur) > 2:
        assert before.mean() > 6


def test_the_ends_of_strokes_are_put_back() -> None:
    """A stem of 120 px, 5 wide, draws back at both ends when it is blurred by half its width."""
    _, soft = page(5, (2.5, 2.5))
    heights = []
    for picture in (soft, sharpened(soft, (2.5, 2.5))):
        profile = PAPER - picture[40:200, 281:284].astype(float).mean(1)
        heights.append(int((profile > profile.max() / 2).sum()))
    assert abs(heights[1] - 120) <= 1


def test_a_coarser_photograph_is_restored_at_its_own_pixels() -> None:
    _, soft = page(6, (2.6, 2.6), 3.0)
    assert np.abs(widths(sharpened(soft, (2.6, 2.6), step=1.6)) - 6).mean() < 0.7


def test_paper_without_ink_stays_as_it_is() -> None:
    grain = np.random.default_rng(2).normal(PAPER - 3, 2.0, (300, 300))
    paper = np.clip(np.rint(grain), 0, 255).astype(np.uint8)
    assert np.array_equal(sharpened(paper, (2.0, 2.0)), paper)


def test_what_lies_outside_the_areas_stays_as_it_is() -> None:
    _, soft = page(5, (2.0, 2.0))
    spread = np.array([2.0, 2.0])
    done = restored(soft, (Box(0, 0, 200, 240),), lambda p: np.tile(spread, (len(p), 1)), PX_PER_MM, 1.0)
    assert np.array_equal(done[:, 200:], soft[:, 200:])
    assert not np.array_equal(done[:, :200], soft[:, :200])
