"""What every measure works from: the page's lines, words and letter marks in frame pixels, and the scale."""

from __future__ import annotations

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
    """

    ink: Ink
    ruling: Ruling | None
    lines: Lines
    words: Words
    letters: Letters
    mm_per_px: float | None
    scale_sd: float
    tolerance_mm: float = 0.5


def length(
    evidence: Evidence,
    value_px: float,
    interval_px: Interval | NotMeasured,
    n: int,
    unit: str = "mm",
    flags: tuple[str, ...] = (),
) -> Measured | NotMeasured:
    """Return a length in mm with the scale's common part folded into its interval.

    `interval_px` holds the independent part only (low, high, standard error in px). The two are combined as
    independent standard uncertainties: each half of the interval grows by the scale's 1.96 standard uncertainties in
    quadrature.
    """
    if evidence.mm_per_px is None:
        return NotMeasured("no-scale", "the page's scale is not known well enough to give millimetres")
    if isinstance(interval_px, NotMeasured):
        return interval_px
    k = evidence.mm_per_px
    value = value_px * k
    common = abs(value) * evidence.scale_sd
    low = value - ((value - interval_px.low * k) ** 2 + (1.96 * common) ** 2) ** 0.5
    high = value + ((interval_px.high * k - value) ** 2 + (1.96 * common) ** 2) ** 0.5
    parts = (
        Part("scale of the page", common, common=True),
        Part("marks on this page", interval_px.se * k, common=False),
    )
    return Measured(value, unit, low, high, n, parts, flags)


def plain(
    value: float, unit: str, interval: Interval | NotMeasured, n: int, flags: tuple[str, ...] = ()
) -> Measured | NotMeasured:
    """Return a ratio, angle, share or count with its interval; the scale does not enter."""
    if isinstance(interval, NotMeasured):
        return interval
    return Measured(
        value, unit, interval.low, interval.high, n, (Part("marks on this page", interval.se, common=False),), flags
    )
