"""Find the letters' marks: for each, its foot, its top and the kind of letter it may be, without reading it.

Method
    1. Heights are taken square to the line: every ink pixel's height above the fitted baseline, leaning strokes set
       upright by the page's own slant.
    2. In unjoined writing a connected piece is one letter; dots, accents and commas are too small to be one. A piece
       that holds several letters is taken apart at the turning points of its upper outline, each with the foot nearest
       to it along the line.
    3. The marks are told apart by their heights, feet and looks (`letter_kinds`).

What it does not see: which letter a mark is. In joined writing one letter may give two marks (n, u) or none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from handwriting.components import ranges
from handwriting.geometry import Box, FloatArray
from handwriting.ink import Ink, Pieces
from handwriting.letter_kinds import find_kinds, looks
from handwriting.lines import Lines
from handwriting.words import Words

Kind = Literal["body", "ascender", "descender", "other"]

#: Variance of one edge, px squared.
EDGE_VARIANCE = 1.0 / 12.0
# Marks lower than this share of a body, centre line to centre line, are dots, commas or bits.
_LEAST = 0.3
# In body heights: how far the upper outline falls to both sides of a letter's top, and the lower one rises beside a
# foot. Shoulders and joins stand out less; the ends of joins low on the line would pass for feet.
_TOP_FALL, _FOOT_RISE = 0.05, 0.12
# How far below a mark's top, as a share of its height, its breadth is taken: above the bar of a t.
_NEAR_TOP = 0.2
# In body heights: the largest a dot is, how high above the line it floats at least, how far it may reach down beside a
# mark's top, and how far it stands from it along the line.
_DOT, _DOT_UP, _DOT_NEAR, _DOT_FAR = 0.6, 0.7, 0.1, 0.5


@dataclass(frozen=True, slots=True)
class Mark:
    """One letter's mark; frame px.

    Attributes
    ----------
    line, word : int
        Line and word it belongs to, from 0; -1 for no word.
    box : Box
        Upright box of its ink (of the ink about its top, where letters are joined).
    kind : str
        ``body``, ``ascender`` (with capitals), ``descender``, or ``other``: the likeliest.
    foot_y, top_y : float
        Rows of its lowest and highest edge.
    height : float
        From its own foot to its top, one stroke width included, square to the baseline.
    foot : float
        Height of its foot above the line's fitted baseline.
    """

    line: int
    word: int
    box: Box
    kind: Kind
    foot_y: float
    top_y: float
    height: float
    foot: float


@dataclass(frozen=True, slots=True, eq=False)
class Letters:
    """All marks of a page.

    Attributes
    ----------
    marks : tuple of Mark
    share : ndarray, shape (marks, 4)
        Share of each mark in the kinds body, middle, ascender, descender; what is left to 1 fits none of them.
    centre : ndarray, shape (4,)
        Mean height of each kind, centre line to centre line, px.
    dotted : ndarray of bool, shape (marks,)
        Whether a dot, an accent or a bit of a broken stroke stands above the mark: its top is not that of a plain
        letter.
    stroke_px : float
        The stroke width taken off ink heights, px.
    joined : bool
        Whether most letters are joined.
    """

    marks: tuple[Mark, ...]
    share: FloatArray
    centre: FloatArray
    dotted: NDArray[np.bool_]
    stroke_px: float
    joined: bool

    def __post_init__(self) -> None:
        for name, kind in (("share", np.float64), ("centre", np.float64), ("dotted", np.bool_)):
            array = np.array(getattr(self, name), dtype=kind)
            array.flags.writeable = False
            object.__setattr__(self, name, array)

    @property
    def sized(self) -> FloatArray:
        """Shares as they count in measures of size: none for marks under a dot."""
        return np.where(self.dotted[:, None], 0.0, self.share)


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """The ink of every piece in every line, pixels part by part.

    Pixels: indices, heights above the baseline, upright columns. Parts: first pixel and past the last, line, word, box
    (left, top, right, bottom), edges of top and foot above the baseline, first and last upright column.
    """

    pixel: NDArray[np.int64]
    up: FloatArray
    along: FloatArray
    starts: NDArray[np.int64]
    ends: NDArray[np.int64]
    line: NDArray[np.int32]
    word: NDArray[np.int32]
    box: FloatArray
    top: FloatArray
    foot: FloatArray
    reach: FloatArray

    @property
    def height(self) -> FloatArray:
        return self.top - self.foot

    @property
    def width(self) -> FloatArray:
        return self.reach[:, 1] - self.reach[:, 0] + 1


class _Raw(NamedTuple):
    """Marks not yet told apart: the part each is of, its box (left, top, right, bottom), edges of top and foot.

    `at` is the upright column of the top, `broad` the width of the ink near the top, px.
    """

    part: NDArray[np.int64]
    box: FloatArray
    top: FloatArray
    foot: FloatArray
    at: FloatArray
    broad: FloatArray


def find_letters(ink: Ink, lines: Lines, words: Words) -> Letters:
    """Find the letters' marks.

    Parameters
    ----------
    ink : Ink
    lines : Lines
    words : Words
        What the stages before found; `lines.line` and `words.word` number the pixels of `lines.pieces`.
    """
    stroke = ink.stroke_px
    empty = Letters((), np.zeros((0, 4)), np.ones(4), np.zeros(0, bool), stroke, joined=False)
    if not lines.lines or not (lines.line >= 0).any():
        return empty
    body = float(np.median([line.x_height for line in lines.lines]))
    parts = _parts(lines, words, body)
    sized = parts.height > 0.5 * body
    if not sized.any():
        return empty
    wide = parts.width[sized]
    # Half the ink of a joined hand is in pieces of two letters and more; of an unjoined one, almost none.
    joined = bool(wide[wide > 1.7 * body].sum() > 0.45 * wide.sum())
    limit = 1.05 * body if joined else 1.9 * np.maximum(body, 0.8 * parts.height)
    several = parts.width > limit
    whole = np.flatnonzero(~several)
    raw = _joined(
        _whole(parts, whole),
        _taken_apart(parts, np.flatnonzero(several), lines.pieces, body),
    )
    large = raw.top - raw.foot - stroke > _LEAST * (body - stroke)
    if not large.any():
        return empty
    part, box, foot = raw.part[large], raw.box[large], raw.foot[large]
    height = raw.top[large] - foot
    scale = max(body - stroke, 1.0)
    look, dotted = looks((raw.broad[large] - stroke) / scale, several[part]), _dotted(parts, raw, large, body, stroke)
    share, centre = find_kinds(height - stroke, foot, look, dotted, scale)
    columns = (parts.line[part], parts.word[part], box, height, foot)
    rows = zip(*(column.tolist() for column in columns), _names(share), strict=True)
    marks = tuple(Mark(k, w, b := Box(*edges), kind, b.bottom, b.top, h, f) for k, w, edges, h, f, kind in rows)
    return Letters(marks, share, centre, dotted, stroke, joined)


def _names(share: FloatArray) -> list[Kind]:
    """Return each mark's likeliest kind."""
    names: tuple[Kind, ...] = ("body", "other", "ascender", "descender", "other")
    return [names[k] for k in np.where(share.sum(1) < 0.5, 4, share.argmax(1)).tolist()]


def _parts(lines: Lines, words: Words, body: float) -> _Parts:
    """Return the ink of every piece in every line, heights taken from the baseline, columns set upright."""
    pieces, runs = lines.pieces, lines.runs()
    length = runs.last - runs.first + 1
    pixel = ranges(runs.first, length)
    # The baseline runs through the lowest rows of ink, whose lower edge is half a pixel below.
    up = lines.above()[pixel] + 0.5
    ends = np.cumsum(np.add.reduceat(length, runs.starts))
    starts = np.concatenate([[0], ends[:-1]])
    x = pieces.x[pixel]
    along = x - _lean(x, up, np.repeat(np.repeat(runs.line, runs.count), length), body) * up
    left, right, foot, top = (
        reach.reduceat(values, starts) for values in (along, up) for reach in (np.minimum, np.maximum)
    )
    word, reach = words.word[runs.first[runs.starts]], np.column_stack([left, right])
    return _Parts(pixel, up, along, starts, ends, runs.line, word, runs.corners, top + 0.5, foot - 0.5, reach)


def _whole(parts: _Parts, which: NDArray[np.int64]) -> _Raw:
    """Return parts that are one mark each."""
    count = parts.ends - parts.starts
    near = parts.up > np.repeat(parts.top - 0.5 - _NEAR_TOP * parts.height, count)
    left = np.minimum.reduceat(np.where(near, parts.along, np.inf), parts.starts)[which]
    right = np.maximum.reduceat(np.where(near, parts.along, -np.inf), parts.starts)[which]
    box, top, foot = parts.box[which], parts.top[which], parts.foot[which]
    return _Raw(which, box, top, foot, 0.5 * (left + right), right - left + 1)


def _dotted(parts: _Parts, raw: _Raw, large: NDArray[np.bool_], body: float, stroke: float) -> NDArray[np.bool_]:
    """Return which of the large marks have a dot above them: each dot is that of the nearest mark along the line.

    Accents count as dots, and so do bits broken off a letter's top; what is thinner than the pen does not.
    """
    size = np.maximum(parts.height, parts.width)
    dots = np.flatnonzero((parts.foot > _DOT_UP * body) & (size >= stroke) & (size < _DOT * body))
    found = np.zeros(int(large.sum()), bool)
    part = raw.part[large]
    away = np.abs(raw.at[large] - parts.reach[dots].mean(1)[:, None])
    under = raw.top[large] < (parts.foot[dots] + _DOT_NEAR * body)[:, None]
    away[~under | (parts.line[part] != parts.line[dots][:, None])] = np.inf
    nearest = away.argmin(1)
    found[nearest[away[np.arange(len(dots)), nearest] < _DOT_FAR * body]] = True
    return found


def _lean(x: NDArray[np.int32], up: FloatArray, line: NDArray[np.int32], body: float) -> float:
    """Return how far strokes go right for each px up: the lean whose removal crowds the ink into columns."""
    near = np.flatnonzero((up > 0) & (up < 2.2 * body))
    near = near[:: max(1, len(near) // 20000)]
    if len(near) < 50:
        return 0.0
    cell = max(1.0, 0.08 * body)
    across, high = x[near] / cell, up[near] / cell
    # Columns of all lines side by side, far enough apart for any lean.
    across = across + line[near] * (float(np.ptp(across)) + 2.0 * float(high.max()) + 2.0) - float(across.min())
    leans = np.linspace(-0.8, 0.8, 33)
    offset = 0.8 * float(high.max()) + 1.0
    crowd = [
        float((np.bincount((across - s * high + offset).astype(np.int64)).astype(np.float64) ** 2).sum()) for s in leans
    ]
    return float(leans[int(np.argmax(crowd))])


def _taken_apart(parts: _Parts, which: NDArray[np.int64], pieces: Pieces, body: float) -> _Raw:
    """Split parts of several letters at the tops of their outlines, each top with the foot nearest along the line.

    The outlines of all parts lie end to end, so far apart that no letter reaches into the next part.
    """
    if not len(which):
        none = np.empty(0)
        return _Raw(which, np.empty((0, 4)), none, none, none, none)
    reach = 0.35 * body
    count = (parts.ends - parts.starts)[which]
    pixel = ranges(parts.starts[which], count)
    first, last = (np.rint(ends).astype(np.int64) for ends in parts.reach[which].T)
    width, apart = last - first + 1, int(reach) + 2
    end = np.cumsum(width + apart)
    begin = end - width
    up, place = parts.up[pixel], parts.along[pixel]
    place += np.repeat(begin - first, count)
    column = np.rint(place).astype(np.int64)
    every = np.arange(int(end[-1]) + apart)
    owner = np.repeat(np.arange(len(which) + 1), np.append(width + apart, apart))
    upper, lower = np.full(len(every), -np.inf), np.full(len(every), np.inf)
    np.maximum.at(upper, column, up)
    np.minimum.at(lower, column, up)
    inked = np.flatnonzero(np.isfinite(upper))
    upper, lower = np.interp(every, inked, upper[inked]), np.interp(every, inked, lower[inked])
    between = every < np.append(begin, len(every))[owner]
    tops, feet = _peaks(upper, between, _TOP_FALL * body), _peaks(-lower, between, _FOOT_RISE * body)
    nearest, away = _nearest(tops, feet, owner)
    for k in np.flatnonzero(away > 0.75 * body):  # a level run below: the lowest ink under the top itself
        part = owner[tops[k]]
        under = slice(max(begin[part], int(tops[k] - reach)), min(end[part], int(tops[k] + reach) + 1))
        nearest[k] = under.start + int(np.argmin(lower[under]))
    at = parts.pixel[pixel]
    box = _boxes(tops, column, place, (pieces.x[at], pieces.y[at]), len(every), reach)
    some = box[:, 2] > 0
    high, low = upper[tops[some]] + 0.5, lower[nearest[some]] - 0.5
    level = high - 0.5 - _NEAR_TOP * (high - low)
    part, at = owner[tops[some]], tops[some]
    broad = _reach_above(upper, at, level, int(body))
    return _Raw(which[part], box[some], high, low, (at - begin[part] + first[part]).astype(np.float64), broad)


def _reach_above(upper: FloatArray, tops: NDArray[np.int64], level: FloatArray, most: int) -> FloatArray:
    """Return over how many columns about each top the outline stays above a level, looking `most` to either side."""
    edged = np.pad(upper, most + 1, constant_values=-np.inf)
    found = np.ones(len(tops))
    for side in (-1, 1):
        way = edged[tops[:, None] + most + 1 + side * np.arange(1, most + 2)]
        under = way <= level[:, None]
        found += np.where(under.any(1), under.argmax(1), most)
    return found


def _peaks(profile: FloatArray, between: NDArray[np.bool_], prominence: float) -> NDArray[np.int64]:
    """Return where outlines turn: peaks that stand out by `prominence`, all falling away `between` the parts."""
    profile[between] = float(profile.min()) - 10 * prominence - 1
    return np.asarray(signal.find_peaks(profile, prominence=prominence)[0], dtype=np.int64)


def _nearest(
    tops: NDArray[np.int64], feet: NDArray[np.int64], owner: NDArray[np.int64]
) -> tuple[NDArray[np.int64], FloatArray]:
    """Return for each top the nearest foot of its own part, and how far it is."""
    after = np.searchsorted(feet, tops)
    both = np.stack([np.maximum(after - 1, 0), np.minimum(after, len(feet) - 1)])
    away = np.where(owner[feet[both]] == owner[tops], np.abs(feet[both] - tops), np.inf)
    which = np.argmin(away, axis=0)
    every = np.arange(len(tops))
    return feet[both[which, every]], away[which, every]


def _boxes(
    tops: NDArray[np.int64],
    column: NDArray[np.int64],
    place: FloatArray,
    pixels: tuple[NDArray[np.int32], NDArray[np.int32]],
    columns: int,
    reach: float,
) -> FloatArray:
    """Return left, top, right and bottom of the ink within `reach` of each top along the line; right 0 where none is.

    The columns that lie within it whole are looked at as columns, the one at either end pixel by pixel.
    """
    whole = max(int(reach - 0.5), 0)
    around = tops[:, None] + np.arange(-whole, whole + 1)
    box = np.empty((4, len(tops)), np.int32)
    for k, (best, of) in enumerate(((np.minimum, 0), (np.minimum, 1), (np.maximum, 0), (np.maximum, 1))):
        table = np.full(columns, np.iinfo(np.int32).max if best is np.minimum else -1, np.int32)
        best.at(table, column, pixels[of])
        box[k] = best.reduce(table[around], axis=1)
    number = np.full(columns, -1)
    number[tops] = np.arange(len(tops))
    for side in (-1, 1):
        of_top = number[column - side * (whole + 1)]
        ends = np.flatnonzero(of_top >= 0)
        ends = ends[np.abs(place[ends] - tops[of_top[ends]]) <= reach]
        for k, axis in enumerate(pixels):
            np.minimum.at(box[k], of_top[ends], axis[ends])
            np.maximum.at(box[k + 2], of_top[ends], axis[ends])
    box[2:] += 1
    return box.T.astype(np.float64)


def _joined(whole: _Raw, apart: _Raw) -> _Raw:
    """Return the marks of whole parts and of parts taken apart, in the order of the parts."""
    order = np.argsort(np.concatenate([whole.part, apart.part]), kind="stable")
    return _Raw(*(np.concatenate(both)[order] for both in zip(whole, apart, strict=True)))
