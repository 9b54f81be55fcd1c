"""The four edges of a sheet of paper photographed at a slant, so that the picture can be straightened.

The sheet is looked for as the largest bright quadrilateral with darker matter all round it. Each edge is then placed in
the full picture as the step from paper to background along many short profiles, a line laid through the steps, and
neighbouring lines crossed. The shape of the sheet (width to height) follows from its outline and the camera's pinhole
with its axis through the middle of the picture; the nearest common shape is taken when it is within 4.5 %.

What it does not see: how large the sheet is, so nothing here gives millimetres; sheets that are bent, cut off, or as
bright as what they lie on are left as they are. Scans are too: only an outline clearly slanted or turned counts.

Source: shape of a rectangle from one view, Zhang & He 2007, Digital Signal Processing 17, 414-432 (formula recalled).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.sheet.marks import reduced

ByteImage = NDArray[np.uint8]

_LOOK_PX = 700
_LEAST_AREA = 0.2
# Width to height of sheets in common use: ISO 216 A and B series, and letter (ANSI/ASME Y14.1); the latter's ratio is
# 8.5 : 11.
_SHAPES = (1 / np.sqrt(2), 8.5 / 11)
_ALIKE = 0.045
# A telephone's main camera, in the picture's longer side (common practice, no source).
_USUAL_FOCAL = 0.8
_LEANING = 0.06
# Opposite edges of a scanned sheet are equal to a few parts in a thousand, and it lies within a few degrees.
_SLANTED = 0.012
_TURNED_DEG = 3.0
_PROFILES = 60
_LEAST_STEP = 18.0
_LEAST_SHARE = 0.7
_STRAIGHT = 0.004
_RIM = 0.008


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """A sheet's outline in a picture.

    Attributes
    ----------
    corners : ndarray, shape (4, 2)
        px, clockwise from the top left as the picture shows it.
    shape : float
        Width to height of the sheet itself.
    """

    corners: FloatArray
    shape: float

    def size(self) -> tuple[int, int]:
        """Return width and height, px, at which the sheet keeps the picture's own resolution."""
        top, right, bottom, left = _sides(self.corners)
        area = 0.5 * (top + bottom) * 0.5 * (left + right)
        height = np.sqrt(area / self.shape)
        return round(height * self.shape), round(height)

    def mapping(self) -> FloatArray:
        """Return the 3 by 3 matrix from places in the straightened picture to places in the picture, px."""
        width, height = self.size()
        flat = np.array([(0, 0), (width, 0), (width, height), (0, height)], np.float32) - 0.5
        return np.asarray(cv2.getPerspectiveTransform(flat, self.corners.astype(np.float32)), np.float64)

    def straightened(self, picture: ByteImage) -> ByteImage:
        """Return the sheet alone, straightened; its outermost rim, where background may show, is painted over."""
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        warped = cv2.warpPerspective(picture, self.mapping(), self.size(), flags=flags, borderMode=cv2.BORDER_REPLICATE)
        rim = max(2, round(_RIM * max(self.size())))
        inner = np.ascontiguousarray(warped[rim:-rim, rim:-rim])
        return np.asarray(cv2.copyMakeBorder(inner, rim, rim, rim, rim, cv2.BORDER_REPLICATE), np.uint8)


def find_outline(grey: ByteImage, *, slight: bool = False) -> Outline | None:
    """Return the outline of a sheet that lies slanted or turned in a photograph; None when there is no such sheet.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
    slight : bool
        The picture is known to be a slanted photograph: the least slant counts.
    """
    rough = _rough_corners(grey)
    if rough is None:
        return None
    corners = _refined(grey, rough)
    if corners is None:
        return None
    top, right, bottom, left = _sides(corners)
    slanted = max(abs(top / bottom - 1), abs(left / right - 1)) > _SLANTED
    along = corners[1] - corners[0]
    turned = abs(float(np.degrees(np.arctan2(along[1], along[0])))) > _TURNED_DEG
    if not (slanted or turned or slight):
        return None
    return Outline(corners, _shape(corners, (grey.shape[1], grey.shape[0])))


def _sides(corners: FloatArray) -> tuple[float, float, float, float]:
    """Return the lengths of top, right, bottom and left edge."""
    top, right, bottom, left = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    return float(top), float(right), float(bottom), float(left)


def _rough_corners(grey: ByteImage) -> FloatArray | None:
    """Return the corners of the largest bright quadrilateral, to a few pixels of a reduced copy."""
    factor = max(1.0, max(grey.shape) / _LOOK_PX)
    small = reduced(grey, factor)
    # Closing wipes out the writing.
    plain = cv2.medianBlur(cv2.morphologyEx(small, cv2.MORPH_CLOSE, np.ones((15, 15), np.uint8)), 5)
    _, bright = cv2.threshold(plain, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    outlines, _ = cv2.findContours(bright, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    if not outlines:
        return None
    hull = cv2.convexHull(max(outlines, key=cv2.contourArea))
    if cv2.contourArea(hull) < _LEAST_AREA * small.size:
        return None
    length = cv2.arcLength(hull, closed=True)
    for share in (0.01, 0.015, 0.02, 0.03, 0.04):
        corners = cv2.approxPolyDP(hull, share * length, closed=True).reshape(-1, 2)
        if len(corners) == 4:
            break
    else:
        return None
    edge = 2
    height, width = small.shape
    if (corners < edge).any() or (corners[:, 0] > width - 1 - edge).any() or (corners[:, 1] > height - 1 - edge).any():
        return None
    return _clockwise((corners + 0.5) * factor - 0.5)


def _clockwise(corners: FloatArray) -> FloatArray:
    """Order corners clockwise on the picture, the one nearest the picture's top left first."""
    middle = corners.mean(0)
    around = corners[np.argsort(np.arctan2(corners[:, 1] - middle[1], corners[:, 0] - middle[0]))]
    return np.roll(around, -int(np.argmin(around.sum(1))), axis=0)


def _refined(grey: ByteImage, corners: FloatArray) -> FloatArray | None:
    """Lay a line through the steps from paper to background along each edge and cross neighbours."""
    reach = 0.012 * max(grey.shape)
    for width in (2.0 * reach, reach):
        lines = []
        for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            line = _edge(grey, start, end, width)
            if line is None:
                return None
            lines.append(line)
        crossed = []
        for before, line in zip([lines[-1], *lines[:-1]], lines, strict=True):
            point = np.cross(before, line)
            if abs(point[2]) < 1e-9:
                return None
            crossed.append(point[:2] / point[2])
        corners = np.array(crossed)
    return corners


def _edge(grey: ByteImage, start: FloatArray, end: FloatArray, reach: float) -> FloatArray | None:
    """Return the edge near a segment as (a, b, c), a x + b y + c = 0; None where it is no straight clear step."""
    side = end - start
    length = float(np.linalg.norm(side))
    outward = np.array([side[1], -side[0]]) / length
    feet = start + side * np.linspace(0.04, 0.96, _PROFILES)[:, None]
    steps = np.linspace(-1, 1, 2 * int(reach) + 1)
    places = (feet[:, None, :] + outward * reach * steps[:, None]).astype(np.float32)
    light = cv2.GaussianBlur(
        cv2.remap(grey, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), (5, 1), 1.2
    ).astype(np.float64)
    quarter = max(2, len(steps) // 6)
    inside, outside = np.median(light[:, :quarter], axis=1), np.median(light[:, -quarter:], axis=1)
    seen = inside - outside > _LEAST_STEP
    if seen.mean() < _LEAST_SHARE:
        return None
    fall = np.clip(-np.diff(light, axis=1), 0, None)
    fall = np.clip(fall - 0.4 * fall.max(axis=1, keepdims=True), 0, None)
    where = (fall * (steps[1:] + steps[:-1]) / 2).sum(1) / np.maximum(fall.sum(1), 1e-9)
    points = (feet + outward * (reach * where)[:, None])[seen].astype(np.float32)
    vx, vy, x, y = (float(v) for v in cv2.fitLine(points, cv2.DIST_HUBER, 0, 0.01, 0.01).ravel())
    normal = np.array([-vy, vx])
    off = np.abs((points - (x, y)) @ normal)
    if np.percentile(off, 80) > max(_STRAIGHT * length, 1.5):
        return None
    return np.array([*normal, -float(normal @ (x, y))])


def _shape(corners: FloatArray, size: tuple[int, int]) -> float:
    """Return the sheet's width to height from its outline, a common shape when it is near one."""
    middle = (np.array(size, np.float64) - 1) / 2
    top_left, top_right, bottom_right, bottom_left = np.column_stack([corners - middle, np.ones(4)])
    across = np.cross(top_left, bottom_right)
    k2 = (across @ bottom_left) / (np.cross(top_right, bottom_right) @ bottom_left)
    k3 = (across @ top_right) / (np.cross(bottom_left, bottom_right) @ top_right)
    n2, n3 = k2 * top_right - top_left, k3 * bottom_left - top_left
    scale = float(max(size))
    focal2 = (_USUAL_FOCAL * scale) ** 2
    # The outline tells the focal length only when it leans both ways; a usual camera's serves otherwise.
    if min(abs(n2[2]), abs(n3[2])) > _LEANING:
        own = -(n2[0] * n3[0] + n2[1] * n3[1]) / (n2[2] * n3[2])
        if (0.5 * scale) ** 2 < own < (2 * scale) ** 2:
            focal2 = own
    wide = (n2[0] ** 2 + n2[1] ** 2) / focal2 + n2[2] ** 2
    tall = (n3[0] ** 2 + n3[1] ** 2) / focal2 + n3[2] ** 2
    shape = float(np.sqrt(wide / tall))
    common = [s for known in _SHAPES for s in (known, 1 / known)]
    nearest = min(common, key=lambda s: abs(shape / s - 1))
    return float(nearest) if abs(shape / nearest - 1) < _ALIKE else shape
