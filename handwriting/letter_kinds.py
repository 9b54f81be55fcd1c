"""Tell letter marks apart: bodies, middle letters such as t, tall letters with capitals, letters with tails.

A mixture of four kinds is fitted to all marks of a page: bodies (height m), middle letters, tall ones, and ones whose
foot lies well below the line. All kinds share one relative spread of height, because a hand that varies its size varies
it in every letter. Where sizes vary by a fifth, small t and tall letters are as high as large bodies, and height alone
leaves the bodies' mean 1 to 3 % high. So the *look* of a mark counts as well: how broad its ink is near the top, in
bodies of the page (bodies are broad there, stems slender). How often each look comes in a kind is learnt from the page
itself, middle and tall letters together. Breadth is not taken by the mark's own height: in a hand whose letters vary in
height alone that would make large bodies look slender. Marks under a dot (i, j) take no part: in many hands they are a
quarter lower than other bodies, and as slender as tall letters.

Each mark keeps its share in every kind, so that no height is cut off by a fixed limit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray

#: Variance of a height in px squared: two edges, each rounded to a whole pixel.
HEIGHT_VARIANCE = 2.0 / 12.0
# How far below the line tails end, in bodies, centre line to centre line.
_LOW, _DEEPEST = 0.45, 2.2
_ROUNDS = 80
_HEAT = 12
# How often the kinds come in English text without i and j: small letters; t; tall letters and capitals; letters with
# tails; none of them (letter frequencies of English, widely printed, from memory). Worth this share of the page's own
# marks: a hand of uneven size would else lose half its bodies to the middle kind.
_USUAL = np.array([0.63, 0.09, 0.205, 0.064, 0.011])
_USUAL_WORTH = 0.3
# How tall middle letters usually are between bodies (0) and tall ones (1); never taken for higher than 1.55 bodies.
_BETWEEN = 0.55
# Limits between slender and broad tops, in bodies, and what the page's usual looks are worth in each kind, in marks.
_BROAD = np.array([0.15, 0.3, 0.45])
_LOOKS = 2 * (len(_BROAD) + 1)
_LOOK_WORTH = 4.0
# Fewer marks without a dot than this tell no kinds apart.
_FEWEST = 5


def looks(broad: FloatArray, several: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the look of each mark, from 0.

    Parameters
    ----------
    broad : ndarray, shape (marks,)
        Breadth of the ink near the top, centre line to centre line, in bodies.
    several : ndarray of bool
        Whether the mark comes of a piece of several letters, whose tops are seen by the outline alone.
    """
    return np.searchsorted(_BROAD, broad) + (len(_BROAD) + 1) * several


@dataclass(frozen=True, slots=True, eq=False)
class _Marks:
    """Heights, feet and looks of all marks, and the columns whose shares make every new number.

    These are 1, height, height^2, foot^2, and one for each look. `usual` is how often each look comes.
    """

    height: FloatArray
    foot: FloatArray
    look: NDArray[np.int64]
    columns: FloatArray
    usual: FloatArray

    @classmethod
    def of(cls, height: FloatArray, foot: FloatArray, look: NDArray[np.int64]) -> _Marks:
        of_look = (look[:, None] == np.arange(_LOOKS)).astype(np.float64)
        columns = np.column_stack([np.ones(len(height)), height, height**2, foot**2, of_look])
        return cls(height, foot, look, columns, (of_look.sum(0) + 0.5) / (len(look) + 0.5 * _LOOKS))


@dataclass(slots=True)
class _Mixture:
    """Mean body height, the other kinds' heights as multiples of it, shared spread, bounce, weights, looks by kind."""

    body: float
    middle: float
    tall: float
    depth: float
    spread: float
    bounce: float
    weights: FloatArray
    looks: FloatArray

    def centres(self) -> FloatArray:
        return self.body * np.array([1.0, self.middle, self.tall, 1.0 + self.depth])

    def densities(self, marks: _Marks) -> FloatArray:
        """Return weight times density of each mark in each kind, and last in none of them; shape (5, marks)."""
        centre = self.centres()
        wide = np.sqrt((centre * self.spread) ** 2 + HEIGHT_VARIANCE)
        deep = self.depth * self.body
        bounce = np.array([self.bounce] * 3 + [float(np.hypot(self.bounce, deep * self.spread))])
        z = ((marks.height - centre[:, None]) / wide[:, None]) ** 2
        z[:3] += (marks.foot / self.bounce) ** 2
        z[3] += ((marks.foot + deep) / bounce[3]) ** 2
        out = np.empty((5, len(marks.height)))
        np.exp(np.multiply(z, -0.5, out=z), out=out[:4])
        out[:4] *= (self.weights[:4] / (2 * np.pi * wide * bounce))[:, None]
        out[4] = self.weights[4] / (12.0 * self.body**2)
        out *= self.looks[:, marks.look]
        return out

    def worth(self, densities: FloatArray) -> float:
        """Return the logarithm of the chance of the marks, and of so many of each kind in a text."""
        usual = _USUAL_WORTH * densities.shape[1] * (_USUAL @ np.log(self.weights))
        return float(np.log(densities.sum(0)).sum() + usual)


def find_kinds(
    height: FloatArray, foot: FloatArray, look: NDArray[np.int64], dotted: NDArray[np.bool_], body: float
) -> tuple[FloatArray, FloatArray]:
    """Fit the mixture and return the likeliest: shares (marks, 4) and the kinds' mean heights.

    Heights are centre line to centre line, feet above the baseline, `body` a first guess of the body's height, all px.
    Marks under a dot get their shares by height and foot, and take no part in the fit unless nearly all are such. Six
    starts run a few rounds each; the best two go on to the end.
    """
    part = ~dotted if (~dotted).sum() >= _FEWEST else np.ones_like(dotted)
    marks = _Marks.of(height[part], foot[part], look[part])
    every = np.tile(marks.usual, (5, 1))
    low = -marks.foot[marks.foot < -_LOW * body] / body
    # Long tails are too far from usual ones to be found from there.
    depth = float(np.clip(np.median(low), 0.85, _DEEPEST)) if len(low) > 2 else 0.85
    starts = [
        _Mixture(factor * body, 1.55, 2.0, depth, spread, 0.08 * body, np.array([0.6, 0.08, 0.2, 0.1, 0.02]), every)
        for factor in (0.85, 1.0, 1.15)
        for spread in (0.08, 0.2)
    ]
    for mixture in starts:
        _run(mixture, marks, _HEAT)
    starts.sort(key=lambda m: m.worth(m.densities(marks)), reverse=True)
    for mixture in starts[:2]:
        _run(mixture, marks, _ROUNDS)
    best = max(starts[:2], key=lambda m: m.worth(m.densities(marks)))
    densities = best.densities(_Marks.of(height, foot, look))
    densities[:, ~part] /= best.looks[:, look[~part]]
    return (densities[:4] / densities.sum(0)).T, best.centres()


def _run(mixture: _Mixture, marks: _Marks, rounds: int) -> None:
    """Set every number of the mixture to its best for the shares, until the body height stands still."""
    for _ in range(rounds):
        densities = mixture.densities(marks)
        densities /= densities.sum(0)
        if _improve(mixture, densities @ marks.columns, marks.usual) < 1e-5:
            return


def _improve(mixture: _Mixture, sums: FloatArray, usual: FloatArray) -> float:
    """Set every number of the mixture from the kinds' sums of columns; return how much the body moved, relative."""
    n, means = sums[:, 0], sums[:4, 1]
    # A few marks' worth of what hands usually show keeps rare kinds in their place.
    before = mixture.body
    mixture.body = float(means[0] / max(n[0], 1e-9)) if n[0] > 1 else before
    usually = np.array([min(1.55, 1.0 + _BETWEEN * (mixture.tall - 1.0)), 2.0, 1.85])
    ratio = (means[1:] + 4.0 * mixture.body * usually) / (n[1:4] + 4.0) / mixture.body
    mixture.tall = min(max(float(ratio[1]), 1.5), 2.8)
    mixture.middle = min(max(float(ratio[0]), 1.3), 0.9 * mixture.tall)
    mixture.depth = min(max(float(ratio[2]) - 1.0, _LOW), _DEEPEST)
    centre, flat = mixture.centres()[:3], float(n[:3].sum())
    squares = sums[:3, 2] - 2 * centre * sums[:3, 1] + (centre**2 - HEIGHT_VARIANCE) * n[:3]
    variance = (float((squares / centre**2).sum()) + 4 * 0.12**2) / (flat + 4)
    mixture.spread = min(max(max(variance, 0.0) ** 0.5, 0.02), 0.35)
    bounce = ((float(sums[:3, 3].sum()) + 4 * (0.06 * mixture.body) ** 2) / (flat + 4)) ** 0.5
    mixture.bounce = min(max(bounce, 0.02 * mixture.body, 0.4), 0.3 * mixture.body)
    weights = n + np.array([2.0, 0.5, 0.5, 0.5, 0.5]) + _USUAL_WORTH * float(n.sum()) * _USUAL
    mixture.weights = weights / weights.sum()
    seen = sums[:, 4:].copy()
    # Of their own, middle letters would make off with the broad half of the bodies; what fits no kind looks like any.
    seen[1:3] = seen[1:3].sum(0)
    seen[4] = 0.0
    seen += _LOOK_WORTH * usual
    mixture.looks = seen / seen.sum(1, keepdims=True)
    return abs(mixture.body / before - 1)
