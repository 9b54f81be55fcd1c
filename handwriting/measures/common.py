"""Errors of reading the ink that every mark of a page shares, as standard uncertainties.

The bootstrap over lines sees what differs from line to line. It does not see what is the same all over the page: where
the cut through the blurred edges runs, which forms of letters the hand has, touching letters that stay one, gaps of one
kind taken for the other. Their size is that of

    value measured on a drawn page - value of the same letters as they were drawn there

over pages of known geometry drawn from seeds below 200 and from 400 on (`python tests/benchmarks/accuracy.py --common`
prints it): the bias and 0.7413 times the distance between the quartiles, in quadrature, rounded. Pages drawn from seeds
200 to 399 took no part, and show what the intervals are worth. It is an estimate for this instrument, from phantoms; no
physics gives it, and other papers and pens may show more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Common:
    """One measure's shared error: `edge` in px (or degrees, or as a ratio), and shares of the value by hand."""

    edge: float
    unjoined: float
    joined: float

    def of(self, value: float, *, joined: bool) -> float:
        """Return the standard uncertainty that belongs to a value, in the value's unit."""
        return math.hypot(self.edge, (self.joined if joined else self.unjoined) * value)


COMMON = {
    "x_height": Common(0.3, 0.004, 0.015),
    "x_height_centre": Common(0.42, 0.004, 0.015),
    "height_cv": Common(0.0, 0.025, 0.06),
    "ascender_ratio": Common(0.0, 0.02, 0.035),
    "descender_ratio": Common(0.0, 0.02, 0.045),
    "rule_distance": Common(0.3, 0.0, 0.0),
    "baseline_wander": Common(0.0, 0.01, 0.04),
    "word_space": Common(0.0, 0.0, 0.0),
    "word_space_cv": Common(0.0, 0.0, 0.0),
    "letter_space": Common(0.0, 0.0, 0.0),
    "letter_space_cv": Common(0.0, 0.0, 0.0),
    "slant": Common(0.0, 0.0, 0.0),
    "slant_spread": Common(0.0, 0.0, 0.0),
    "stroke_width": Common(0.4, 0.0, 0.0),
}
