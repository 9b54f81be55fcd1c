"""Rows of print: where pieces of ink that repeat each other stand on straight common courses.

Printed letters stand in rows with white between, however the letters go up and down: the middle halves of the letters
of one row overlap, seen along the row, and those of two rows do not. So rows are told from boxes alone, before any line
of writing is looked for. Of the page only rows with repeated pieces are found; whatever else stands in such a row
belongs to it.

What it does not see: rows at different angles on one page.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray

_STEEPEST = 0.14  # about 8 degrees
# In x-heights: how far below its foot and above it a row reaches, for the middle of a piece.
_BELOW, _ABOVE = 0.45, 1.6
# How far from a row's middle, in x-heights, that of a frame's side may be: half the distance from row to row.
_LEVEL = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Rows of pieces.

    Attributes
    ----------
    row : ndarray of int64, shape (pieces,)
        For every piece its row, or -1.
    x_height : ndarray, shape (rows,)
        Most common height of the pieces that stand on a row's foot, px.
    unsteadiness : ndarray, shape (rows,)
        Robust spread of the feet about the row's straight foot, in x-heights; 1 where there are too few to tell.
    """

    row: NDArray[np.int64]
    x_height: FloatArray
    unsteadiness: FloatArray


def rows_of(
    boxes: NDArray[np.int32], repeated: NDArray[np.int64], side: NDArray[np.bool_], slope: float | None
) -> Rows:
    """Find the rows that some pieces stand in.

    Parameters
    ----------
    boxes : ndarray of int32, shape (pieces, 5)
        Left, top, width, height and area, px.
    repeated : ndarray of int64
        The pieces whose rows are looked for, one at least.
    side : ndarray of bool, shape (pieces,)
        Pieces that are no letters by their size: the sides of a frame stand beside several rows.
    slope : float or None
        Of the page, rows per column; None when it is not known.
    """
    x = boxes[:, 0] + boxes[:, 2] / 2
    tall = boxes[:, 3].astype(np.float64)
    foot = (boxes[:, 1] + boxes[:, 3]).astype(np.float64)
    usual = float(np.median(tall[repeated]))
    if slope is None:
        slope = _slope(x[repeated], foot[repeated], 0.1 * usual)
    row = np.full(len(boxes), -1, np.int64)
    heights: list[float] = []
    spreads: list[float] = []
    # Where rows overlap by chance the fuller one has the piece.
    for some in sorted(_parted(foot[repeated] - slope * x[repeated], tall[repeated]), key=len, reverse=True):
        mine = repeated[some]
        offset, along, height = _laid(x[mine], foot[mine], tall[mine], slope)
        lift = offset + along * x - foot
        middle = lift + tall / 2
        inside = (row < 0) & (middle > -_BELOW * height) & (middle < _ABOVE * height)
        letters = inside & (np.abs(lift) < 0.3 * height) & (tall > 0.6 * height)
        if not letters.any():
            continue
        height = _crowded(tall[letters], 0.05 * height)
        inside |= (row < 0) & side & (tall > 3 * height) & (np.abs(middle - height / 2) < _LEVEL * height)
        row[inside] = len(heights)
        heights.append(height)
        spreads.append(_unsteadiness(lift[letters], height))
    return Rows(row, np.array(heights), np.array(spreads))


def _slope(x: FloatArray, foot: FloatArray, near: float) -> float:
    """Return the slope along which most feet stand on a level with the next one, rows per column."""
    every = max(1, len(x) // 200)
    x, foot = x[::every], foot[::every]
    slopes = np.arange(-_STEEPEST, _STEEPEST, near / max(float(np.ptp(x)), 1.0))
    # Of equals the flattest.
    slopes = slopes[np.argsort(np.abs(slopes), kind="stable")]
    level = np.sort(foot - slopes[:, None] * x, axis=1)
    return float(slopes[np.argmax((np.diff(level, axis=1) < near / 2).sum(1))])


def _parted(foot: FloatArray, tall: FloatArray) -> list[NDArray[np.int64]]:
    """Part pieces on a levelled page into rows: the middle halves of their heights overlap."""
    top, bottom = foot - 0.75 * tall, foot - 0.25 * tall
    order = np.argsort(top, kind="stable")
    reached = np.maximum.accumulate(bottom[order])
    return np.split(order, np.flatnonzero(top[order][1:] > reached[:-1]) + 1)


def _laid(x: FloatArray, foot: FloatArray, tall: FloatArray, slope: float) -> tuple[float, float, float]:
    """Return a row's straight foot (row at column 0, rows per column), and the height of most pieces on it, px."""
    near = 0.15 * float(np.median(tall))
    level = foot - slope * x
    standing = np.abs(level - _crowded(level, near)) < near
    offset = float(np.median(level[standing]))
    if standing.sum() >= 4 and np.ptp(x[standing]) > 10 * near:
        slope, offset = (float(v) for v in np.polyfit(x[standing], foot[standing], 1))
    return offset, slope, _crowded(tall[standing], near / 3)


def _crowded(values: FloatArray, near: float) -> float:
    """Return the mean of the values near the one that has most of them near it, of equals the least."""
    values = np.sort(values)
    close = np.abs(values[:, None] - values) <= near
    return float(values[close[int(np.argmax(close.sum(1)))]].mean())


def _unsteadiness(lift: FloatArray, height: float) -> float:
    """Return the robust spread of letters' feet about a row's straight foot, in x-heights."""
    if len(lift) < 4:
        return 1.0
    return float(1.4826 * np.median(np.abs(lift - np.median(lift))) / height)
