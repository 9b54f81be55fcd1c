"""Slant of the writing: the angle of near-upright strokes to the local baseline.

    slant          mean angle, degrees: 90 upright, below 90 leaning right
    slant_spread   SD of the angle from stroke to stroke, degrees

Strokes are the stems of `stems`, left and right edges, those that bend left out, and those that are not one
stroke's own (`_own`). Each counts by its height, up to 1.2 x-heights. Slant is that of strokes written downwards. In
joined writing the pen also goes up in straight strokes, which lean further right; v, w, x and z have straight strokes
that lean both ways: the angles are a mixture of stems, normal about the slant; of strokes upwards, normal about an
angle some 20 degrees lower (from 12 to 35); and of others, widely spread. How many there are of each kind is fitted
apart for strokes that look written downwards, upwards and neither (`stems.Strokes.way`). Every stroke counts by its
chance r_i of being a stem:

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
from numpy.typing import NDArray

from handwriting.bootstrap import line_bootstrap
from handwriting.geometry import FloatArray
from handwriting.measures.common import COMMON
from handwriting.measures.evidence import SEED, Evidence, plain
from handwriting.measures.stems import Index, Strokes, find_strokes
from handwriting.quantity import NotMeasured, Quantity
from handwriting.statistics import MAD_TO_SD, over_sums, ratio
from handwriting.words import lean

LEAST = 5
LEAST_SPREAD = 20
DISAGREE_DEG = 5.0
# Strokes that are no stems: SD of their angles about the slant, and the density of what has no order at all.
_ASTRAY_DEG = 12.0
_ANYWHERE = 1 / 130.0
# Strokes upwards: how far to the right of stems they lean and how surely, at least and at most, and their own SD.
_UP_DEG, _UP_SURE_DEG, _UP_LEAST_DEG, _UP_MOST_DEG, _UP_SD_DEG = 22.0, 4.0, 12.0, 35.0, 8.0
# Usual shares of stems, strokes upwards and others; rows: strokes that look written downwards, either way, upwards. In
# joined writing the pen goes up as often as down, in unjoined writing hardly a straight stroke goes up.
_JOINED = np.array([[0.85, 0.05, 0.08], [0.45, 0.40, 0.13], [0.20, 0.65, 0.13]])
_UNJOINED = np.array([[0.85, 0.01, 0.12], [0.83, 0.02, 0.13], [0.80, 0.05, 0.13]])
# Standard error of the slant where strokes upwards are many, for they are not told surely: slants of 24 children's
# pages differ by 4.4 (root mean square) from those of their pens' ways down (Drotar & Dobes 2020), and lie 3.3 lower.
# Many is this share of the strokes and more; with fewer it falls in proportion.
_UNTOLD_DEG, _MANY_UPWARDS = 4.2, 0.15
# Strokes' worth of them (each an x-height); and of a usual spread of stems.
_USUAL = 12.0
_USUAL_SD_DEG, _USUAL_STEMS = 4.0, 3.0
_ROUNDS = 40
_NARROWEST_DEG = 0.5
_TALLEST = 1.2
# A step of one column in half a stem of 30 rows bends it by 6 degrees: no curve is told from it.
_LEAST_BEND_DEG = 2.0
# Ink from so many strokes' widths on is more than one stroke; edges that differ by less lean alike.
_WIDE, _APART_DEG = 1.25, 2.0


def slant(evidence: Evidence) -> dict[str, Quantity]:
    """Return the slant and its spread by key; ``slant-unsure`` with fewer than five strokes."""
    strokes = find_strokes(evidence.ink, evidence.lines)
    own = _own(strokes, evidence.ink.stroke_px, joined=evidence.letters.joined)
    if int(own.sum()) < LEAST:
        missing = NotMeasured("slant-unsure", "fewer than five straight upright strokes were found")
        return {"slant": missing, "slant_spread": missing}
    bend = MAD_TO_SD * float(np.median(np.abs(strokes.bend_deg[own])))
    kept = own & (np.abs(strokes.bend_deg) <= 3 * max(bend, _LEAST_BEND_DEG))
    angle, line = strokes.angle_deg[kept], strokes.line[kept]
    size = np.array([text_line.x_height for text_line in evidence.lines.lines])
    height = np.minimum(strokes.height[kept] / size[line], _TALLEST)
    # Slopes of the two halves of a line of n points with independent errors have 8 times the variance of the whole
    # line's each, so their difference has 16 times.
    noise = bend**2 / 16
    usual = _JOINED if evidence.letters.joined else _UNJOINED
    stems, upwards = height * _stems(angle, height, strokes.way[kept], noise, usual)
    marks = np.column_stack([angle, stems])
    mean = _MEAN.value(marks)
    second = 90 - float(np.degrees(np.arctan(lean(evidence.lines))))
    flags = ("slant-unsure",) if abs(second - mean) > DISAGREE_DEG else ()
    groups = [marks[line == k] for k in np.unique(line)]
    n, joined = len(marks), evidence.letters.joined
    untold = _UNTOLD_DEG * min(1.0, float(upwards.sum() / (upwards.sum() + stems.sum())) / _MANY_UPWARDS)
    shared = float(np.hypot(COMMON["slant"].of(0.0, joined=joined), untold))
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


def _own(strokes: Strokes, stroke_px: float, *, joined: bool) -> NDArray[np.bool_]:
    """Tell which edges show the way of one stroke.

    Those of ink as wide as one stroke do. Wider ink is two strokes lying half over one another where both its sides are
    straight and lean otherwise: the more upright edge is that of the way down. Where the other side is not straight, a
    bowl or a join lies along the stroke: an edge like that may be one of a way up, which only the mixture of joined
    writing allows for.
    """
    two = strokes.opposite >= 0
    apart = np.where(two, strokes.angle_deg - strokes.angle_deg[strokes.opposite], 0.0)
    return (strokes.width < _WIDE * stroke_px) | np.where(two, apart > _APART_DEG, joined)


def _stems(angle: FloatArray, height: FloatArray, way: Index, noise: float, usual: FloatArray) -> FloatArray:
    """Return each stroke's chances of being a stem and of being upwards, shape (2, strokes), by the mixture.

    `noise` is the variance of one angle's own error, `usual` the usual shares of the kinds by `way`. The fit starts at
    every crowd of angles and the likeliest end counts.
    """
    grid = np.arange(25.0, 155.1, 1.0)
    crowd = np.exp(-0.5 * ((grid[:, None] - angle) / 3.0) ** 2) @ (height * (1.0 + way))
    inner = crowd[1:-1]
    peaks = grid[1:-1][(inner >= crowd[:-2]) & (inner > crowd[2:]) & (inner > 0.3 * crowd.max())]
    if not len(peaks):  # all of them lean as far as is looked
        peaks = grid[[int(crowd.argmax())]]
    fits = [_fit(angle, height, 1 - way, noise, usual, float(peak)) for peak in peaks]
    return max(fits, key=lambda fit: fit[0])[1]


def _fit(
    angle: FloatArray, height: FloatArray, row: Index, noise: float, usual: FloatArray, mean: float
) -> tuple[float, FloatArray]:
    """Fit the mixture from this slant on; return how likely it is (logarithm) and the chances."""
    share, sd, up = usual, 3.0, _UP_DEG
    members = (row == np.arange(3)[:, None]) * height
    total = members.sum(axis=1, keepdims=True)
    sure = 1 / _UP_SURE_DEG**2
    for _ in range(_ROUNDS):
        own = share[row].T
        kinds = np.stack(
            [
                own[0] * _normal(angle - mean, sd**2 + noise),
                own[1] * _normal(angle - mean + up, _UP_SD_DEG**2),
                own[2] * _normal(angle - mean, _ASTRAY_DEG**2),
            ]
        )
        all_kinds = kinds.sum(axis=0) + (1 - own.sum(axis=0)) * _ANYWHERE
        chance = kinds / all_kinds
        stems, ups = height * chance[0], height * chance[1]
        share = (members @ chance.T + _USUAL * usual) / (total + _USUAL)
        before = mean, sd
        # Stems and strokes upwards place the slant together, each by its own sharpness.
        sharp, blunt = stems.sum() / (sd**2 + noise), ups.sum() / _UP_SD_DEG**2
        near = stems @ angle / (sd**2 + noise)
        mean = float((near + ups @ (angle + up) / _UP_SD_DEG**2) / (sharp + blunt))
        up = float((ups @ (mean - angle) / _UP_SD_DEG**2 + sure * _UP_DEG) / (blunt + sure))
        up = min(max(up, _UP_LEAST_DEG), _UP_MOST_DEG)
        square = float(stems @ (angle - mean) ** 2) + _USUAL_STEMS * (_USUAL_SD_DEG**2 + noise)
        off = square / (float(stems.sum()) + _USUAL_STEMS)
        sd = float(np.sqrt(max(off - noise, _NARROWEST_DEG**2)))
        if abs(mean - before[0]) + abs(sd - before[1]) < 1e-2:
            break
    likely = float(height @ np.log(all_kinds)) + _USUAL * float((usual * np.log(share)).sum())
    variance = sd**2 + noise
    likely -= 0.5 * _USUAL_STEMS * ((_USUAL_SD_DEG**2 + noise) / variance + float(np.log(variance)))
    return likely - 0.5 * sure * (up - _UP_DEG) ** 2, np.asarray(chance[:2])


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
