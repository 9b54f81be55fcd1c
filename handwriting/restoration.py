"""Take the blur of a photographed sheet out of its ink, as far as the noise allows.

Thin strokes lose depth and come out wide where a picture is soft: at half depth a 0.4 mm pen reads 40 % too wide when
the blur's standard deviation is half the pen's width, and neighbouring letters run together. With d the darkness of the
ink (paper 0), G the blur and b the depth of the ink at the place, the darkness u that the sheet itself has is that of

    least |G u - d|^2,  0 <= u <= b

found by projected gradient steps with momentum (Landweber's iteration; Nesterov's momentum, started with few rounds so
that noise is not taken for detail). The bounds put back what the blur took from thin strokes: ink is as dark in the
middle of a stroke as where strokes are thick. b is the darkest ink nearby to begin with, and is deepened place by place
until the ink at its bound, blurred, is as dark as in the picture.

What it does not see: blur that differs over the photograph; motion blur slantwise; a pen whose depth changes within a
few millimetres.

Source: the iteration, Landweber 1951, Am. J. Math. 73, 615-624; momentum, Nesterov 1983 (both recalled).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import Box, FloatArray
from handwriting.ink import PAPER

ByteImage = NDArray[np.uint8]
_Plane = NDArray[np.float32]

_ROUNDS, _STEPS = 8, 4
_LEAST_PX = 0.3
_PIXEL_SD = 12**-0.5
_BLOCK_MM, _TILE_MM = 50.0, 4.0
# Depth of the faintest ink looked at, of 250: paper evened out over a few pixels never comes to a fifth of it.
_FAINTEST = 60.0
# Of the ink's depth: darker than this is ink and not paper; at its bound; how far a bound is deepened in one round.
_INK, _FULL, _DEEPER = 0.2, 0.98, 1.3


def restored(
    lifted: ByteImage, areas: Sequence[Box], blur: Callable[[FloatArray], FloatArray], px_per_mm: float, step: float
) -> ByteImage:
    """Return an even picture without rules (see `ink`) with the blur taken out of its ink; paper stays as it is.

    Parameters
    ----------
    lifted : ndarray of uint8, shape (H, W)
    areas : sequence of Box
        Where there may be writing.
    blur : callable
        From places in the picture, px, shape (n, 2), to the standard deviation of the blur there across and down, px,
        shape (n, 2).
    px_per_mm : float
        Of this picture; sets the size of the neighbourhood that has one depth of ink.
    step : float
        Pixels of this picture to a pixel of the photograph, 1 or more: no finer is the work done.
    """
    out = lifted.copy()
    side = round(_BLOCK_MM * px_per_mm)
    for top, bottom, left, right in _blocks(areas, side, lifted.shape):
        if lifted[top:bottom, left:right].min() > PAPER - 2 * _INK * _FAINTEST:
            continue
        spread = blur(np.array([[(left + right) / 2, (top + bottom) / 2]]))[0]
        halo = int(np.ceil(5 * spread.max() + _TILE_MM * px_per_mm))
        rows = slice(max(top - halo, 0), min(bottom + halo, lifted.shape[0]))
        columns = slice(max(left - halo, 0), min(right + halo, lifted.shape[1]))
        # Averaging down to the photograph's pixels blurs by a pixel's width, a twelfth of a pixel squared.
        small = np.hypot(spread / step, _PIXEL_SD)
        block = _block(lifted[rows, columns], small, px_per_mm / step, step)
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


def _block(lifted: ByteImage, spread: FloatArray, px_per_mm: float, step: float) -> ByteImage:
    """Restore a part of the picture; `spread` and `px_per_mm` in px of the photograph."""
    height, width = lifted.shape
    small = lifted
    if step > 1:
        size = (max(1, round(width / step)), max(1, round(height / step)))
        small = np.asarray(cv2.resize(lifted, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    dark = np.float32(PAPER) - small.astype(np.float32)
    tiles = _Tiles(dark.shape, max(8, round(_TILE_MM * px_per_mm)))
    smooth = cv2.blur(dark, (3, 3))
    depth = np.maximum(cv2.blur(tiles.largest(smooth), (3, 3)), np.float32(_FAINTEST))
    ink, bound = _ink(dark, spread, depth, tiles)
    core = (smooth > np.float32(_INK) * bound).astype(np.uint8)
    near = cv2.dilate(core, np.ones((3, 3), np.uint8))
    sharp = np.float32(PAPER) - np.where(near > 0, ink, np.minimum(ink, dark))
    if step > 1:
        sharp = cv2.resize(sharp, (width, height), interpolation=cv2.INTER_CUBIC)
    return np.asarray(np.rint(np.clip(sharp, 0, 255)), dtype=np.uint8)


def _ink(dark: _Plane, spread: FloatArray, depth: _Plane, tiles: _Tiles) -> tuple[_Plane, _Plane]:
    """Return the ink's darkness before the blur, and the bound it was held to."""
    across, down = (max(float(value), _LEAST_PX) for value in spread)
    size = (2 * int(np.ceil(3 * across)) + 1, 2 * int(np.ceil(3 * down)) + 1)

    def blurred(plane: _Plane) -> _Plane:
        return np.asarray(cv2.GaussianBlur(plane, size, across, sigmaY=down, borderType=cv2.BORDER_REPLICATE))

    ink = ahead = dark
    pace = 1.0
    bound = tiles.spread(depth)
    for turn in range(_ROUNDS):
        for _ in range(_STEPS):
            step = blurred(dark - blurred(ahead))
            step += ahead
            np.clip(step, 0, bound, out=step)
            faster = (1 + float(np.sqrt(1 + 4 * pace * pace))) / 2
            ahead = step + np.float32((pace - 1) / faster) * (step - ink)
            ink, pace = step, faster
        if turn < _ROUNDS - 1:
            full = ink > np.float32(_FULL) * bound
            seen, made = (tiles.total(np.where(full, plane, 0)) for plane in (dark, blurred(ink)))
            depth = depth * np.clip(seen / np.maximum(made, 1e-3), 1, _DEEPER).astype(np.float32)
            bound = tiles.spread(depth)
    return ink, bound


class _Tiles:
    """Square tiles over a picture: what is in each, and smooth pictures made of one number for each."""

    def __init__(self, shape: tuple[int, ...], side: int) -> None:
        self._shape, self._side = shape, side
        self._rows, self._columns = -(-shape[0] // side), -(-shape[1] // side)

    def _cut(self, plane: _Plane) -> _Plane:
        height, width = self._rows * self._side, self._columns * self._side
        whole = cv2.copyMakeBorder(
            plane, 0, height - self._shape[0], 0, width - self._shape[1], cv2.BORDER_CONSTANT, value=(0.0,)
        )
        return np.asarray(whole).reshape(self._rows, self._side, self._columns, self._side)

    def largest(self, plane: _Plane) -> _Plane:
        """Return the largest value of each tile."""
        return np.asarray(self._cut(plane).max(axis=(1, 3)))

    def total(self, plane: _Plane) -> FloatArray:
        """Return the sum over each tile and its neighbours, the near ones more."""
        sums = self._cut(plane).sum(axis=(1, 3), dtype=np.float64)
        return np.asarray(cv2.GaussianBlur(sums, (0, 0), 1.0))

    def spread(self, values: _Plane) -> _Plane:
        """Return a picture that runs smoothly between the tiles' values."""
        size = (self._columns * self._side, self._rows * self._side)
        whole = cv2.resize(values, size, interpolation=cv2.INTER_LINEAR)
        return np.ascontiguousarray(whole[: self._shape[0], : self._shape[1]])
