"""Split the pen's ink into lines of writing, each with its baseline and x-height.

Method, in a picture reduced to about 3 cells a millimetre and sheared level:

1. The height of the letter bodies is the scale at which the ink, smoothed along the line, answers a second-derivative
   filter across the line best (scale selection).
2. Where that answer is positive lie the bodies of the words; connected regions are fragments of lines. Fragments that
   share most of their ink through tall letters are one; fragments that continue each other are linked into lines, the
   surest links first, whatever the gap, as long as they neither overlap along the line nor leave its course.
3. Every connected piece of ink goes to the line that holds most of it; a piece with substantial ink in two lines
   (touching descenders) is cut along the valley between them; dots and accents go to the nearest ink, first below.

Regions are found by `regions`, fragments and what they make up by `fragments`; baseline and x-height of each line are
fitted by `baselines`.

What it does not see: lines at angles more than about 8 degrees apart on one page, and writing across writing.

Sources: scale-space smoothing with assignment of pieces, Cohen, Dinstein, El-Sana & Kedem 2014 (idea).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.baselines import LineInk, fit_baselines, outlines, rule_of, x_heights
from handwriting.components import ranges
from handwriting.fragments import find_fragments, link, shares_of
from handwriting.geometry import FloatArray, Polyline
from handwriting.ink import Ink, Pieces
from handwriting.regions import find_regions, level_cells, nearest_at
from handwriting.rules import Ruling
from handwriting.stretches import Runs

# Loose pieces looked at together: more take memory.
_AT_ONCE = 1000
# A line of writing stands farther from the next than this, in distances from line to line.
_ABOVE = 0.6
_SLOPES = np.deg2rad(np.arange(-8, 8.01, 0.5))


@dataclass(frozen=True, slots=True, eq=False)
class TextLine:
    """One line of writing, frame px.

    Attributes
    ----------
    baseline : Polyline
        The course of the writing's feet.
    x_height : float
        Ink height of the bodies above the baseline, px.
    rule : int or None
        Index of the printed rule the line stands on.
    """

    baseline: Polyline
    x_height: float
    rule: int | None


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """All lines of a page, from the top, and which ink pixel belongs to which.

    Attributes
    ----------
    lines : tuple of TextLine
    line : ndarray of int32, shape (pixels,)
        For every ink pixel of `pieces` its line number from 0, or -1.
    body_px : float
        Height of the letter bodies chosen for the page, px.
    slope : float
        Mean slope of the writing, rows per column (down to the right positive).
    """

    lines: tuple[TextLine, ...]
    line: NDArray[np.int32]
    pieces: Pieces
    body_px: float
    slope: float
    _above: list[FloatArray] = field(default_factory=list, init=False, repr=False)
    _runs: list[Runs] = field(default_factory=list, init=False, repr=False)

    def above(self) -> FloatArray:
        """Return the height of every ink pixel above the baseline of its line, px, 0 where it has no line; read-only.

        Worked out when first asked for: most stages after this one need it.
        """
        if not self._above:
            self._above.append(_above(self.pieces, self.line, [line.baseline for line in self.lines]))
        return self._above[0]

    def runs(self) -> Runs:
        """Return the ink of each piece in each line as stretches along the rows; worked out when first asked for."""
        if not self._runs:
            self._runs.append(Runs.of(self.pieces, self.line))
        return self._runs[0]

    def cut_off(self, stroke_px: float) -> int:
        """Return how many lines have ink along an edge of the picture, at least as much as a stroke is wide."""
        (x, y), (rows, columns) = (self.pieces.x, self.pieces.y), self.pieces.shape
        edge = (x == 0) | (x == columns - 1) | (y == 0) | (y == rows - 1)
        there = self.line[edge]
        return int((np.bincount(there[there >= 0], minlength=1) >= max(stroke_px, 1.0)).sum())

    def only(self, kept: NDArray[np.bool_]) -> Lines:
        """Return some of the lines; the ink of the others stays where it is and belongs to no line."""
        number = np.full(len(kept) + 1, -1, np.int32)
        number[:-1][kept] = np.arange(int(kept.sum()), dtype=np.int32)
        line = number.take(self.line)
        rest = replace(self, lines=tuple(row for row, stays in zip(self.lines, kept, strict=True) if stays), line=line)
        if self._above:
            above = np.where(line >= 0, self._above[0], 0.0)
            above.flags.writeable = False
            rest._above.append(above)
        if self._runs:
            rest._runs.append(self._runs[0].renumbered(number))
        return rest

    def x_heights(self) -> FloatArray:
        """Return the x-height of every line, px."""
        return np.array([line.x_height for line in self.lines])


def _above(pieces: Pieces, line: NDArray[np.int32], baselines: list[Polyline]) -> FloatArray:
    """Return the height of every ink pixel above its line's baseline, px, read-only; 0 where it has no line, -1."""
    columns = np.arange(pieces.shape[1], dtype=np.float64)
    # Rows end to end, and one more that those of no line come upon.
    rows = np.concatenate([*(baseline.at(columns) for baseline in baselines), columns])
    place = np.multiply(line, len(columns), dtype=np.int64)
    place += pieces.x
    height = rows[place]
    height -= pieces.y
    height[line < 0] = 0.0
    height.flags.writeable = False
    return height


def find_lines(ink: Ink, ruling: Ruling | None, px_per_mm: float) -> Lines:
    """Find the lines of writing.

    Parameters
    ----------
    ink : Ink
    ruling : Ruling or None
        The printed rules, when there are any: they give the slope of the page and the number of each line's rule.
    px_per_mm : float
        A rough scale; letters from about 1 to 12 mm tall are looked for.
    """
    pieces = ink.pieces
    if len(pieces.boxes) == 0:
        return Lines((), np.empty(0, np.int32), pieces, 0.0, 0.0)
    cell = max(1, round(px_per_mm / 3.2))
    slope = ruling.slope if ruling is not None else _writing_slope(pieces, cell)
    place, shape = level_cells(pieces, slope, cell)
    level = _reduced(place, shape, cell)
    body = _body_height(_filled(pieces, slope, cell, shape))
    answer, smooth = _answer(level, body)
    regions = find_regions(answer, smooth, body)
    fragments, region_of, profile = find_fragments(regions, level)
    if not fragments:
        return Lines((), np.full(len(pieces.boxes), -1, np.int32), pieces, slope, body * cell)
    shares = shares_of(fragments, pieces, region_of, place)
    groups = link(fragments, profile, shares, pieces.boxes[:, 3] > 3.4 * body * cell, body)
    line = _assign(groups, region_of, shares, pieces, place, body * cell)
    line = _reattach(line, pieces, body * cell)
    return _finish(line, pieces, ruling, slope, body * cell)


def _writing_slope(pieces: Pieces, cell: int) -> float:
    """Return the slope that makes the rows of ink most distinct (rows per column)."""
    every = max(1, len(pieces.x) // 60000)
    x, y = pieces.x[::every] / cell, pieces.y[::every] / cell
    x -= x.mean()
    candidates = np.tan(_SLOPES)
    # Whole rows down, so that none is above row 0.
    y += np.ceil(0.2 * np.abs(x).max()) + 1
    best, best_score = 0.0, -1.0
    rows = np.empty_like(x)
    # All of it: by a part of the ink the slope of lines far apart was missed, and with it the lines.
    for step in (1.0, 0.25):
        for s in candidates:
            np.multiply(x, -s, out=rows)
            rows += y
            np.rint(rows, out=rows)
            histogram = np.bincount(rows.astype(np.int64)).astype(float)
            # From the first row with ink on.
            score = float((np.diff(histogram[np.argmax(histogram > 0) :]) ** 2).sum())
            if score > best_score:
                best, best_score = float(s), score
        candidates = best + np.linspace(-0.009, 0.009, 9) * step
    return best


def _reduced(place: NDArray[np.int32], shape: tuple[int, int], cell: int) -> NDArray[np.float32]:
    """Return the share of ink in each cell of the level picture."""
    share = np.bincount(place, minlength=shape[0] * shape[1]).reshape(shape).astype(np.float32)
    share /= cell**2
    return np.minimum(share, 1, out=share)


def _filled(pieces: Pieces, slope: float, cell: int, shape: tuple[int, ...]) -> NDArray[np.float32]:
    """Return the level picture with every column of every piece filled from its top to its foot, 8 cells to a column.

    Round letters become solid; large ones would else look like two rows of strokes, their tops and their feet.
    """
    boxes = pieces.boxes
    start = np.concatenate([[0], np.cumsum(boxes[:, 2])])
    key = (start[:-1] - boxes[:, 0]).take(pieces.piece)
    key += pieces.x
    top = np.full(int(start[-1]), np.iinfo(np.int32).max, np.int32)
    foot = np.full(int(start[-1]), -1, np.int32)
    # Ink pixels come row by row, and of writes to one place the last stays.
    foot[key] = pieces.y
    top[key[::-1]] = pieces.y[::-1]
    x = np.arange(int(start[-1])) - np.repeat(start[:-1] - boxes[:, 0], boxes[:, 2])
    inked = foot >= 0
    x, top, foot = x[inked], top[inked], foot[inked]
    shift = -min(0.0, float(-slope * pieces.shape[1] / cell)) + 2
    width = shape[1] // 8 + 2
    column = x // (8 * cell)
    first = (top / cell - slope * x / cell + shift).astype(np.int64)
    last = (foot / cell - slope * x / cell + shift).astype(np.int64) + 1
    size = (shape[0] + 2) * width
    edges = np.bincount(first * width + column, minlength=size) - np.bincount(last * width + column, minlength=size)
    filled = np.cumsum(edges.reshape(shape[0] + 2, width), axis=0)[: shape[0]]
    return np.minimum(filled / (8.0 * cell), 1.0).astype(np.float32)


def _body_height(filled: NDArray[np.float32]) -> float:
    """Return the height of the letter bodies, cells, by scale selection on the filled picture (8 cells to a column)."""
    heights = np.geomspace(2.6, 40, 15)
    scores = []
    for h in heights:
        sigma = h / 2.2
        # Smoothing along the line leaves the profile of the bodies rather than of single letters.
        along, across = _bell(max(2.0, 0.4 * h)), np.convolve(_bell(sigma), sigma**2 * np.array([-1.0, 2.0, -1.0]))
        # Weights alike on both sides to the last digit are worked through in half the time.
        curve = cv2.sepFilter2D(filled, cv2.CV_32F, along.astype(np.float32), across.astype(np.float32))
        np.maximum(curve, 0, out=curve)
        scores.append(float((curve * curve).sum() / sigma))
    best = int(np.argmax(scores))
    return float(heights[best])


def _bell(sigma: float) -> FloatArray:
    """Return the weights of a Gaussian, to four standard deviations."""
    return np.asarray(cv2.getGaussianKernel(round(8 * sigma + 1) | 1, sigma)[:, 0], np.float64)


def _answer(level: NDArray[np.float32], body: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Smooth along the lines and answer where the curvature across is that of a line's body."""
    sigma = body / 2.2
    smooth = cv2.GaussianBlur(level, (0, 0), sigmaX=1.9 * body, sigmaY=sigma)
    curve = -(sigma**2) * cv2.sepFilter2D(smooth, cv2.CV_32F, np.array([1.0]), np.array([1.0, -2.0, 1.0]))
    return curve, smooth


def _assign(
    groups: list[list[int]],
    region_of: NDArray[np.int32],
    shares: FloatArray,
    pieces: Pieces,
    place: NDArray[np.int32],
    body_px: float,
) -> NDArray[np.int32]:
    """Give every ink pixel a line: by its piece, cut along the valley where a piece has much ink in two lines."""
    member = np.zeros((shares.shape[1], len(groups)))
    for k, group in enumerate(groups):
        member[group, k] = 1
    table = shares @ member
    owner = np.where(table.sum(1) > 0, table.argmax(1), -1).astype(np.int32)
    line: NDArray[np.int32] = owner.take(pieces.piece)
    # A piece shared by two lines: both have more in it than a tail (about half a body's worth of stroke).
    substantial = 0.55 * body_px * max(2.0, 0.12 * body_px)
    order = np.sort(table, axis=1)
    least = np.maximum(substantial, 0.12 * order[:, -1])
    shared = order[:, -2] > least if len(groups) > 1 else np.zeros(len(table), bool)
    if shared.any():
        line_of_region = np.full(int(region_of.max()) + 2, -1, np.int32)
        for k, group in enumerate(groups):
            line_of_region[group] = k
        # Cells of no region are -1, the last place.
        zone = line_of_region.take(region_of)
        ink = np.flatnonzero(shared.take(pieces.piece))
        for p in np.flatnonzero(shared):
            mine = ink[pieces.piece[ink] == p]
            got = nearest_at(zone, *np.divmod(place[mine], np.int32(zone.shape[1])))
            ok = (table[p] > least[p])[got]
            line[mine[ok]] = got[ok]
    return line


def _reattach(line: NDArray[np.int32], pieces: Pieces, body_px: float) -> NDArray[np.int32]:
    """Give pieces outside every body zone (dots, accents, commas) to the nearest ink, first of all below them."""
    owned = line >= 0
    loose = np.unique(pieces.piece[~owned])
    if len(loose) == 0 or not owned.any():
        return line
    step = max(1, int(body_px / 10))
    small = np.full((pieces.shape[0] // step + 1, pieces.shape[1] // step + 1), -1, np.int16)
    place = pieces.y // np.int32(step)
    place *= small.shape[1]
    place += pieces.x // np.int32(step)
    small.reshape(-1)[place[owned]] = line[owned].astype(np.int16)
    new_line = np.full(len(pieces.boxes), -1, np.int32)
    boxes = pieces.boxes[:, :4].copy()
    boxes[:, 2:] += boxes[:, :2]
    for some in np.split(loose, range(_AT_ONCE, len(loose), _AT_ONCE)):
        new_line[some] = _nearest_line(small, boxes[some] // step, body_px / step)
    fresh = new_line.take(pieces.piece)
    return np.where(fresh >= 0, fresh, line)


def _nearest_line(small: NDArray[np.int16], boxes: NDArray[np.int32], body: float) -> NDArray[np.int16]:
    """Return for each box the line of the nearest ink around it, -1 where there is none.

    Boxes are left, top, right and bottom cell in the picture of lines `small`, where -1 is paper; `body` is in cells.
    """
    reach, side = int(np.ceil(2.6 * body)), int(np.ceil(0.5 * body))
    first, y0, last, y1 = boxes.astype(np.int64).T
    # The cells around each piece, row by row, and those of them with ink of a line.
    low, high = np.maximum(y0 - reach, 0), np.minimum(y1 + reach + 1, small.shape[0])
    begin, end = np.maximum(first - side, 0), np.minimum(last + side + 1, small.shape[1])
    every = np.arange(len(boxes))
    owner = np.repeat(every, high - low)
    cell = ranges(ranges(low, high - low) * small.shape[1] + begin[owner], (end - begin)[owner])
    inked = np.flatnonzero(small.reshape(-1)[cell] >= 0)
    found = np.full(len(boxes), -1, np.int16)
    if not len(inked):
        return found
    cell, owner = cell[inked], np.repeat(every, (high - low) * (end - begin))[inked]
    row, column = np.divmod(cell, small.shape[1])
    off = np.maximum(np.maximum(row - y1[owner], 1.7 * (y0[owner] - row)), 0)
    aside = np.maximum(np.maximum(first[owner] - column, column - last[owner]), 0)
    cost = np.hypot(off, 1.5 * aside)
    starts = np.flatnonzero(np.diff(owner, prepend=-1))
    least = np.repeat(np.minimum.reduceat(cost, starts), np.diff(starts, append=len(cost)))
    # Of equals the first.
    best = np.flatnonzero(cost == least)
    best = best[np.searchsorted(best, starts)]
    best = best[cost[best] <= reach]
    found[owner[best]] = small.reshape(-1)[cell[best]]
    return found


def _finish(line: NDArray[np.int32], pieces: Pieces, ruling: Ruling | None, slope: float, body_px: float) -> Lines:
    """Order lines from the top, drop those too small to be writing, and fit baselines and x-heights."""
    count = int(line.max(initial=-1)) + 1
    fits = _fits(pieces, line, range(count), slope, body_px)
    tops = _tops_of_letters(fits, line, pieces, body_px)
    if tops:
        host = np.arange(count + 1, dtype=np.int32)
        host[count] = -1
        host[list(tops)] = list(tops.values())
        line = host.take(line)
        fits = {k: fit for k, fit in fits.items() if k not in tops}
        fits |= _fits(pieces, line, sorted(set(tops.values())), slope, body_px)
    order = sorted(fits, key=lambda k: fits[k].row)
    number = np.full(count + 1, -1, np.int32)
    number[order] = np.arange(len(order), dtype=np.int32)
    line = number.take(line)
    found = [fits[k] for k in order]
    above = _above(pieces, line, [f.baseline for f in found])
    heights = x_heights([f.tops for f in found], LineInk(pieces.x, above, line), body_px)
    usual = float(np.median(heights)) if found else body_px
    rows = [TextLine(f.baseline, h, rule_of(f.baseline, ruling, usual)) for f, h in zip(found, heights, strict=True)]
    lines = Lines(tuple(rows), line, pieces, body_px, slope)
    lines._above.append(above)
    return lines


class _Fit(NamedTuple):
    """A line's middle row on the levelled page (for its order only), its baseline, the heights of its tops above it.

    And its pixels, counted.
    """

    row: float
    baseline: Polyline
    tops: FloatArray
    ink: int


def _fits(
    pieces: Pieces, line: NDArray[np.int32], which: Sequence[int], slope: float, body_px: float
) -> dict[int, _Fit]:
    """Fit some lines to their pixels; those of too few or too flat to be writing are left out."""
    if not len(which):
        return {}
    outline = outlines(pieces.x, pieces.y, line, max(which) + 1)
    turns = outline.turns(body_px)
    ink = np.bincount(line + 1, minlength=len(turns) + 1)[1:]
    tall = outline.low.max(1) - outline.high.min(1)
    kept = [
        k
        for k in which
        if ink[k] >= 0.9 * body_px * max(2.0, 0.1 * body_px) and tall[k] >= 0.5 * body_px and len(turns[k][0][0])
    ]
    courses = fit_baselines([turns[k][0] for k in kept], slope, body_px)
    fits = {}
    for k, course in zip(kept, courses, strict=True):
        inked = np.flatnonzero(outline.low[k] >= 0)
        middle = (outline.low[k, inked] + outline.high[k, inked]) / 2 - slope * (outline.left + inked)
        columns, rows = turns[k][1]
        fits[k] = _Fit(float(np.median(middle)), course, course.at(columns) - rows + 1, int(ink[k]))
    return fits


def _tops_of_letters(fits: dict[int, _Fit], line: NDArray[np.int32], pieces: Pieces, body_px: float) -> dict[int, int]:
    """Return what is no line but the tops of tall letters (bars of T and F, dots, accents), each with its line.

    It is a tenth of a line of the page at most and stands as high above the line below as tall letters reach: two
    bodies, or three and a half where it is flat strokes only, or `_ABOVE` of the distance from line to line.
    """
    few = 0.1 * float(np.median([fit.ink for fit in fits.values()])) if fits else 0.0
    rows = np.sort([fit.row for fit in fits.values() if fit.ink >= 3 * few])
    apart = _ABOVE * float(np.median(np.diff(rows))) if len(rows) > 2 else 0.0
    out: dict[int, int] = {}
    for k in (k for k, fit in fits.items() if fit.ink < few):
        mine = np.flatnonzero(line == k)
        x = float(np.median(pieces.x[mine]))
        foot = float(fits[k].baseline.at(x))
        flat = float(np.quantile(pieces.boxes[pieces.piece[mine], 3], 0.9)) < 0.8 * body_px
        below = {
            h: float(fit.baseline.at(x)) - foot
            for h, fit in fits.items()
            if fit.ink >= few and fit.baseline.x[0] - body_px < x < fit.baseline.x[-1] + body_px
        }
        below = {h: off for h, off in below.items() if 0 < off < max((3.5 if flat else 2.2) * body_px, apart)}
        if below:
            out[k] = min(below, key=lambda h: below[h])
    return out
