"""What the ticks divide: millimetres by the lengths of the ticks, eighths and sixteenths of an inch, or nothing known.

On a rule in millimetres every tenth tick is longest, every fifth in between of middling length or like the others, and
the rest are alike (common practice, no source). All start at one level, the rule's edge, and the short ones are between
2 and 7 mm long: ticks of tenths or hundredths of an inch, counted in tens too, are shorter or longer beside their
distance.

What it does not see: rules drawn to a scale, such as 1 : 125, look like millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from handwriting.geometry import FloatArray
from handwriting.ruler.strip import Strip
from handwriting.ruler.ticks import Ticks

Kind = Literal["1-5-10", "1-10", "inch", "even", "unclear", "short", "loose"]

_SHORTEST, _LONGEST = 2.1, 7.0
_ALIKE = 0.5
_LONGER = 0.8
_STEP = 0.4
_LEVEL = 0.8


@dataclass(frozen=True, slots=True, eq=False)
class Divisions:
    """What the ticks are.

    Attributes
    ----------
    kind : str
        ``1-5-10`` or ``1-10``: millimetres. ``inch``: powers of two. ``even``: all ticks alike. ``short``: lengths
        in tens, but not of millimetres. ``loose``: ticks do not start at one level. ``unclear``: none of these.
    zero : int
        Number of a centimetre tick.
    root, tip : float
        Where across the ticks start and where the longest end, v.
    """

    kind: Kind
    zero: int = 0
    root: float = 0.0
    tip: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Reach:
    """Per tick, how far it reaches from the band's middle both ways, in divisions; NaN where covered or worn off."""

    number: NDArray[np.int64]
    up: FloatArray
    down: FloatArray


def tell_divisions(strip: Strip, ticks: Ticks) -> Divisions:
    """Tell what the ticks divide."""
    reach = _reaches(strip, ticks)
    middle = 0.5 * sum(strip.band)
    answers = []
    for inward, outward, way in ((reach.up, reach.down, 1), (reach.down, reach.up, -1)):
        kind, zero = _by_tens(reach.number, inward)
        if zero is None:
            answers.append(Divisions(kind))
            continue
        rest = (reach.number - zero) % 5 != 0
        short, root = float(np.nanmedian(inward[rest])), float(np.nanmedian(outward[rest]))
        longest = float(np.nanmedian(inward[(reach.number - zero) % 10 == 0]))
        main = float(np.nanmedian(outward[(reach.number - zero) % 10 == 0]))
        spread = float(np.nanpercentile(outward, 75) - np.nanpercentile(outward, 25))
        if abs(root - main) > _LEVEL or spread > 1.0:
            kind = "loose"
        elif not _SHORTEST <= short + root <= _LONGEST:
            kind = "short"
        v = middle + way * np.array([-root, longest]) * strip.period
        answers.append(Divisions(kind, zero, float(v[0]), float(v[1])))
    order = ("1-5-10", "1-10", "short", "inch", "loose", "unclear", "even")
    return min(answers, key=lambda d: order.index(d.kind))


def _reaches(strip: Strip, ticks: Ticks) -> _Reach:
    """Measure each tick's ends by where it stops standing out from both of its sides."""
    step = float(strip.u[1] - strip.u[0])
    number = np.arange(ticks.number[0], ticks.number[-1] + 1)
    at = ticks.at(number)
    fine = ticks.at(number + 0.5) - ticks.at(number - 0.5)

    def sampled(shift: float, wide: float) -> FloatArray:
        total = np.zeros((len(strip.v), len(number)))
        for part in (-wide, 0.0, wide):
            column = np.clip(np.rint((at + (shift + part) * fine - strip.u[0]) / step).astype(int), 0, len(strip.u) - 1)
            total += strip.tones[:, column]
        return np.asarray(total / 3)

    tick, before, after = sampled(0.0, 0.08), sampled(-0.5, 0.1), sampled(0.5, 0.1)
    # A figure beside a tick darkens one side only.
    stands = np.maximum(before, after) - tick if ticks.dark else tick - np.minimum(before, after)
    column = np.clip(np.rint((at - strip.u[0]) / step).astype(int), 0, len(strip.u) - 1)
    stands = np.where(strip.inside[:, column], stands, 0)
    rows = (strip.v >= strip.band[0]) & (strip.v <= strip.band[1])
    own = np.median(stands[rows], axis=0)
    usual = float(np.median(own))
    seen = own > 0.35 * usual
    share = uniform_filter1d(stands / np.where(seen, own, 1.0), max(1, round(0.4 * strip.period / step)), axis=0)
    low = share < 0.5
    middle = int(np.argmin(np.abs(strip.v - 0.5 * sum(strip.band))))
    up, down = _first(low[middle:]), _first(low[middle::-1])
    scale = step / strip.period
    return _Reach(number, np.where(seen, up * scale, np.nan), np.where(seen, down * scale, np.nan))


def _first(low: NDArray[np.bool_]) -> FloatArray:
    """Return the first row that is low, column by column; the number of rows where none is."""
    return np.asarray(np.where(low.any(0), np.argmax(low, axis=0), len(low)), np.float64)


def _medians(number: NDArray[np.int64], length: FloatArray, cycle: int) -> FloatArray | None:
    """Return the median length by place in the cycle; None where a place was hardly seen."""
    found = np.full(cycle, np.nan)
    for place in range(cycle):
        own = length[(number % cycle == place) & np.isfinite(length)]
        if len(own) >= 2:
            found[place] = np.median(own)
    return found if np.isfinite(found).all() else None


def _by_tens(number: NDArray[np.int64], length: FloatArray) -> tuple[Kind, int | None]:
    """Tell whether the lengths go by tens, with the number of a longest tick, or by powers of two."""
    known = np.isfinite(length)
    if known.sum() < 30:
        return "unclear", None
    if np.nanpercentile(length, 95) - np.nanpercentile(length, 5) < _ALIKE:
        return "even", None
    medians = _medians(number, length, 10)
    if medians is None:
        return "unclear", None
    zero = int(np.argmax(medians))
    places = (np.arange(10) - zero) % 10
    short = float(np.median(medians[(places != 0) & (places != 5)]))
    alike = np.abs(medians[(places != 0) & (places != 5)] - short) < _ALIKE
    cm, five = medians[zero], medians[(zero + 5) % 10]
    # A figure may touch the end of a tick or two.
    fits = alike.sum() >= 6 and cm - short >= _LONGER
    kind: Kind = "unclear"
    if fits and abs(five - short) < _ALIKE:
        kind, cut = "1-10", short + 0.5 * (cm - short)
    elif fits and five - short >= _ALIKE and cm - five >= _STEP:
        kind, cut = "1-5-10", short + 0.5 * (five - short)
    if kind != "unclear":
        mine = (number - zero) % 10
        free = np.isin(mine, np.flatnonzero(np.abs(np.roll(medians, -zero) - short) < _ALIKE)) & (mine % 5 != 0)
        main, minor = length[(mine == 0) & known], length[free & known]
        if len(main) >= 3 and np.mean(main > cut) >= 0.7 and np.mean(minor < cut) >= 0.85:
            return kind, zero
    return ("inch" if _by_halves(number, length) else "unclear"), None


def _by_halves(number: NDArray[np.int64], length: FloatArray) -> bool:
    """Tell whether every second tick is longer, and every fourth longer still."""
    medians = _medians(number, length, 4)
    if medians is None:
        return False
    fourth = int(np.argmax(medians))
    turned = np.roll(medians, -fourth)
    return bool(
        turned[0] - turned[2] > 0.2
        and min(turned[2] - turned[1], turned[2] - turned[3]) > 0.2
        and abs(turned[1] - turned[3]) < 0.25
    )
