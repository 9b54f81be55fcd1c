"""A band of ticks straightened: sampled along its course so that every tick stands upright and the edge lies level."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.ruler.bands import ByteImage, Course

FloatImage = NDArray[np.float32]

REACH = 10.0
_SAMPLES = 9.0
_EVEN = 0.4


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """A band of the picture.

    Attributes
    ----------
    tones : ndarray of float32, shape (rows, columns)
        Row i lies `v[i]` across, column j `u[j]` along, px of the picture.
    inside : ndarray of bool, shape (rows, columns)
        Which samples lie within the picture.
    origin, along, across : ndarray, shape (2,)
        A sample stands at ``origin + u * along + v * across``; `along` has length 1, `across` follows the ticks.
    period : float
        Distance of neighbouring ticks along `u`, px.
    band : tuple of float
        From where to where across all ticks are seen, v.
    """

    tones: FloatImage
    inside: NDArray[np.bool_]
    u: FloatArray
    v: FloatArray
    origin: FloatArray
    along: FloatArray
    across: FloatArray
    period: float
    band: tuple[float, float] = (0.0, 0.0)

    def place(self, u: FloatArray, v: FloatArray) -> FloatArray:
        """Return places in the picture, px, shape (n, 2)."""
        u, v = np.broadcast_arrays(np.asarray(u, np.float64), np.asarray(v, np.float64))
        return np.asarray(self.origin + u[..., None] * self.along + v[..., None] * self.across)


def straighten(grey: ByteImage, course: Course) -> Strip | None:
    """Return the band of ticks along a course, or None when no even ticks stand there."""
    along = np.array([np.cos(course.angle), np.sin(course.angle)])
    across = np.array([-along[1], along[0]])
    # Wide periods are sampled from a smaller picture, or what lies between the samples would be lost.
    factor = max(1, int(course.period / 12))
    size = (grey.shape[1] // factor, grey.shape[0] // factor)
    if factor > 1:
        grey = cv2.resize(grey[: size[1] * factor, : size[0] * factor], size, interpolation=cv2.INTER_AREA)
    strip = _sampled(grey, factor, np.array([course.x, course.y]), along, across, course.period)
    for _ in range(3):
        if strip is None:
            return None
        better = _refined(strip)
        if better is None:
            return None
        strip = _sampled(grey, factor, *better)
    return None if strip is None else _with_band(strip)


def _sampled(
    grey: ByteImage, factor: int, origin: FloatArray, along: FloatArray, across: FloatArray, period: float
) -> Strip | None:
    step = period / _SAMPLES
    height, width = (side * factor for side in grey.shape)
    reach = float(np.hypot(height, width))
    u = np.arange(-reach, reach, step)
    points = origin + u[:, None] * along
    near = (points > -2).all(1) & (points[:, 0] < width + 1) & (points[:, 1] < height + 1)
    if near.sum() < 30 * period / step:
        return None
    u = u[near]
    v = np.arange(-REACH * period, REACH * period + step / 2, step)
    x = (origin[0] + u * along[0] + v[:, None] * across[0]).astype(np.float32)
    y = (origin[1] + u * along[1] + v[:, None] * across[1]).astype(np.float32)
    tones = _remapped(grey, (x + 0.5) / factor - 0.5, (y + 0.5) / factor - 0.5)
    inside = (x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1)
    return Strip(tones, np.asarray(inside), u, v, origin, along, across, period)


def _remapped(grey: ByteImage, x: FloatImage, y: FloatImage) -> FloatImage:
    """Sample a picture; in pieces, because OpenCV's maps are limited to 32767 a side."""
    cut = 16000
    parts = [
        cv2.remap(grey, x[:, i : i + cut], y[:, i : i + cut], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        for i in range(0, x.shape[1], cut)
    ]
    return np.asarray(np.concatenate(parts, axis=1), np.float32)


def tone_of_period(strip: Strip, spread: float) -> tuple[NDArray[np.complex64], FloatImage]:
    """Return each sample's oscillation at the strip's period, and its share in all that varies (about 1: nothing else).

    `spread` is the SD of the Gaussian window along the strip, in periods.
    """
    step = float(strip.u[1] - strip.u[0])
    wide = 2 * round(1.5 * strip.period / step) + 1
    high = strip.tones - cv2.blur(strip.tones, (wide, 1))
    high = np.where(strip.inside, high, np.float32(0))
    wave = np.exp(-2j * np.pi * strip.u / strip.period).astype(np.complex64)
    turned = high * wave
    # Three running means are a Gaussian nearly, in a small part of the time.
    width = 2 * round(np.sqrt(4 * (spread * strip.period / step) ** 2 + 1) / 2) + 1

    def smooth(image: FloatImage) -> FloatImage:
        image = np.ascontiguousarray(image)
        for _ in range(3):
            image = cv2.blur(image, (width, 1))
        return image

    z = smooth(turned.real) + 1j * smooth(turned.imag)
    power = smooth(high * high)
    share = np.sqrt(2) * np.abs(z) / np.sqrt(power + 0.5)
    return z.astype(np.complex64), share.astype(np.float32)


def _refined(strip: Strip) -> tuple[FloatArray, FloatArray, FloatArray, float] | None:
    """Return origin, directions and period anew from where the oscillation stands and how its phase runs."""
    z, share = tone_of_period(strip, 2.5)
    step = float(strip.u[1] - strip.u[0])
    every = max(1, round(strip.period / step))
    size = np.where(share[:, ::every] > _EVEN, np.abs(z[:, ::every]), 0)
    strong = size.max(0)
    if (strong > 0).sum() < 25:
        return None
    columns = np.flatnonzero(strong > 0.4 * np.percentile(strong[strong > 0], 75))
    if len(columns) < 20:
        return None
    weight = np.where(size[:, columns] > 0.5 * strong[columns], size[:, columns], 0)
    middle = (weight * strip.v[:, None]).sum(0) / weight.sum(0)
    at = strip.u[::every][columns]
    slope, height = _line(at, middle)
    # Phase from row to row is how ticks lean, from column to column how far the period is off.
    keep = share > _EVEN
    rows = (z[1:] * np.conj(z[:-1]))[keep[1:] & keep[:-1]].sum()
    lean = -float(np.angle(rows)) * strip.period / (2 * np.pi * step)
    onward = (z[:, every:] * np.conj(z[:, :-every]))[keep[:, every:] & keep[:, :-every]].sum()
    turn = float(np.angle(onward)) / (2 * np.pi * every * step)
    frequency = 1 / strip.period + turn
    if not 0.7 < frequency * strip.period < 1.4 or abs(lean) > 0.5 or abs(slope) > 0.2:
        return None
    along = strip.along + slope * strip.across
    length = float(np.linalg.norm(along))
    centre = float(np.median(at))
    origin = strip.place(np.array(centre), np.array(height + slope * centre))
    across = strip.across + lean * strip.along
    # The frequency is counted along the old course, with the ticks' lean taken along the new one.
    period = (1 - slope * lean) ** -1 * length / frequency
    return np.asarray(origin), along / length, across, period


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Return slope and height at 0 of the line most points follow."""
    keep = np.ones(len(x), bool)
    slope, height = 0.0, float(np.median(y))
    for _ in range(6):
        off = np.abs(y - slope * x - height)
        keep = off <= max(2.5 * float(np.median(off)), 1e-6)
        if keep.sum() < 5 or np.ptp(x[keep]) < 1e-6:
            break
        slope, height = (float(c) for c in np.polyfit(x[keep], y[keep], 1))
    return slope, height


def _with_band(strip: Strip) -> Strip | None:
    """Find from where to where across all ticks are seen."""
    z, share = tone_of_period(strip, 2.5)
    seen = share > _EVEN
    columns = seen.sum(0) * (strip.v[1] - strip.v[0]) > 0.8 * strip.period
    if columns.sum() < 25 * strip.period / (strip.u[1] - strip.u[0]):
        return None
    profile = np.median(np.where(seen, np.abs(z), 0)[:, columns], axis=1)
    centre = len(profile) // 2
    near = slice(max(0, centre - int(3 * _SAMPLES)), centre + int(3 * _SAMPLES))
    peak = near.start + int(np.argmax(profile[near]))
    low = profile < 0.5 * profile[peak]
    before, after = np.flatnonzero(low[:peak]), np.flatnonzero(low[peak:])
    if profile[peak] <= 0 or len(after) + len(before) == 0:
        return None
    first = int(before[-1]) + 1 if len(before) else 0
    last = peak + int(after[0]) - 1 if len(after) else len(low) - 1
    return replace(strip, band=(float(strip.v[first]), float(strip.v[last])))
