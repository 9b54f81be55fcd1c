"""Errors of reading the ink that every mark of a page shares, as standard uncertainties.

The bootstrap over lines sees what differs from line to line. It does not see what is the same all over the page: where
the cut through the blurred edges runs, which forms of letters the hand has, touching letters that stay one, gaps of one
kind taken for the other. Their size is that of

    value measured on a drawn page - value of the same letters as they were drawn there

over 251 pages of known geometry drawn from seeds 0 to 199 and 400 to 499, right lines found, unjoined and joined hands
apart: the size that holds nine of ten such errors within 1.645 of it (`python tests/benchmarks/accuracy.py --common`
prints such sizes). A length's error is a part in pixels, 0.15 to 0.3 for every two edges, and a share of the value;
other errors are a share, or degrees. So a known bias is in it and is not taken off: x-heights read 0.2 px high, stroke
widths 1.5 to 3 % (joins and arches lie along the stems). For x-heights, tails, gaps and their spread, and strokes it
is what is left beside the parts that marks and `spacing` state, on 237 pages of seeds 5000 to 5240: the size with which
95 to 98 % of intervals hold the value set, on even and uneven hands alike; for the slant, of 59 pages of seeds 400 to
459; for ascenders, from the 81 pages whose capitals are as tall, because capitals count with them. Pages drawn from
seeds 200 to 399 took no part, and show what the intervals are worth.

It is an estimate for this instrument, from phantoms; other papers and pens may show more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Common:
    """One measure's shared error: `edge` in px (or degrees, or as a ratio), and shares of the value.

    The shares are by hand, and `uneven` for each unit of the page's height_cv squared: the less even letters are in
    size, the more of them pass for another kind.
    """

    edge: float
    unjoined: float
    joined: float
    uneven: float = 0.0

    def of(self, value: float, *, joined: bool, height_cv: float = 0.0) -> float:
        """Return the standard uncertainty that belongs to a value, in the value's unit."""
        return math.hypot(
            self.edge, (self.joined if joined else self.unjoined) * value, self.uneven * height_cv**2 * value
        )


#: Standard uncertainty of a height or a stroke's width for each px of blur taken out of the picture.
_BLUR = 0.15


def after_blur(blur_px: float) -> float:
    """Return the standard uncertainty, px, that blur leaves in heights and stroke widths once it was taken out.

    Bends and crossings come out a share of the blur too thick. The size is that of the errors on simulated photographs
    of sheets (seeds 30000 to 30079), value measured less value on a flat scan of the same page: it holds nine of ten
    within 1.645 of it, at 0.1 mm of blur as at 0.35.
    """
    return _BLUR * blur_px


COMMON = {
    "x_height": Common(0.16, 0.0, 0.003, 0.28),
    "x_height_centre": Common(0.35, 0.0, 0.0, 0.4),
    "height_cv": Common(0.0, 0.044, 0.078),
    "ascender_ratio": Common(0.0, 0.021, 0.022),
    "descender_ratio": Common(0.0, 0.025, 0.025, 1.8),
    # From 96 drawn pages of seeds 400 to 435 and 5000 to 5059; in joined hands neighbours' tops count now and then.
    "known_x_height": Common(0.25, 0.002, 0.008),
    "known_ascender_ratio": Common(0.0, 0.021, 0.03),
    "known_descender_ratio": Common(0.0, 0.052, 0.058),
    "known_letter_space": Common(0.2, 0.012, 0.08),
    "rule_distance": Common(0.3, 0.0, 0.0),
    "baseline_wander": Common(0.0, 0.025, 0.046),
    "word_space": Common(0.3, 0.004, 0.007),
    "word_space_cv": Common(0.0, 0.03, 0.03),
    "letter_space": Common(0.15, 0.015, 0.08),
    "letter_space_cv": Common(0.0, 0.06, 0.1),
    "slant": Common(0.3, 0.0, 0.0),
    "slant_spread": Common(0.0, 0.078, 0.083),
    "stroke_width": Common(0.07, 0.016, 0.025),
}
