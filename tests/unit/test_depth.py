"""The depth of the ink before the blur: strokes drawn at eight angles, blurred by scipy's Gaussian filter."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy import ndimage

from handwriting.depth import find_depth
from handwriting.geometry import Box, FloatArray
from handwriting.lifting import PAPER

PX_PER_MM = 300 / 25.4
OVER = 8


def strokes(depth: float, width: float, blur: tuple[float, float], noise: float) -> np.ndarray:
    """Return straight strokes, drawn eight times as fine and averaged, blurred (sd down, across)."""
    fine = np.zeros((480 * OVER, 640 * OVER), np.uint8)
    for k in range(48):
        middle = OVER * (np.array([40.0, 40.0]) + 80 * np.array([k % 8, k // 8]))
        along = OVER * 24 * np.array([np.cos(np.pi * k / 8), np.sin(np.pi * k / 8)])
        ends = [tuple(int(v) for v in np.rint(16 * p)) for p in (middle - along, middle + along)]
        cv2.line(fine, ends[0], ends[1], 255, round(width * OVER), cv2.LINE_AA, 4)
    ink = cv2.resize(fine, (640, 480), interpolation=cv2.INTER_AREA).astype(float) / 255
    soft = PAPER - depth * ndimage.gaussian_filter(ink, blur)
    grain = np.random.default_rng(3).normal(0, noise, soft.shape)
    return np.clip(np.rint(soft + grain), 0, 255).astype(np.uint8)


def found(picture: np.ndarray, blur: tuple[float, float]):
    spread: FloatArray = np.diag([blur[1] ** 2, blur[0] ** 2])
    whole = Box(0, 0, picture.shape[1], picture.shape[0])
    return find_depth(picture, (whole,), lambda places: np.tile(spread, (len(places), 1, 1)), PX_PER_MM)


@pytest.mark.parametrize("blur", [(1.4, 1.4), (2.4, 2.4), (1.7, 2.5)])
@pytest.mark.parametrize(("depth", "width", "noise"), [(180, 5, 0.0), (180, 5, 5.0), (90, 6, 3.0)])
def test_the_depth_of_blurred_strokes(blur: tuple[float, float], depth: float, width: float, noise: float) -> None:
    picture = strokes(depth, width, blur, noise)
    result = found(picture, blur)
    assert result is not None
    assert result.ink == pytest.approx(depth, rel=0.05)
    if blur == (2.4, 2.4):  # nowhere in the picture is the ink so dark
        assert PAPER - picture.min() - 3 * noise < 0.85 * depth


def test_the_noise_is_that_of_the_picture() -> None:
    quiet, loud = (found(strokes(180, 5, (2.0, 2.0), noise), (2.0, 2.0)) for noise in (1.0, 8.0))
    assert quiet is not None
    assert loud is not None
    assert quiet.noise < 4 < loud.noise


def test_a_few_strokes_are_guessed_and_none_have_no_depth() -> None:
    few = np.full((200, 200), PAPER, np.uint8)
    assert found(few, (2.0, 2.0)) is None
    yy, xx = np.mgrid[:200, :200]
    ring = 160 * (np.abs(np.hypot(xx - 100, yy - 100) - 9) < 2.4)
    curved = np.clip(PAPER - ndimage.gaussian_filter(ring.astype(float), 2.0), 0, 255).astype(np.uint8)
    result = found(curved, (2.0, 2.0))
    assert result is not None
    assert result.ink == pytest.approx(160, rel=0.25)
