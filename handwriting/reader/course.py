"""How a line runs across its picture when nobody has measured it: slope, baseline and height of the small letters.

A page's own baseline and x-height are better where they are known; this serves a line that comes alone.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

_STEEPEST = 0.12
_MOST_POINTS = 6000
_ZONE_SHARE = 0.45

Floats = npt.NDArray[np.float32]


def without_rules(ink: Floats) -> Floats:
    """Wipe out printed rules, whole or dashed: runs along the row longer than the picture is high, thin as a pen.

    Letters crossed by a rule lose the crossing, which does not matter for finding where they stand.
    """
    height, width = ink.shape
    longest = max(24, int(1.2 * height))
    if width < longest:
        return ink
    mask = (ink > 0.25).astype(np.uint8)
    closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((1, max(3, height // 12)), np.uint8))
    rules = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((1, longest), np.uint8))
    upright = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((max(4, height // 10), 1), np.uint8))
    bare = np.where((rules > 0) & (upright == 0), np.float32(0), ink)
    return bare if bare.sum() > 0.3 * ink.sum() else ink


def slope(ink: Floats) -> float:
    """Rows the line falls per column (down positive): where the row profile is sharpest, within about ±0.12.

    Lines shorter than twice the picture's height are taken to be level.
    """
    height, width = ink.shape
    y, x = np.nonzero(ink > 0.3)
    if len(y) < 30 or width < 2 * height:
        return 0.0
    thinned = slice(None, None, len(y) // _MOST_POINTS + 1)
    y, x = y[thinned], x[thinned] - width / 2
    weight = ink[ink > 0.3][thinned]
    reach = min(_STEEPEST, 0.8 * height / width)
    best, step = 0.0, reach / 10
    # Coarse, then fine: the sharpest profile is a broad hill in the slope.
    for reached in (reach, step):
        tried = best + np.linspace(-reached, reached, 21)
        sharp = [float((_profile(y - s * x, weight, height, 1.0) ** 2).sum()) for s in tried]
        best = float(tried[int(np.argmax(sharp))])
    return best


def _profile(
    rows: npt.NDArray[np.floating], weight: npt.NDArray[np.floating], height: int, sigma: float
) -> npt.NDArray[np.float64]:
    """Ink in each row, smoothed, from one picture height above the picture to one below."""
    at = np.clip(np.rint(rows + height).astype(np.int64), 0, 3 * height - 1)
    counts = np.bincount(at, weights=weight, minlength=3 * height)
    return np.asarray(cv2.GaussianBlur(counts.reshape(-1, 1), (1, 0), sigmaX=0.1, sigmaY=sigma)[:, 0])


def course(ink: Floats) -> tuple[npt.NDArray[np.float64], float]:
    """Baseline and x-height of a straight line, level or not.

    The zone of the small letters is the band that holds at least 45 % of the fullest row's ink once the slope is taken
    out. Good to about a fifth of an x-height.

    Parameters
    ----------
    ink : ndarray of float32, shape (H, W)
        1 for ink, 0 for paper.

    Returns
    -------
    baseline : ndarray of float, shape (W,)
        Row (px, y down) of the baseline in each column.
    x_height : float
        px.
    """
    height, width = ink.shape
    bare = without_rules(ink)
    fall = slope(bare)
    y, x = np.nonzero(bare > 0.1)
    across = np.arange(width) - width / 2
    if not len(y):
        return np.full(width, height * 0.67), max(height * 0.28, 2.0)
    # A running mean as well: what is left of a rule stands out of the letters' zone as one narrow row.
    narrow = max(3, height // 10)
    rows = _profile(y - fall * across[x], bare[y, x], height, max(1.0, height / 60))
    rows = np.convolve(rows, np.ones(narrow) / narrow, "same")
    top = bottom = int(rows.argmax())
    full = rows >= _ZONE_SHARE * rows[top]
    while top > 0 and full[top - 1]:
        top -= 1
    while bottom + 1 < len(full) and full[bottom + 1]:
        bottom += 1
    return bottom + 1 - height + fall * across, float(max(bottom + 1 - top, 2))
