"""Print that its shape gives away: frames and ruled lines, solid blocks, circles.

No hand draws a line of 25 mm true to a hundredth of a millimetre, or a circle true to a fiftieth of its radius with a
line of one width; and no pen leaves a solid block with an outline as smooth as its hull. Frames are told by their ink,
nearly all of it along the sides of a large box, upright or as tilted as the page.

What it does not see: print of other shapes (letters are told by their repeats, see `printed`), and frames that writing
touches.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.ink import Pieces

# A ruled line's length, and how far its middle may stray from straight, root mean square.
_RULED_MM, _STRAY_MM = 25.0, 0.06
# A circle's radius may vary by this share of it, and its line's width by the same.
_ROUND = 0.02


def printed_shapes(pieces: Pieces, slope: float, px_per_mm: float) -> NDArray[np.bool_]:
    """Tell which pieces are frames, ruled lines, solid blocks or circles.

    Parameters
    ----------
    pieces : Pieces
    slope : float
        Of the page, rows per column.
    px_per_mm : float
        Good to a factor of two.
    """
    wide, tall, area = (pieces.boxes[:, i] for i in (2, 3, 4))
    least, most = np.minimum(wide, tall), np.maximum(wide, tall)
    printed: NDArray[np.bool_] = (area > 0.8 * wide * tall) & (least > 2.5 * px_per_mm)
    sparse = area < 0.35 * wide * tall
    frames = sparse & (wide > 14 * px_per_mm) & (tall > 5 * px_per_mm)
    ruled = (most > _RULED_MM * px_per_mm) & (area < 1.0 * px_per_mm * most)
    blocks = (least > 2.5 * px_per_mm) & (area > 0.4 * wide * tall)
    rings = sparse & (least > 5 * px_per_mm) & (most - least < 0.04 * most)
    asked = np.flatnonzero((frames | ruled | blocks | rings) & ~printed)
    for p, mine in zip(asked, pieces.members(asked) if len(asked) else (), strict=True):
        points = np.stack([pieces.x[mine], pieces.y[mine]], 1)
        printed[p] = (
            (frames[p] and _is_frame(points, slope, px_per_mm))
            or (ruled[p] and _is_ruled(points, px_per_mm))
            # A scribble has a ragged outline.
            or (blocks[p] and area[p] > 0.93 * cv2.contourArea(cv2.convexHull(points)))
            or (rings[p] and _alone(pieces, int(p)) and _is_ring(points))
        )
    return printed


def _is_frame(points: NDArray[np.int32], slope: float, px_per_mm: float) -> bool:
    """Tell whether nearly all ink lies along the sides of a box, upright, tilted as the page or as it lies best."""
    band = max(2.0, 0.9 * px_per_mm)
    lies = np.deg2rad(cv2.minAreaRect(cv2.convexHull(points))[2])
    tilts = (0.0, float(np.arctan(slope)), float(np.mod(lies + np.pi / 4, np.pi / 2) - np.pi / 4))
    c, s = np.cos(tilts), np.sin(tilts)
    turns = np.array([[c, -s], [s, c]]).transpose(2, 0, 1)
    # Few points show which tilts are worth all of them.
    likely = _along_sides(points[:: max(1, len(points) // 500)] @ turns, band) >= 0.5
    for turn in turns[likely]:
        turned = points @ turn
        low, high = turned.min(0), turned.max(0)
        if _along_sides(turned, band) > 0.8 and len(points) > 1.2 * float((high - low).sum()):
            return True
    return False


def _along_sides(points: FloatArray, band: float) -> FloatArray:
    """Return the share of points (n, 2), or of each set of many, within a band along the sides of their box."""
    low, high = points.min(-2, keepdims=True), points.max(-2, keepdims=True)
    return np.asarray(((points < low + band) | (points > high - band)).any(-1).mean(-1))


def _is_ruled(points: NDArray[np.int32], px_per_mm: float) -> bool:
    """Tell whether the piece is one straight stroke: thin all along, its middle true to a straight line."""
    along, across = points.T if np.ptp(points[:, 0]) >= np.ptp(points[:, 1]) else points.T[::-1]
    start = int(along.min())
    count = np.bincount(along - start)
    inked = np.flatnonzero(count)
    if len(inked) < 0.8 * len(count) or np.percentile(count[inked], 95) > 1.2 * px_per_mm:
        return False
    middle = np.bincount(along - start, across.astype(np.float64))[inked] / count[inked]
    fitted = np.polynomial.Polynomial.fit(inked, middle, 1)
    stray: FloatArray = middle - fitted(inked)
    return float(np.sqrt(np.mean(stray**2))) < max(0.6, _STRAY_MM * px_per_mm)


def _is_ring(points: NDArray[np.int32]) -> bool:
    """Tell whether the piece is a circle drawn with a line of one width."""
    middle = (points.max(0) + points.min(0)) / 2
    offset = points - middle
    radius = np.hypot(*offset.T)
    sector = ((np.arctan2(offset[:, 1], offset[:, 0]) / (2 * np.pi) + 0.5) * 64).astype(int) % 64
    outer, inner = np.zeros(64), np.full(64, np.inf)
    np.maximum.at(outer, sector, radius)
    np.minimum.at(inner, sector, radius)
    if not np.isfinite(inner).all() or inner.min() < 0.5 * outer.mean():
        return False
    slack = _ROUND * outer.mean() + 0.5
    return bool(outer.std() < slack and inner.std() < slack)


def _alone(pieces: Pieces, index: int) -> bool:
    """Tell whether no piece of any size stands within half its width to the left or right: letters have company."""
    left, top, wide, tall, _ = pieces.boxes[index]
    right, bottom = pieces.boxes[:, 0] + pieces.boxes[:, 2], pieces.boxes[:, 1] + pieces.boxes[:, 3]
    beside = (pieces.boxes[:, 0] < left + 1.5 * wide) & (right > left - 0.5 * wide)
    beside &= (pieces.boxes[:, 1] < top + tall) & (bottom > top) & (pieces.boxes[:, 3] > 0.25 * tall)
    return int(beside.sum()) == 1
