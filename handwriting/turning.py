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

from handwriting.geometry import FloatArray
from handwriting.lifting import flatten
from handwriting.lines import Lines
from handwriting.sheet.marks import reduced

# Strips about four words wide; blurs in cells of about a third of a millimetre.
_STRIP_MM, _BLURS = 40.0, (4, 8)
_SIDEWAYS = 1.2


def upright(grey: NDArray[np.uint8], px_per_mm: float) -> int:
    """Return 90 when the page lies on its side and should be turned clockwise, else 0.

    Whether it then stands on its head is told by `overhang` once the lines are found.
    """
    step = max(1, round(px_per_mm / 3))
    small = reduced(grey, step)
    dark = np.maximum(235.0 - flatten(small, px_per_mm / step).astype(np.float32), 0)
    strip = max(8, round(_STRIP_MM * px_per_mm / step))
    across, along = _unevenness(dark, strip), _unevenness(np.ascontiguousarray(dark.T), strip)
    return 90 if np.prod(along) > _SIDEWAYS**2 * np.prod(across) else 0


def _unevenness(dark: NDArray[np.float32], strip: int) -> FloatArray:
    """Return how uneven the profile of rows is in strips, for its ink, once small and once large letters are blurred.

    Finer than that the upright strokes of letters are as uneven along the lines as the lines are across.
    """
    score = np.zeros(len(_BLURS))
    for left in range(0, dark.shape[1], strip):
        part = dark[:, left : left + strip]
        profile = part.sum(1)[:, None]
        for i, sigma in enumerate(_BLURS):
            smooth = cv2.GaussianBlur(profile, (1, 6 * sigma + 1), sigmaX=0.1, sigmaY=sigma)
            score[i] += float((np.diff(smooth[:, 0]) ** 2).sum()) / part.shape[1]
    return np.asarray(score / max(float(dark.sum()), 1.0))


def overhang(lines: Lines) -> tuple[float, float]:
    """Return the shares of the ink that stand above the bodies and that hang below them, over all lines."""
    runs = lines.runs()
    if not len(runs.first):
        return 0.0, 0.0
    # A stretch of ink is short: its first pixel stands for all.
    up, x_height = lines.above()[runs.first], np.repeat(lines.x_heights()[runs.line], runs.count)
    ink = runs.last - runs.first + 1
    higher, lower = up > 1.22 * x_height, up < -0.22 * x_height
    return float(ink[higher].sum() / ink.sum()), float(ink[lower].sum() / ink.sum())
