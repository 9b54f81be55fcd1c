"""Connected pieces of a picture of ink, found from its stretches of ink: a page is mostly paper, and is looked at once.

A stretch is ink without a break in one row. Stretches of neighbouring rows that touch, corners included, are of one
piece. The work grows with the ink, not with the page.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

Whole = TypeVar("Whole", bound="np.integer[Any]")
# Row, first column and length of stretches of ink, row by row.
Stretches = tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]


@dataclass(frozen=True, slots=True, eq=False)
class Components:
    """The ink of a picture as stretches, and which piece each of them is of.

    Attributes
    ----------
    row, start, length, piece : ndarray of int32, shape (stretches,)
        Row, first column, number of pixels and piece of every stretch, row by row. Pieces are counted from 0, from the
        top.
    boxes : ndarray of int32, shape (pieces, 5)
        Left, top, width, height and area of each piece, px.
    """

    row: NDArray[np.int32]
    start: NDArray[np.int32]
    length: NDArray[np.int32]
    piece: NDArray[np.int32]
    boxes: NDArray[np.int32]

    def pixels(self, number: NDArray[np.int32]) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]:
        """Return column, row and piece of every ink pixel, row by row, pieces by new numbers; -1 leaves a piece out."""
        piece = number[self.piece]
        kept = piece >= 0
        length = self.length[kept]
        return ranges(self.start[kept], length), np.repeat(self.row[kept], length), np.repeat(piece[kept], length)

    def piece_at(self, row: NDArray[np.int64], column: NDArray[np.int64], width: int) -> NDArray[np.int32]:
        """Return the pieces at places in a picture of some width; places on paper are left out."""
        first = self.row.astype(np.int64) * width + self.start
        place = row * width + column
        stretch = np.searchsorted(first, place, side="right") - 1
        on_ink = (stretch >= 0) & (place < (first + self.length)[stretch]) if len(first) else stretch >= 0
        return self.piece[stretch[on_ink]]


def ranges(first: NDArray[Whole], count: NDArray[Whole]) -> NDArray[Whole]:
    """Return the numbers first, first + 1, ... of every range, end to end."""
    found = np.repeat(first - (np.cumsum(count, dtype=count.dtype) - count), count)
    found += np.arange(len(found), dtype=found.dtype)
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


def level_counts(picture: NDArray[np.uint8], most: float) -> NDArray[np.float32]:
    """Return how many pixels there are of each grey level up to `most`, and 0 for those beyond, shape (256,).

    Only groups of eight pixels with one of them in it are counted.
    """
    flat = np.ascontiguousarray(picture).reshape(-1)
    whole = flat.size // 8 * 8
    few = np.asarray(cv2.compare(flat, most, cv2.CMP_LE)).reshape(-1)[:whole].view(np.uint64) != 0
    counted = np.concatenate([flat[:whole].view(np.uint64)[np.flatnonzero(few)].view(np.uint8), flat[whole:]])
    counts = np.asarray(cv2.calcHist([counted], [0], None, [256], [0, 256]), np.float32).reshape(-1)
    counts[np.arange(256) > most] = 0
    return counts


def cell_sums(picture: NDArray[np.uint8], cells: tuple[int, int]) -> NDArray[np.float64]:
    """Return the sum of a picture's pixels in each of so many cells down and across, as equal as whole pixels allow."""
    down, across = (-(-np.arange(n + 1) * size // n) for size, n in zip(picture.shape, cells, strict=True))
    rows = [cv2.reduce(picture[i:j], 0, cv2.REDUCE_SUM, dtype=cv2.CV_32S) for i, j in pairwise(down.tolist())]
    return np.add.reduceat(np.concatenate(rows), across[:-1], axis=1).astype(np.float64)


def components(mask: NDArray[np.uint8]) -> Components:
    """Part the ink of a mask (255 on 0) into connected pieces."""
    stretches = _stretches(mask)
    place, stop, stride = _end_to_end(stretches, mask.shape[1])
    # Those of the next row that start no later than one past the end and end no earlier than one before the start.
    low = np.searchsorted(stop, place + stride, side="left")
    high = np.searchsorted(place, stop + stride, side="right")
    touching = np.maximum(high - low, 0)
    piece = _united(ranges(low, touching), np.concatenate([[0], np.cumsum(touching)]))
    return _from_the_top(stretches, piece, mask.shape[1])


def with_more(found: Components, more: NDArray[np.uint8]) -> Components:
    """Return the pieces once there is more ink: a mask (255 on 0) of further pixels, few beside those there are.

    Only what is new is looked at: it becomes part of the pieces it touches, which become one.
    """
    width, count = more.shape[1], len(found.boxes)
    old, new = (found.row, found.start, found.length), _stretches(more)
    row, start, length = (np.concatenate(v) for v in zip(old, new, strict=True))
    order = np.argsort(_end_to_end((row, start, length), width)[0], kind="stable")
    stretches = row[order], start[order], length[order]
    place, stop, stride = _end_to_end(stretches, width)
    # The old pieces and the new stretches, numbered on; with each of these all that touches it, in three rows.
    number = np.concatenate([found.piece, np.arange(count, count + len(new[0]), dtype=np.int32)])[order]
    fresh = np.flatnonzero(number >= count)
    rows = np.array([-stride, 0, stride], np.int32)
    low = np.searchsorted(stop, (place[fresh, None] + rows).ravel(), side="left")
    touching = np.searchsorted(place, (stop[fresh, None] + rows).ravel(), side="right") - low
    bounds = np.concatenate([np.zeros(count + 1, np.int64), np.cumsum(touching)[2::3]])
    united = _united(number[ranges(low, touching)], bounds)
    return _from_the_top(stretches, united[number], width)


def _stretches(mask: NDArray[np.uint8]) -> Stretches:
    """Return row, first column and length of every stretch of ink, row by row."""
    height, width = mask.shape
    # A stretch begins and ends where a row changes from paper to ink and back; beyond its ends is paper.
    change = np.empty((height, width + 1), np.uint8)
    change[:, 0], change[:, width] = mask[:, 0], mask[:, -1]
    np.bitwise_xor(mask[:, 1:], mask[:, :-1], out=change[:, 1:width])
    place = inked(change).astype(np.int32)
    start, stop = place[::2], place[1::2]
    # Begin and end lie in one row. The quotient alone is worked out many numbers at a time.
    row = start // np.int32(width + 1)
    return row, start - row * np.int32(width + 1), stop - start


def _end_to_end(stretches: Stretches, width: int) -> tuple[NDArray[np.int32], NDArray[np.int32], np.int32]:
    """Lay rows end to end with paper between, so that stretches touch only within their own rows and those beside.

    Returns where each stretch begins, where it ends (exclusive), and the distance from row to row. 32 bits hold the
    places of any page, and are searched faster.
    """
    row, start, length = stretches
    stride = np.int32(width + 2)
    place = row * stride + start
    return place, place + length, stride


def _united(touched: NDArray[Whole], bounds: NDArray[np.int64]) -> NDArray[np.int32]:
    """Return a number for every thing, the same for things that hang together.

    `touched` are the things that each one touches, one after the other; `bounds` are where each one's begin and end.
    """
    size = len(bounds) - 1
    links = csr_array((np.ones(len(touched), np.int8), touched.astype(np.int32), bounds.astype(np.int32)), (size, size))
    return np.asarray(connected_components(links, directed=True, connection="weak")[1], np.int32)


def _from_the_top(stretches: Stretches, piece: NDArray[np.int32], width: int) -> Components:
    """Give pieces new numbers from the top, two rows and two columns at a time, and box them."""
    row, start, length = stretches
    if not len(row):
        return Components(row, start, length, piece, np.empty((0, 5), np.int32))
    count = int(piece.max()) + 1
    block = (row >> 1).astype(np.int64) * (width // 2 + 1) + (start >> 1)
    earliest = np.full(count, np.iinfo(np.int64).max)
    np.minimum.at(earliest, piece, block)
    number = np.empty(count, np.int32)
    number[np.argsort(earliest, kind="stable")] = np.arange(count, dtype=np.int32)
    piece = number[piece]
    return Components(row, start, length, piece, _boxes(piece, row, start, length, count))


def _boxes(
    piece: NDArray[np.int32], row: NDArray[np.int32], start: NDArray[np.int32], length: NDArray[np.int32], count: int
) -> NDArray[np.int32]:
    """Return left, top, width, height and area of each piece."""
    low = np.full((2, count), np.iinfo(np.int32).max, np.int32)
    high = np.zeros((2, count), np.int32)
    np.minimum.at(low[0], piece, start)
    np.minimum.at(low[1], piece, row)
    np.maximum.at(high[0], piece, start + length)
    np.maximum.at(high[1], piece, row + 1)
    area = np.bincount(piece, length, count)
    return np.column_stack([*low, *(high - low), area]).astype(np.int32)
