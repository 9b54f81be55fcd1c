"""The strokes that cross out a word, in the ways people do it: lines, a wave, a zigzag, loops, hatching, a cross."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from handwriting.geometry import FloatArray
from handwriting.phantoms.alphabet import trace

Strokes = list[FloatArray]


def strike(style: str, left: float, right: float, height: float, rng: np.random.Generator) -> Strokes:
    """Return the strokes that cross out a word.

    Parameters
    ----------
    style : str
        A name of `STYLES`.
    left, right, height : float
        Extent of the word along the line and height of its bodies, mm; feet stand at 0, up is positive.
    """
    return STYLES[style](left, right, height, rng)


def _curve(along: FloatArray, up: FloatArray) -> FloatArray:
    return trace(np.column_stack([along, up]), ("",) * len(along), 0.4)[0]


def _level(left: float, right: float, height: float, rng: np.random.Generator, count: int) -> Strokes:
    strokes = []
    for n in range(count):
        x = np.array([left, (left + right) / 2, right]) + rng.uniform(-0.3, 0.3, 3) * height
        strokes.append(_curve(x, height * (0.5 + 0.25 * n) + rng.uniform(-0.2, 0.2, 3) * height))
    return strokes


def _line(left: float, right: float, height: float, rng: np.random.Generator) -> Strokes:
    return _level(left, right, height, rng, 1)


def _lines(left: float, right: float, height: float, rng: np.random.Generator) -> Strokes:
    return _level(left, right, height, rng, 2)


def _zigzag(left: float, right: float, height: float, rng: np.random.Generator) -> Strokes:
    n = max(4, int((right - left) / (0.45 * height)))
    ups = np.where(np.arange(n) % 2, 0.95, 0.1) * height + rng.normal(0, 0.1, n) * height
    return [_curve(np.linspace(left, right, n), ups)]


def _wave(left: float, right: float, height: float, rng: np.random.Generator) -> Strokes:
    n = max(5, int((right - left) / (rng.uniform(0.3, 0.5) * height)))
    swing = rng.uniform(0.12, 0.25) * height
    ups = 0.5 * height + np.where(np.arange(n) % 2, swing, -swing) + rng.normal(0, 0.05, n) * height
    return [_curve(np.linspace(left, right, n), ups)]


def _loops(left: float, right: float, height: float, rng: np.random.Generator) -> Strokes:
    turns = max(2.0, (right - left) / (rng.uniform(0.3, 0.5) * height))
    angle = np.linspace(0, 2 * np.pi * turns, int(10 * turns))
    radius = height * rng.uniform(0.45, 0.7) * (1 + 0.15 * rng.normal(size=len(angle)))
    along = left + (right - left) * np.linspace(0, 1, len(angle)) + 0.6 * radius * np.cos(angle)
    return [_curve(along, 0.55 * height + radius * np.sin(angle))]


def _hatching(left: float, right: float, height: float, rng: np.random.Generator) -> Strokes:
    n = max(6, int((right - left) / (rng.uniform(0.1, 0.18) * height)))
    top = rng.uniform(1.0, 1.5)
    ups = np.where(np.arange(n) % 2, top, -0.1) * height + rng.normal(0, 0.08, n) * height
    return [_curve(np.linspace(left, right, n), ups)]


def _cross(left: float, right: float, height: float, rng: np.random.Generator) -> Strokes:
    strokes = []
    for rise in (1, -1):
        low, high = np.array([-0.1, 1.4]) * height + rng.uniform(-0.2, 0.2, 2) * height
        ends = np.array([left, right]) + rng.uniform(-0.15, 0.15, 2) * height
        x = np.array([ends[0], ends.mean(), ends[1]])
        y = np.array([low, (low + high) / 2, high])[::rise]
        strokes.append(_curve(x, y + rng.uniform(-0.08, 0.08, 3) * height))
    return strokes


STYLES: dict[str, Callable[[float, float, float, np.random.Generator], Strokes]] = {
    "line": _line,
    "lines": _lines,
    "zigzag": _zigzag,
    "wave": _wave,
    "loops": _loops,
    "hatching": _hatching,
    "cross": _cross,
}
