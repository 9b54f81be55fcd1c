"""Split lines of writing into words, and find every gap between unjoined neighbours.

Method, per line, in coordinates along and above its baseline, with the lean of the writing sheared off:

1. Connected pieces whose bodies overlap along the line are one unit (a letter, or several joined); marks above or below
   the body zone belong to the unit nearest along the line.
2. The gap between neighbouring units is the least horizontal distance between their convex hulls over the heights both
   reach, else between their boxes. Shear leaves it as it is.
3. All gaps of the page, in x-heights, are taken as a mixture of two kinds, between letters and between words; what is
   usual in handwriting enters as a few imagined gaps of either kind, and as the share of word gaps to be
   expected from the width of the units, so that a page with one kind only is read sensibly. A gap more likely of the
   second kind parts two words.

What it does not see: the text. A word written in two halves with a gap as wide as its neighbours' comes out as two.

Sources: gaps between hulls in two kinds per page, Louloudis, Gatos, Pratikakis & Halatsis 2009, Pattern Recognition
42, 3169-3183 (idea; recalled, not re-read). The sizes of the imagined gaps are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import Box, FloatArray
from handwriting.lines import Lines

# From pixel centres to edges: half a pixel on either side, less a quarter, because a hull runs over the outermost
# pixels of an edge, which stand between none and half a pixel out.
_EDGES = 0.5
_SHEARS = np.arange(-1.3, 1.3001, 0.1)


@dataclass(frozen=True, slots=True)
class Word:
    """One word: its line, from 0, and the box of its ink, frame px."""

    line: int
    box: Box


@dataclass(frozen=True, slots=True)
class Gap:
    """The space between two neighbouring units of a line.

    `px` is the least horizontal distance between their hulls, frame px, negative where they overlap; `between` the
    chance that it parts two words.
    """

    line: int
    px: float
    between: float


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """All words, by line and from left to right.

    Attributes
    ----------
    words : tuple of Word
    word : ndarray of int32, shape (pixels,)
        For every ink pixel of `Lines.pieces` the index of its word, or -1.
    gaps : tuple of Gap
        Every gap between neighbouring units, by line and from left to right.
    """

    words: tuple[Word, ...]
    word: NDArray[np.int32]
    gaps: tuple[Gap, ...] = ()


@dataclass(slots=True, eq=False)
class _Unit:
    """Pieces that stand over one another: extent of the body, hull corners (along, above), the pieces' runs."""

    left: float
    right: float
    hull: FloatArray
    runs: list[int]


def find_words(lines: Lines, stroke_px: float) -> Words:
    """Find the words of every line.

    Parameters
    ----------
    lines : Lines
    stroke_px : float
        Typical width of the pen's line, px.
    """
    word = np.full(len(lines.line), -1, np.int32)
    if not lines.lines:
        return Words((), word)
    runs = _Runs.of(lines, lean(lines))
    units = [_units(runs, lines.lines[k].x_height, stroke_px, k) for k in range(len(lines.lines))]
    spaces = [np.array([hull_gap(a.hull, b.hull) for a, b in pairwise(u)]) for u in units]
    # The middle of the lines' sizes: a line's own rests on few letters.
    size = float(np.median([line.x_height for line in lines.lines]))
    wide = np.array([u.right - u.left for row in units for u in row])
    chance = _chances(np.concatenate(spaces) / size, float(wide.mean()) / size if len(wide) else 1.0)
    small = np.array([_is_stop(b, size) for row in units for b in row[1:]], np.bool_)
    chance[small & (np.concatenate(spaces) < 1.2 * size)] = 0.0
    words: list[Word] = []
    gaps: list[Gap] = []
    done = 0
    for k, row in enumerate(units):
        here = chance[done : done + len(spaces[k])]
        done += len(spaces[k])
        gaps += [Gap(k, float(px), float(p)) for px, p in zip(spaces[k], here, strict=True)]
        starts = np.concatenate([[0], np.flatnonzero(here > 0.5) + 1, [len(row)]]).astype(int)
        for a, b in pairwise(starts):
            index = np.concatenate([runs.pixels(r) for unit in row[a:b] for r in unit.runs]) if b > a else None
            if index is None:
                continue
            x, y = lines.pieces.x[index], lines.pieces.y[index]
            word[index] = len(words)
            words.append(Word(k, Box(float(x.min()), float(y.min()), float(x.max() + 1), float(y.max() + 1))))
    return Words(tuple(words), word, tuple(gaps))


def lean(lines: Lines) -> float:
    """Return the lean of the writing, columns to the right per row up: that at which its columns are most distinct."""
    along, above, line = _sample(lines)
    if len(along) == 0:
        return 0.0
    bin_px = max(1.0, lines.body_px / 16)
    best, step = 0.0, 0.1
    candidates = _SHEARS
    for _ in range(3):
        scores = [_sharpness(along - s * above, line, bin_px) for s in candidates]
        best = float(candidates[int(np.argmax(scores))])
        candidates = best + step * np.linspace(-0.8, 0.8, 9)
        step *= 0.2
    return best


def _sample(lines: Lines) -> tuple[FloatArray, FloatArray, NDArray[np.int32]]:
    """Return columns, heights above the baseline and lines of up to 80,000 pixels of bodies and ascenders."""
    chosen = np.flatnonzero(lines.line >= 0)
    chosen = chosen[:: max(1, len(chosen) // 80_000)]
    line = lines.line[chosen]
    x, y = lines.pieces.x[chosen].astype(np.float64), lines.pieces.y[chosen].astype(np.float64)
    above = np.zeros(len(x))
    inside = np.zeros(len(x), np.bool_)
    for k, text_line in enumerate(lines.lines):
        mine = line == k
        above[mine] = text_line.baseline.at(x[mine]) - y[mine]
        inside[mine] = (above[mine] > -0.2 * text_line.x_height) & (above[mine] < 2.2 * text_line.x_height)
    return x[inside], above[inside], line[inside]


def _sharpness(columns: FloatArray, line: NDArray[np.int32], bin_px: float) -> float:
    """Return the sum of squares of the column counts, each line apart."""
    bins = np.rint((columns - columns.min()) / bin_px).astype(np.int64)
    counts = np.bincount(bins + line.astype(np.int64) * (int(bins.max()) + 1)).astype(np.float64)
    return float((counts**2).sum())


@dataclass(frozen=True, slots=True, eq=False)
class _Runs:
    """The ink of each piece in each line: extents along the line, all of it and within the body zone, and its hull."""

    order: NDArray[np.int64]
    starts: NDArray[np.int64]
    line: NDArray[np.int32]
    body: FloatArray
    low: FloatArray
    high: FloatArray
    hulls: list[FloatArray]

    @classmethod
    def of(cls, lines: Lines, shear: float) -> _Runs:
        """Sort the pixels by line and piece, and describe each run."""
        pieces = lines.pieces
        key = lines.line.astype(np.int64) * (len(pieces.boxes) + 1) + pieces.piece
        order = np.argsort(key, kind="stable")
        order = order[lines.line[order] >= 0]
        starts = np.flatnonzero(np.diff(key[order], prepend=-1))
        line = lines.line[order[starts]]
        x, y = pieces.x[order].astype(np.float64), pieces.y[order].astype(np.float64)
        above = np.empty(len(x))
        size = np.empty(len(x))
        bounds = np.searchsorted(lines.line[order], np.arange(len(lines.lines) + 1))
        for k, text_line in enumerate(lines.lines):
            part = slice(bounds[k], bounds[k + 1])
            above[part] = text_line.baseline.at(x[part]) - y[part]
            size[part] = text_line.x_height
        along = x - shear * above
        zone = (above > -0.1 * size) & (above < 1.05 * size)
        body = np.stack(
            [
                np.minimum.reduceat(np.where(zone, along, np.inf), starts),
                np.maximum.reduceat(np.where(zone, along, -np.inf), starts),
            ],
            1,
        )
        ends = np.append(starts[1:], len(order))
        hulls = []
        for a, b in zip(starts, ends, strict=True):
            points = np.column_stack([along[a:b], above[a:b]]).astype(np.float32)
            hulls.append(cv2.convexHull(points).reshape(-1, 2).astype(np.float64))
        return cls(
            order, starts, line, body, np.minimum.reduceat(above, starts), np.maximum.reduceat(above, starts), hulls
        )

    def pixels(self, run: int) -> NDArray[np.int64]:
        """Return the indices of the ink pixels of a run."""
        end = self.starts[run + 1] if run + 1 < len(self.starts) else len(self.order)
        return self.order[self.starts[run] : end]


def _units(runs: _Runs, x_height: float, stroke_px: float, line: int) -> list[_Unit]:
    """Merge the runs of a line that stand over one another, from left to right."""
    mine = np.flatnonzero(runs.line == line)
    has_body = np.isfinite(runs.body[mine, 0]) & (runs.low[mine] < 0.75 * x_height)
    if not has_body.any():
        has_body[:] = True
    units: list[_Unit] = []
    for r in sorted(mine[has_body], key=lambda r: runs.body[r, 0]):
        left, right = (
            runs.body[r] if np.isfinite(runs.body[r, 0]) else (runs.hulls[r][:, 0].min(), runs.hulls[r][:, 0].max())
        )
        left, right = float(left), float(right) + 1.0
        last = units[-1] if units else None
        narrower = min(right - left, last.right - last.left) if last else 0.0
        if last and last.right - left > max(0.35 * narrower, 0.3 * stroke_px):
            last.right = max(last.right, right)
            last.hull = _joined(last.hull, runs.hulls[r])
            last.runs.append(int(r))
        else:
            units.append(_Unit(left, right, runs.hulls[r], [int(r)]))
    for r in mine[~has_body]:
        a, b = runs.hulls[r][:, 0].min(), runs.hulls[r][:, 0].max()
        apart = [max(u.left - b, a - u.right) - 0.01 * min(b - u.left, u.right - a) for u in units]
        nearest = units[int(np.argmin(apart))]
        # The mark joins the unit's ink but not its hull: gaps are taken between the letters themselves.
        nearest.runs.append(int(r))
    return units


def _is_stop(unit: _Unit, size: float) -> bool:
    """Tell whether a unit is so small and low that it must be a stop or comma, which belongs to the word before."""
    extent = np.ptp(unit.hull, axis=0)
    return bool(extent.max() < 0.65 * size and unit.hull[:, 1].max() < 0.7 * size)


def _joined(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(cv2.convexHull(np.concatenate([a, b]).astype(np.float32)).reshape(-1, 2), np.float64)


def hull_gap(left: FloatArray, right: FloatArray) -> float:
    """Return the least horizontal gap between two hulls of pixel centres over the heights both reach, px.

    Parameters
    ----------
    left, right : ndarray, shape (corners, 2)
        Corners in order, along the line and above it. Where they share no height the gap of their boxes is given.
    """
    low, high = max(left[:, 1].min(), right[:, 1].min()), min(left[:, 1].max(), right[:, 1].max())
    if high <= low:
        return float(right[:, 0].min() - left[:, 0].max()) - _EDGES
    heights = np.concatenate([left[:, 1], right[:, 1], [low, high]])
    heights = heights[(heights >= low) & (heights <= high)]
    return float((_side(right, heights, 1.0) + _side(left, heights, -1.0)).min()) - _EDGES


def _side(hull: FloatArray, heights: FloatArray, sign: float) -> FloatArray:
    """Return the least ``sign * along`` of the hull at each height."""
    ends = np.roll(hull, -1, axis=0)
    rise = ends[:, 1] - hull[:, 1]
    t = (heights[:, None] - hull[:, 1]) / np.where(np.abs(rise) < 1e-9, 1e-9, rise)
    along = hull[:, 0] + np.clip(t, 0, 1) * (ends[:, 0] - hull[:, 0])
    out: FloatArray = np.where((t >= -1e-6) & (t <= 1 + 1e-6), sign * along, np.inf).min(axis=1)
    return out


# Imagined gaps of each kind: usual size, its weight in gaps, usual SD and its weight; x-heights.
_LETTER = (0.12, 10.0, 0.12, 12.0)
_WORD = (1.1, 1.0, 0.35, 3.0)
# Usual width of a word, and how many gaps the share of word gaps that follows from it is worth.
_WORD_WIDTH = 4.0
_SHARE_WEIGHT = 12.0


def _chances(gaps: FloatArray, unit_width: float) -> FloatArray:
    """Return for each gap the chance that it parts words: a mixture of two kinds fitted with priors.

    `gaps` and the mean width of the units, `unit_width`, are in x-heights: the wider the units, the fewer make a word.
    """
    if len(gaps) == 0:
        return np.empty(0)
    # A space far wider than any between words (a stray mark, a blank left open) says nothing about the usual ones.
    gaps = np.minimum(gaps, 3.0)
    expected = float(np.clip(unit_width / _WORD_WIDTH, 0.12, 0.85))
    mean, sd, share = np.array([_LETTER[0], _WORD[0]]), np.array([0.2, 0.45]), expected
    chance = np.zeros(len(gaps))
    for _ in range(80):
        density = np.exp(-0.5 * ((gaps[:, None] - mean) / sd) ** 2) / sd * np.array([1 - share, share]) + 1e-12
        chance = density[:, 1] / density.sum(1)
        # One kind is the wider: beyond its middle a gap never turns back into the narrower.
        chance = np.where(gaps <= mean[0], 0.0, np.where(gaps >= mean[1], 1.0, chance))
        for j, (m0, k, s0, v) in enumerate((_LETTER, _WORD)):
            weight = chance if j else 1 - chance
            total = float(weight.sum())
            mean[j] = (k * m0 + float(weight @ gaps)) / (k + total)
            square = float(weight @ (gaps - mean[j]) ** 2) + v * s0**2 + k * (mean[j] - m0) ** 2
            sd[j] = np.sqrt(square / (v + total))
        share = (float(chance.sum()) + _SHARE_WEIGHT * expected) / (len(gaps) + _SHARE_WEIGHT)
        mean[1] = max(mean[1], mean[0] + 0.3)
    return chance
