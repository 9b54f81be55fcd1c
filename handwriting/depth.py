"""How dark a pen's line is where no blur takes from it, from straight bits of stroke in a blurred picture.

Across a straight stroke of width w and depth b, blurred with standard deviation sigma, the darkness is

    b (Phi((t + w/2) / sigma) - Phi((t - w/2) / sigma)),   its sum over t is b w

The sum A = b w of each bit is told by the picture whatever the blur; with sigma known, what is left is one depth for
the page, that makes the mean profiles of bits of like A come out right. A small even darkness of the paper is fitted
beside it. Bits count where the darkness is even along the stroke and alike on both sides and dies away to paper, which
leaves out ends, bends and neighbours.

What it does not see: depth that differs over the page; a stroke's soft flanks on the paper pass for blur not told.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtr

from handwriting.geometry import Box, FloatArray
from handwriting.lifting import PAPER

ByteImage = NDArray[np.uint8]
Blur = Callable[[FloatArray], FloatArray]

#: Places looked at: at first, and where too few are good.
_TRIED, _MORE, _LEAST_DARK = 8000, 48000, 45
_STEP_PX = 0.5
#: Share of the pull of all edges about a bit that lies one way, the least.
_STRAIGHT = 0.8
# Of the sum of a bit's profile: how far it may differ between both sides, and from those further along the stroke; of
# its height: what may be left at the profile's ends.
_LOPSIDED, _UNEVEN, _LEFT = 0.12, 0.1, 0.12
_FEWEST, _GROUPS = 40, 3
# The thinner half of the bits holds faint and half-covered ones.
_THIN, _THICK = 50, 95
_USUAL_PEN_MM = 0.4
_SMOOTH = 0.5


@dataclass(frozen=True, slots=True)
class Depth:
    """Depth of the ink, and the root mean square by which the profiles lie off the model, both of 250."""

    ink: float
    noise: float


def find_depth(lifted: ByteImage, areas: Sequence[Box], blur: Blur, px_per_mm: float) -> Depth | None:
    """Return the depth of the pen's line before the blur; None where there is next to no ink.

    Parameters
    ----------
    lifted : ndarray of uint8, shape (H, W)
        An even picture without rules (see `ink`).
    areas : sequence of Box
        Where there may be writing.
    blur : callable
        From places in the picture, px, shape (n, 2), to the covariance of the blur there in x and y, px squared, shape
        (n, 2, 2).
    px_per_mm : float
        Of this picture.
    """
    every = _dark_places(lifted, areas)
    if len(every) < _FEWEST:
        return None
    typical = float(np.sqrt(np.median(np.trace(blur(every[:: max(1, len(every) // 100)]), axis1=1, axis2=2)) / 2))
    # Where the picture is soft, its noise would hide which way strokes run.
    smooth = np.asarray(cv2.GaussianBlur(lifted, (0, 0), _SMOOTH * typical), np.uint8)
    place = every[:: max(1, len(every) // _TRIED)]
    found = _straight_bits(lifted, smooth, place, blur(place), typical)
    if len(found[0]) >= _FEWEST:
        return _fitted(*found)
    guess = _guessed(lifted, place, typical, px_per_mm)
    place = every[:: max(1, len(every) // _MORE)]
    found = _straight_bits(lifted, smooth, place, blur(place), typical)
    if len(found[0]) < _FEWEST:
        return guess
    # Bits that are so rare are strokes run into one another more often than not, and read too pale.
    fitted = _fitted(*found)
    return Depth(float(np.sqrt(fitted.ink * guess.ink)), fitted.noise)


def _straight_bits(
    lifted: ByteImage, smooth: ByteImage, place: FloatArray, spread: FloatArray, typical: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return profiles across straight bits of stroke, (n, distances), the blur square to each, and the distances."""
    normal, straight = _directions(smooth, place, int(np.ceil(1.5 * typical + 3)))
    place, normal, spread = place[straight], normal[straight], spread[straight]
    # Interpolation between pixels adds a sixth of a pixel squared.
    sigma = np.sqrt(np.einsum("ni,nij,nj->n", normal, spread, normal) + 1 / 6)
    reach = int(np.ceil((3 + 2.6 * typical) / _STEP_PX))
    t: FloatArray = _STEP_PX * np.arange(-reach, reach + 1, dtype=np.float64)
    core = np.abs(t) <= 2 + typical
    shift = np.zeros(len(place))
    for _ in range(3):
        near = np.maximum(_profiles(lifted, place, normal, t[core]), 0)
        shift = (near * t[core]).sum(1) / np.maximum(near.sum(1), 1)
        place = place + normal * shift[:, None]
    dark = _profiles(lifted, place, normal, t)
    along = 2 * typical * np.column_stack([-normal[:, 1], normal[:, 0]])
    further = [_profiles(lifted, place + way * along, normal, t).sum(1) for way in (-1, 1)]
    good = _like_strokes(dark, t, further) & (np.abs(shift) < 0.3)
    return dark[good], sigma[good], t


def _dark_places(lifted: ByteImage, areas: Sequence[Box]) -> FloatArray:
    """Return the places of ink, column and row, (n, 2)."""
    columns, rows = [], []
    for area in areas:
        top, left = max(int(area.top), 0), max(int(area.left), 0)
        part = lifted[top : int(area.bottom), left : int(area.right)]
        y, x = np.nonzero(cv2.compare(part, float(PAPER - _LEAST_DARK), cv2.CMP_LT))
        columns.append(x + left)
        rows.append(y + top)
    return np.column_stack([np.concatenate(columns), np.concatenate(rows)]).astype(np.float64)


def _directions(lifted: ByteImage, place: FloatArray, reach: int) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return the direction square to the stroke about each place, (n, 2), and whether the stroke is straight there."""
    offset = np.arange(-reach, reach + 1)
    padded = cv2.copyMakeBorder(lifted, reach, reach, reach, reach, cv2.BORDER_REPLICATE)
    width = padded.shape[1]
    column, row = (place.astype(np.intp)[:, k, None] + offset + reach for k in (0, 1))
    window = padded.reshape(-1)[row[:, :, None] * width + column[:, None, :]].astype(np.float32)
    across, down = window[:, 1:-1, 2:] - window[:, 1:-1, :-2], window[:, 2:, 1:-1] - window[:, :-2, 1:-1]
    fall = np.exp(-2.0 * (offset[1:-1] / reach) ** 2).astype(np.float32)
    weight = fall[:, None] * fall
    xx, yy, xy = (np.einsum("ij,nij->n", weight, v) for v in (across**2, down**2, across * down))
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    straight = np.hypot(xx - yy, 2 * xy) > _STRAIGHT * (xx + yy)
    return np.column_stack([np.cos(angle), np.sin(angle)]), straight


def _profiles(lifted: ByteImage, place: FloatArray, normal: FloatArray, t: FloatArray) -> FloatArray:
    """Return the darkness at distances `t` from places along their normals, (n, len(t))."""
    at = (place[:, None] + normal[:, None] * t[:, None]).astype(np.float32)
    light = cv2.remap(lifted, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=float(PAPER))
    return np.asarray(PAPER - light.astype(np.float64))


def _like_strokes(dark: FloatArray, t: FloatArray, further: Sequence[FloatArray]) -> NDArray[np.bool_]:
    """Tell profiles of a single straight stroke: both sides alike, even along it, with paper beside it."""
    total = np.maximum(dark.sum(1), 1.0)
    peak = dark[:, np.abs(t) <= 1].mean(1)
    good = np.abs(dark[:, t < 0].sum(1) - dark[:, t > 0].sum(1)) < _LOPSIDED * total
    for other in further:
        good &= np.abs(other / total - 1) < _UNEVEN
    left = np.maximum(dark[:, :3].mean(1), dark[:, -3:].mean(1))
    return np.asarray(good & (left < _LEFT * peak) & (peak > 0.9 * _LEAST_DARK))


def _fitted(dark: FloatArray, sigma: FloatArray, t: FloatArray) -> Depth:
    """Fit one depth to profiles in groups of like blur and like sums."""
    area = _STEP_PX * dark.sum(1)
    low, high = np.percentile(area, (_THIN, _THICK))
    some = (area >= low) & (area <= high)
    dark, sigma, area = dark[some], sigma[some], area[some]
    # By blur, and within that by sum: a mean of unlike blurs has no standard deviation that fits.
    bounds = np.linspace(sigma.min(), sigma.max() + 1e-9, _GROUPS + 1)
    like = [np.flatnonzero((sigma >= first) & (sigma < last)) for first, last in pairwise(bounds)]
    groups = [g for part in like for g in np.array_split(part[np.argsort(area[part])], _GROUPS) if len(g)]
    weight = np.sqrt([len(g) for g in groups])[:, None]
    mean = np.stack([dark[g].mean(0) for g in groups])
    total = np.array([area[g].mean() for g in groups])
    wide = np.array([np.sqrt((sigma[g] ** 2).mean()) for g in groups])
    length = _STEP_PX * len(t)

    def model(p: FloatArray, total: FloatArray, wide: FloatArray) -> FloatArray:
        half = ((total - p[1] * length) / p[0] / 2)[:, None]
        profile: FloatArray = p[0] * (ndtr((t + half) / wide[:, None]) - ndtr((t - half) / wide[:, None])) + p[1]
        return profile

    def off(p: FloatArray) -> FloatArray:
        result: FloatArray = (weight * (model(p, total, wide) - mean)).ravel()
        return result

    found = least_squares(off, (float(mean.max()), 0.0), bounds=((30.0, -20.0), (float(PAPER), 20.0))).x
    noise = float((dark - model(found, area, sigma)).std())
    return Depth(float(found[0]), noise)


def _guessed(lifted: ByteImage, place: FloatArray, sigma: float, px_per_mm: float) -> Depth:
    """Return the depth by which the darkest strokes would be so dark if drawn by a usual pen: too few to be fitted."""
    column, row = place.astype(np.intp).T
    at = PAPER - lifted[row, column].astype(np.float64)
    kept = 2 * float(ndtr(_USUAL_PEN_MM * px_per_mm / 2 / sigma)) - 1
    return Depth(float(min(np.percentile(at, 95) / kept, PAPER)), 5.0)
