"""Slant of the writing: the angle of near-upright strokes to the local baseline.

    slant          mean angle, degrees: 90 upright, below 90 leaning right
    slant_spread   SD of the angle from stroke to stroke, degrees

Strokes are the stems of `stems`, left and right edges, those that bend or that carry a join along their side left out;
each counts by its height, up to 1.2 x-heights. v, w, x and z have straight strokes that lean both ways, and joins lean
right: the angles are a mixture of stems, normal about the slant, and of such others, widely spread about it, and every
stroke counts by its chance r_i of being a stem:

    slant = sum r_i h_i a_i / sum r_i h_i;  slant_spread^2 = sum r_i h_i (a_i - slant)^2 / sum r_i h_i - e^2

e^2 is the error of one stroke's angle, from how much the two halves of strokes differ: a tremble of the pen inside one
stem is no change of slant.

A second estimate, the shear that makes the page's columns most distinct, must agree within 5 degrees, else the slant
carries ``slant-unsure``.

What it does not see: strokes that lean more than about 60 degrees from upright.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from handwriting.bootstrap import line_bootstrap
from handwriting.geometry import FloatArray
from handwriting.measures.common import COMMON
from handwriting.measures.evidence import SEED, Evidence, plain
from handwriting.measures.stems import find_strokes
from handwriting.quantity import NotMeasured, Quantity
from handwriting.statistics import MAD_TO_SD, over_sums, ratio
from handwriting.words import lean

LEAST = 5
LEAST_SPREAD = 20
DISAGREE_DEG = 5.0
# Strokes that are no stems: SD of their angles about the slant, and the density of what has no order at all.
_ASTRAY_DEG = 12.0
_ANYWHERE = 1 / 130.0
_ROUNDS = 80
_NARROWEST_DEG = 0.5
_TALLEST = 1.2
# A step of one column in half a stem of 30 rows bends it by 6 degrees: no curve is told from it.
_LEAST_BEND_DEG = 2.0


def slant(evidence: Evidence) -> dict[str, Quantity]:
    """Return the slant and its spread by key; ``slant-unsure`` with fewer than five strokes."""
    strokes = find_strokes(evidence.ink, evidence.lines)
    # Where a bowl or a join lies along a stem, the outline is not the stem's alone.
    single = strokes.width < 1.25 * evidence.ink.stroke_px
    if int(single.sum()) < LEAST:
        missing = NotMeasured("slant-unsure", "fewer than five straight upright strokes were found")
        return {"slant": missing, "slant_spread": missing}
    bend = MAD_TO_SD * float(np.median(np.abs(strokes.bend_deg[single])))
    kept = single & (np.abs(strokes.bend_deg) <= 3 * max(bend, _LEAST_BEND_DEG))
    angle, line = strokes.angle_deg[kept], strokes.line[kept]
    size = np.array([text_line.x_height for text_line in evidence.lines.lines])
    height = np.minimum(strokes.height[kept] / size[line], _TALLEST)
    # Slopes of the two halves of a line of n points with independent errors have 8 times the variance of the whole
    # line's each, so their difference has 16 times.
    noise = bend**2 / 16
    marks = np.column_stack([angle, height * _stems(angle, height, noise)])
    mean = _MEAN.value(marks)
    second = 90 - float(np.degrees(np.arctan(lean(evidence.lines))))
    flags = ("slant-unsure",) if abs(second - mean) > DISAGREE_DEG else ()
    groups = [marks[line == k] for k in np.unique(line)]
    n, joined = len(marks), evidence.letters.joined
    shared = COMMON["slant"].of(0.0, joined=joined)
    out: dict[str, Quantity] = {
        "slant": plain(mean, "deg", line_bootstrap(groups, _MEAN, seed=SEED), n, flags, shared=shared)
    }
    if n < LEAST_SPREAD:
        out["slant_spread"] = NotMeasured(
            "slant-unsure", f"a spread of slant needs {LEAST_SPREAD} straight upright strokes"
        )
        return out
    statistic = over_sums(lambda marks: _spread(marks, noise), spread=True)
    spread = statistic.value(marks)
    shared = COMMON["slant_spread"].of(spread, joined=joined)
    interval = line_bootstrap(groups, statistic, seed=SEED)
    out["slant_spread"] = plain(spread, "deg", interval, n, flags, shared=shared, least=0.0)
    return out


def _stems(angle: FloatArray, height: FloatArray, noise: float) -> FloatArray:
    """Return each stroke's chance of being a stem: one normal kind among others that lean anyhow, fitted to the page.

    `noise` is the variance of one angle's own error. A few strokes' worth of what pages usually show keeps the share of
    stems in its place where there are few strokes.
    """
    grid = np.arange(25.0, 155.1, 0.5)
    crowd = np.exp(-0.5 * ((grid[:, None] - angle) / 3.0) ** 2) @ height
    mean, sd, stems, others = float(grid[int(np.argmax(crowd))]), 3.0, 0.8, 0.15
    total = float(height.sum())
    chance = np.ones(len(angle))
    for _ in range(_ROUNDS):
        near = _normal(angle - mean, sd**2 + noise)
        astray = _normal(angle - mean, _ASTRAY_DEG**2)
        all_kinds = stems * near + others * astray + (1 - stems - others) * _ANYWHERE
        chance = stems * near / all_kinds
        weight = height * chance
        sum_ = float(weight.sum())
        before = mean, sd
        mean = float(weight @ angle) / sum_
        sd = float(np.sqrt(max(float(weight @ (angle - mean) ** 2) / sum_ - noise, _NARROWEST_DEG**2)))
        others = (float((height * others * astray / all_kinds).sum()) + 1.0) / (total + 8.0)
        stems = float(np.clip((sum_ + 6.0) / (total + 8.0), 0.3, 0.995 - others))
        if abs(mean - before[0]) + abs(sd - before[1]) < 1e-4:
            break
    return np.asarray(chance)


def _normal(away: FloatArray, variance: float) -> FloatArray:
    return np.asarray(np.exp(-0.5 * away**2 / variance) / np.sqrt(2 * np.pi * variance))


def _mean(marks: FloatArray) -> tuple[FloatArray, Callable[[FloatArray], FloatArray]]:
    """Mean of column 0 with the weights of column 1."""
    terms = np.column_stack([marks[:, 1], marks[:, 1] * marks[:, 0]])
    return terms, lambda sums: ratio(sums[:, 1], sums[:, 0])


def _spread(marks: FloatArray, noise: float) -> tuple[FloatArray, Callable[[FloatArray], FloatArray]]:
    """SD of column 0 with the weights of column 1, the error of one angle taken off."""
    angle, weight = marks.T
    off = angle - float(weight @ angle / weight.sum())
    terms = np.column_stack([weight, weight * off, weight * off**2])

    def finish(sums: FloatArray) -> FloatArray:
        variance = ratio(sums[:, 2], sums[:, 0]) - ratio(sums[:, 1], sums[:, 0]) ** 2 - noise
        return np.sqrt(np.maximum(variance, 0.0))

    return terms, finish


_MEAN = over_sums(_mean)
