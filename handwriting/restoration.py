"""Take the blur of a photographed sheet out of its ink, as far as the noise allows.

Thin strokes lose depth and come out wide where a picture is soft: at half depth a 0.4 mm pen reads 40 % too wide when
the blur's standard deviation is half the pen's width, and neighbouring letters run together. With d the darkness of the
picture (paper 0), G the blur and b the depth that the ink has without it (see `depth`), the darkness u that the sheet
itself has is that of

    least |G u - d|^2 + c |grad u|^2,   0 <= u <= b

found by alternating directions: the squares exactly, in frequencies; the bounds by cutting. The bounds put back what
the blur took from thin strokes: ink is as dark in the middle of a stroke as where strokes are thick. c is the noise's
variance over b^2, up to a constant: as a Wiener filter's, for ink whose detail falls off with the square of its
fineness. What c leaves of the blur widens strokes a little more where they bend and cross than where they run straight.
Blur does not change the sum of the darkness: so u is cut where the area times b is that sum, and is handed on with its
darkness stretched so that this is half of its depth.

What it does not see: blur that differs over a block of 5 cm; motion blur slantwise; a pen whose depth falls within the
page (its faint parts are restored less well).

Source: alternating direction method of multipliers, Boyd et al. 2011, Foundations and Trends in Machine Learning 3,
1-122 (recalled).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from handwriting.depth import Blur, Depth, find_depth
from handwriting.geometry import Box, FloatArray
from handwriting.lifting import PAPER

ByteImage = NDArray[np.uint8]
_Plane = NDArray[np.float32]

_ROUNDS, _HOLD = 12, 0.007
_SMOOTH = 2.0
_LEAST_SMOOTH, _MOST_SMOOTH = 2e-4, 0.1
#: Pixels worked in, across, to a pixel of the photograph: edges in whole pixels of it come out as steps.
_FINER = 1.5
_LEAST_PX = 0.3
_PIXEL_VARIANCE = 1 / 12
_BLOCK_MM, _TILE_MM = 50.0, 4.0
# Of the ink's depth: darker than this is ink and not paper; at its bound; how far a bound may be deepened, and from
# what excess on.
_INK, _FULL, _DEEPER, _EXCESS = 0.2, 0.98, 1.3, 0.03
_LEVELS = (0.4, 0.65)


def restored(lifted: ByteImage, areas: Sequence[Box], blur: Blur, px_per_mm: float, step: float) -> ByteImage:
    """Return an even picture without rules (see `ink`) with the blur taken out of its ink; paper stays as it is.

    Parameters
    ----------
    lifted, areas, blur : ndarray of uint8, sequence of Box, callable
        As `find_depth` takes them.
    px_per_mm : float
        Of this picture; sets the size of the neighbourhood that has one depth of ink.
    step : float
        Pixels of this picture to a pixel of the photograph, 1 or more: not much finer is the work done.
    """
    depth = find_depth(lifted, areas, blur, px_per_mm)
    if depth is None:
        return lifted
    out = lifted.copy()
    work = max(1.0, step / _FINER)
    smooth = float(np.clip(_SMOOTH * (depth.noise / depth.ink * step / work) ** 2, _LEAST_SMOOTH, _MOST_SMOOTH))
    for box in _blocks(areas, round(_BLOCK_MM * px_per_mm), lifted.shape):
        inked = _inked(lifted, box, depth)
        if inked is None:
            continue
        top, bottom, left, right = inked
        spread = blur(np.array([[(left + right) / 2, (top + bottom) / 2]]))[0]
        halo = int(np.ceil(5 * np.sqrt(np.diag(spread).max())))
        rows = slice(max(top - halo, 0), min(bottom + halo, lifted.shape[0]))
        columns = slice(max(left - halo, 0), min(right + halo, lifted.shape[1]))
        # Averaging down to larger pixels blurs by a pixel's width, a twelfth of a pixel squared.
        small = spread / work**2 + (_PIXEL_VARIANCE if work > 1 else 0.0) * np.eye(2)
        block = _block(lifted[rows, columns], small, px_per_mm / work, work, depth.ink, smooth)
        inner = block[top - rows.start : bottom - rows.start, left - columns.start : right - columns.start]
        out[top:bottom, left:right] = inner
    return out


def _blocks(areas: Sequence[Box], side: int, shape: tuple[int, ...]) -> Iterator[tuple[int, int, int, int]]:
    """Return top, bottom, left and right of the blocks that make up the areas."""
    for area in areas:
        first, last = max(int(area.top), 0), min(int(area.bottom), shape[0])
        start, end = max(int(area.left), 0), min(int(area.right), shape[1])
        for top in range(first, last, side):
            for left in range(start, end, side):
                yield top, min(top + side, last), left, min(left + side, end)


def _inked(lifted: ByteImage, box: tuple[int, int, int, int], depth: Depth) -> tuple[int, int, int, int] | None:
    """Return the part of a block that holds its ink, or None where there is none."""
    top, bottom, left, right = box
    dark = cv2.compare(lifted[top:bottom, left:right], PAPER - _INK * depth.ink, cv2.CMP_LT)
    x, y, width, height = cv2.boundingRect(dark)
    if not width:
        return None
    return top + y, top + y + height, left + x, left + x + width


def _block(
    lifted: ByteImage, spread: FloatArray, px_per_mm: float, step: float, depth: float, smooth: float
) -> ByteImage:
    """Restore a part of the picture; `spread`, the blur's covariance, and `px_per_mm` in px of the work."""
    height, width = lifted.shape
    small = lifted
    if step > 1:
        size = (max(1, round(width / step)), max(1, round(height / step)))
        small = np.asarray(cv2.resize(lifted, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    dark = np.float32(PAPER) - small.astype(np.float32)
    tiles = _Tiles(dark.shape, max(8, round(_TILE_MM * px_per_mm)))
    ink, bound = _ink(dark, spread, depth, tiles, smooth)
    near = cv2.dilate((cv2.blur(dark, (3, 3)) > np.float32(_INK) * bound).astype(np.uint8), np.ones((3, 3), np.uint8))
    share = np.where(near > 0, ink, np.clip(dark, 0, ink)) / bound
    if step > 1:
        size = (width, height)
        share = np.clip(cv2.resize(share, size, interpolation=cv2.INTER_CUBIC), 0, 1)
        bound = np.asarray(cv2.resize(bound, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)
        near = cv2.resize(near, size, interpolation=cv2.INTER_NEAREST)
    level = _level(share[near > 0])
    even = np.where(share < level, 0.5 / level * share, 1 - 0.5 / (1 - level) * (1 - share))
    return np.asarray(np.rint(np.clip(np.float32(PAPER) - even * bound, 0, 255)), dtype=np.uint8)


def _level(share: _Plane) -> float:
    """Return the share of the depth from which on there are as many pixels as the shares come to together."""
    count = len(share) - round(float(share[share > _INK].sum()))
    if not 0 < count < len(share):
        return 0.5
    return float(np.clip(np.partition(share, count)[count], *_LEVELS))


def _ink(dark: _Plane, spread: FloatArray, depth: float, tiles: _Tiles, smooth: float) -> tuple[_Plane, _Plane]:
    """Return the ink's darkness before the blur, and the bound it was held to."""
    height, width = dark.shape
    shape = fft.next_fast_len(height, real=True), fft.next_fast_len(width, real=True)
    right, below = shape[1] - width, shape[0] - height
    whole = np.asarray(cv2.copyMakeBorder(dark, 0, below, 0, right, cv2.BORDER_REPLICATE), dtype=np.float32)
    across, down = (max(float(value), _LEAST_PX**2) for value in np.diag(spread))
    wx, wy = 2 * np.pi * fft.rfftfreq(shape[1]), 2 * np.pi * fft.fftfreq(shape[0])[:, None]
    blurs = np.exp(-0.5 * (across * wx**2 + down * wy**2) - spread[0, 1] * wx * wy).astype(np.float32)
    inverse = 1 / (blurs**2 + np.float32(smooth) * (wx**2 + wy**2).astype(np.float32) + np.float32(_HOLD))
    seen, held = blurs * inverse * fft.rfft2(whole), np.float32(_HOLD) * inverse
    bounds = np.full(shape, depth, np.float32)
    ink = np.clip(whole, 0, bounds)
    owed = np.zeros_like(ink)
    for turn in range(_ROUNDS):
        if turn == _ROUNDS // 2:
            made = fft.irfft2(blurs * fft.rfft2(ink), shape)[:height, :width]
            deeper = tiles.deeper(dark, made, ink[:height, :width] > _FULL * depth)
            bounds = cv2.copyMakeBorder(np.float32(depth) * deeper, 0, below, 0, right, cv2.BORDER_REPLICATE)
        owed += fft.irfft2(seen + held * fft.rfft2(ink - owed), shape)
        ink = np.clip(owed, 0, bounds)
        owed -= ink
    return ink[:height, :width], bounds[:height, :width]


class _Tiles:
    """Square tiles over a picture: what is in each, and smooth pictures made of one number for each."""

    def __init__(self, shape: tuple[int, ...], side: int) -> None:
        self._shape, self._side = shape, side
        self._rows, self._columns = -(-shape[0] // side), -(-shape[1] // side)

    def deeper(self, seen: _Plane, made: _Plane, full: NDArray[np.bool_]) -> _Plane:
        """Return by how much the bounds must be deepened place by place for ink at its bound to be as dark as seen."""
        dark, ours = (self._total(np.where(full, plane, np.float32(0))) for plane in (seen, made))
        ratio = np.clip(dark / np.maximum(ours, 1e-3) - _EXCESS, 1, _DEEPER).astype(np.float32)
        size = (self._columns * self._side, self._rows * self._side)
        whole = cv2.resize(ratio, size, interpolation=cv2.INTER_LINEAR)
        return np.ascontiguousarray(whole[: self._shape[0], : self._shape[1]])

    def _total(self, plane: _Plane) -> FloatArray:
        """Return the sum over each tile and its neighbours, the near ones more."""
        height, width = self._rows * self._side, self._columns * self._side
        below, right = height - self._shape[0], width - self._shape[1]
        whole = cv2.copyMakeBorder(plane, 0, below, 0, right, cv2.BORDER_CONSTANT, value=(0.0,))
        cut = np.asarray(whole).reshape(self._rows, self._side, self._columns, self._side)
        return np.asarray(cv2.GaussianBlur(cut.sum(axis=(1, 3), dtype=np.float64), (0, 0), 1.0))
