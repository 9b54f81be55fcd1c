"""Slant of the writing: the angle of near-upright strokes to the local baseline.

    slant          mean angle, degrees: 90 upright, below 90 leaning right
    slant_spread   SD of the angle from stroke to stroke, degrees

A stroke is a straight stretch of the outline, left or right edge, at least 0.6 x-heights tall; ends are left out, and
each counts by its height. The mean leaves out what leans otherwise than the crowd (Tukey's biweight at three SD): v, w,
x and z have straight strokes that lean both ways, and joins lean right. The spread is the median distance from the
mean, scaled to an SD, of strokes as tall as an x-height where there are enough, the error of one angle taken off.

A second estimate, the shear that makes the page's columns most distinct, must agree within 5 degrees, else the slant
carries ``slant-unsure``.

What it does not see: strokes that lean more than about 60 degrees from upright.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from handwriting.bootstrap import line_bootstrap
from handwriting.ink import Pieces
from handwriting.lines import Lines
from handwriting.measures.evidence import SEED, Evidence, plain
from handwriting.quantity import NotMeasured, Quantity
from handwriting.statistics import MAD_TO_SD, FloatArray, Statistic
from handwriting.words import lean

TALL = 0.6
LEAST = 5
LEAST_TALL = 20
DISAGREE_DEG = 5.0
ASTRAY_DEG = 24.0
# An edge of some 30 rows that steps once reads 2 degrees off.
LEAST_SD_DEG = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Strokes:
    """Straight near-upright edges of the ink: arrays of one value a stroke edge.

    Attributes
    ----------
    angle_deg : ndarray
        Angle to the local baseline, degrees.
    height : ndarray
        Height of the fitted stretch, px.
    width : ndarray
        Width of the ink square to the stroke, px.
    bend_deg : ndarray
        Angle of the upper half less that of the lower half, degrees.
    line : ndarray of int
        Text line.
    """

    angle_deg: FloatArray
    height: FloatArray
    width: FloatArray
    bend_deg: FloatArray
    line: NDArray[np.int64]


def slant(evidence: Evidence) -> dict[str, Quantity]:
    """Return the slant and its spread by key; ``slant-unsure`` with fewer than five strokes."""
    strokes = find_strokes(evidence.lines, evidence.ink.stroke_px)
    # Where a bowl or a join lies along a stem, the outline is not the stem's alone.
    single = strokes.width < 1.25 * evidence.ink.stroke_px
    if int(single.sum()) < LEAST:
        missing = NotMeasured("slant-unsure", "fewer than five straight upright strokes were found")
        return {"slant": missing, "slant_spread": missing}
    angle, line = strokes.angle_deg[single], strokes.line[single]
    tall = strokes.height[single] / np.array([text_line.x_height for text_line in evidence.lines.lines])[line]
    marks = np.column_stack([angle, tall])
    mean = _crowd(marks)
    for _ in range(3):
        # The reach is set by the page's own spread; starting over from the new middle settles it.
        statistic = _middle(mean, _robust_sd(marks, mean))
        mean = _value(statistic, marks)
    second = 90 - float(np.degrees(np.arctan(lean(evidence.lines))))
    flags = ("slant-unsure",) if abs(second - mean) > DISAGREE_DEG else ()
    interval = line_bootstrap([marks[line == k] for k in np.unique(line)], statistic, seed=SEED)
    return {
        "slant": plain(mean, "deg", interval, len(marks), flags),
        "slant_spread": _spread(marks, line, strokes.bend_deg[single], mean, flags),
    }


def _crowd(marks: FloatArray) -> float:
    """Return the angle most strokes crowd about (Gaussian kernel of 3 degrees)."""
    grid = np.arange(25.0, 155.1, 0.5)
    density = np.exp(-0.5 * ((grid[:, None] - marks[:, 0]) / 3.0) ** 2) @ marks[:, 1]
    return float(grid[int(np.argmax(density))])


def _robust_sd(marks: FloatArray, centre: float) -> float:
    away = np.abs(marks[:, 0] - centre)
    return max(MAD_TO_SD * float(np.median(away[away < ASTRAY_DEG])), LEAST_SD_DEG)


def _middle(start: float, sd: float) -> Statistic:
    """Return the mean that leaves out what leans otherwise: Tukey's biweight at three SD, from `start`."""

    def middle(marks: FloatArray, weights: FloatArray) -> FloatArray:
        centre = np.full(weights.shape[0], start)
        for _ in range(6):
            off = (marks[:, 0] - centre[:, None]) / (3 * sd)
            weight = weights * marks[:, 1] * np.clip(1 - off**2, 0, None) ** 2
            total = weight.sum(axis=1)
            with np.errstate(divide="ignore", invalid="ignore"):
                centre = np.where(total > 0, (weight @ marks[:, 0]) / total, np.nan)
        return centre

    return Statistic(middle)


def _spread(
    marks: FloatArray, line: NDArray[np.int64], bend: FloatArray, centre: float, flags: tuple[str, ...]
) -> Quantity:
    """Return the spread of the angles, the error of one stroke's angle taken off."""
    used = np.abs(marks[:, 0] - centre) < ASTRAY_DEG
    # Tall strokes know their angle best and are seldom anything but stems.
    if int((used & (marks[:, 1] >= 1.0)).sum()) >= LEAST_TALL:
        used &= marks[:, 1] >= 1.0
    if int(used.sum()) < LEAST_TALL:
        return NotMeasured("slant-unsure", f"a spread of slant needs {LEAST_TALL} straight upright strokes")
    # Slopes of the two halves of a line of n points with independent errors have 8 times the variance of the whole
    # line's each, so their difference has 16 times.
    noise = (MAD_TO_SD * float(np.median(np.abs(bend[used])))) ** 2 / 16

    def spread(sample: FloatArray, weights: FloatArray) -> FloatArray:
        away = np.abs(sample[:, 0] - centre)
        order = np.argsort(away, kind="stable")
        running = np.cumsum(weights[:, order] * sample[order, 1], axis=1)
        half = away[order][np.argmax(running >= running[:, -1:] / 2, axis=1)]
        return np.asarray(np.sqrt(np.maximum((MAD_TO_SD * half) ** 2 - noise, 0)))

    statistic = Statistic(spread, spread=True, smooth=False)
    chosen, on = marks[used], line[used]
    interval = line_bootstrap([chosen[on == k] for k in np.unique(on)], statistic, seed=SEED)
    return plain(_value(statistic, chosen), "deg", interval, len(chosen), flags)


def _value(statistic: Statistic, marks: FloatArray) -> float:
    return float(statistic.of(marks, np.ones((1, len(marks))))[0])


@lru_cache(maxsize=1)
def find_strokes(lines: Lines, stroke_px: float) -> Strokes:
    """Find the straight near-upright stroke edges of every line.

    Parameters
    ----------
    lines : Lines
    stroke_px : float
        Typical width of the pen's line, px.

    The last page's are kept: slant and stroke width both rest on them.
    """
    if not lines.lines:
        empty = np.empty(0)
        return Strokes(empty, empty, empty, empty, np.empty(0, np.int64))
    rows: list[tuple[float, float, float, float, int]] = []
    for right in (False, True):
        edge = _edges(lines.pieces, right=right)
        chain = _chains(lines.pieces, edge)
        order = np.lexsort((lines.pieces.y[edge], chain))
        bounds = np.flatnonzero(np.diff(chain[order], prepend=-1))
        ends = np.append(bounds[1:], len(order))
        width = _run_widths(lines.pieces, edge, right=right)
        for a, b in zip(bounds, ends, strict=True):
            first = edge[order[a]]
            k = int(lines.line[first])
            if k < 0 or b - a < TALL * lines.lines[k].x_height:
                continue
            index = edge[order[a:b]]
            x, y = lines.pieces.x[index].astype(np.float64), lines.pieces.y[index].astype(np.float64)
            rows += _stretches(x, y, width[order[a:b]], lines, k, stroke_px)
    table = np.array(rows).reshape(-1, 5)
    return Strokes(table[:, 0], table[:, 1], table[:, 2], table[:, 3], table[:, 4].astype(np.int64))


def _edges(pieces: Pieces, *, right: bool) -> NDArray[np.int64]:
    """Return the indices of the pixels at the left (or right) ends of the runs of ink; pixels come row by row."""
    starts = (np.diff(pieces.x, prepend=-9) != 1) | (np.diff(pieces.y, prepend=-9) != 0)
    if right:
        starts = np.append(starts[1:], True)
    return np.flatnonzero(starts)


def _run_widths(pieces: Pieces, edge: NDArray[np.int64], *, right: bool) -> FloatArray:
    """Return the width of the run of ink each edge belongs to, px."""
    other = _edges(pieces, right=not right)
    return np.asarray(np.abs(pieces.x[edge] - pieces.x[other]) + 1.0)


def _chains(pieces: Pieces, edge: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return for each edge the first of its chain: edges that follow row by row, each the nearest of the other."""
    x, y, piece = (a[edge].astype(np.int64) for a in (pieces.x, pieces.y, pieces.piece))
    wide = int(x.max()) + 10 if len(x) else 1
    key = y * wide + x

    def nearest(step: int) -> NDArray[np.int64]:
        target = key + step * wide
        after = np.minimum(np.searchsorted(key, target), len(key) - 1)
        before = np.maximum(after - 1, 0)
        closer = np.abs(key[before] - target) <= np.abs(key[after] - target)
        best = np.where(closer, before, after)
        good = (np.abs(key[best] - target) <= 3) & (piece[best] == piece)
        return np.where(good, best, -1)

    down, up = nearest(1), nearest(-1)
    number = np.arange(len(x))
    previous = np.where((up >= 0) & (down[up] == number), up, number)
    while True:
        further = previous[previous]
        if np.array_equal(further, previous):
            return previous
        previous = further


def _stretches(
    x: FloatArray, y: FloatArray, width: FloatArray, lines: Lines, k: int, stroke_px: float
) -> list[tuple[float, float, float, float, int]]:
    """Split a chain of edges into straight stretches; return angle, height, width, bend and line of the tall ones."""
    size = lines.lines[k].x_height
    tolerance = 0.035 * size + 0.6
    found: list[tuple[float, float, float, float, int]] = []
    pending = [(0, len(x))]
    while pending:
        a, b = pending.pop()
        if b - a < TALL * size:
            continue
        chord = x[a] + (x[b - 1] - x[a]) * np.arange(b - a) / (b - a - 1)
        off = np.abs(x[a:b] - chord)
        worst = int(np.argmax(off))
        if 0 < worst < b - a - 1 and off[worst] > tolerance:
            pending += [(a, a + worst + 1), (a + worst, b)]
            continue
        # Ends are round, and turn into the next stroke.
        trim = round(max(0.5 * stroke_px, 0.12 * (b - a)))
        if b - a - 2 * trim < 6:
            continue
        inner = slice(a + trim, b - trim)
        u, v = x[inner], -y[inner]
        angle = _angle(u, v)
        middle = len(u) // 2
        bend = _angle(u[:middle], v[:middle]) - _angle(u[middle:], v[middle:])
        reach = np.array([u.mean() - size, u.mean() + size])
        base = lines.lines[k].baseline.at(reach)
        turn = float(np.degrees(np.arctan2(base[0] - base[1], reach[1] - reach[0])))
        quarter = (len(u) - 1) // 4
        thick = float(np.sort(width[inner])[quarter : len(u) - quarter].mean()) * float(np.sin(np.radians(angle)))
        found.append((angle - turn, float(b - a), thick, bend, k))
    return found


def _angle(across: FloatArray, up: FloatArray) -> float:
    """Return the angle of the least-squares line through edge points of successive rows, degrees."""
    rise = up - up.mean()
    return float(np.degrees(np.arctan2(1.0, float(rise @ across) / float(rise @ rise))))
