"""Connected pieces of a picture of ink, found from its stretches of ink: a page is mostly paper, and is looked at once.

A stretch is ink without a break in one row. Stretches of neighbouring rows that touch, corners included, are of one
piece. The work grows with the ink, not with the page.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components


@dataclass(frozen=True, slots=True, eq=False)
class Components:
    """The ink of a picture, and which piece each of its pixels is of.

    Attributes
    ----------
    x, y, piece : ndarray of int32, shape (pixels,)
        Column, row and piece of every ink pixel, row by row. Pieces are counted from 0, from the top.
    boxes : ndarray of int32, shape (pieces, 5)
        Left, top, width, height and area of each piece, px.
    """

    x: NDArray[np.int32]
    y: NDArray[np.int32]
    piece: NDArray[np.int32]
    boxes: NDArray[np.int32]


def ranges(first: NDArray[np.int64], count: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the numbers first, first + 1, ... of every range, end to end."""
    before = np.cumsum(count) - count
    found: NDArray[np.int64] = np.arange(int(count.sum())) + np.repeat(first - before, count)
    return found


def inked(mask: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Return where a mask is not 0, as ascending places in its flat view.

    Eight pixels are looked at at a time: nearly all of them are paper.
    """
    flat = np.ascontiguousarray(mask).reshape(-1)
    whole = flat.size // 8 * 8
    eights = flat[:whole].view(np.uint64)
    some = np.flatnonzero(eights != 0)
    at = np.flatnonzero(eights[some].view(np.uint8) != 0)
    found = (some[at >> 3] << 3) + (at & 7)
    rest = np.flatnonzero(flat[whole:]) + whole
    return np.concatenate([found, rest]) if len(rest) else found


def components(at: NDArray[np.int64], shape: tuple[int, ...]) -> Components:
    """Part the ink into connected pieces.

    Parameters
    ----------
    at : ndarray of int64
        Where there is ink, as ascending places in the flat view of the picture.
    shape : tuple of int
        Height and width of the picture.
    """
    height, width = shape
    bounds = np.searchsorted(at, np.arange(height + 1) * width)
    y = np.repeat(np.arange(height, dtype=np.int32), np.diff(bounds))
    x = (at - y.astype(np.int64) * width).astype(np.int32)
    if not len(at):
        return Components(x, y, x.copy(), np.empty((0, 5), np.int32))
    first = np.flatnonzero(np.concatenate([[True], (np.diff(at) != 1) | (np.diff(y) != 0)]))
    length = np.diff(first, append=len(at))
    row, start = y[first], x[first]
    piece = _linked(row, start, start + length, width)
    # From the top, two rows and two columns at a time.
    count = int(piece.max()) + 1
    block = (row >> 1).astype(np.int64) * (width // 2 + 1) + (start >> 1)
    earliest = np.full(count, np.iinfo(np.int64).max)
    np.minimum.at(earliest, piece, block)
    number = np.empty(count, np.int32)
    number[np.argsort(earliest, kind="stable")] = np.arange(count, dtype=np.int32)
    piece = number[piece]
    return Components(x, y, np.repeat(piece, length), _boxes(piece, row, start, length, count))


def _linked(row: NDArray[np.int32], start: NDArray[np.int32], end: NDArray[np.int32], width: int) -> NDArray[np.int32]:
    """Return a number for every stretch, the same for stretches that hang together."""
    # Rows are laid end to end with paper between, so that stretches touch only within their own rows.
    stride = width + 2
    place = row.astype(np.int64) * stride + start
    stop = place + (end - start)
    # Those of the next row that start no later than one past the end and end no earlier than one before the start.
    low = np.searchsorted(stop, place + stride, side="left")
    high = np.searchsorted(place, stop + stride, side="right")
    touching = np.maximum(high - low, 0)
    above, below = np.repeat(np.arange(len(row)), touching), ranges(low, touching)
    links = coo_array((np.ones(len(above), np.int8), (above, below)), (len(row), len(row)))
    return np.asarray(connected_components(links, directed=False)[1], np.int32)


def _boxes(
    piece: NDArray[np.int32], row: NDArray[np.int32], start: NDArray[np.int32], length: NDArray[np.int64], count: int
) -> NDArray[np.int32]:
    """Return left, top, width, height and area of each piece."""
    low = np.full((2, count), np.iinfo(np.int32).max, np.int32)
    high = np.zeros((2, count), np.int32)
    np.minimum.at(low[0], piece, start)
    np.minimum.at(low[1], piece, row)
    np.maximum.at(high[0], piece, start + length.astype(np.int32))
    np.maximum.at(high[1], piece, row + 1)
    area = np.bincount(piece, length, count)
    return np.column_stack([*low, *(high - low), area]).astype(np.int32)
