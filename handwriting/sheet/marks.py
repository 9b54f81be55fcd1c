"""Find the fiducials of a copying sheet in a picture and place their corners to a small part of a pixel.

Marks are looked for in a reduced copy; then each of their four edges is found afresh in the full picture as the
brightest-to-darkest step along many short profiles, a line is laid through them, and neighbouring lines are crossed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.sheet.drawing import DICTIONARY
from handwriting.sheet.layout import FIDUCIAL_MM

Grey = NDArray[np.uint8]

_LOOK_PX = (1400, 2800)
_ENOUGH = 10
# A sheet too far away to be read in the small copy still shows this many squares of some kind there.
_FEWEST_SQUARES = 6
# Marks and such squares that a sheet shows at one threshold already, the widest of three: on 60 simulated photographs,
# and 24 more shrunk five ways, whatever was found at all three was.
_GLANCE_PX, _AT_A_GLANCE = 23, 3
_LOPSIDED = 1.8
_ALONG = np.linspace(0.12, 0.88, 17)
_REACH_MM = (0.9, 0.6)
_PROFILE = 25
_LEAST_STEP = 18.0
_LEAST_SHARE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """Fiducials found in a picture.

    Parameters
    ----------
    ids : array (n,)
    corners : array (n, 4, 2)
        px, clockwise from the mark's own top left.
    white, black : array (n,)
        Grey levels just outside and just inside the marks' borders.
    mirrored : bool
        No marks were found, but they are in the picture's mirror image.
    """

    ids: NDArray[np.intp]
    corners: FloatArray
    white: FloatArray
    black: FloatArray
    mirrored: bool = False

    def only(self, keep: NDArray[np.bool_]) -> Marks:
        """Return the marks chosen by a mask."""
        return Marks(self.ids[keep], self.corners[keep], self.white[keep], self.black[keep])

    def __len__(self) -> int:
        """Return how many marks there are."""
        return len(self.ids)


def find_marks(grey: Grey) -> Marks:
    """Return the fiducials in a grey picture of shape (height, width); none is no error."""
    longest = max(grey.shape)
    detector = cv2.aruco.ArucoDetector(DICTIONARY, cv2.aruco.DetectorParameters())
    ids, corners = np.empty(0, dtype=np.intp), np.empty((0, 4, 2))
    alike = 0
    for look in _LOOK_PX:
        factor = max(1.0, longest / look)
        small = reduced(grey, factor)
        if look == _LOOK_PX[0] and not _at_a_glance(small):
            break
        found, names, squares = detector.detectMarkers(small)
        alike = _of_one_size(squares)
        if names is not None and len(names) > len(ids):
            ids = np.asarray(names, dtype=np.intp).ravel()
            corners = (np.concatenate(found).astype(np.float64) + 0.5) * (longest / max(small.shape)) - 0.5
        if len(ids) >= _ENOUGH or factor == 1.0 or len(ids) + alike < _FEWEST_SQUARES:
            break
    if not len(ids):
        mirrored = alike >= _FEWEST_SQUARES and len(detector.detectMarkers(cv2.flip(small, 1))[0]) >= _FEWEST_SQUARES
        return Marks(ids, corners, np.empty(0), np.empty(0), mirrored)
    return _refined(grey, ids, corners)


def _at_a_glance(small: Grey) -> bool:
    """Tell whether a picture may show a sheet: most pages show none, and that is seen in a third of the time."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = _GLANCE_PX
    _, names, squares = cv2.aruco.ArucoDetector(DICTIONARY, parameters).detectMarkers(small)
    return (0 if names is None else len(names)) + _of_one_size(squares) >= _AT_A_GLANCE


def _of_one_size(squares: Sequence[NDArray[np.float32]]) -> int:
    """Return how many quadrilaterals are nearly square and of about one size, as a sheet's marks are."""
    if not len(squares):
        return 0
    corners = np.concatenate(squares)
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    size = sides.mean(1)
    square = sides.max(1) < _LOPSIDED * sides.min(1)
    alike = np.abs(np.log(size[:, None] / size[None, :])) < np.log(_LOPSIDED)
    return int((alike & square[:, None] & square[None, :]).sum(1).max(initial=0))


def reduced(grey: Grey, factor: float) -> Grey:
    """Return a copy to look for things in, smaller by about `factor`: halved while that goes, then interpolated.

    In a fraction of the time that averaging over areas takes; places in it are good to a pixel or two of the whole.
    """
    size = (max(1, round(grey.shape[1] / factor)), max(1, round(grey.shape[0] / factor)))
    while factor >= 2:
        half = (max(1, grey.shape[1] // 2), max(1, grey.shape[0] // 2))
        # An odd row or column is left out: pixels that part unevenly take several times as long.
        even = grey[: 2 * half[1], : 2 * half[0]]
        grey = np.asarray(cv2.resize(even, half, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        factor /= 2
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_LINEAR), dtype=np.uint8) if factor > 1 else grey


def _refined(grey: Grey, ids: NDArray[np.intp], corners: FloatArray) -> Marks:
    whole = np.ones(len(ids), dtype=bool)
    white = black = np.zeros(len(ids))
    for reach in _REACH_MM:
        corners, good, white, black = _edges(grey, corners, reach)
        whole &= good
    return Marks(ids, corners, white, black).only(whole)


def _edges(
    grey: Grey, corners: FloatArray, reach_mm: float
) -> tuple[FloatArray, NDArray[np.bool_], FloatArray, FloatArray]:
    """Find the edges of all marks within `reach_mm` of where they are thought to be."""
    ends = np.roll(corners, -1, axis=1)
    sides = ends - corners
    length = np.maximum(np.linalg.norm(sides, axis=-1, keepdims=True), 1e-6)
    outward = np.stack([sides[..., 1], -sides[..., 0]], axis=-1) / length
    across = np.roll(length, 1, axis=1)  # the edges that meet this one show how long a mm is across it
    reach = reach_mm * across / FIDUCIAL_MM
    feet = corners[:, :, None] + sides[:, :, None] * _ALONG[:, None]
    steps = np.linspace(-1.0, 1.0, _PROFILE)
    places = feet[:, :, :, None] + (outward * reach)[:, :, None, None] * steps[:, None]
    light = _sample(grey, places)
    inside, outside = light[..., :5].mean(axis=-1), light[..., -5:].mean(axis=-1)
    rise = np.clip(np.diff(light, axis=-1), 0.0, None)
    # Half the largest step is taken off: noise and slow shading then weigh nothing.
    rise = np.clip(rise - 0.25 * rise.max(axis=-1, keepdims=True), 0.0, None)
    total = rise.sum(axis=-1)
    middle = (steps[1:] + steps[:-1]) / 2
    where = (rise * middle).sum(axis=-1) / np.maximum(total, 1e-9)
    seen = (outside - inside) > _LEAST_STEP
    points = feet + (outward * reach)[:, :, None] * where[..., None]
    lines, straight = _lines(points, seen)
    before = np.roll(lines, 1, axis=1)
    crossing = np.cross(before, lines)
    flat = np.abs(crossing[..., 2]) < 1e-9
    safe = np.where(flat, 1.0, crossing[..., 2])
    found = np.where(flat[..., None], corners, crossing[..., :2] / safe[..., None])
    near = np.linalg.norm(found - corners, axis=-1) < 1.5 * reach[..., 0] + 2.0
    good = straight.all(axis=1) & near.all(axis=1) & ~flat.any(axis=1)
    return np.where(good[:, None, None], found, corners), good, outside.mean(axis=(1, 2)), inside.mean(axis=(1, 2))


def _sample(grey: Grey, places: FloatArray) -> FloatArray:
    flat = places.reshape(-1, _PROFILE * len(_ALONG), 2).astype(np.float32)
    light = cv2.remap(grey, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(light, dtype=np.float64).reshape(places.shape[:-1])


def _lines(points: FloatArray, seen: NDArray[np.bool_]) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Fit a line to each edge's points, twice, the second time without the far ones.

    Returns lines (n, 4, 3) as a x + b y + c = 0 with unit (a, b), and whether enough points agree, (n, 4).
    """
    weight = seen.astype(np.float64)
    lines = np.zeros((*points.shape[:2], 3))
    for _ in range(3):
        total = np.maximum(weight.sum(axis=-1), 1e-9)[..., None]
        mean = (points * weight[..., None]).sum(axis=2) / total
        apart = points - mean[:, :, None]
        spread = np.einsum("nep,nepi,nepj->neij", weight, apart, apart)
        _, axes = np.linalg.eigh(spread)
        normal = axes[..., :, 0]
        lines = np.concatenate([normal, -(normal * mean).sum(axis=-1, keepdims=True)], axis=-1)
        off = np.abs(np.einsum("nepi,nei->nep", apart, normal))
        limit = 2.5 * np.maximum(np.median(np.where(seen, off, np.nan_to_num(off)), axis=-1, keepdims=True), 0.15)
        weight = (seen & (off <= limit)).astype(np.float64)
    return lines, weight.mean(axis=-1) >= _LEAST_SHARE
