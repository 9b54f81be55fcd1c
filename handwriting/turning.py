"""Which way up the page is.

Sideways: rows of writing and printed rules make the ink's profile across them far more uneven than along them; the
profiles are taken in strips, so that a tilt of some degrees does not blur them.

Upside down: in Latin script more ink stands above the bodies (tall letters, dots, accents, capitals) than hangs below
them, on every page of some length.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.lines import Lines

_STRIPS = 10


def upright(flat: NDArray[np.uint8], px_per_mm: float) -> int:
    """Return 90 when the page lies on its side and should be turned clockwise, else 0.

    Whether it then stands on its head is told by `overhang` once the lines are found.
    """
    step = max(1, round(px_per_mm / 3))
    small = cv2.resize(flat, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
    dark = np.maximum(235.0 - small.astype(np.float32), 0)
    return 90 if _unevenness(dark.T) > 1.5 * _unevenness(dark) else 0


def _unevenness(dark: NDArray[np.float32]) -> float:
    """Return how uneven the profile of rows is, against that of evenly spread ink."""
    score = 0.0
    for strip in np.array_split(dark, _STRIPS, axis=1):
        profile = cv2.GaussianBlur(strip.sum(1)[:, None], (1, 9), sigmaX=0.1, sigmaY=2)[:, 0]
        score += float((np.diff(profile) ** 2).sum()) / max(float(strip.sum()) * strip.shape[1], 1.0)
    return score


def overhang(lines: Lines) -> tuple[float, float]:
    """Return the shares of the ink that stand above the bodies and that hang below them, over all lines."""
    above = below = 0.0
    total = max(1, int((lines.line >= 0).sum()))
    for i, line in enumerate(lines.lines):
        mine = lines.line == i
        up = line.baseline.at(lines.pieces.x[mine].astype(np.float64)) - lines.pieces.y[mine]
        above += float((up > 1.22 * line.x_height).sum())
        below += float((up < -0.22 * line.x_height).sum())
    return above / total, below / total
