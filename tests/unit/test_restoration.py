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
    return taken_out(soft, np.diag([blur[1] ** 2, blur[0] ** 2]), step)


def taken_out(soft: np.ndarray, spread: np.ndarray, step: float = 1.0) -> np.ndarray:
    whole = Box(0, 0, soft.shape[1], soft.shape[0])
    return restored(soft, (whole,), lambda places: np.tile(spread, (len(places), 1, 1)), PX_PER_MM, step)


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


def test_a_slantwise_blur_is_taken_out_along_its_own_axes() -> None:
    """A disc blurred by 3 px one way along the diagonal and 1.2 px the other comes out round."""
    yy, xx = np.mgrid[:240, :400]
    sharp = np.full((240, 400), float(PAPER))
    for left in range(40, 360, 60):
        sharp[np.abs(np.hypot(xx - left, yy - 120) - 12) < 2.5] = PAPER - DEPTH
    across, along = 1.2**2, 3.0**2
    spread = np.array([[along + across, along - across], [along - across, along + across]]) / 2
    wave_y, wave_x = 2 * np.pi * np.fft.fftfreq(240)[:, None], 2 * np.pi * np.fft.fftfreq(400)
    kernel = np.exp(-0.5 * (spread[0, 0] * wave_x**2 + spread[1, 1] * wave_y**2) - spread[0, 1] * wave_x * wave_y)
    soft = np.clip(np.rint(np.fft.ifft2(kernel * np.fft.fft2(sharp)).real), 0, 255).astype(np.uint8)
    done = taken_out(soft, spread)
    rings = (done[90:151, 130:191] < PAPER - DEPTH / 2, sharp[90:151, 130:191] < PAPER - DEPTH / 2)
    lengths = []
    for ring in rings:
        y, x = np.nonzero(ring)
        lengths.append([np.ptp(x + y), np.ptp(x - y)])
    assert np.abs(np.array(lengths[0]) - lengths[1]).max() <= 2
    level = taken_out(soft, np.diag(np.diag(spread)))[90:151, 130:191] < PAPER - DEPTH / 2
    assert (level != rings[1]).sum() > 1.5 * (rings[0] != rings[1]).sum()


def test_a_coarser_photograph_is_restored_at_its_own_pixels() -> None:
    _, soft = page(6, (2.6, 2.6), 3.0)
    assert np.abs(widths(sharpened(soft, (2.6, 2.6), step=1.6)) - 6).mean() < 0.7


def test_paper_without_ink_stays_as_it_is() -> None:
    grain = np.random.default_rng(2).normal(PAPER - 3, 2.0, (300, 300))
    paper = np.clip(np.rint(grain), 0, 255).astype(np.uint8)
    assert np.array_equal(sharpened(paper, (2.0, 2.0)), paper)


def test_what_lies_outside_the_areas_stays_as_it_is() -> None:
    _, soft = page(5, (2.0, 2.0))
    spread = 4.0 * np.eye(2)
    done = restored(soft, (Box(0, 0, 200, 240),), lambda p: np.tile(spread, (len(p), 1, 1)), PX_PER_MM, 1.0)
    assert np.array_equal(done[:, 200:], soft[:, 200:])
    assert not np.array_equal(done[:, :200], soft[:, :200])
