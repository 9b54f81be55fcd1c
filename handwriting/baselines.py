"""The baseline and x-height of one line of writing, from where its strokes turn.

The baseline is a stiff polyline fitted robustly to the turning points at the feet of the strokes (least squares with a
penalty on its second differences, Whittaker 1923; recalled), starting from the most crowded straight line; x-height is
the most crowded level of the turning points at the tops, above that baseline. Both are those of the ink's edge: the
feet are the lowest ink of the strokes, half a stroke below the course of the pen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray, Polyline
from handwriting.rules import Ruling

_FEW = 5
# Corners of a baseline lie this many bodies apart. Its stiffness is the variance of feet about it over that of the
# second differences of its corners: about a sixth of a body against a fifteenth.
_STEP, _STIFF = 6.0, 5.0
# The weights close in on the crowd, bodies, from all that may be its course (a line that climbs bends off the straight
# one by more than two) to the feet themselves: feet half a body off are tails, dots and bars.
_WIDTHS = (2.5, 1.6, 1.0, 0.8, 0.6, 0.45, 0.45)


class LineInk(NamedTuple):
    """Ink pixels of lines: columns, heights above their line's baseline (px), and lines from 0, or -1."""

    x: NDArray[np.int32]
    up: FloatArray
    line: NDArray[np.int32]


Turns = tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
"""Feet and tops of a line, each as columns and rows, px."""


def turning_points(x: NDArray[np.int32], y: NDArray[np.int32], body_px: float) -> Turns:
    """Return where the outline of a line turns: its feet (lowest) and tops (highest), as columns and rows, px.

    A foot is a column whose lowest ink is the lowest within a third of a body to either side; flat feet are taken at
    their middle.
    """
    return outlines(x, y, np.zeros(len(x), np.int32), 1).turns(body_px)[0]


@dataclass(frozen=True, slots=True, eq=False)
class Outlines:
    """Lowest and highest ink of every line in every column, rows of the page; -1 and far below where there is none.

    Attributes
    ----------
    low, high : ndarray of int32, shape (lines, columns)
    left : int
        The page's column that is the first here.
    """

    low: NDArray[np.int32]
    high: NDArray[np.int32]
    left: int

    def turns(self, body_px: float) -> list[Turns]:
        """Return the turning points of every line."""
        reach = max(2, round(body_px / 3))
        feet = self._extremes(self.low, reach)
        tops = self._extremes(-self.high, reach)
        return [(foot, (top[0], -top[1])) for foot, top in zip(feet, tops, strict=True)]

    def _extremes(self, profile: NDArray[np.int32], reach: int) -> list[tuple[FloatArray, FloatArray]]:
        """Return for each line the middles of the runs where its profile is the highest number within `reach`."""
        # Lines lie end to end, so far apart that no run goes on in the next.
        apart = np.full((len(profile), profile.shape[1] + reach + 1), -(10.0**6), np.float32)
        inside = apart[:, : profile.shape[1]]
        np.copyto(inside, profile, where=self.low >= 0)
        peak = cv2.dilate(apart, np.ones((1, 2 * reach + 1), np.uint8)).ravel()
        wide, level = apart.shape[1], apart.ravel()
        found = np.flatnonzero((level >= peak) & (level > -(10.0**6)))
        # Columns of one level close together are one turn, however ragged: bits of a rule must not count many times.
        parted = (np.diff(found) > reach) | (np.diff(level[found]) != 0)
        ends = np.concatenate([parted, [True]]) if len(found) else np.empty(0, bool)
        first, last = found[np.roll(ends, 1)], found[ends]
        line = first // wide
        columns, rows = self.left + (first + last) / 2 - line * wide, level[first].astype(np.float64)
        bounds = np.searchsorted(line, np.arange(1, len(profile)))
        return list(zip(np.split(columns, bounds), np.split(rows, bounds), strict=True))


def outlines(x: NDArray[np.int32], y: NDArray[np.int32], line: NDArray[np.int32], count: int) -> Outlines:
    """Return the outlines of the first so many lines from their ink pixels; those of line -1 are left out."""
    # Of writes to one place the last stays: with rows in order that is the lowest, and backwards the highest.
    if (y[1:] < y[:-1]).any():
        order = np.argsort(y, kind="stable")
        x, y, line = x[order], y[order], line[order]
    left = int(x.min()) if len(x) else 0
    width = int(x.max(initial=left)) - left + 1
    size = (count + 1) * width
    low, high = np.full(size, -1, np.int32), np.full(size, np.iinfo(np.int32).max, np.int32)
    # Pixels of line -1 and of lines not asked for come upon one more line, the last.
    place = np.where((line >= 0) & (line < count), line, np.int32(count))
    place *= width
    place += x - left
    low[place] = y
    high[place[::-1]] = y[::-1]
    return Outlines(low.reshape(-1, width)[:count], high.reshape(-1, width)[:count], left)


def fit_baseline(x: FloatArray, y: FloatArray, slope: float, body_px: float) -> Polyline:
    """Fit the course of the feet: the most crowded level first, then a robust smooth curve."""
    return fit_baselines([(x, y)], slope, body_px)[0]


def fit_baselines(feet: Sequence[tuple[FloatArray, FloatArray]], slope: float, body_px: float) -> list[Polyline]:
    """Fit the courses of the feet of many lines: columns and rows of each line's feet, px."""
    found: dict[int, Polyline] = {}
    courses: dict[int, tuple[FloatArray, FloatArray]] = {}
    for k, (x, y) in enumerate(feet):
        flat = y - slope * x
        level = _most_crowded(flat, float(flat.min()) - 1, float(flat.max()) + 1, body_px)
        ends = np.array([float(x.min()) - 1, float(x.max()) + 1])
        if len(x) < 3 or np.ptp(x) < 2 * body_px:
            near = np.abs(flat - level) < 0.35 * body_px
            value = float(np.median(flat[near])) if near.any() else level
            found[k] = Polyline(ends, value + slope * ends)
            continue
        middle, span = 0.5 * (ends[0] + ends[1]), ends[1] - ends[0]
        start = _crowded_line((x - middle) / span, y, level + slope * middle, slope * span, span, body_px)
        # Two corners leave a short line straight.
        corners = np.linspace(ends[0], ends[1], max(2, round(span / (_STEP * body_px)) + 1))
        courses[k] = corners, np.polynomial.polynomial.polyval((corners - middle) / span, start)
    settled = _settled(list(courses.values()), [feet[k] for k in courses], body_px)
    found |= dict(zip(courses, settled, strict=True))
    return [found[k] for k in range(len(feet))]


def _settled(
    courses: list[tuple[FloatArray, FloatArray]], feet: list[tuple[FloatArray, FloatArray]], body_px: float
) -> list[Polyline]:
    """Let courses, each columns and first rows of its corners, settle on their feet; all lines in step.

    Lines of fewer feet or corners than the longest are filled up with what has no weight.
    """
    if not courses:
        return []
    most = max(len(x) for x, _ in feet), max(len(corners) for corners, _ in courses)
    design = np.zeros((len(courses), *most))
    goal, real = np.zeros((2, len(courses), most[0]))
    penalty = np.tile(np.eye(most[1]), (len(courses), 1, 1))
    rows = np.zeros((len(courses), most[1]))
    for k, ((corners, first), (x, y)) in enumerate(zip(courses, feet, strict=True)):
        n, f = len(corners), len(x)
        place = (x - corners[0]) / (corners[1] - corners[0])
        # Of the line's corners each foot moves the two beside it.
        design[k, :f, :n] = np.maximum(0.0, 1.0 - np.abs(place[:, None] - np.arange(n)))
        second = np.diff(np.eye(n), 2, axis=0)
        penalty[k, :n, :n] = _STIFF * second.T @ second + 1e-6 * np.eye(n)
        goal[k, :f], real[k, :f], rows[k, :n] = y, 1.0, first
    moving = np.ones(len(courses), bool)
    for width in _WIDTHS:
        away = goal - (design @ rows[:, :, None])[:, :, 0]
        weight = real * np.clip(1 - (away / (width * body_px)) ** 2, 0, None) ** 2
        moving &= (weight > 0).sum(1) >= 4
        across = design.transpose(0, 2, 1)[moving]
        normal = across @ (design * weight[:, :, None])[moving] + penalty[moving]
        rows[moving] = np.linalg.solve(normal, across @ (weight * goal)[moving][:, :, None])[:, :, 0]
    return [Polyline(corners, rows[k, : len(corners)]) for k, (corners, _) in enumerate(courses)]


def _crowded_line(u: FloatArray, y: FloatArray, level: float, rise: float, span: float, body_px: float) -> FloatArray:
    """Return level and rise (px over the span) of the straight line that passes nearest most feet."""
    # The slope of one line differs from the page's by up to 3 degrees; a short line's hardly can be told.
    reach = min(0.055 * span, 2.5 * body_px)
    rises = rise + np.linspace(-reach, reach, 25)
    levels = level + np.linspace(-0.8, 0.8, 29) * body_px
    width = 0.2 * body_px
    flat = y[None, :] - rises[:, None] * u[None, :]
    # Of equals the one nearest the page's own slope.
    less = 0.15 * np.abs(rises - rise) / body_px
    # Lengths in units in which the kernel is exp(-d * d).
    unit = np.sqrt(2) * width
    off, shift = (((v - level) / unit).astype(np.float32) for v in (flat, levels))
    away = off[:, None, :] - shift[:, None]
    np.multiply(away, away, out=away)
    np.exp(np.negative(away, out=away), out=away)
    rough = away.sum(2) - less[:, None]
    # Half the digits tell which may be the best.
    rows, columns = np.nonzero(rough >= rough.max() - 0.01)
    density = np.exp(-0.5 * ((flat[rows] - levels[columns, None]) / width) ** 2).sum(1) - less[rows]
    best = int(np.argmax(density))
    return np.array([levels[columns[best]], rises[rows[best]]])


def _most_crowded(values: FloatArray, low: float, high: float, body_px: float) -> float:
    """Return the most crowded value between `low` and `high` (Gaussian kernel a tenth of a body wide)."""
    inside = values[(values >= low) & (values <= high)]
    if len(inside) == 0:
        return float(np.clip(np.median(values), low, high)) if len(values) else 0.5 * (low + high)
    width = max(0.7, 0.1 * body_px)
    grid = np.arange(inside.min(), inside.max() + 0.5 * width, 0.25 * width)
    density = np.exp(-0.5 * ((grid[:, None] - inside[None, :]) / width) ** 2).sum(1)
    return float(grid[int(np.argmax(density))])


def x_heights(tops: list[FloatArray], ink: LineInk, body_px: float) -> list[float]:
    """Return the x-height of each line, px.

    Parameters
    ----------
    tops : list of ndarray
        For each line the heights of its tops above its baseline, px.
    ink : LineInk
        The ink of all lines.
    body_px : float
        Height of the letter bodies of the page, px.
    """
    if not tops:
        return []
    page = _most_crowded(np.concatenate(tops), 0.45 * body_px, 2.2 * body_px, body_px)
    found = [_line_x_height(h, page) for h in tops]
    # Where many letters are tall, as in drills of one letter, the level taken may be that of their tops.
    lower = []
    for heights, thin in zip(tops, _thins_out(ink, np.array(found)).tolist(), strict=True):
        if thin:
            level = _most_crowded(heights, 0.35 * page, 0.72 * page, body_px)
            if (np.abs(heights / level - 1) < 0.13).sum() >= _FEW:
                lower.append(level)
    if len(lower) < 2:
        return found
    page = float(np.median(lower))
    return [_line_x_height(h, page) for h in tops]


def _thins_out(ink: LineInk, height: FloatArray) -> NDArray[np.bool_]:
    """Tell of which lines the upper part of what is taken for bodies has far fewer inked columns than the lower part.

    `height` is that of the bodies of each line, px.
    """
    up = ink.up / height.take(ink.line)
    columns = []
    for part in (0.75, 0.3):
        # Ink of no line, at height 0, is never so high.
        near = np.flatnonzero((up > part - 0.06) & (up < part + 0.06))
        inked = np.zeros((len(height), int(ink.x.max(initial=0)) + 1), bool)
        inked[ink.line[near], ink.x[near]] = True
        columns.append(np.count_nonzero(inked, axis=1))
    return np.asarray(columns[0] < 0.4 * columns[1])


def _line_x_height(heights: FloatArray, page: float) -> float:
    """Return the line's own x-height: the middle of the tops near the page's x-height, or the page's when few."""
    near = heights[(heights > 0.6 * page) & (heights < 1.45 * page)]
    return float(np.median(near)) if len(near) >= _FEW else page


def rule_of(baseline: Polyline, ruling: Ruling | None, x_height: float) -> int | None:
    """Return the index of the writing rule nearest the baseline, or None when it is farther than half a pitch."""
    if ruling is None or not ruling.writing:
        return None
    x = np.linspace(baseline.x[0], baseline.x[-1], 9)
    index = np.array(ruling.writing)[:, None]
    rows = ruling.offsets[index] + (ruling.slope + ruling.turn * index) * x + ruling.bend * x * x
    # The middle one of nine.
    distance = np.abs(np.sort(baseline.at(x) - rows, axis=1)[:, 4])
    best = int(np.argmin(distance))
    return ruling.writing[best] if distance[best] < 0.5 * max(ruling.pitch, x_height) else None
