"""Split lines of writing into words, and find every gap between unjoined neighbours.

Method, per line, in coordinates along and above its baseline, with the lean of the writing sheared off:

1. Connected pieces whose bodies overlap along the line are one unit (a letter, or several joined); marks above or below
   the body zone belong to the unit nearest along the line.
2. The gap between neighbouring units is the least horizontal distance between their convex hulls over the heights both
   reach, else between their boxes. Shear leaves it as it is.
3. How wide a gap looks is that least distance and the mean one over the heights of the bodies, four parts to six,
   against twice the stroke pitch: the usual white between two strokes of a piece and one stroke. It is about the
   x-height, but unlike that it is right on a page of tall letters only.
4. All gaps of the page are taken as a mixture of two kinds, between letters and between words (`gap_kinds`); what is
   usual in handwriting enters as a few imagined gaps of either kind, as the share of word gaps to be expected from the
   width of the units, so that a page with one kind only is read sensibly, and as the usual widths of words. A gap more
   likely of the second kind parts two words.

What it does not see: the text. A word written in two halves with a gap as wide as its neighbours' comes out as two.

Sources: gaps between hulls in two kinds per page, Louloudis, Gatos, Pratikakis & Halatsis 2009, Pattern Recognition
42, 3169-3183 (idea; recalled, not re-read). The sizes of the imagined gaps and the parts of 3. were chosen on phantoms
and on the number of words in lines that adults copied (Copiste d'un jour, Bibliotheque et Archives nationales du Quebec
2024, CC BY 4.0).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.gap_kinds import Row, parting
from handwriting.geometry import Box, FloatArray
from handwriting.hulls import gaps as hull_gaps
from handwriting.lines import Lines
from handwriting.stretches import Runs

Hull = NDArray[np.float32]
_SHEARS = np.arange(-1.3, 1.3001, 0.1)
# Strokes are told apart in the middle of the bodies, half their height but for this either way; so few tell nothing.
_BODY_HALF, _FEW = 0.35, 30


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
        Every gap between neighbouring units but those beside a dash, by line and from left to right.
    """

    words: tuple[Word, ...]
    word: NDArray[np.int32]
    gaps: tuple[Gap, ...] = ()


@dataclass(slots=True, eq=False)
class _Unit:
    """Pieces that stand over one another: extent of the body, hull corners (along, above), the pieces' runs."""

    left: float
    right: float
    hull: Hull
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
    size = _scale(lines, stroke_px)
    units = [_units(runs, text_line.x_height, stroke_px, k) for k, text_line in enumerate(lines.lines)]
    least, mean = _spaces(units, lines)
    chance, dashed = parting(_row(units, size), least / size, mean / size)
    counts = [max(len(row) - 1, 0) for row in units]
    spaces = np.split(least, np.cumsum(counts)[:-1])
    word_of_run = np.full(len(runs.low), -1, np.int32)
    words: list[Word] = []
    gaps: list[Gap] = []
    done = 0
    for k, row in enumerate(units):
        here = chance[done : done + len(spaces[k])]
        # What stands beside a dash is a gap of neither kind.
        kinds = zip(spaces[k].tolist(), here.tolist(), dashed[done : done + len(here)].tolist(), strict=True)
        gaps += [Gap(k, px, p) for px, p, dash in kinds if not dash]
        done += len(spaces[k])
        starts = np.concatenate([[0], np.flatnonzero(here > 0.5) + 1, [len(row)]]).astype(int)
        for a, b in pairwise(starts):
            mine = [r for unit in row[a:b] for r in unit.runs]
            if mine:
                word_of_run[mine] = len(words)
                low, high = runs.ink.corners[mine, :2].min(0), runs.ink.corners[mine, 2:].max(0)
                words.append(Word(k, Box(float(low[0]), float(low[1]), float(high[0]), float(high[1]))))
    return Words(tuple(words), runs.ink.spread(word_of_run), tuple(gaps))


@lru_cache(maxsize=1)
def lean(lines: Lines) -> float:
    """Return the lean of the writing, columns to the right per row up: that at which its columns are most distinct.

    The last page's is kept: the slant is held against it.
    """
    along, above, line = _sample(lines)
    if len(along) == 0:
        return 0.0
    bin_px = max(1.0, lines.body_px / 16)
    best, step = 0.0, 0.1
    candidates = _SHEARS
    # A part of the ink tells the lean roughly.
    for every in (3, 1, 1):
        x, up, row = along[::every] / bin_px, above[::every] / bin_px, line[::every].astype(np.float64)
        scores = [_sharpness(x - s * up, row) for s in candidates]
        best = float(candidates[int(np.argmax(scores))])
        candidates = best + step * np.linspace(-0.8, 0.8, 9)
        step *= 0.2
    return best


def _sample(lines: Lines) -> tuple[FloatArray, FloatArray, NDArray[np.int32]]:
    """Return columns, heights above the baseline and lines of up to 40,000 pixels of bodies and ascenders."""
    chosen = np.flatnonzero(lines.line >= 0)
    chosen = chosen[:: max(1, len(chosen) // 40_000)]
    line = lines.line[chosen]
    above, x_height = lines.above()[chosen], lines.x_heights()[line]
    inside = (above > -0.2 * x_height) & (above < 2.2 * x_height)
    return lines.pieces.x[chosen][inside].astype(np.float64), above[inside], line[inside]


def _sharpness(columns: FloatArray, line: FloatArray) -> float:
    """Return the sum of squares of the column counts, each line apart."""
    columns -= columns.min()
    np.rint(columns, out=columns)
    columns += line * (columns.max() + 1)
    counts = np.bincount(columns.astype(np.int64)).astype(np.float64)
    return float(counts @ counts)


@dataclass(frozen=True, slots=True, eq=False)
class _Runs:
    """The ink of each piece in each line: one run (`stretches.Runs`), with the lean of the writing sheared off.

    Attributes
    ----------
    ink : Runs
    body : ndarray, shape (runs, 2)
        Extent along the line within the body zone, infinite where there is no ink in it.
    low : ndarray, shape (runs,)
        Least height above the baseline.
    reach : ndarray, shape (runs, 2)
        Extent along the line.
    points : ndarray of float32, shape (stretches, 2, 2)
        Left and right end of the stretches, run by run: along the line and above it.
    """

    ink: Runs
    body: FloatArray
    low: FloatArray
    reach: FloatArray
    points: NDArray[np.float32]

    @classmethod
    def of(cls, lines: Lines, shear: float) -> _Runs:
        """Describe each run by the ends of its stretches: a hull and an extent need no pixel between."""
        ink = lines.runs()
        points, zone = _straightened(lines, np.repeat(ink.line, ink.count), np.stack([ink.first, ink.last]), shear)
        along = points[..., 0]
        least = [np.where(zone, along, np.inf).min(0), points[..., 1].min(0)]
        body_left, low = (np.minimum.reduceat(v, ink.starts) for v in least)
        body_right = np.maximum.reduceat(np.where(zone, along, -np.inf).max(0), ink.starts)
        ink_ends = points.transpose(1, 0, 2).astype(np.float32, order="C")
        places = ink_ends[..., 0]
        reach = [
            np.minimum.reduceat(places.min(1), ink.starts),
            np.maximum.reduceat(places.max(1), ink.starts),
        ]
        return cls(ink, np.stack([body_left, body_right], 1), low, np.stack(reach, 1).astype(np.float64), ink_ends)

    def hull(self, members: list[int]) -> Hull:
        """Return the corners of the hull of some runs, shape (corners, 2): along the line and above it."""
        first, count = self.ink.starts, self.ink.count
        points = [self.points[first[run] : first[run] + count[run]] for run in members]
        return _hull((points[0] if len(points) == 1 else np.concatenate(points)).reshape(-1, 2))


def _straightened(
    lines: Lines, line: NDArray[np.int32], ink: NDArray[np.int64], shear: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return for ink pixels (2, n) of lines (n,) their place along and above the line, and which of them are body."""
    above, x_height = lines.above()[ink], lines.x_heights()[line]
    zone = (above > -0.1 * x_height) & (above < 1.05 * x_height)
    return np.stack([lines.pieces.x[ink] - shear * above, above], 2), zone


def _hull(points: Hull) -> Hull:
    return np.asarray(cv2.convexHull(points)[:, 0], np.float32)


def _units(runs: _Runs, x_height: float, stroke_px: float, line: int) -> list[_Unit]:
    """Merge the runs of a line that stand over one another, from left to right."""
    mine = np.flatnonzero(runs.ink.line == line)
    has_body = np.isfinite(runs.body[mine, 0]) & (runs.low[mine] < 0.75 * x_height)
    if not has_body.any():
        has_body[:] = True
    with_body = mine[has_body][np.argsort(runs.body[mine[has_body], 0], kind="stable")]
    extent = np.where(np.isfinite(runs.body[with_body, :1]), runs.body[with_body], runs.reach[with_body])
    extent[:, 1] += 1.0
    spans: list[tuple[float, float, list[int]]] = []
    for r, (left, right) in zip(with_body.tolist(), extent.tolist(), strict=True):
        first, last, members = spans[-1] if spans else (0.0, 0.0, [])
        if members and last - left > max(0.35 * min(right - left, last - first), 0.3 * stroke_px):
            members.append(r)
            spans[-1] = first, max(last, right), members
        else:
            spans.append((left, right, [r]))
    units = [_Unit(left, right, runs.hull(members), members) for left, right, members in spans]
    loose = mine[~has_body]
    if not len(loose):
        return units
    a, b = runs.reach[loose].T[..., None]
    left_ends, right_ends = np.array([(u.left, u.right) for u in units]).T
    apart = np.maximum(left_ends - b, a - right_ends) - 0.01 * np.minimum(b - left_ends, right_ends - a)
    for r, nearest in zip(loose.tolist(), apart.argmin(1).tolist(), strict=True):
        # The mark joins the unit's ink but not its hull: gaps are taken between the letters themselves.
        units[nearest].runs.append(r)
    return units


def _row(units: list[list[_Unit]], size: float) -> Row:
    """Return the units of all lines end to end, in `size`."""
    every = [unit for row in units for unit in row]
    corners = np.concatenate([unit.hull[:, 1] for unit in every])
    first = np.cumsum([0, *(len(unit.hull) for unit in every[:-1])])
    low, high = (reach.reduceat(corners, first).astype(np.float64) / size for reach in (np.minimum, np.maximum))
    left, right = np.array([(unit.left, unit.right) for unit in every]).T / size
    return Row(left, right, low, high, np.repeat(np.arange(len(units)), [len(row) for row in units]))


def _scale(lines: Lines, stroke_px: float) -> float:
    """Return the size that gaps are seen against, px: twice the stroke pitch, else the x-height."""
    pieces, line = lines.pieces, lines.line
    white = np.diff(pieces.x) - 1
    place = np.flatnonzero(white > 0)
    for number in (pieces.y, pieces.piece, line):
        place = place[number[place] == number[place + 1]]
    place = place[line[place] >= 0]
    x_heights = lines.x_heights()
    body = np.abs(lines.above()[place] / x_heights[line[place]] - 0.5) < _BODY_HALF
    # The middle of the lines' sizes: a line's own rests on few letters.
    x_height = float(np.median(x_heights))
    return 2 * (float(np.median(white[place[body]])) + stroke_px) if body.sum() >= _FEW else x_height


def _spaces(units: list[list[_Unit]], lines: Lines) -> FloatArray:
    """Return the least and the mean gaps between the neighbouring units of all lines, px, shape (2, gaps)."""
    counts = np.array([len(row) for row in units])
    every = np.arange(int(counts.sum()))
    first = np.delete(every, np.cumsum(counts)[counts > 0] - 1)
    x_height = np.repeat([text_line.x_height for text_line in lines.lines], np.maximum(counts - 1, 0))
    return hull_gaps([u.hull for row in units for u in row], first, x_height[:, None] * np.linspace(0.05, 0.95, 10))


def known_words(lines: Lines, word: NDArray[np.int32], stroke_px: float) -> Words:
    """Return words whose ink is known (from the text, or from a person) with their boxes and gaps.

    Parameters
    ----------
    lines : Lines
    word : ndarray of int32, shape (pixels,)
        For every ink pixel of `lines.pieces` a number of its word, any that tells them apart, or -1. The words are
        numbered afresh, by line and from left to right; ink of one number on two lines makes two words.
    stroke_px : float
        Typical width of the pen's line, px.
    """
    pieces = lines.pieces
    mine = np.flatnonzero((word >= 0) & (lines.line >= 0))
    key = lines.line[mine].astype(np.int64) * (int(word.max(initial=0)) + 1) + word[mine]
    names, index = np.unique(key, return_inverse=True)
    low, high = np.full((len(names), 2), np.inf), np.full((len(names), 2), -np.inf)
    for axis, values in enumerate((pieces.x[mine], pieces.y[mine])):
        np.minimum.at(low[:, axis], index, values)
        np.maximum.at(high[:, axis], index, values + 1)
    line = names // (int(word.max(initial=0)) + 1)
    order = np.lexsort((low[:, 0], line))
    number = np.full(len(word), -1, np.int32)
    number[mine] = np.argsort(order).astype(np.int32)[index]
    found = tuple(Word(int(line[i]), Box(*map(float, (*low[i], *high[i])))) for i in order)
    # Ink joined across two words is two pieces to the gap finder.
    parted = (pieces.piece.astype(np.int64) + 1) * (len(found) + 1) + number
    _, apart = np.unique(parted, return_inverse=True)
    cut = replace(lines, pieces=replace(pieces, piece=apart.astype(np.int32)))
    runs = _Runs.of(cut, lean(cut))
    of_run = number[runs.ink.first[runs.ink.starts]]
    gaps: list[Gap] = []
    units = [_units(runs, text_line.x_height, stroke_px, k) for k, text_line in enumerate(lines.lines)]
    least = iter(_spaces(units, lines)[0].tolist())
    for k, row in enumerate(units):
        for a, b in pairwise(of_run[unit.runs[0]] for unit in row):
            px = next(least)
            if a >= 0 and b >= 0:
                gaps.append(Gap(k, px, float(a != b)))
    return Words(found, number, tuple(gaps))
