"""Stems: the straight, near-upright stretches of the ink's outline, on which slant and stroke width rest.

Method
    1. The ends of the runs of ink, row by row, are linked into chains: left edges and right edges apart.
    2. A chain is split where it leaves its chord (Ramer-Douglas-Peucker) until every stretch is straight; stretches of
       0.6 x-heights and more are kept, their round ends left out.
    3. Each edge is placed within its pixel by how much of its neighbourhood is dark, because whole columns step: an
       edge of 30 rows that steps once reads 2 degrees off, and a page of nearly upright stems would read as all 90.
    4. Whether the pen went down or up is told by the white beside the edge, where it can be (common practice, no
       source): letters hang together at the foot (u, and every join) by a stroke that goes up to the right, and at the
       top (n, m, h) by one that comes down on the right. So the right-hand wall of white that is closed above and open
       below was written downwards; its left-hand wall, and the right-hand wall of white open above, upwards.

All stretches are handled together, in arrays.

What it does not see: strokes that lean more than about 60 degrees from upright.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from handwriting.components import ranges
from handwriting.geometry import FloatArray
from handwriting.ink import Ink, Pieces
from handwriting.lifting import PAPER
from handwriting.lines import Lines

Index = NDArray[np.int64]

TALL = 0.6
_FEWEST_ROWS = 6
# White beside an edge: how far ink on its other side is looked for, and ink above and below it, in x-heights; and how
# many columns from the edge it must begin.
_BESIDE, _CLOSED = 1.5, 0.7
_WHITE_WITHIN = 4


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
    opposite : ndarray of int
        Index of the straight edge on the other side of the same ink, -1 where that side is not straight.
    way : ndarray of int
        What the white beside it tells: 1 written downwards, -1 upwards (each more likely than not in joined writing), 0
        nothing.
    """

    angle_deg: FloatArray
    height: FloatArray
    width: FloatArray
    bend_deg: FloatArray
    line: Index
    opposite: Index
    way: Index


@dataclass(frozen=True, slots=True, eq=False)
class _Edges:
    """Edge points chain by chain, top to bottom.

    Columns (within the pixel), rows, numbers, first and last columns of their runs, text lines, and on which side of
    the ink (-1 left, 1 right).
    """

    x: FloatArray
    y: FloatArray
    run: Index
    left: NDArray[np.int32]
    right: NDArray[np.int32]
    line: Index
    side: Index
    starts: Index
    ends: Index


@lru_cache(maxsize=1)
def find_strokes(ink: Ink, lines: Lines) -> Strokes:
    """Find the straight near-upright stroke edges of every line.

    The last page's are kept: slant and stroke width both rest on them.
    """
    empty = np.empty(0)
    none = np.empty(0, np.int64)
    nothing = Strokes(empty, empty, empty, empty, none, none, none)
    if not lines.lines or not len(lines.pieces.x):
        return nothing
    size = np.array([text_line.x_height for text_line in lines.lines])
    edges = _edges(ink, lines, size)
    first, last = _straight(edges, size)
    if not len(first):
        return nothing
    return _measured(edges, first, last, lines, size, ink)


# --- edges and chains ---------------------------------------------------------------------------------------------


def _edges(ink: Ink, lines: Lines, size: FloatArray) -> _Edges:
    """Return the edges of both sides in chains as tall as a stem may be."""
    pieces = lines.pieces
    new = pieces.x[1:] - pieces.x[:-1] != 1
    new |= pieces.y[1:] != pieces.y[:-1]
    begin = np.flatnonzero(np.concatenate([[True], new]))
    end = np.append(begin[1:], len(pieces.x)) - 1
    columns, rows, runs, numbers, sides, counts = [], [], [], [], [], []
    for index, side in ((begin, -1), (end, 1)):
        line = lines.line[index]
        chain = _chains(pieces, index)
        tall = np.bincount(chain, minlength=len(index))[chain]
        kept = np.flatnonzero((line >= 0) & (line[chain] == line) & (tall >= TALL * size[np.maximum(line, 0)]))
        # Edges come row by row: a stable sort by chain leaves each chain in order from the top. Chains are counted
        # from 0, because numbers of 16 bits are sorted digit by digit.
        number = np.cumsum(chain == np.arange(len(chain)))[chain[kept]] - 1
        small = number.astype(np.uint16 if number.max(initial=0) < 65536 else np.int64)
        order = np.argsort(small, kind="stable")
        kept, number = kept[order], number[order]
        at = index[kept]
        columns.append(_within_pixel(ink, pieces.x[at], pieces.y[at], side))
        rows.append(pieces.y[at].astype(np.float64))
        runs.append(kept)
        numbers.append(line[kept].astype(np.int64))
        sides.append(np.full(len(kept), side))
        counts.append(np.diff(np.flatnonzero(np.diff(number, prepend=-1)), append=len(number)))
    count = np.concatenate(counts)
    ends = np.cumsum(count)
    run = np.concatenate(runs)
    return _Edges(
        np.concatenate(columns),
        np.concatenate(rows),
        run,
        pieces.x[begin[run]],
        pieces.x[end[run]],
        np.concatenate(numbers),
        np.concatenate(sides),
        ends - count,
        ends,
    )


def _chains(pieces: Pieces, edge: Index) -> Index:
    """Return for each edge the first of its chain: edges that follow row by row, each the nearest of the other."""
    x, y, piece = (a[edge] for a in (pieces.x, pieces.y, pieces.piece))
    wide = int(x.max()) + 10 if len(x) else 1
    # 32 bits hold the places of any page: half the memory to go through.
    key = y * np.int32(wide) + x
    number = np.arange(len(x))
    # The nearest edge in the row below: of equals the one on the left.
    target = key + np.int32(wide)
    after = np.minimum(np.searchsorted(key, target), len(key) - 1)
    before = np.maximum(after - 1, 0)
    down = np.where(np.abs(key[before] - target) <= np.abs(key[after] - target), before, after)
    off = key[down] - target
    # It must find this one the nearest in turn, before its neighbours on either side.
    left = key[np.maximum(number - 1, 0)] - key
    right = key[np.minimum(number + 1, len(key) - 1)] - key
    mutual = np.where(off > 0, right - off >= off, (left == 0) | (off - left > -off))
    linked = (np.abs(off) <= 3) & (piece[down] == piece) & mutual
    previous = number.copy()
    previous[down[linked]] = number[linked]
    while True:
        further = previous[previous]
        if np.array_equal(further, previous):
            return previous
        previous = further


def _within_pixel(ink: Ink, x: NDArray[np.int32], y: NDArray[np.int32], side: int) -> FloatArray:
    """Return the edge's place in columns, counted from the left edge of column 0.

    The dark of the edge's pixel and its neighbours, over the depth of the ink there, is the width of ink they hold.
    Dark that grows again farther out belongs to another stroke.
    """
    dark = _dark(ink, x, y, side)
    deepest = np.maximum(_deepest(dark), 1.0)
    np.minimum(dark[3], dark[2], out=dark[3])
    np.minimum(dark[4], dark[3], out=dark[4])
    inked = dark[1:].sum(0) / deepest
    # The dark of one pixel inside the edge's, the edge's own and two outside: they begin at the inner pixel's far side.
    return np.asarray(x + 0.5 + side * (inked - 1.5))


def _wide(ink: Ink, left: NDArray[np.int32], right: NDArray[np.int32], y: Index) -> FloatArray:
    """Return the width of runs of ink from where the dark is half as deep on one side to where it is on the other.

    Whole pixels will not do: upright strokes of 4.4 px would nearly all read 4, and of 4.6 px nearly all 5.
    """
    return np.asarray(right - left + _beyond(_dark(ink, right, y, 1)) + _beyond(_dark(ink, left, y, -1)))


def _beyond(dark: FloatArray) -> FloatArray:
    """Return how far beyond the middle of the edge's pixel the dark crosses half its depth there, px."""
    half = _deepest(dark) / 2
    beyond = np.full(len(half), 0.5)
    # From outside in, so that the innermost crossing stays.
    for k in (3, 2, 1, 0):
        inner, outer = dark[k], dark[k + 1]
        on = k - 2 + (inner - half) / np.maximum(inner - outer, 1e-9)
        np.copyto(beyond, on, where=(inner >= half) & (outer < half))
    return beyond


def _deepest(dark: FloatArray) -> FloatArray:
    """Return the depth of the ink at an edge: the darkest of its pixel and the two inside."""
    return np.asarray(np.maximum(np.maximum(dark[0], dark[1]), dark[2]))


def _dark(ink: Ink, x: NDArray[np.int32], y: Index | NDArray[np.int32], side: int) -> FloatArray:
    """Return how dark an edge's pixel is and its neighbours, from two inside to two outside, shape (5, edges)."""
    wide = ink.flat.shape[1]
    level, row = ink.flat.reshape(-1), y.astype(np.int64) * wide
    grey = np.empty((5, len(x)), np.uint8)
    inside = len(x) == 0 or (int(x.min()) >= 2 and int(x.max()) < wide - 2)
    for k in range(-2, 3):
        column = x + side * k
        np.take(level, row + (column if inside else np.clip(column, 0, wide - 1)), out=grey[k + 2], mode="clip")
    np.subtract(np.uint8(PAPER), np.minimum(grey, np.uint8(PAPER), out=grey), out=grey)
    return grey.astype(np.float64)


# --- straight stretches -------------------------------------------------------------------------------------------


def _ranges(first: Index, count: Index) -> tuple[Index, Index]:
    """Return the indices of all ranges one after the other, and where each range begins among them."""
    return ranges(first, count), np.cumsum(count) - count


def _straight(edges: _Edges, size: FloatArray) -> tuple[Index, Index]:
    """Split every chain into straight stretches; return first and past-last edge of those tall enough."""
    first, last = edges.starts, edges.ends
    done: list[tuple[Index, Index]] = []
    while len(first):
        count = last - first
        index, begin = _ranges(first, count)
        chord = (edges.x[last - 1] - edges.x[first]) / np.maximum(count - 1, 1)
        along = index - np.repeat(first, count)
        off = np.abs(edges.x[index] - np.repeat(edges.x[first], count) - np.repeat(chord, count) * along)
        most = np.maximum.reduceat(off, begin)
        # The first of the edges farthest out.
        worst = np.minimum.reduceat(np.where(off >= np.repeat(most, count), along, len(off)), begin)
        split = (most > 0.035 * size[edges.line[first]] + 0.6) & (worst > 0) & (worst < count - 1)
        done.append((first[~split], last[~split]))
        turn = first[split] + worst[split]
        first, last = np.concatenate([first[split], turn]), np.concatenate([turn + 1, last[split]])
        tall = last - first >= TALL * size[edges.line[np.minimum(first, len(edges.line) - 1)]]
        first, last = first[tall], last[tall]
    if not done:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    found = np.concatenate([d[0] for d in done]), np.concatenate([d[1] for d in done])
    order = np.argsort(found[0], kind="stable")
    return found[0][order], found[1][order]


def _measured(edges: _Edges, first: Index, last: Index, lines: Lines, size: FloatArray, ink: Ink) -> Strokes:
    """Fit a line to every stretch, its ends left out: they are round, and turn into the next stroke."""
    height = last - first
    trim = np.rint(np.maximum(0.5 * ink.stroke_px, 0.12 * height)).astype(np.int64)
    kept = height - 2 * trim >= _FEWEST_ROWS
    first, last, height, trim = first[kept], last[kept], height[kept], trim[kept]
    inner, count = first + trim, height - 2 * trim
    line = edges.line[first]
    angle = _angles(edges, inner, count)
    half = count // 2
    bend = _angles(edges, inner, half) - _angles(edges, inner + half, count - half)
    index, begin = _ranges(inner, count)
    middle = np.add.reduceat(edges.x[index], begin) / count if len(begin) else np.empty(0)
    turn = np.empty(len(first))
    for k in np.unique(line):
        mine = line == k
        at = lines.lines[k].baseline.at(np.concatenate([middle[mine] - size[k], middle[mine] + size[k]]))
        left, right = np.split(at, 2)
        turn[mine] = np.degrees(np.arctan2(left - right, 2 * size[k]))
    wide = _wide(ink, edges.left[index], edges.right[index], edges.y[index].astype(np.int64))
    width = _middle_width(wide, begin, count) * np.sin(np.radians(angle))
    way = _ways(edges, first, last, lines.pieces, size[line])
    opposite = _opposite(edges, inner, count)
    return Strokes(angle - turn, height.astype(np.float64), width, bend, line, opposite, way)


def _opposite(edges: _Edges, first: Index, count: Index) -> Index:
    """Return which stretch holds the other end of the run at the middle of each stretch, -1 where none does."""
    if not len(first):
        return np.empty(0, np.int64)
    left = edges.side[first] < 0
    middle = edges.run[first + count // 2]
    found = np.full(len(first), -1, np.int64)
    for mine in (left, ~left):
        index, _ = _ranges(first[~mine], count[~mine])
        of_run = np.full(int(edges.run.max()) + 1, -1, np.int64)
        of_run[edges.run[index]] = np.repeat(np.flatnonzero(~mine), count[~mine])
        found[mine] = of_run[middle[mine]]
    return found


def _ways(edges: _Edges, first: Index, last: Index, pieces: Pieces, size: FloatArray) -> Index:
    """Return what the white beside each stretch tells of the way of the pen (see `Strokes.way`)."""
    if not len(first):
        return np.empty(0, np.int64)
    reach = int(_BESIDE * size.max()) + _WHITE_WITHIN
    # Paper all round, so that no place looked at lies outside; an edge at the picture's border rounds to beyond it.
    room = max(reach, int(_CLOSED * size.max())) + 3
    inked = np.zeros((pieces.shape[0] + 2 * room, pieces.shape[1] + 2 * room), bool)
    place = (pieces.y + room) * np.int32(inked.shape[1])
    place += pieces.x + room
    inked.reshape(-1)[place] = True
    side = edges.side[first]

    def white(edge: Index, shift: int) -> tuple[Index, Index, Index, NDArray[np.bool_]]:
        """Row, first column and width of the white beside these edges, and whether ink ends it."""
        y = edges.y[edge].astype(np.int64) + shift + room
        x = np.rint(edges.x[edge]).astype(np.int64) + room
        beside = inked[y[:, None], x[:, None] + side[:, None] * np.arange(reach)]
        start = np.argmin(beside[:, :_WHITE_WITHIN], axis=1)
        after = beside & (np.arange(reach) > start[:, None])
        wide = np.where(after.any(axis=1), np.argmax(after, axis=1) - start, reach)
        return y, x + side * start, wide, wide < _BESIDE * size

    def closed(edge: Index, step: int) -> NDArray[np.bool_]:
        """Whether ink lies above (step -1) or below (1) the white beside these edges, a little way into it."""
        y, x, wide, _ = white(edge, -2 * step)
        column = x + side * np.minimum(wide / 2, 0.25 * size).astype(np.int64)
        rows = np.arange(int(_CLOSED * size.max()) + 1)
        ink = inked[y[:, None] + step * rows, column[:, None]] & (rows < _CLOSED * size[:, None])
        return np.asarray(ink.any(axis=1))

    above, below = closed(first, -1), closed(last - 1, 1)
    wall = white((first + last) // 2, 0)[3]
    right_wall = side < 0
    arch = above & ~below
    down = right_wall & arch
    up = (~right_wall & arch) | (right_wall & wall & ~above)
    return down.astype(np.int64) - up.astype(np.int64)


def _angles(edges: _Edges, first: Index, count: Index) -> FloatArray:
    """Return the angle of the least-squares line through the edges of each range of rows, degrees."""
    if not len(first):
        return np.empty(0)
    index, begin = _ranges(first, count)
    up = np.repeat(edges.y[first] + (count - 1) / 2.0, count) - edges.y[index]
    across = edges.x[index] - np.repeat(edges.x[first], count)
    lean = np.add.reduceat(up * across, begin) / np.add.reduceat(up * up, begin)
    return np.asarray(np.degrees(np.arctan2(1.0, lean)))


def _middle_width(width: FloatArray, begin: Index, count: Index) -> FloatArray:
    """Return the mean of the middle half of the widths of each stretch."""
    if not len(begin):
        return np.empty(0)
    owner = np.repeat(np.arange(len(begin)), count)
    order = np.argsort(width)
    small = owner[order].astype(np.uint16 if len(begin) < 65536 else np.int64)
    ranked = width[order[np.argsort(small, kind="stable")]]
    quarter = (count - 1) // 4
    index, start = _ranges(begin + quarter, count - 2 * quarter)
    return np.asarray(np.add.reduceat(ranked[index], start) / (count - 2 * quarter))
