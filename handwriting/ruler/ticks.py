"""Ticks of a straightened band: each placed within the pixel, numbered, and all fitted at once.

A picture of an evenly divided straight edge obeys, whatever the camera,

    u(k) = (a k + b) / (1 + c k)

with k the number of the tick. On a flat scan c is 0. Where the sheet leans away square to the edge, the ticks fan out
instead: their lean changes along the edge by `fan` radians a pixel, which is how fast the scale changes across.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d
from scipy.optimize import least_squares

from handwriting.geometry import FloatArray
from handwriting.ruler.strip import Strip, tone_of_period

_RIDGE = 0.17
_SLACK = 0.27
_LEAST = 0.3
_GAP = 22
_FEWEST = 30
# At either end so many ticks stand within twice as many places.
_RUN = 6
_LOOSEST = 0.12
_FILLED = 0.55


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """All ticks fitted at once.

    Attributes
    ----------
    used : ndarray of bool, shape (n,)
        Ticks that follow the fit.
    curve : tuple of float
        a, b, c.
    rms : float
        Root mean square of the residuals, px.
    pitch, pitch_error : float
        Distance of neighbouring ticks at the middle one, px, and its standard error.
    along, along_error : float
        Relative change of the pitch along the edge, a px, and its standard error.
    """

    used: NDArray[np.bool_]
    curve: tuple[float, float, float]
    rms: float
    pitch: float
    pitch_error: float
    along: float
    along_error: float


@dataclass(frozen=True, slots=True, eq=False)
class Ticks:
    """Ticks found and their joint fit.

    Attributes
    ----------
    number : ndarray of int, shape (n,)
        Ascending; neighbouring ticks differ by 1, and only differences mean anything.
    u : ndarray, shape (n,)
        Where each stands along the strip, px, at the middle of the band.
    dark : bool
        Ticks are darker than the body.
    fit : Fit
    fan, fan_error : float
        Change of the ticks' lean along the edge, radians a px, and its standard error.
    """

    number: NDArray[np.int64]
    u: FloatArray
    dark: bool
    fit: Fit
    fan: float
    fan_error: float

    def at(self, number: FloatArray) -> FloatArray:
        """Return where ticks of these numbers stand along the strip, px, by the fit."""
        a, b, c = self.fit.curve
        k = np.asarray(number, np.float64)
        return np.asarray((a * k + b) / (1 + c * k))


def find_ticks(strip: Strip) -> Ticks | None:
    """Return the ticks of a band, or None when they do not follow one division."""
    low, high = strip.band
    tall = high - low
    if tall < strip.period:
        return None
    signal = _profile(strip, low + 0.15 * tall, high - 0.15 * tall)
    dark, answer = _ridges(strip, signal)
    numbers, places = _without_strays(*_followed(strip, answer))
    if len(numbers) < _FEWEST or len(numbers) < _FILLED * (numbers[-1] - numbers[0] + 1):
        return None
    fit = fit_divisions(numbers, places, strip.period)
    if fit is None:
        return None
    numbers, places = numbers[fit.used], places[fit.used]
    return Ticks(numbers, places, dark, fit, *_fan(strip, places, dark=dark))


def _profile(strip: Strip, low: float, high: float) -> FloatArray:
    """Return the mean tone between two heights, without what changes over more than a tick's distance."""
    rows = (strip.v >= low) & (strip.v <= high)
    if not rows.any():
        rows[int(np.argmin(np.abs(strip.v - 0.5 * (low + high))))] = True
    mean = strip.tones[rows].mean(0).astype(np.float64)
    step = float(strip.u[1] - strip.u[0])
    return np.asarray(mean - uniform_filter1d(mean, max(3, round(strip.period / step))))


def _ridges(strip: Strip, signal: FloatArray) -> tuple[bool, FloatArray]:
    """Return whether ticks are dark, and the signal smoothed with ticks upward."""
    step = float(strip.u[1] - strip.u[0])
    smooth = gaussian_filter1d(signal, _RIDGE * strip.period / step)
    # Ticks are narrower than what lies between them, so they reach further from the mean.
    _, share = tone_of_period(strip, 2.5)
    near = (strip.v >= strip.band[0]) & (strip.v <= strip.band[1])
    even = share[near].mean(0) > 0.5
    look = signal[even] if even.sum() > 20 else signal
    dark = float(np.mean((look / (np.std(look) + 1e-9)) ** 3)) < 0
    return dark, -smooth if dark else smooth


def _followed(strip: Strip, answer: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    """Follow the ticks both ways from where they are clearest, over gaps."""
    step = float(strip.u[1] - strip.u[0])
    top = np.flatnonzero((answer[1:-1] >= answer[:-2]) & (answer[1:-1] > answer[2:])) + 1
    if len(top) < _FEWEST:
        return np.zeros(0, np.int64), np.zeros(0)
    a, b, c = answer[top - 1], answer[top], answer[top + 1]
    place = strip.u[top] + step * 0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-9)
    size = b
    typical = float(np.percentile(size, 90))
    good = size > _LEAST * typical
    place, size = place[good], size[good]
    if len(place) < _FEWEST:
        return np.zeros(0, np.int64), np.zeros(0)
    start = _clearest(place, strip.period)
    if start is None:
        return np.zeros(0, np.int64), np.zeros(0)
    number = {0: start, 1: start + 1}
    for way in (1, -1):
        _follow(place, number, strip.period, way)
    order = np.array(sorted(number), np.int64)
    return order, place[[number[k] for k in order]]


def _without_strays(number: NDArray[np.int64], place: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    """Leave out what stands alone beyond the ends: writing there meets a tick's place now and then."""
    first, last = 0, len(number)
    while last - first > _RUN and number[first + _RUN - 1] - number[first] >= 2 * _RUN:
        first += 1
    while last - first > _RUN and number[last - 1] - number[last - _RUN] >= 2 * _RUN:
        last -= 1
    return number[first:last], place[first:last]


def _clearest(place: FloatArray, period: float) -> int | None:
    """Return the first of two neighbours in the middle of the evenest dozen ticks."""
    gaps = np.diff(place) / period
    width = 12
    if len(gaps) < width:
        return None
    uneven = np.array([np.abs(gaps[i : i + width] - 1).mean() for i in range(len(gaps) - width + 1)])
    best = int(np.argmin(uneven))
    return best + width // 2 if uneven[best] < 0.12 else None


def _follow(place: FloatArray, number: dict[int, int], period: float, way: int) -> None:
    """Add ticks one way, each looked for where the last ones say; stops after a gap."""
    k = max(number) if way > 0 else min(number)
    missed = 0
    pitch = place[number[1]] - place[number[0]]
    while missed < _GAP:
        k += way
        known = sorted(number)[-40:] if way > 0 else sorted(number)[:40]
        at = place[[number[i] for i in known]]
        if len(known) >= 30:
            wanted = float(np.polyval(np.polyfit(np.array(known) - k, at, 2), 0))
        elif len(known) >= 8:
            wanted = float(np.polyval(np.polyfit(np.array(known) - k, at, 1), 0))
        else:
            wanted = float(place[number[k - way * (missed + 1)]] + way * (missed + 1) * 0.5 * (pitch + period))
        i = int(np.searchsorted(place, wanted))
        choices = [j for j in (i - 1, i) if 0 <= j < len(place) and abs(place[j] - wanted) < _SLACK * period]
        if not choices:
            missed += 1
            if wanted < place[0] - period or wanted > place[-1] + period:
                return
            continue
        number[k] = min(choices, key=lambda j: abs(place[j] - wanted))
        missed = 0


def fit_divisions(number: NDArray[np.int64], place: FloatArray, period: float) -> Fit | None:
    """Fit numbered places along an edge; the projective term is kept only where they show it.

    Parameters
    ----------
    number, place : ndarray, shape (n,)
    period : float
        About how far neighbours are apart, in the unit of `place`.

    Returns
    -------
    Fit or None
        None when fewer than 30 follow one fit, or they scatter by more than an eighth of their distance.
    """
    middle = 0.5 * float(number[0] + number[-1])
    half = max(1.0, 0.5 * float(number[-1] - number[0]))
    t: FloatArray = np.asarray((number - middle) / half, np.float64)

    def model(p: FloatArray, x: FloatArray) -> FloatArray:
        return np.asarray((p[0] * x + p[1]) / (1 + p[2] * x))

    keep = np.ones(len(t), bool)
    p = np.array([period * half, float(np.median(place)), 0.0])
    for _ in range(3):
        x, y = t[keep], place[keep]
        answer = least_squares(lambda q: model(q, x) - y, p, loss="soft_l1", f_scale=0.04 * period)  # noqa: B023
        p = answer.x
        off = np.abs(model(p, t) - place)
        again = off < max(0.1 * period, 3.5 * 1.4826 * float(np.median(off[keep])))
        if (again == keep).all():
            break
        keep = again
    off = model(p, t[keep]) - place[keep]
    rms = float(np.sqrt(np.mean(off**2)))
    if keep.sum() < _FEWEST or rms > _LOOSEST * period:
        return None
    # Neighbouring ticks share disturbances (blocks of compression, engraving), so the errors count by tens.
    blocks = max(4.0, keep.sum() / 10)
    noise = max(rms / np.sqrt(10), _block_rms(off))
    design = np.column_stack([t[keep], np.ones(keep.sum()), -(p[0] * t[keep] + p[1]) * t[keep]])
    cover = np.linalg.pinv(design.T @ design) * keep.sum() / blocks * noise**2
    # du/dx at the middle is p0 - p1 p2; the relative change of scale along u there is -2 p2 / (p0 - p1 p2).
    slope = p[0] - p[1] * p[2]
    bend, bend_error = -2 * p[2] / slope, 2 * float(np.sqrt(cover[2, 2])) / abs(slope)
    if abs(p[2]) < max(3 * float(np.sqrt(cover[2, 2])), 5e-4):
        line = np.polyfit(t[keep], place[keep], 1)
        slope, p = float(line[0]), np.array([line[0], line[1], 0.0])
        error = noise / np.sqrt(blocks * float(np.var(t[keep])))
    else:
        jacobian = np.array([1.0, -p[2], -p[1]])
        error = float(np.sqrt(max(0.0, jacobian @ cover @ jacobian)))
    curve = _unscaled(p, middle, half)
    pitch = float(p[0] - p[1] * p[2]) / half
    return Fit(keep, curve, rms, pitch, float(error / half), float(bend), bend_error)


def _unscaled(p: FloatArray, middle: float, half: float) -> tuple[float, float, float]:
    """Turn the fit in t = (k - middle) / half into one in k."""
    a, b, c = p[0] / half, p[1] - p[0] * middle / half, p[2] / half
    free = 1 - p[2] * middle / half
    return float(a / free), float(b / free), float(c / free)


def _block_rms(off: FloatArray) -> float:
    """Return the spread of the means of ten neighbours."""
    n = len(off) // 10
    return float(np.sqrt(np.mean(off[: n * 10].reshape(n, 10).mean(1) ** 2))) if n >= 3 else float(np.std(off))


def _fan(strip: Strip, place: FloatArray, *, dark: bool) -> tuple[float, float]:
    """Return how the lean of the ticks changes along the edge, radians a px, and its standard error."""
    low, high = strip.band
    tall = high - low
    step = float(strip.u[1] - strip.u[0])
    parts = []
    bounds = ((low + 0.08 * tall, low + 0.45 * tall), (high - 0.45 * tall, high - 0.08 * tall))
    for below, above in bounds:
        signal = _profile(strip, below, above)
        smooth = gaussian_filter1d(-signal if dark else signal, _RIDGE * strip.period / step)
        parts.append(_peaks_near(strip.u, smooth, place, 0.2 * strip.period))
    lean = (parts[1] - parts[0]) / (0.55 * tall)
    known = np.isfinite(lean)
    if known.sum() < 20:
        return 0.0, np.inf
    x, y = place[known], lean[known]
    for _ in range(4):
        line = np.polyfit(x, y, 1)
        off = np.abs(np.polyval(line, x) - y)
        near = off < 3 * 1.4826 * max(float(np.median(off)), 1e-9)
        if near.all() or near.sum() < 20:
            break
        x, y = x[near], y[near]
    spread = max(_block_rms(np.polyval(line, x) - y), float(np.std(np.polyval(line, x) - y)) / np.sqrt(10))
    return float(line[0]), float(spread / (np.std(x) * np.sqrt(max(4.0, len(x) / 10))))


def _peaks_near(u: FloatArray, answer: FloatArray, place: FloatArray, reach: float) -> FloatArray:
    """Return the highest point near each place, between samples; NaN where there is none."""
    step = float(u[1] - u[0])
    wide = max(1, round(reach / step))
    at = np.rint((place - u[0]) / step).astype(int)
    at = np.clip(at, wide + 1, len(u) - wide - 2)
    window = answer[at[:, None] + np.arange(-wide, wide + 1)]
    best = np.argmax(window, axis=1)
    top = at - wide + best
    a, b, c = answer[top - 1], answer[top], answer[top + 1]
    found = u[top] + step * 0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-9)
    return np.asarray(np.where((best > 0) & (best < 2 * wide) & (b > 0), found, np.nan))
