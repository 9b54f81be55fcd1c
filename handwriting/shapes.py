"""Print that its shape gives away: frames and ruled lines, solid blocks, circles, square codes, bar codes.

No hand draws a line of 25 mm true to a hundredth of a millimetre, or a circle true to a fiftieth of its radius with a
line of one width; and no pen leaves a solid block with an outline as smooth as its hull. Frames are told by their ink,
nearly all of it along the sides of a large box, upright or as tilted as the page. A square code (ISO/IEC 18004) has
three equal marks at its corners, each a square inside a frame 7/3 as wide; a bar code is a dozen bars of one height.

What it does not see: print of other shapes (letters are told by their repeats, see `printed`), and frames that writing
touches.
"""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.ink import Pieces

# A ruled line's length, and how far its middle may stray from straight, root mean square.
_RULED_MM, _STRAY_MM = 25.0, 0.06
# A circle's radius may vary by this share of it, and its line's width by the same.
_ROUND = 0.02
# A corner mark of a square code (ISO/IEC 18004, from memory): its frame is 7 modules wide and covers 24 of 49, the
# square inside it is 3 wide.
_FRAME_SQUARE, _FRAME_INK = 7 / 3, 24 / 49
_MOST_MARKS = 24
# Bars of a bar code: how many, how tall, and how true to one height.
_BARS, _BAR_MM, _BAR_TRUE = 12, 3.5, 0.04


def printed_shapes(pieces: Pieces, slope: float, px_per_mm: float) -> NDArray[np.bool_]:
    """Tell which pieces are frames, ruled lines, solid blocks, circles or parts of a code.

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
            or (blocks[p] and area[p] > 0.93 * cv2.contourArea(_hull(points)))
            or (rings[p] and _alone(pieces, int(p)) and _is_ring(points))
        )
    return printed | _square_codes(pieces.boxes) | _bar_codes(pieces.boxes, slope, px_per_mm)


def _hull(points: NDArray[np.int32]) -> NDArray[np.int32]:
    """Return the corners of the hull of ink pixels that come row by row: the ends of the rows are enough."""
    new = np.flatnonzero(points[1:, 1] != points[:-1, 1])
    ends = np.concatenate([[0], new, new + 1, [len(points) - 1]])
    return np.asarray(cv2.convexHull(points[ends]), np.int32)


def _square_codes(boxes: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Tell the pieces of square codes: all that stands between three equal corner marks in a right angle."""
    inside = np.zeros(len(boxes), bool)
    size, middle = boxes[:, 2:4].astype(np.float64), boxes[:, :2] + boxes[:, 2:4] / 2
    side, fill = size.max(1), boxes[:, 4] / size.prod(1)
    even = (size.min(1) > 0.85 * side) & (side >= 5)
    solid = np.flatnonzero(even & (fill > 0.75))
    frames = np.flatnonzero(even & (np.abs(fill - _FRAME_INK) < 0.15))
    if len(frames) < 3 or len(solid) < 3:
        return inside
    fits = np.abs(side[frames][:, None] / side[solid] / _FRAME_SQUARE - 1) < 0.25
    fits &= (np.abs(middle[frames][:, None] - middle[solid]) < 0.1 * side[frames][:, None, None]).all(2)
    for three in combinations(frames[fits.any(1)][:_MOST_MARKS].tolist(), 3):
        corner = _right_angle(middle[list(three)], float(side[list(three)].max()))
        if corner is None or np.ptp(side[list(three)]) > 0.15 * side[list(three)].max():
            continue
        ends = np.vstack([middle[list(three)], corner])
        reach = 0.75 * side[list(three)].max()
        inside |= ((middle > ends.min(0) - reach) & (middle < ends.max(0) + reach)).all(1) & (side < 2 * np.ptp(ends))
    return inside


def _right_angle(marks: FloatArray, side: float) -> FloatArray | None:
    """Return the fourth corner of the square that three marks stand at, None where they stand at none."""
    for k in range(3):
        one, other = (marks[i] - marks[k] for i in range(3) if i != k)
        a, b = float(np.hypot(*one)), float(np.hypot(*other))
        if a > 1.5 * side and abs(a - b) < 0.1 * a and abs(float(one @ other)) < 0.1 * a * b:
            return np.asarray(marks[k] + one + other)
    return None


def _bar_codes(boxes: NDArray[np.int32], slope: float, px_per_mm: float) -> NDArray[np.bool_]:
    """Tell the pieces of bar codes: a dozen bars or more side by side, tops and feet on one level each."""
    found = np.zeros(len(boxes), bool)
    left, top, wide, tall, area = boxes.T.astype(np.float64)
    bars = np.flatnonzero((tall > _BAR_MM * px_per_mm) & (tall > 3 * wide) & (area > 0.8 * wide * tall))
    bars = bars[np.argsort(left[bars], kind="stable")]
    level = top - slope * left
    for first in bars.tolist():
        if found[first]:
            continue
        height = tall[first]
        alike = (np.abs(tall[bars] - height) < _BAR_TRUE * height) & (
            np.abs(level[bars] - level[first]) < _BAR_TRUE * height
        )
        row = bars[alike & (left[bars] >= left[first])]
        gaps = left[row[1:]] - left[row[:-1]] - wide[row[:-1]]
        apart = np.flatnonzero(gaps > 0.35 * height)
        row = row[: apart[0] + 1] if len(apart) else row
        if len(row) >= _BARS:
            found[row] = True
    return found


def _is_frame(points: NDArray[np.int32], slope: float, px_per_mm: float) -> bool:
    """Tell whether nearly all ink lies along the sides of a box, upright, tilted as the page or as it lies best."""
    band = max(2.0, 0.9 * px_per_mm)
    lies = np.deg2rad(cv2.minAreaRect(_hull(points))[2])
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
