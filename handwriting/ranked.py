"""Medians of weighted marks that come in lines of writing, for many draws of the lines at once.

A table of counts by line is made once; a median is then a search in it, all draws in step.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray

Index = NDArray[np.int64]
_ALL = slice(None)
# Of so many marks one is looked at for all draws, before a median is searched between two of those.
_STEP = 16


class Ranked:
    """Marks in rising order with a table of how much of each line's weight lies among the first i of them.

    Parameters
    ----------
    marks : ndarray, shape (N,)
    share : ndarray, shape (N,)
        Weight of each mark when its line is drawn once.
    owner : ndarray of int, shape (N,)
        Line of each mark.
    lines : int
    """

    def __init__(self, marks: FloatArray, share: FloatArray, owner: Index, lines: int) -> None:
        order = np.argsort(marks, kind="stable")
        self.marks = marks[order]
        self.table = np.zeros((len(marks) + 1, lines))
        self.table[np.arange(1, len(marks) + 1), owner[order]] = share[order]
        np.cumsum(self.table, axis=0, out=self.table)

    def below(self, counts: FloatArray, index: Index) -> FloatArray:
        """Return the weight of the first `index` marks in each draw."""
        return np.asarray(np.einsum("ij,ij->i", self.table[index], counts))

    def median(self, counts: FloatArray, least: float = 0.0) -> FloatArray:
        """Return the weighted median, the middle two averaged as numpy does; nan where the weight is not above `least`.

        A thousand-millionth of the weight is rounding.
        """
        total = counts @ self.table[-1]
        if not len(self.marks):
            return np.full(len(counts), np.nan)
        last, trace = len(self.marks) - 1, 1e-9 * np.maximum(total, 1.0)

        def passing(weight: FloatArray, low: Index, high: Index | None = None) -> Index:
            def enough(i: Index, draw: Index | slice) -> NDArray[np.bool_]:
                return np.asarray(self.below(counts[draw], i + 1) >= weight[draw])

            return first_index(enough, len(counts), last, low, high)

        half = total / 2 - trace
        rough = (self.table[_STEP::_STEP] @ counts.T < half).sum(0)
        one = passing(half, rough * _STEP, np.minimum((rough + 1) * _STEP - 1, last + 1))
        other = passing(total / 2 + trace, one)
        middle = (self.marks[np.minimum(one, last)] + self.marks[np.minimum(other, last)]) / 2.0
        return np.where(total > least, middle, np.nan)


def first_index(
    true_from: Callable[[Index, Index | slice], NDArray[np.bool_]],
    draws: int,
    last: int,
    low: Index | None = None,
    high: Index | None = None,
) -> Index:
    """Return for each draw the first index from 0 to `last` where a condition that stays true holds; else last + 1.

    Parameters
    ----------
    true_from : callable
        Tells of an index for each of some draws, and of those draws, whether the condition holds.
    draws, last : int
    low, high : ndarray of int, shape (draws,), or None
        Where it may first hold, mostly the very place; and where it holds at the latest.
    """
    found = np.zeros(draws, np.int64) if low is None else low.copy()
    open_: Index | slice = slice(None)
    if low is not None:
        open_ = np.flatnonzero(~true_from(np.minimum(low, last), slice(None)) & (low <= last))
        found[open_] += 1
    start, end = found[open_], np.full(len(found[open_]), last + 1) if high is None else high[open_]
    while (start < end).any():
        middle = np.minimum((start + end) // 2, last)
        holds, narrow = true_from(middle, open_), start < end
        end = np.where(narrow & holds, middle, end)
        start = np.where(narrow & ~holds, middle + 1, start)
    found[open_] = start
    return found


def median_and_mad(
    marks: FloatArray, owner: Index, lines: int
) -> Callable[[FloatArray], tuple[FloatArray, FloatArray]]:
    """Return the function from counts of the lines to their medians and median absolute deviations from them.

    Looked for is the mark whose distance from the median holds half, on either side. One side is searched; the other's
    mark stands between the one found there and the one before it.
    """
    ranked = Ranked(marks, np.ones(len(marks)), owner, lines)
    n = len(marks)

    def drawn(counts: FloatArray) -> tuple[FloatArray, FloatArray]:
        middle, total = ranked.median(counts), counts @ ranked.table[-1]
        centre = np.nan_to_num(middle)
        right = np.searchsorted(ranked.marks, centre, side="left")

        def within(distance: FloatArray, draw: Index | slice) -> FloatArray:
            # A trace more, because the distance of a mark need not round back to the mark.
            reach, at = distance + 1e-12 * (np.abs(centre[draw]) + distance), centre[draw]
            inside = ranked.below(counts[draw], np.searchsorted(ranked.marks, at + reach, side="right"))
            return inside - ranked.below(counts[draw], np.searchsorted(ranked.marks, at - reach, side="left"))

        def up(i: Index, draw: Index | slice = _ALL) -> FloatArray:
            place = right[draw] + i
            return np.where(place < n, ranked.marks[np.minimum(place, n - 1)] - centre[draw], np.inf)

        def down(i: Index, draw: Index | slice = _ALL) -> FloatArray:
            place = right[draw] - 1 - i
            return np.where(place >= 0, centre[draw] - ranked.marks[np.maximum(place, 0)], np.inf)

        def half(side: Callable[..., FloatArray], *ends: Index) -> tuple[Index, Index]:
            least = first_index(lambda i, d: within(side(i, d), d) >= total[d] / 2, len(counts), n, *ends)
            return least, first_index(lambda i, d: within(side(i, d), d) > total[d] / 2, len(counts), n, least)

        above, more_above = half(up)
        nearer, farther = np.where(above > 0, up(np.maximum(above - 1, 0)), -1.0), up(above)
        low = right - np.searchsorted(ranked.marks, centre - nearer, side="left")
        high = right - np.searchsorted(ranked.marks, centre - farther, side="right")
        below, more_below = half(down, np.clip(low, 0, n), np.clip(high, 0, n))
        least, more = np.minimum(farther, down(below)), np.minimum(up(more_above), down(more_below))
        return middle, np.where(np.isnan(middle), np.nan, (least + more) / 2.0)

    return drawn
