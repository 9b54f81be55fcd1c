"""What every measure works from: the page's lines, words and letter marks in frame pixels, and the scale."""

from __future__ import annotations

import math
from dataclasses import dataclass

from handwriting.ink import Ink
from handwriting.letters import Letters
from handwriting.lines import Lines
from handwriting.quantity import Measured, NotMeasured, Part
from handwriting.rules import Ruling
from handwriting.statistics import Interval
from handwriting.words import Words

SEED = 20260101
"""Fixed seed of every bootstrap: the same page always gives the same interval."""


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """One page as found.

    Attributes
    ----------
    ink, ruling, lines, words, letters
        What the stages found, all in frame px.
    mm_per_px : float or None
        None when no scale is believed: then only ratios, angles and counts can be given.
    scale_sd : float
        Relative standard uncertainty of `mm_per_px`; common to every length on the page.
    tolerance_mm : float or None
        Half-width of the band that counts as on the line; None stands for 0.5 mm.
    blur_px : float
        Standard deviation of the blur that was taken out of the picture, frame px; 0 where none was.
    """

    ink: Ink
    ruling: Ruling | None
    lines: Lines
    words: Words
    letters: Letters
    mm_per_px: float | None
    scale_sd: float
    tolerance_mm: float = 0.5
    blur_px: float = 0.0


def length(
    evidence: Evidence,
    value_px: float,
    interval_px: Interval | NotMeasured,
    n: int,
    unit: str = "mm",
    flags: tuple[str, ...] = (),
    *,
    shared_px: float = 0.0,
    least_px: float = -math.inf,
) -> Measured | NotMeasured:
    """Return a length in mm with the scale's common part folded into its interval.

    `interval_px` holds the independent part only (low, high, standard error in px); `shared_px` is the standard
    uncertainty of reading the ink, which all marks of the page share (see `common`), `least_px` the smallest value
    there can be.
    """
    if evidence.mm_per_px is None:
        return NotMeasured("no-scale", "the page's scale is not known well enough to give millimetres")
    k = evidence.mm_per_px
    scale = Part("scale of the page", abs(value_px * k) * evidence.scale_sd, common=True)
    return _with_parts(value_px, unit, interval_px, n, flags, k, shared_px, least_px, (scale,))


def plain(
    value: float,
    unit: str,
    interval: Interval | NotMeasured,
    n: int,
    flags: tuple[str, ...] = (),
    *,
    shared: float = 0.0,
    least: float = -math.inf,
) -> Measured | NotMeasured:
    """Return a ratio, angle, share or count with its interval; the scale does not enter.

    `shared` and `least` as for `length`.
    """
    return _with_parts(value, unit, interval, n, flags, 1.0, shared, least, ())


def _with_parts(
    value: float,
    unit: str,
    interval: Interval | NotMeasured,
    n: int,
    flags: tuple[str, ...],
    k: float,
    shared: float,
    least: float,
    parts: tuple[Part, ...],
) -> Measured | NotMeasured:
    """Widen each half of the interval by the common parts, as independent standard uncertainties: in quadrature."""
    if isinstance(interval, NotMeasured):
        return interval
    if shared:
        parts = (*parts, Part("reading the ink", shared * k, common=True))
    common = 1.96 * math.hypot(*(part.size for part in parts))
    low = k * value - math.hypot(k * (value - interval.low), common)
    high = k * value + math.hypot(k * (interval.high - value), common)
    parts = (*parts, Part("marks on this page", interval.se * k, common=False))
    return Measured(k * value, unit, max(low, k * least), high, n, parts, flags)
