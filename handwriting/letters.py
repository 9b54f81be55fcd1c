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
class _Part:
    """The ink of one piece in one line: columns, heights above the baseline, upright columns."""

    line: int
    word: int
    x: FloatArray
    y: FloatArray
    up: FloatArray
    along: FloatArray


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
    sized = [p for p in parts if np.ptp(p.up) + 1 > 0.5 * body]
    if not sized:
        return empty
    wide = np.array([np.ptp(p.along) + 1 for p in sized])
    # Half the ink of a joined hand is in pieces of two letters and more; of an unjoined one, almost none.
    joined = bool(wide[wide > 1.7 * body].sum() > 0.45 * wide.sum())
    raw: list[_Raw] = []
    for part in parts:
        height, width = float(np.ptp(part.up)) + 1, float(np.ptp(part.along)) + 1
        limit = 1.05 * body if joined else 1.9 * max(body, 0.8 * height)
        raw += _taken_apart(part, body) if width > limit else [_whole(part)]
    raw = [r for r in raw if r.top - r.foot - stroke > _LEAST * (body - stroke)]
    if not raw:
        return empty
    heights = np.array([r.top - r.foot for r in raw])
    feet = np.array([r.foot for r in raw])
    share, centre = _kinds(heights - stroke, feet, max(body - stroke, 1.0))
    marks = tuple(
        Mark(r.line, r.word, r.box, _kind(s), r.box.bottom, r.box.top, r.top - r.foot, r.foot)
        for r, s in zip(raw, share, strict=True)
    )
    return Letters(marks, share, centre, stroke, joined)


def _kind(share: FloatArray) -> Kind:
    if share.sum() < 0.5:
        return "other"
    names: tuple[Kind, ...] = ("body", "other", "ascender", "descender")
    return names[int(np.argmax(share))]


def _parts(lines: Lines, words: Words, body: float) -> list[_Part]:
    """Return the ink of every piece in every line, heights taken from the baseline, columns set upright."""
    pieces = lines.pieces
    kept = np.flatnonzero(lines.line >= 0)
    key = lines.line[kept].astype(np.int64) * (len(pieces.boxes) + 1) + pieces.piece[kept]
    kept = kept[np.argsort(key, kind="stable")]
    line = lines.line[kept]
    x = pieces.x[kept].astype(np.float64)
    y = pieces.y[kept].astype(np.float64)
    up = np.empty_like(x)
    for k, text_line in enumerate(lines.lines):
        inside = slice(*np.searchsorted(line, (k, k + 1)))
        # The baseline runs through the lowest rows of ink, whose lower edge is half a pixel below.
        up[inside] = text_line.baseline.at(x[inside]) + 0.5 - y[inside]
    along = x - _lean(x, up, line, body) * up
    piece = pieces.piece[kept]
    starts = np.flatnonzero(np.concatenate([[True], (np.diff(line) != 0) | (np.diff(piece) != 0)]))
    ends = np.append(starts[1:], len(kept))
    word = words.word[kept]
    return [
        _Part(int(line[a]), int(word[a]), x[a:b], y[a:b], up[a:b], along[a:b])
        for a, b in zip(starts, ends, strict=True)
    ]


def _lean(x: FloatArray, up: FloatArray, line: NDArray[np.int32], body: float) -> float:
    """Return how far strokes go right for each px up: the lean whose removal crowds the ink into columns."""
    near = np.flatnonzero((up > 0) & (up < 2.2 * body))
    near = near[:: max(1, len(near) // 60000)]
    if len(near) < 50:
        return 0.0
    best, best_score = 0.0, -1.0
    cell = max(1.0, 0.08 * body)
    for lean in np.linspace(-0.8, 0.8, 33):
        column = np.rint((x[near] - lean * up[near]) / cell).astype(np.int64)
        column -= column.min()
        counts = np.bincount(line[near] * (int(column.max()) + 1) + column).astype(np.float64)
        score = float((counts**2).sum())
        if score > best_score:
            best, best_score = float(lean), score
    return best


def _whole(part: _Part) -> _Raw:
    top, foot = float(part.up.max()) + 0.5, float(part.up.min()) - 0.5
    return _Raw(part.line, part.word, _box(part, slice(None)), top, foot)


def _box(part: _Part, inside: slice | NDArray[np.bool_]) -> Box:
    x, y = part.x[inside], part.y[inside]
    return Box(float(x.min()), float(y.min()), float(x.max()) + 1, float(y.max()) + 1)


def _taken_apart(part: _Part, body: float) -> list[_Raw]:
    """Split a piece of several letters at the tops of its outline, each top with the foot nearest along the line."""
    column = np.rint(part.along).astype(np.int64)
    left = int(column.min())
    width = int(column.max()) - left + 1
    upper, lower = np.full(width, -np.inf), np.full(width, np.inf)
    np.maximum.at(upper, column - left, part.up)
    np.minimum.at(lower, column - left, part.up)
    inked = np.flatnonzero(np.isfinite(upper))
    every = np.arange(width)
    upper, lower = np.interp(every, inked, upper[inked]), np.interp(every, inked, lower[inked])
    feet = _peaks(-lower, _FOOT_RISE * body)
    out = []
    for x in _peaks(upper, _TOP_FALL * body):
        away = np.abs(feet - x)
        nearest = int(feet[np.argmin(away)])
        if away.min() > 0.75 * body:  # a level run below: the lowest ink under the top itself
            under = slice(max(0, int(x - 0.35 * body)), int(x + 0.35 * body) + 1)
            nearest = under.start + int(np.argmin(lower[under]))
        inside = np.abs(part.along - left - x) <= 0.35 * body
        if inside.any():
            top, foot = float(upper[x]) + 0.5, float(lower[nearest]) - 0.5
            out.append(_Raw(part.line, part.word, _box(part, inside), top, foot))
    return out


def _peaks(profile: FloatArray, prominence: float) -> NDArray[np.int64]:
    """Return where the outline turns: peaks that stand out by `prominence`, the ends counted as falling away."""
    least = float(profile.min()) - 10 * prominence - 1
    padded = np.concatenate([[least], profile, [least]])
    return np.asarray(signal.find_peaks(padded, prominence=prominence)[0] - 1, dtype=np.int64)


# --- kinds of marks -----------------------------------------------------------------------------------------------


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

    def densities(self, height: FloatArray, foot: FloatArray) -> FloatArray:
        """Return weight times density of each mark in each kind, and last in none of them; shape (marks, 5)."""
        centre = self.centres()
        wide = np.sqrt((centre * self.spread) ** 2 + HEIGHT_VARIANCE)
        rows = np.array([0.0, 0.0, 0.0, -self.depth * self.body])
        bounce = np.sqrt(np.array([0.0, 0.0, 0.0, self.depth * self.body * self.spread]) ** 2 + self.bounce**2)
        z = ((height[:, None] - centre) / wide) ** 2 + ((foot[:, None] - rows) / bounce) ** 2
        fit = self.weights[:4] * np.exp(-0.5 * z) / (2 * np.pi * wide * bounce)
        none = np.full((len(height), 1), self.weights[4] / (12.0 * self.body**2))
        return np.hstack([fit, none])


def _kinds(height: FloatArray, foot: FloatArray, body: float) -> tuple[FloatArray, FloatArray]:
    """Fit the mixture from several starts and return the likeliest: shares (marks, 4) and the kinds' mean heights."""
    best: tuple[float, FloatArray, FloatArray] | None = None
    for factor in (0.85, 1.0, 1.15):
        for spread in (0.08, 0.2):
            fitted = _Mixture(
                factor * body, 1.55, 2.0, 0.85, spread, 0.08 * body, np.array([0.6, 0.08, 0.2, 0.1, 0.02])
            )
            for _ in range(_ROUNDS):
                densities = fitted.densities(height, foot)
                share = densities / densities.sum(1, keepdims=True)
                if _improve(fitted, share, height, foot) < 1e-5:
                    break
            densities = fitted.densities(height, foot)
            total = densities.sum(1)
            likelihood = float(np.log(total).sum())
            if best is None or likelihood > best[0]:
                best = likelihood, densities[:, :4] / total[:, None], fitted.centres()
    if best is None:  # pragma: no cover - there is always a start
        raise RuntimeError("no start of the mixture")
    return best[1], best[2]


def _improve(mixture: _Mixture, share: FloatArray, height: FloatArray, foot: FloatArray) -> float:
    """Set every number of the mixture to its best for the shares; return how much the body height moved, relative."""
    n = share.sum(0)
    # A few marks' worth of what hands usually show keeps rare kinds in their place.
    prior = np.array([0.0, 4.0, 4.0, 4.0])
    means = share[:, :4].T @ height
    before = mixture.body
    mixture.body = float(means[0] / max(n[0], 1e-9)) if n[0] > 1 else before
    ratio = (means[1:] + prior[1:] * mixture.body * np.array([1.55, 2.0, 1.85])) / (n[1:4] + prior[1:]) / mixture.body
    mixture.tall = float(np.clip(ratio[1], 1.5, 2.8))
    mixture.middle = float(np.clip(ratio[0], 1.3, 0.9 * mixture.tall))
    mixture.depth = float(np.clip(ratio[2] - 1, 0.45, 1.6))
    centre = mixture.centres()
    relative = ((height[:, None] - centre) ** 2 - HEIGHT_VARIANCE) / centre**2
    flat = share[:, :3]
    variance = ((flat * relative[:, :3]).sum() + 4 * 0.12**2) / (flat.sum() + 4)
    mixture.spread = float(np.clip(np.sqrt(max(variance, 0.0)), 0.02, 0.35))
    bounce = ((flat * foot[:, None] ** 2).sum() + 4 * (0.06 * mixture.body) ** 2) / (flat.sum() + 4)
    mixture.bounce = float(np.clip(np.sqrt(bounce), max(0.02 * mixture.body, 0.4), 0.3 * mixture.body))
    weights = n + np.array([2.0, 0.5, 0.5, 0.5, 0.5])
    mixture.weights = weights / weights.sum()
    return abs(mixture.body / before - 1)
