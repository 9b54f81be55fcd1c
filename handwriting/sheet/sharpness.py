"""How blurred a picture of a copying sheet is, from the straight edges of its square marks.

A mark's edge is a step from black to paper on the sheet; what the picture makes of the step is the picture's blur, of
whatever kind: focus, motion, the sensor's grain of pixels, compression. The profiles square to all edges, each pixel at
its own distance from the edge's line, are laid over each other and

    light(d) = dark + step * (Phi((d - offset) / sigma) + inner * Phi((offset - border - d) / sigma))

is fitted to them, d positive outward; the second step is the far side of the mark's black border, `border` px wide,
where its modules begin. `sigma`, px of the picture, is the standard deviation of the blur (the edge spread function, as
by slanted edges in ISO 12233, whose own numbers are others).

What it does not see: blur that differs from place to place on the page; the print's own unsharpness counts as blur.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import least_squares
from scipy.special import ndtr

from handwriting.geometry import FloatArray
from handwriting.sheet.layout import FIDUCIAL_MM, FIDUCIAL_MODULES
from handwriting.sheet.marks import Grey

# The black border of a mark is a millimetre wide, and so is the white about it.
_REACH_MM = 1.0
_ALONG = np.linspace(0.15, 0.85, 21)
_STEPS = np.linspace(-1.0, 1.0, 25)
_LEAST_STEP = 18.0
_BIN_PX = 0.2
_LEAST_PX = 0.2


def edge_blur(grey: Grey, corners: FloatArray) -> float:
    """Return the standard deviation of a picture's blur, px; at least 0.2, which is as little as can be told.

    Parameters
    ----------
    grey : array (height, width)
    corners : array (marks, 4, 2)
        Corners of the marks, px, clockwise.
    """
    sides = np.roll(corners, -1, axis=1) - corners
    length = np.maximum(np.linalg.norm(sides, axis=-1, keepdims=True), 1e-6)
    outward = np.stack([sides[..., 1], -sides[..., 0]], axis=-1) / length
    reach = _REACH_MM / FIDUCIAL_MM * np.roll(length, 1, axis=1)
    feet = corners[:, :, None] + sides[:, :, None] * _ALONG[:, None]
    places = feet[:, :, :, None] + (outward * reach)[:, :, None, None] * _STEPS[:, None]
    at = np.rint(places).astype(np.intp)
    column, row = np.clip(at[..., 0], 0, grey.shape[1] - 1), np.clip(at[..., 1], 0, grey.shape[0] - 1)
    light = grey[row, column].astype(np.float64)
    distance = ((at - feet[:, :, :, None]) * outward[:, :, None, None]).sum(axis=-1)
    dark, white = light[..., :4].mean(axis=(-1, -2)), light[..., -4:].mean(axis=(-1, -2))
    clear = white - dark > _LEAST_STEP
    if not clear.any():
        return _LEAST_PX
    share = (light - dark[..., None, None]) / np.maximum(white - dark, _LEAST_STEP)[..., None, None]
    border = float(np.median(length)) / FIDUCIAL_MODULES
    return _fitted(distance[clear].ravel(), share[clear].ravel(), border)


def _fitted(distance: FloatArray, share: FloatArray, border: float) -> float:
    """Fit the blurred step to the mean profile: means of the pixels in bins of distance."""
    place = np.floor(distance / _BIN_PX).astype(np.intp)
    place -= place.min()
    count = np.bincount(place)
    full = count >= 0.2 * count.max()
    count = np.maximum(count, 1)
    d = (np.bincount(place, distance) / count)[full]
    v = (np.bincount(place, share) / count)[full]

    def off(p: FloatArray) -> FloatArray:
        result: FloatArray = p[0] + p[1] * (ndtr((d - p[2]) / p[3]) + p[4] * ndtr((p[2] - border - d) / p[3])) - v
        return result

    low, high = (-1.0, 0.1, -3.0, _LEAST_PX, 0.0), (1.0, 3.0, 3.0, 20.0, 1.0)
    return float(least_squares(off, (0.0, 1.0, 0.0, 1.0, 0.3), bounds=(low, high)).x[3])
