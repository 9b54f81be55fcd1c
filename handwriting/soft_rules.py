"""Lift the rules of a copying sheet off a soft photograph: place, width and blur are known, darkness is told.

Blurred with standard deviation s square to it, a rule takes from the paper's light, at distance t from its middle,

    T(t) = m / (v sqrt(2 pi)) exp(-t^2 / 2 v^2),   v^2 = s^2 + e

far beyond the printed line, and just there letters have their feet. m, the rule's darkness by its width, e, the
variance of its width, and how far the rule lies from its place on the straightened page are fitted in columns without
writing, stretch by stretch: the quarter that is lightest beside the rule. The middle m of a rule, the middle e of all
and a straight line through a rule's places hold. Ink hides the rule under it, as real pens do (darkness where strokes
cross rules, on scans: 86 on a rule and 86 beside it, 102 and 88, 111 and 114 of 250, where light through both would
have left 54, 69 and 79). With d the darkness seen, P the paper's light and b the depth of the ink, that of ink alone is

    (d - P T) / (1 - P T / b)

What it does not see: a rule that is darker in places; ink lighter than the rule.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from handwriting.depth import Blur, find_depth
from handwriting.geometry import Box, FloatArray
from handwriting.lifting import PAPER
from handwriting.rule_bits import families
from handwriting.rules import Rules

ByteImage = NDArray[np.uint8]

_STRETCH_MM, _BESIDE_MM, _MOST_WIDE_MM = 20.0, 0.4, 0.5
# Standard deviations from the middle of a rule: as far as it is lifted; from where on it takes next to nothing.
_REACH, _CLEAR = 3.5, 2.2
_FREE, _FEWEST = 0.25, 8
_ROUNDS, _FAR = 6, 3.0
_LEAST_LEFT = 0.25


@dataclass(slots=True)
class _Rule:
    """One rule: whether upright, its row (or column), ends, and the middles of its stretches, px.

    For every stretch the blur's standard deviation square to the rule and along it, and what was seen there: mass,
    distance from its place, px, and variance of its width, px squared.
    """

    turned: bool
    row: float
    ends: tuple[float, float]
    middle: FloatArray
    across: FloatArray
    along: FloatArray
    seen: FloatArray

    def rows(self, px_per_mm: float) -> NDArray[np.int64]:
        reach = int(np.ceil(_BESIDE_MM * px_per_mm + _REACH * self.across.max()))
        return np.arange(round(self.row) - reach, round(self.row) + reach + 1)


def lift_soft_rules(flat: ByteImage, rules: Rules, areas: Sequence[Box], blur: Blur, px_per_mm: float) -> ByteImage:
    """Return an even picture (see `lifting`) of a sheet without its rules.

    Parameters
    ----------
    flat : ndarray of uint8, shape (H, W)
    rules : Rules
        The sheet's own, level and upright.
    areas, blur, px_per_mm : sequence of Box, callable, float
        As `depth.find_depth` takes them.
    """
    found = list(_found(flat, rules, blur, px_per_mm))
    if not found:
        return flat
    wide = max(0.0, float(np.median(np.concatenate([rule.seen[:, 2] for rule in found]))))
    lifted = _without(flat, found, wide, float(PAPER), px_per_mm)
    depth = find_depth(lifted, areas, blur, px_per_mm)
    return lifted if depth is None else _without(flat, found, wide, depth.ink, px_per_mm)


def _found(flat: ByteImage, rules: Rules, blur: Blur, px_per_mm: float) -> Iterator[_Rule]:
    for family, turned in families(rules):
        image = flat.T if turned else flat
        ends = max(0.0, family.left), min(float(image.shape[1]), family.right)
        count = max(1, round((ends[1] - ends[0]) / (_STRETCH_MM * px_per_mm)))
        bounds = np.linspace(*ends, count + 1).astype(int)
        middle = (bounds[1:] + bounds[:-1]) / 2
        for k in range(len(family.offsets)):
            row = float(family.at(k, np.zeros(1))[0])
            places = np.column_stack([middle, np.full(count, row)])
            spread: FloatArray = np.sqrt(np.diagonal(blur(places[:, ::-1] if turned else places), axis1=1, axis2=2))
            across, along = (spread[:, 0], spread[:, 1]) if turned else (spread[:, 1], spread[:, 0])
            rule = _Rule(turned, row, ends, middle, across, along, np.zeros((count, 3)))
            rows = rule.rows(px_per_mm)
            if rows[0] < 0 or rows[-1] >= image.shape[0]:
                continue
            band = image[rows[0] : rows[-1] + 1]
            most = (_MOST_WIDE_MM * px_per_mm) ** 2 / 12
            for i in range(count):
                part = band[:, bounds[i] : bounds[i + 1]]
                rule.seen[i] = _seen(part, (rows - row).astype(np.float64), float(across[i]), most)
            yield rule


def _seen(band: ByteImage, distance: FloatArray, sd: float, most: float) -> tuple[float, float, float]:
    """Return mass, distance from its place (px, down) and variance of the width of a rule in one stretch of it."""
    beside = band[np.abs(distance) > _CLEAR * sd].mean(0)
    free = np.argsort(beside)[-max(_FEWEST, round(_FREE * len(beside))) :]
    taken = 1 - band[:, free].mean(1) / PAPER
    mass, off, wide = 0.0, 0.0, most / 2
    for _ in range(_ROUNDS):
        variance = sd**2 + wide
        hill = _hill(distance - off, variance)
        z = (distance - off) ** 2 / variance
        columns = np.column_stack(
            [np.ones_like(hill), hill, hill * (distance - off) / variance, hill * (z - 1) / (2 * variance)]
        )
        _, mass, shift, wider = np.linalg.lstsq(columns, taken, rcond=None)[0]
        if mass <= 0:
            return 0.0, 0.0, wide
        off = float(np.clip(off + np.clip(shift / mass, -0.5 * sd, 0.5 * sd), -2 * sd, 2 * sd))
        wide = float(np.clip(wide + np.clip(wider / mass, -0.5 * variance, 0.5 * variance), 0.0, most))
    return float(mass), off, wide


def _hill(distance: FloatArray, variance: FloatArray | float) -> FloatArray:
    hill: FloatArray = np.exp(-0.5 * distance**2 / variance) / np.sqrt(2 * np.pi * variance)
    return hill


def _without(flat: ByteImage, found: Sequence[_Rule], wide: float, depth: float, px_per_mm: float) -> ByteImage:
    """Return the picture without the rules found, for ink of one depth."""
    lifted = flat.copy()
    for rule in found:
        image = lifted.T if rule.turned else lifted
        rows = rule.rows(px_per_mm)
        beyond = int(np.ceil(3 * rule.along.max()))
        x = np.arange(max(0, int(rule.ends[0]) - beyond), min(image.shape[1], int(rule.ends[1]) + beyond))
        along = np.interp(x, rule.middle, rule.along)
        there = ndtr((x - rule.ends[0]) / along) * ndtr((rule.ends[1] - x) / along)
        variance = np.interp(x, rule.middle, rule.across) ** 2 + wide
        off = _straight(rule.middle, rule.seen[:, 1])(x)
        taken = float(np.median(rule.seen[:, 0])) * there * _hill((rows - rule.row)[:, None] - off, variance)
        band = image[rows[0] : rows[-1] + 1, x[0] : x[-1] + 1]
        dark = (PAPER - band.astype(np.float64) - PAPER * taken) / np.maximum(1 - PAPER * taken / depth, _LEAST_LEFT)
        band[:] = np.rint(np.clip(PAPER - dark, 0, PAPER)).astype(np.uint8)
    return lifted


def _straight(x: FloatArray, off: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """Return the straight line through places of a rule, without those far off the others."""
    line = np.poly1d([float(np.median(off))])
    for _ in range(2):
        away = np.abs(off - line(x))
        kept = away <= _FAR * 1.4826 * np.median(away) + 0.1
        if kept.sum() >= 3:
            line = np.poly1d(np.polyfit(x[kept], off[kept], 1))
    return line
