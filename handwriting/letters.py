"""Find the letters' marks: for each, its foot, its top and the kind of letter it may be, without reading it.

Method
    1. Heights are taken square to the line: every ink pixel's height above the fitted baseline, leaning strokes set
       upright by the page's own slant.
    2. In unjoined writing a connected piece is one letter; dots, accents and commas are too small to be one. A piece
       that holds several letters is taken apart at the turning points of its upper outline, each with the foot nearest
       to it along the line.
    3. The marks are told apart by a mixture of four kinds fitted to all marks of the page: bodies (height m), middle
       letters such as t, ascenders with capitals, and descenders (foot well below the line). All kinds share one
       relative spread of height, because a hand that varies its size varies it in every letter. Each mark keeps its
       share in every kind, so that no height is cut off by a fixed limit, which would make the spread read low.

What it does not see: which letter a mark is. In joined writing one letter may give two marks (n, u) or none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from handwriting.geometry import Box, FloatArray
from handwriting.ink import Ink
from handwriting.lines import Lines
from handwriting.words import Words

Kind = Literal["body", "ascender", "descender", "other"]

#: Variance of a height in px squared: two edges, each rounded to a whole pixel.
HEIGHT_VARIANCE = 2.0 / 12.0
#: Variance of one edge, px squared.
EDGE_VARIANCE = 1.0 / 12.0
# Marks lower than this share of a body, centre line to centre line, are dots, commas or bits.
_LEAST = 0.3
_ROUNDS = 80
_HEAT = 12
# How often the kinds come in English text: small letters and i; t; tall letters and capitals; letters with tails; none
# of them (letter frequencies of English, widely printed, from memory). Worth this share of the page's own marks: a
# hand of uneven size would else lose half its bodies to the middle kind.
_USUAL = np.array([0.655, 0.085, 0.19, 0.06, 0.01])
_USUAL_WORTH = 0.3
# In body heights: how far the upper outline falls to both sides of a letter's top, and the lower one rises beside a
# foot. Shoulders and joins stand out less; the ends of joins low on the line would pass for feet.
_TOP_FALL, _FOOT_RISE = 0.05, 0.12


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
    stroke_px : float
        The stroke width taken off ink heights, px.
    joined : bool
        Whether most letters are joined.
    """

    marks: tuple[Mark, ...]
    share: FloatArray
    centre: FloatArray
    stroke_px: float
    joined: bool

    def __post_init__(self) -> None:
        for name in ("share", "centre"):
            array = np.array(getattr(self, name), dtype=np.float64)
            array.flags.writeable = False
            object.__setattr__(self, name, array)


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """The ink of every piece in every line, pixels sorted by part.

    Pixels: columns, rows, heights above the baseline, upright columns. Parts: first pixel and past the last, line,
    word, box (left, top, right, bottom), edges of top and foot above the baseline, upright width.
    """

    x: NDArray[np.int32]
    y: NDArray[np.int32]
    up: FloatArray
    along: FloatArray
    starts: NDArray[np.int64]
    ends: NDArray[np.int64]
    line: NDArray[np.int32]
    word: NDArray[np.int32]
    box: FloatArray
    top: FloatArray
    foot: FloatArray
    width: FloatArray

    @property
    def height(self) -> FloatArray:
        return self.top - self.foot


@dataclass(slots=True)
class _Raw:
    line: int
    word: int
    box: Box
    top: float
    foot: float


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
    empty = Letters((), np.zeros((0, 4)), np.ones(4), stroke, joined=False)
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
    columns = (parts.line, parts.word, parts.box, parts.top, parts.foot)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    raw: list[_Raw] = []
    for i, (line, word, box, top, foot) in enumerate(rows):
        raw += _taken_apart(parts, i, body) if several[i] else [_Raw(line, word, Box(*box), top, foot)]
    raw = [r for r in raw if r.top - r.foot - stroke > _LEAST * (body - stroke)]
    if not raw:
        return empty
    heights = np.array([r.top - r.foot for r in raw])
    feet = np.array([r.foot for r in raw])
    share, centre = _kinds(heights - stroke, feet, max(body - stroke, 1.0))
    marks = tuple(
        Mark(r.line, r.word, r.box, kind, r.box.bottom, r.box.top, r.top - r.foot, r.foot)
        for r, kind in zip(raw, _names(share), strict=True)
    )
    return Letters(marks, share, centre, stroke, joined)


def _names(share: FloatArray) -> list[Kind]:
    """Return each mark's likeliest kind."""
    names: tuple[Kind, ...] = ("body", "other", "ascender", "descender", "other")
    return [names[k] for k in np.where(share.sum(1) < 0.5, 4, share.argmax(1)).tolist()]


def _parts(lines: Lines, words: Words, body: float) -> _Parts:
    """Return the ink of every piece in every line, heights taken from the baseline, columns set upright."""
    pieces = lines.pieces
    kept = np.flatnonzero(lines.line >= 0)
    # By line, and within a line by piece: numbers of 16 bits are sorted digit by digit.
    for number in (pieces.piece, lines.line):
        values = number[kept]
        kept = kept[np.argsort(values.astype(np.uint16) if len(pieces.boxes) < 65536 else values, kind="stable")]
    line, piece = lines.line[kept], pieces.piece[kept]
    x, y = pieces.x[kept], pieces.y[kept]
    # The baseline runs through the lowest rows of ink, whose lower edge is half a pixel below.
    up = lines.above()[kept] + 0.5
    along = x - _lean(x, up, line, body) * up
    starts = np.flatnonzero(np.concatenate([[True], (np.diff(line) != 0) | (np.diff(piece) != 0)]))
    low, high = (
        {name: reach.reduceat(values, starts) for name, values in (("x", x), ("y", y), ("up", up), ("along", along))}
        for reach in (np.minimum, np.maximum)
    )
    return _Parts(
        x,
        y,
        up,
        along,
        starts,
        np.append(starts[1:], len(kept)),
        line[starts],
        words.word[kept[starts]],
        np.column_stack([low["x"], low["y"], high["x"] + 1, high["y"] + 1]).astype(np.float64),
        high["up"] + 0.5,
        low["up"] - 0.5,
        high["along"] - low["along"] + 1,
    )


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


def _taken_apart(parts: _Parts, i: int, body: float) -> list[_Raw]:
    """Split a piece of several letters at the tops of its outline, each top with the foot nearest along the line."""
    inside = slice(parts.starts[i], parts.ends[i])
    up, along = parts.up[inside], parts.along[inside]
    column = np.rint(along).astype(np.int64)
    left = int(column.min())
    width = int(column.max()) - left + 1
    upper, lower = np.full(width, -np.inf), np.full(width, np.inf)
    np.maximum.at(upper, column - left, up)
    np.minimum.at(lower, column - left, up)
    inked = np.flatnonzero(np.isfinite(upper))
    every = np.arange(width)
    upper, lower = np.interp(every, inked, upper[inked]), np.interp(every, inked, lower[inked])
    feet = _peaks(-lower, _FOOT_RISE * body)
    place, pixels = along - left, (parts.x[inside], parts.y[inside])
    out = []
    for x in _peaks(upper, _TOP_FALL * body):
        away = np.abs(feet - x)
        nearest = int(feet[np.argmin(away)])
        if away.min() > 0.75 * body:  # a level run below: the lowest ink under the top itself
            under = slice(max(0, int(x - 0.35 * body)), int(x + 0.35 * body) + 1)
            nearest = under.start + int(np.argmin(lower[under]))
        near = np.flatnonzero(np.abs(place - x) <= 0.35 * body)
        if len(near):
            top, foot = float(upper[x]) + 0.5, float(lower[nearest]) - 0.5
            columns, rows = (axis[near] for axis in pixels)
            box = Box(float(columns.min()), float(rows.min()), float(columns.max()) + 1, float(rows.max()) + 1)
            out.append(_Raw(int(parts.line[i]), int(parts.word[i]), box, top, foot))
    return out


def _peaks(profile: FloatArray, prominence: float) -> NDArray[np.int64]:
    """Return where the outline turns: peaks that stand out by `prominence`, the ends counted as falling away."""
    least = float(profile.min()) - 10 * prominence - 1
    padded = np.concatenate([[least], profile, [least]])
    return np.asarray(signal.find_peaks(padded, prominence=prominence)[0] - 1, dtype=np.int64)


# --- kinds of marks -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Marks:
    """Heights and feet of all marks, and the columns 1, height, height^2, foot^2 whose shares make every new number."""

    height: FloatArray
    foot: FloatArray
    columns: FloatArray

    @classmethod
    def of(cls, height: FloatArray, foot: FloatArray) -> _Marks:
        return cls(height, foot, np.column_stack([np.ones(len(height)), height, height**2, foot**2]))


@dataclass(slots=True)
class _Mixture:
    """Mean body height and the other kinds' heights as multiples of it; shared spread; bounce; depth; weights."""

    body: float
    middle: float
    tall: float
    depth: float
    spread: float
    bounce: float
    weights: FloatArray

    def centres(self) -> FloatArray:
        return self.body * np.array([1.0, self.middle, self.tall, 1.0 + self.depth])

    def densities(self, marks: _Marks) -> FloatArray:
        """Return weight times density of each mark in each kind, and last in none of them; shape (marks, 5)."""
        centre = self.centres()
        wide = np.sqrt((centre * self.spread) ** 2 + HEIGHT_VARIANCE)
        deep = self.depth * self.body
        bounce = np.array([self.bounce] * 3 + [float(np.hypot(self.bounce, deep * self.spread))])
        z = ((marks.height[:, None] - centre) / wide) ** 2
        z[:, :3] += (marks.foot[:, None] / self.bounce) ** 2
        z[:, 3] += ((marks.foot + deep) / bounce[3]) ** 2
        out = np.empty((len(z), 5))
        out[:, :4] = np.exp(-0.5 * z) * (self.weights[:4] / (2 * np.pi * wide * bounce))
        out[:, 4] = self.weights[4] / (12.0 * self.body**2)
        return out

    def worth(self, densities: FloatArray) -> float:
        """Return the logarithm of the chance of the marks, and of so many of each kind in a text."""
        return float(np.log(densities.sum(1)).sum() + _USUAL_WORTH * len(densities) * (_USUAL @ np.log(self.weights)))


def _kinds(height: FloatArray, foot: FloatArray, body: float) -> tuple[FloatArray, FloatArray]:
    """Fit the mixture and return the likeliest: shares (marks, 4) and the kinds' mean heights.

    Six starts run a few rounds each; the best two go on to the end.
    """
    marks = _Marks.of(height, foot)
    starts = [
        _Mixture(factor * body, 1.55, 2.0, 0.85, spread, 0.08 * body, np.array([0.6, 0.08, 0.2, 0.1, 0.02]))
        for factor in (0.85, 1.0, 1.15)
        for spread in (0.08, 0.2)
    ]
    for mixture in starts:
        _run(mixture, marks, _HEAT)
    starts.sort(key=lambda m: m.worth(m.densities(marks)), reverse=True)
    for mixture in starts[:2]:
        _run(mixture, marks, _ROUNDS)
    best = max(starts[:2], key=lambda m: m.worth(m.densities(marks)))
    densities = best.densities(marks)
    return densities[:, :4] / densities.sum(1, keepdims=True), best.centres()


def _run(mixture: _Mixture, marks: _Marks, rounds: int) -> None:
    """Set every number of the mixture to its best for the shares, until the body height stands still."""
    for _ in range(rounds):
        densities = mixture.densities(marks)
        densities /= densities.sum(1, keepdims=True)
        if _improve(mixture, densities.T @ marks.columns) < 1e-5:
            return


def _improve(mixture: _Mixture, sums: FloatArray) -> float:
    """Set every number of the mixture from the kinds' sums of columns; return how much the body moved, relative."""
    n, means = sums[:, 0], sums[:4, 1]
    # A few marks' worth of what hands usually show keeps rare kinds in their place.
    before = mixture.body
    mixture.body = float(means[0] / max(n[0], 1e-9)) if n[0] > 1 else before
    ratio = (means[1:] + 4.0 * mixture.body * np.array([1.55, 2.0, 1.85])) / (n[1:4] + 4.0) / mixture.body
    mixture.tall = min(max(float(ratio[1]), 1.5), 2.8)
    mixture.middle = min(max(float(ratio[0]), 1.3), 0.9 * mixture.tall)
    mixture.depth = min(max(float(ratio[2]) - 1.0, 0.45), 1.6)
    centre, flat = mixture.centres()[:3], float(n[:3].sum())
    squares = sums[:3, 2] - 2 * centre * sums[:3, 1] + (centre**2 - HEIGHT_VARIANCE) * n[:3]
    variance = (float((squares / centre**2).sum()) + 4 * 0.12**2) / (flat + 4)
    mixture.spread = min(max(max(variance, 0.0) ** 0.5, 0.02), 0.35)
    bounce = ((float(sums[:3, 3].sum()) + 4 * (0.06 * mixture.body) ** 2) / (flat + 4)) ** 0.5
    mixture.bounce = min(max(bounce, 0.02 * mixture.body, 0.4), 0.3 * mixture.body)
    weights = n + np.array([2.0, 0.5, 0.5, 0.5, 0.5]) + _USUAL_WORTH * float(n.sum()) * _USUAL
    mixture.weights = weights / weights.sum()
    return abs(mixture.body / before - 1)
