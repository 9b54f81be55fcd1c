"""Gaps between the convex hulls of units of ink, many at a time: from the right side of one to the left of the next.

A hull's side is the course of its corners from its foot to its top. Heights are above the line of writing, places along
it; between corners a side is straight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from handwriting.components import ranges
from handwriting.geometry import FloatArray

# From pixel centres to edges: half a pixel on either side, less a quarter, because a hull runs over the outermost
# pixels of an edge, which stand between none and half a pixel out.
_EDGES = 0.5

Index = NDArray[np.int64]


def hull_gap(left: FloatArray, right: FloatArray) -> float:
    """Return the least horizontal gap between two hulls of pixel centres over the heights both reach, px.

    Parameters
    ----------
    left, right : ndarray, shape (corners, 2)
        Corners in order, along the line and above it. Where they share no height the gap of their boxes is given.
    """
    return float(gaps([left, right], np.array([0]), np.array([[0.0]]))[0, 0])


def gaps(hulls: Sequence[NDArray[Any]], first: Index, heights: FloatArray) -> FloatArray:
    """Return the least and the mean gap from some hulls to the next ones, px, shape (2, gaps).

    Parameters
    ----------
    hulls : sequence of ndarray, shape (corners, 2)
        Corners of each in order, along the line and above it.
    first : ndarray of int, shape (gaps,)
        Which hulls; each gap is to the hull after it.
    heights : ndarray, shape (gaps, k)
        Where the mean gap is looked at; the least where the two share none of these.
    """
    if not len(first):
        return np.empty((2, 0))
    lefts, rights = _sides(hulls)
    least = _least(rights.only(first), lefts.only(first + 1))
    across = lefts.only(first + 1).inside(heights) - rights.only(first).inside(heights)
    both = np.isfinite(across)
    count = both.sum(1)
    mean = np.where(both, across, 0.0).sum(1) / np.maximum(count, 1) - _EDGES
    return np.stack([least, np.where(count > 0, mean, least)])


@dataclass(frozen=True, slots=True, eq=False)
class _Courses:
    """Sides of hulls, end to end: heights, rising within each, and places along; where each begins, and its corners."""

    height: FloatArray
    along: FloatArray
    start: Index
    count: Index

    def only(self, which: Index) -> _Courses:
        """Return some of the courses; one may be asked for twice."""
        at = ranges(self.start[which], self.count[which])
        count = self.count[which]
        return _Courses(self.height[at], self.along[at], np.cumsum(count) - count, count)

    def ends(self) -> tuple[FloatArray, FloatArray]:
        """Return the heights of all feet and tops."""
        return self.height[self.start], self.height[self.start + self.count - 1]

    def at(self, course: Index, height: FloatArray) -> FloatArray:
        """Return places along at heights of courses; beyond a foot or top that end's own."""
        low = float(self.height.min())
        # Courses laid end to end on one axis, so that one search serves all.
        reach = 2.0 ** np.ceil(np.log2(float(self.height.max()) - low + 2))
        axis = np.repeat(np.arange(len(self.start)), self.count) * reach + (self.height - low)
        foot, top = self.ends()
        inside = np.clip(height, foot[course], top[course])
        corner = np.searchsorted(axis, course * reach + (inside - low), side="right") - 1
        corner = np.clip(corner, self.start[course], self.start[course] + self.count[course] - 1)
        after = np.minimum(corner + 1, self.start[course] + self.count[course] - 1)
        rise = self.height[after] - self.height[corner]
        slope = (self.along[after] - self.along[corner]) / np.where(rise > 0, rise, 1.0)
        return np.asarray(slope * (inside - self.height[corner]) + self.along[corner])

    def inside(self, heights: FloatArray) -> FloatArray:
        """Return places along at heights of every course, shape (courses, k); not a number beyond its foot and top."""
        course = np.repeat(np.arange(len(heights)), heights.shape[1])
        foot, top = self.ends()
        found = self.at(course, heights.ravel()).reshape(heights.shape)
        return np.where((heights >= foot[:, None]) & (heights <= top[:, None]), found, np.nan)


def _sides(hulls: Sequence[NDArray[Any]]) -> tuple[_Courses, _Courses]:
    """Return the left and the right sides of hulls, from their feet up."""
    count = np.array([len(hull) for hull in hulls])
    start = np.cumsum(count) - count
    points = np.concatenate(hulls, dtype=np.float64)
    hull = np.repeat(np.arange(len(hulls)), count)
    # Corners in order round each hull from its foot, which stands at the end once more.
    foot = _first(points[:, 1] == np.minimum.reduceat(points[:, 1], start)[hull], start, count)
    place = ranges(np.zeros_like(start), count + 1)
    owner = np.repeat(np.arange(len(hulls)), count + 1)
    around = points[start[owner] + (foot[owner] + place) % count[owner]]
    begin = np.cumsum(count + 1) - (count + 1)
    height, along = around[:, 1], around[:, 0]
    top = _first(height == np.maximum.reduceat(height, begin)[owner], begin, count + 1)
    level = height[begin + top] == height[begin]
    # One side goes with the corners from foot to top, the other against them from the last corner, the foot again.
    one = _upward(around, begin, top + 1, level, 1)
    other = _upward(around, begin + count, count + 1 - top, level, -1)
    # A hull of one height has no sides: its ends serve.
    low, high = (np.where(level, v.reduceat(along, begin), 0.0) for v in (np.minimum, np.maximum))
    middle = 0.5 * np.add(*one.ends())
    every = np.arange(len(hulls))
    one_left = one.at(every, middle) < other.at(every, middle)
    left = _chosen(one, other, one_left, level, low)
    return left, _chosen(one, other, ~one_left, level, high)


def _first(flags: NDArray[np.bool_], start: Index, count: Index) -> Index:
    """Return the first place within each range that is flagged, from the range's start."""
    place = ranges(np.zeros_like(start), count)
    return np.asarray(np.minimum.reduceat(np.where(flags, place, len(flags)), start))


def _upward(around: FloatArray, foot: Index, count: Index, level: NDArray[np.bool_], step: int) -> _Courses:
    """Return the courses of `count` corners from the feet on, forwards or backwards.

    At a level foot or top both corners are of one height: each side has its own.
    """
    height = around[:, 1]
    last = foot + step * (count - 1)
    more = count > 1
    drop_foot = more & (height[foot + step * more] == height[foot])
    drop_top = more & (height[last] == height[last - step * more])
    count = np.where(level, 1, count - drop_foot - drop_top)
    foot = np.where(level, foot, foot + step * drop_foot)
    place = np.repeat(foot, count) + step * ranges(np.zeros_like(count), count)
    return _Courses(height[place], around[place, 0], np.cumsum(count) - count, count)


def _chosen(
    one: _Courses, other: _Courses, first: NDArray[np.bool_], level: NDArray[np.bool_], end: FloatArray
) -> _Courses:
    """Return for each hull one of its two courses, and for a level one its end."""
    shift = len(one.height)
    both = _Courses(
        np.concatenate([one.height, other.height]),
        np.concatenate([one.along, other.along]),
        np.where(first, one.start, other.start + shift),
        np.where(first, one.count, other.count),
    )
    chosen = both.only(np.arange(len(first)))
    along = chosen.along.copy()
    along[chosen.start[level]] = end[level]
    return _Courses(chosen.height, along, chosen.start, chosen.count)


def _least(left: _Courses, right: _Courses) -> FloatArray:
    """Return the least gap from the right sides of some hulls, `left`, to the left sides of others, `right`."""
    (foot, top), (other_foot, other_top) = left.ends(), right.ends()
    low, high = np.maximum(foot, other_foot), np.minimum(top, other_top)
    pair = np.arange(len(low))
    # The least lies at a corner of either side, or at an end of what both reach, where corners beyond are moved to.
    owner = np.concatenate([np.repeat(pair, left.count), np.repeat(pair, right.count)])
    heights = np.concatenate([left.height, right.height])
    order = np.argsort(owner, kind="stable")
    owner, heights = owner[order], heights[order]
    heights = np.minimum(np.maximum(heights, low[owner]), high[owner])
    apart = right.at(owner, heights) - left.at(owner, heights)
    begin = np.cumsum(left.count + right.count) - (left.count + right.count)
    least = np.minimum.reduceat(apart, begin)
    boxes = np.minimum.reduceat(right.along, right.start) - np.maximum.reduceat(left.along, left.start)
    return np.asarray(np.where(high > low, least, boxes) - _EDGES)
