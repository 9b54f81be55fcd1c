"""Where in a picture something narrow repeats evenly along a straight course: rulers, and whatever looks like one.

The picture is looked at in long flat windows, at its own size and at halves of it, level and upright. A window counts
when most of what varies along it varies at one period. Windows of like period along one line make a `Course`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray

ByteImage = NDArray[np.uint8]

# Windows and periods, px of the level looked at: each level takes the periods from the least to twice that and a bit.
_TALL, _TALL_STEP = 8, 4
_WIDE, _WIDE_STEP, _LENGTH = 96, 32, 128
_SHORTEST, _LONGEST = 3.3, 8.0
_COARSEST = 8
_SHARE = 0.42
_FAINTEST = 1.2
_STEEPEST = 0.2
_FEWEST = 3
_MOST_COURSES = 6


@dataclass(frozen=True, slots=True)
class Course:
    """A line along which something repeats: a point on it and its direction, px of the picture, the period, a weight.

    `angle` is in radians from the x axis towards y (down).
    """

    x: float
    y: float
    angle: float
    period: float
    weight: float


def find_courses(grey: ByteImage) -> list[Course]:
    """Return the courses of a grey picture, the clearest first."""
    courses: list[Course] = []
    level, factor = grey, 1
    while factor <= _COARSEST and min(level.shape) >= _TALL and max(level.shape) >= _WIDE:
        for upright in (False, True):
            looked = np.ascontiguousarray(level.T) if upright else level
            courses += [_in_picture(course, factor, upright=upright) for course in _level_courses(looked)]
        size = (level.shape[1] // 2, level.shape[0] // 2)
        if min(size) < _TALL:
            break
        level = cv2.resize(level[: 2 * size[1], : 2 * size[0]], size, interpolation=cv2.INTER_AREA)
        factor *= 2
    return sorted(courses, key=lambda c: -c.weight)


def _in_picture(course: Course, factor: int, *, upright: bool) -> Course:
    x, y = ((v + 0.5) * factor - 0.5 for v in (course.x, course.y))
    if upright:
        return Course(y, x, np.pi / 2 - course.angle, course.period * factor, course.weight)
    return Course(x, y, course.angle, course.period * factor, course.weight)


def _level_courses(level: ByteImage) -> list[Course]:
    """Return the nearly level courses of one size of the picture."""
    x, y, period, share = _even_windows(level)
    left = np.ones(len(x), bool)
    courses: list[Course] = []
    for seed in np.argsort(-share):
        if len(courses) == _MOST_COURSES:
            break
        if not left[seed]:
            continue
        near = left & (np.abs(period / period[seed] - 1) < 0.12)
        slopes = np.linspace(-_STEEPEST, _STEEPEST, 81)
        members = np.flatnonzero(near)
        off = np.abs(y[members] - y[seed] - slopes[:, None] * (x[members] - x[seed])) < _TALL * 0.8
        votes = (off * share[members]).sum(1)
        best = int(np.argmax(votes))
        along = members[off[best]]
        wide = np.abs(y - y[seed] - slopes[best] * (x - x[seed])) < 3 * _TALL
        left &= ~(wide & near)
        left[seed] = False
        if len(np.unique(x[along])) < _FEWEST:
            continue
        weights = share[along]
        middle = float(np.average(x[along], weights=weights)), float(np.average(y[along], weights=weights))
        typical = float(np.median(period[along]))
        courses.append(Course(*middle, float(np.arctan(slopes[best])), typical, float(len(np.unique(x[along])))))
    return courses


def _even_windows(level: ByteImage) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return middle, period and share of one period in what varies, of every window that is even."""
    strips = cv2.boxFilter(level, cv2.CV_32F, (1, _TALL), borderType=cv2.BORDER_REPLICATE)[_TALL // 2 :: _TALL_STEP]
    starts = np.arange(0, level.shape[1] - _WIDE + 1, _WIDE_STEP)
    taper = np.hanning(_WIDE).astype(np.float32)
    low, high = int(np.ceil(_LENGTH / _LONGEST)), int(np.floor(_LENGTH / _SHORTEST))
    found: list[tuple[NDArray[np.floating[Any]], ...]] = []
    for start in starts:
        part = strips[:, start : start + _WIDE]
        part = (part - part.mean(1, keepdims=True)) * taper
        power = np.abs(np.fft.rfft(part, _LENGTH, axis=1)) ** 2
        peak = low + np.argmax(power[:, low : high + 1], axis=1)
        total = power[:, 4:].sum(1) + 1e-6
        rows = np.arange(len(power))
        held = np.zeros(len(power))
        for step in range(-2, 3):
            held += power[rows, peak + step]
            second = 2 * peak + step
            held += np.where(second <= _LENGTH // 2, power[rows, np.minimum(second, _LENGTH // 2)], 0)
        size = np.sqrt(power[rows, peak]) * 4 / _WIDE
        a, b, c = (np.sqrt(power[rows, peak + i]) for i in (-1, 0, 1))
        bend = a - 2 * b + c
        fine = peak + np.where(bend < 0, 0.5 * (a - c) / np.minimum(bend, -1e-9), 0.0)
        keep = np.flatnonzero((held / total > _SHARE) & (size > _FAINTEST))
        middle = np.full(len(keep), start + (_WIDE - 1) / 2)
        found.append((middle, keep * _TALL_STEP + _TALL / 2.0, _LENGTH / fine[keep], (held / total)[keep]))
    if not found:
        none = np.zeros(0)
        return none, none, none, none
    x, y, period, share = (np.concatenate(column).astype(np.float64) for column in zip(*found, strict=True))
    return x, y, period, share
