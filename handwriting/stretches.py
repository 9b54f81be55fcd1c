"""The ink of each piece in each line as stretches along the rows: a fifth as many as there are pixels.

A stretch is all ink of one piece, one line and one row, from its first pixel to its last; paper within it counts for
nothing here, because what is asked of stretches is how far ink reaches.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from handwriting.ink import Pieces

Index = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Runs:
    """The ink of each piece in each line: one run, by line and then by piece, its stretches from the top.

    Attributes
    ----------
    line, piece : ndarray of int32, shape (runs,)
    starts, count : ndarray of int, shape (runs,)
        Where the stretches of each run begin, and how many they are.
    first, last : ndarray of int, shape (stretches,)
        First and last ink pixel of every stretch, run by run; the pixels between are all of the stretch.
    corners : ndarray, shape (runs, 4)
        Left, top, right and bottom edge, frame px.
    run, length : ndarray of int
        For every stretch in the order of the pixels, those of no line too, its run (-1: none) and its pixels.
    """

    line: NDArray[np.int32]
    piece: NDArray[np.int32]
    starts: Index
    count: Index
    first: Index
    last: Index
    corners: NDArray[np.float64]
    run: Index
    length: Index

    def of_stretch(self) -> Index:
        """Return the run of every stretch."""
        return np.repeat(np.arange(len(self.starts)), self.count)

    def extents(self, lines: int) -> NDArray[np.float64]:
        """Return left, top, right and bottom edge of the ink of each of so many lines; not finite where it has none."""
        ends = np.tile([np.inf, np.inf, -np.inf, -np.inf], (lines, 1))
        for k, reach in enumerate((np.minimum, np.minimum, np.maximum, np.maximum)):
            reach.at(ends[:, k], self.line, self.corners[:, k])
        return ends

    def renumbered(self, number: NDArray[np.int32]) -> Runs:
        """Return the runs with new numbers for the lines, rising as the old ones do; -1 leaves a line out."""
        kept = number[self.line] >= 0
        stretch = np.repeat(kept, self.count)
        place = np.append(np.where(kept, np.cumsum(kept) - 1, -1), -1)
        count = self.count[kept]
        return Runs(
            number[self.line[kept]],
            self.piece[kept],
            np.cumsum(count) - count,
            count,
            self.first[stretch],
            self.last[stretch],
            self.corners[kept],
            place[self.run],
            self.length,
        )

    @classmethod
    def of(cls, pieces: Pieces, line: NDArray[np.int32]) -> Runs:
        """Part the ink into runs; `line` tells the line of every ink pixel, -1 for none, which is left out."""
        change = pieces.piece[1:] != pieces.piece[:-1]
        change |= pieces.y[1:] != pieces.y[:-1]
        change |= line[1:] != line[:-1]
        begin = np.flatnonzero(np.concatenate([[len(line) > 0], change]))
        end = np.append(begin[1:], len(line)) - 1
        owned = np.flatnonzero(line[begin] >= 0)
        order = owned[np.lexsort((pieces.piece[begin[owned]], line[begin[owned]]))]
        first, last = begin[order], end[order]
        of_line, of_piece = line[first], pieces.piece[first]
        new = (of_line[1:] != of_line[:-1]) | (of_piece[1:] != of_piece[:-1])
        starts = np.flatnonzero(np.concatenate([[len(first) > 0], new]))
        left, right, row = pieces.x[first], pieces.x[last] + 1, pieces.y[first]
        low = [np.minimum.reduceat(values, starts) for values in (left, row)]
        high = [np.maximum.reduceat(values, starts) for values in (right, row + 1)]
        corners = np.stack([*low, *high], 1).astype(np.float64)
        count = np.diff(starts, append=len(first))
        run = np.full(len(begin), -1, np.int64)
        run[order] = np.repeat(np.arange(len(starts)), count)
        return cls(of_line[starts], of_piece[starts], starts, count, first, last, corners, run, end - begin + 1)

    def spread(self, number: NDArray[np.int32]) -> NDArray[np.int32]:
        """Return for every ink pixel the number given to its run, -1 where it has none."""
        out: NDArray[np.int32] = np.repeat(np.append(number, np.int32(-1))[self.run], self.length)
        return out
