"""Slant of the writing: the angle of near-upright strokes to the local baseline.

    slant          mean angle, degrees: 90 upright, below 90 leaning right
    slant_spread   SD of the angle from stroke to stroke, degrees

A stroke is a straight stretch of the outline, left or right edge, at least 0.6 x-heights tall; ends are left out, and
each counts by its height. The mean is robust (Huber), because v, w, x and z have straight strokes that lean both ways.

A second estimate, the shear that makes the page's columns most distinct, must agree within 5 degrees, else the slant
carries ``slant-unsure``.

What it does not see: strokes that lean more than about 60 degrees from upright.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from handwriting.bootstrap import line_bootstrap
from handwriting.ink import Pieces
from handwriting.lines import Lines
from handwriting.measures.evidence import SEED, Evidence, plain
from handwriting.quantity import NotMeasured, Quantity
from handwriting.statistics import FloatArray, Interval, Statistic
from handwriting.words import lean

TALL = 0.6
LEAST = 5
DISAGREE_DEG = 5.0


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
    line : ndarray of int
        Text line.
    """

    angle_deg: FloatArray
    height: FloatArray
    width: FloatArray
    line: NDArray[np.int64]


def slant(evidence: Evidence) -> dict[str, Quantity]:
    """Return the slant and its spread by key; ``slant-unsure`` with fewer than five strokes."""
    strokes = find_strokes(evidence.lines, evidence.ink.stroke_px)
    near = _near(strokes)
    if int(near.sum()) < LEAST:
        missing = NotMeasured("slant-unsure", "fewer than five straight upright strokes were found")
        return {"slant": missing, "slant_spread": missing}
    angle, weight, line = strokes.angle_deg[near], strokes.height[near], strokes.line[near]
    marks = np.column_stack([angle, weight / weight.mean()])
    groups = [marks[line == k] for k in np.unique(line)]
    mean, spread = _value(SLANT, marks), _value(SPREAD, marks)
    second = 90 - float(np.degrees(np.arctan(lean(evidence.lines))))
    flags = ("slant-unsure",) if abs(second - mean) > DISAGREE_DEG else ()
    n = len(marks)
    return {
        "slant": plain(mean, "deg", _bootstrapped(groups, SLANT), n, flags),
        "slant_spread": plain(spread, "deg", _bootstrapped(groups, SPREAD), n, flags),
    }


def _bootstrapped(groups: list[FloatArray], statistic: Statistic) -> Interval | NotMeasured:
    return line_bootstrap(groups, statistic, seed=SEED)


def _near(strokes: Strokes) -> NDArray[np.bool_]:
    """Tell which strokes lean about as the crowd does."""
    if len(strokes.angle_deg) == 0:
        return np.zeros(0, np.bool_)
    grid = np.arange(30.0, 150.5, 1.0)
    density = np.exp(-0.5 * ((grid[:, None] - strokes.angle_deg) / 6.0) ** 2) @ strokes.height
    return np.abs(strokes.angle_deg - grid[int(np.argmax(density))]) < 24.0


def _value(statistic: Statistic, marks: FloatArray) -> float:
    return float(statistic.of(marks, np.ones((1, len(marks))))[0])


def _weighted(marks: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean and SD of the angles, each stroke weighted by its height."""
    total = weights @ marks[:, 1]
    shifted = marks[:, 0] - 90
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (weights @ (marks[:, 1] * shifted)) / total
        variance = (weights @ (marks[:, 1] * shifted**2)) / total - mean**2
    return mean + 90, np.sqrt(np.maximum(variance, 0))


def _mean(marks: FloatArray, weights: FloatArray) -> FloatArray:
    return _weighted(marks, weights)[0]


def _sd(marks: FloatArray, weights: FloatArray) -> FloatArray:
    return _weighted(marks, weights)[1]


SLANT = Statistic(_mean)
SPREAD = Statistic(_sd, spread=True)


def find_strokes(lines: Lines, stroke_px: float) -> Strokes:
    """Find the straight near-upright stroke edges of every line.

    Parameters
    ----------
    lines : Lines
    stroke_px : float
        Typical width of the pen's line, px.
    """
    if not lines.lines:
        empty = np.empty(0)
        return Strokes(empty, empty, empty, np.empty(0, np.int64))
    rows: list[tuple[float, float, float, int]] = []
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
    table = np.array(rows).reshape(-1, 4)
    return Strokes(table[:, 0], table[:, 1], table[:, 2], table[:, 3].astype(np.int64))


def _edges(pieces: Pieces, *, right: bool) -> NDArray[np.int64]:
    """Return the indices of the pixels at the left (or right) ends of the runs of ink; pixels come row by row."""
    starts = (np.diff(pieces.x, prepend=-9) != 1) | (np.diff(pieces.y, prepend=-9) != 0)
    if right:
        starts = np.append(starts[1:], True)
    return np.flatnonzero(starts)


def _run_widths(pieces: Pieces, edge: NDArray[np.int64], *, right: bool) -> FloatArray:
    """Return the width of the run of ink each edge belongs to, px."""
    other = _edges(pieces, right=not right)
    return np.abs(pieces.x[edge] - pieces.x[other]).astype(np.float64) + 1


def _chains(pieces: Pieces, edge: NDArray[np.int64]) -> NDArray[np.int64]:
    """Number the chains of edges that follow each other row by row, each the nearest of the other."""
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
) -> list[tuple[float, float, float, int]]:
    """Split a chain of edges into straight stretches and return angle, height, width and line of the tall ones."""
    size = lines.lines[k].x_height
    baseline = lines.lines[k].baseline
    tolerance = 0.035 * size + 0.6
    found: list[tuple[float, float, float, int]] = []
    pending = [(0, len(x))]
    while pending:
        a, b = pending.pop()
        if b - a < TALL * size:
            continue
        chord = x[a] + (x[b - 1] - x[a]) * np.arange(b - a) / (b - a - 1)
        off = np.abs(x[a:b] - chord)
        if (worst := int(np.argmax(off))) and off[worst] > tolerance:
            pending += [(a, a + worst + 1), (a + worst, b)]
            continue
        trim = round(max(0.5 * stroke_px, 0.12 * (b - a)))
        inner = slice(a + trim, b - trim)
        if b - a - 2 * trim < 5:
            continue
        rise, across = -(y[inner] - y[inner].mean()), x[inner] - x[inner].mean()
        slope = float(rise @ across) / float(rise @ rise)
        reach = np.array([x[inner].mean() - size, x[inner].mean() + size])
        base = baseline.at(reach)
        turn = float(np.arctan2(base[0] - base[1], reach[1] - reach[0]))
        angle = np.arctan2(1.0, slope) - turn
        thick = float(np.median(width[inner])) * float(np.sin(np.arctan2(1.0, slope)))
        found.append((float(np.degrees(angle)), float(b - a), thick, k))
    return found
