"""Rounding, and nowhere else: the interval decides how many digits a number shows.

The half-width of the 95 % interval keeps one significant digit in the plain part. In technical tables (``fine``) it
keeps two when its first digit is 1, 2 or 3, where one would move the ends by up to half the half-width; this is the one
or two significant digits of JCGM 100:2008, 7.2.6. Rounding is to nearest and keeps order, so the value shown never
leaves the interval shown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

MINUS = "\N{MINUS SIGN}"
_MOST_DECIMALS = 3


@dataclass(frozen=True, slots=True)
class Rounded:
    """A value and the ends of its interval as text with equally many decimals."""

    value: str
    low: str
    high: str


def decimals(low: float, high: float, *, fine: bool = False) -> int:
    """Return how many decimals suit an interval; negative means tens, hundreds and so on."""
    half = (high - low) / 2
    if not half > 0:
        return 2
    # The tiny factor keeps 0.1 (held as 0.09999...) from gaining a decimal.
    power = math.floor(math.log10(half * (1 + 1e-9)))
    more = fine and half * (1 + 1e-9) < 4 * 10.0**power
    return min(int(more) - power, _MOST_DECIMALS)


def number(value: float, places: int) -> str:
    """Return `value` with `places` decimals and a true minus sign; never a minus before zero."""
    shown = f"{round(value, places):.{max(places, 0)}f}"
    if shown.startswith("-"):
        shown = shown[1:] if not float(shown) else MINUS + shown[1:]
    return shown


def rounded(value: float, low: float, high: float, *, fine: bool = False) -> Rounded:
    """Return value and interval rounded alike, by its width; one digit more parts a value from an end it rounds to."""
    places = decimals(low, high, fine=fine)
    coarse, finer = (Rounded(*(number(v, p) for v in (value, low, high))) for p in (places, places + 1))
    meets, still = (shown.value in (shown.low, shown.high) for shown in (coarse, finer))
    return finer if meets and not still and places < _MOST_DECIMALS else coarse


def significant(value: float, digits: int = 2) -> str:
    """Return `value` to `digits` significant digits, for uncertainties and scales that have no interval."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else str(value)
    return number(value, digits - 1 - math.floor(math.log10(abs(value))))
