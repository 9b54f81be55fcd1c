"""Size of the letters: x-height, its spread, and how ascenders and descenders compare.

With h_i the height of mark i from its own foot to its top, centre line to centre line (ink height less one stroke
width), and w_i its share in a kind of letter (see `letters`):

    x_height_centre = sum w_i h_i / sum w_i over bodies (mm);  x_height = x_height_centre + stroke width
    height_cv = sqrt( sum_k sum_i w_ik ((h_i - m_k)^2 - e^2) / m_k^2 / (sum w_ik - kinds) ) over bodies, middle
        letters and ascenders, m_k the mean of kind k, e^2 the variance of two edges rounded to whole pixels
    height_robust_cv = 1.4826 MAD / median of the marks that are most likely bodies; equal to height_cv for normal
        heights, 8 % above it for normal heights cut at two SD
    ascender_ratio, descender_ratio = mean height of ascenders and capitals, mean depth of descenders below the
        baseline, over the mean height of bodies, centre line to centre line

A mark keeps its share in every kind, so no height is cut off: a cut would make the spread read low. Heights are taken
from each letter's own foot, so that letters off the line do not add to the spread of size. Marks under a dot give no
height: i and j stand lower than other letters in many hands, and the x-height is that of a c e m n o r s u v w x z.

What it does not see: which letter a mark is; capitals count with the ascenders.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from handwriting.bootstrap import line_bootstrap
from handwriting.geometry import FloatArray
from handwriting.letter_kinds import HEIGHT_VARIANCE
from handwriting.measures.common import COMMON, after_blur
from handwriting.measures.evidence import SEED, Evidence, length, plain
from handwriting.quantity import NotMeasured, Quantity
from handwriting.statistics import ROBUST_CV, over_sums, ratio

KEYS = ("x_height", "x_height_centre", "height_cv", "height_robust_cv", "ascender_ratio", "descender_ratio")
LEAST = 30
_FEWEST = 5
_USUAL_CV = 0.15
_BODY, _MIDDLE, _TALL, _DEEP = range(4)

Finish = Callable[[FloatArray], FloatArray]


def size(evidence: Evidence) -> dict[str, Quantity]:
    """Return x-height, spread of height, ascender and descender ratio of a page, or why they are missing."""
    letters = evidence.letters
    few = NotMeasured("few-letters", f"fewer than {_FEWEST} letters without tall parts or tails were found")
    if letters.sized.shape[0] == 0 or letters.sized[:, _BODY].sum() < _FEWEST:
        return dict.fromkeys(KEYS, few)
    height = np.array([m.height for m in letters.marks]) - letters.stroke_px
    foot = np.array([m.foot for m in letters.marks])
    line = np.array([m.line for m in letters.marks])
    return {
        **_lengths(evidence, height, line),
        **_spreads(evidence, height, line),
        **_ratios(evidence, height, foot, line),
    }


def _groups(marks: FloatArray, line: FloatArray) -> list[FloatArray]:
    return [marks[line == k] for k in np.unique(line)]


def _mean(marks: FloatArray) -> tuple[FloatArray, Finish]:
    """Mean of column 0 with the shares of column 1."""
    terms = np.column_stack([marks[:, 1], marks[:, 0] * marks[:, 1]])
    return terms, lambda sums: ratio(sums[:, 1], sums[:, 0], 0.5)


def _lengths(evidence: Evidence, height: FloatArray, line: FloatArray) -> dict[str, Quantity]:
    letters = evidence.letters
    n = round(float(letters.sized[:, _BODY].sum()))
    flags = ("few-letters",) if n < LEAST else ()
    out: dict[str, Quantity] = {}
    for key, extra in (("x_height", letters.stroke_px), ("x_height_centre", 0.0)):
        marks = np.column_stack([height + extra, letters.sized[:, _BODY]])
        value = MEAN_HEIGHT.value(marks)
        interval = line_bootstrap(_groups(marks, line), MEAN_HEIGHT, seed=SEED)
        shared = COMMON[key].of(value, joined=letters.joined, height_cv=_unevenness(height, letters.sized))
        shared = math.hypot(shared, after_blur(evidence.blur_px))
        out[key] = length(evidence, value, interval, n, flags=flags, shared_px=shared, least_px=0.0)
    return out


def _cv(marks: FloatArray) -> tuple[FloatArray, Finish]:
    """Spread of column 0 within the kinds whose shares stand in the other columns, less the edges' variance."""
    height, share = marks[:, :1], marks[:, 1:]
    kinds = share.shape[1]

    def finish(sums: FloatArray) -> FloatArray:
        squares, freedom = np.zeros(len(sums)), np.zeros(len(sums))
        for k in range(kinds):
            count, first, second = sums[:, k], sums[:, kinds + k], sums[:, 2 * kinds + k]
            mean = ratio(first, count, 0.5)
            variance = ratio(second, count, 0.5) - mean**2 - HEIGHT_VARIANCE
            some = np.isfinite(mean) & (count > 2)
            squares += np.where(some, count * variance / np.where(some, mean, 1.0) ** 2, 0.0)
            freedom += np.where(some, count - 1, 0.0)
        return np.sqrt(np.maximum(ratio(squares, freedom, 0.5), 0.0))

    return np.hstack([share, share * height, share * height**2]), finish


def _unevenness(height: FloatArray, share: FloatArray) -> float:
    """Return height_cv, for what it tells of the errors of other measures; the usual one where letters are few."""
    value = HEIGHT_CV.value(np.column_stack([height, share[:, :_DEEP]]))
    return value if float(share[:, :_DEEP].sum()) >= LEAST and math.isfinite(value) else _USUAL_CV


def _spreads(evidence: Evidence, height: FloatArray, line: FloatArray) -> dict[str, Quantity]:
    share, joined = evidence.letters.sized, evidence.letters.joined
    n = round(float(share[:, :_DEEP].sum()))
    if n < LEAST:
        few = NotMeasured("few-letters", f"{n} letters were found; a spread of height needs {LEAST}")
        return {"height_cv": few, "height_robust_cv": few}
    marks = np.column_stack([height, share[:, :_DEEP]])
    value = HEIGHT_CV.value(marks)
    shared = COMMON["height_cv"].of(value, joined=joined)
    interval = line_bootstrap(_groups(marks, line), HEIGHT_CV, seed=SEED)
    out: dict[str, Quantity] = {"height_cv": plain(value, "1", interval, n, shared=shared, least=0.0)}
    bodies = (share.argmax(1) == _BODY) & (share.sum(1) > 0.5)
    values = height[bodies]
    if len(values) < LEAST:
        out["height_robust_cv"] = NotMeasured("few-letters", f"{len(values)} bodies were found; a spread needs {LEAST}")
    else:
        value = ROBUST_CV.value(values)
        shared = COMMON["height_cv"].of(value, joined=joined)
        interval = line_bootstrap(_groups(values, line[bodies]), ROBUST_CV, seed=SEED)
        out["height_robust_cv"] = plain(value, "1", interval, len(values), shared=shared, least=0.0)
    return out


def _ratio(marks: FloatArray) -> tuple[FloatArray, Finish]:
    """Mean of column 2 with the shares of column 3 over the mean of column 0 with the shares of column 1."""
    value, share = marks[:, ::2], marks[:, 1::2]
    return np.hstack([share, share * value]), lambda sums: ratio(
        ratio(sums[:, 3], sums[:, 1], 0.5), ratio(sums[:, 2], sums[:, 0], 0.5)
    )


def _ratios(evidence: Evidence, height: FloatArray, foot: FloatArray, line: FloatArray) -> dict[str, Quantity]:
    share = evidence.letters.sized
    out: dict[str, Quantity] = {}
    for key, kind, values, name in (
        ("ascender_ratio", _TALL, height, "tall letters"),
        ("descender_ratio", _DEEP, -foot, "letters with a tail"),
    ):
        n = round(float(share[:, kind].sum()))
        if n < _FEWEST:
            out[key] = NotMeasured("few-letters", f"{n} {name} were found; the ratio needs {_FEWEST}")
            continue
        marks = np.column_stack([height, share[:, _BODY], values, share[:, kind]])
        value = HEIGHT_RATIO.value(marks)
        interval = line_bootstrap(_groups(marks, line), HEIGHT_RATIO, seed=SEED)
        shared = COMMON[key].of(value, joined=evidence.letters.joined, height_cv=_unevenness(height, share))
        out[key] = plain(value, "1", interval, n, shared=shared, least=0.0)
    return out


MEAN_HEIGHT = over_sums(_mean)
HEIGHT_CV = over_sums(_cv, spread=True)
HEIGHT_RATIO = over_sums(_ratio)
