"""How blurred a picture of a copying sheet is, from the straight edges of its square marks.

A mark's edge is a step from black to paper on the sheet; what the picture makes of the step is the picture's blur, of
whatever kind: focus, motion, the sensor's grain of pixels, compression. To the pixels about each edge, each at its own
distance d from the edge's line, positive outward,

    light(d) = dark + step Phi((d - offset) / sigma) + inner Phi((offset - border - d) / sigma)

is fitted; the second step is the far side of the mark's black border, `border` px wide at that edge, where its modules
begin. Every edge has lights and an offset of its own, because marks lie in other light and at other slants; `sigma`,
px of the picture, is common: the standard deviation of the blur (the edge spread function, as by slanted edges in
ISO 12233, whose own numbers are others).

What it does not see: blur that differs from place to place on the page; the print's own unsharpness counts as blur.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from handwriting.geometry import FloatArray
from handwriting.sheet.layout import FIDUCIAL_MM, FIDUCIAL_MODULES
from handwriting.sheet.marks import Grey

# The black border of a mark is a millimetre wide, and so is the white about it.
_REACH_MM = 0.9
_ALONG = np.linspace(0.15, 0.85, 15)
_STEPS = np.linspace(-1.0, 1.0, 25)
_LEAST_STEP = 18.0
_LEAST_PX, _MOST_PX = 0.2, 20.0
_ROUNDS = 7
_FAR = 3.0


def edge_blur(grey: Grey, corners: FloatArray) -> float:
    """Return the standard deviation of a picture's blur, px; at least 0.2, which is as little as can be told.

    Parameters
    ----------
    grey : array (height, width)
    corners : array (marks, 4, 2)
        Corners of the marks, px, clockwise.
    """
    distance, light, border = _about_edges(grey, corners)
    # Gauss and Newton: each edge solves for its lights, its offset's and its blur's change; the blur's are averaged.
    sigma, offset = 1.0, np.zeros(len(distance))
    for _ in range(_ROUNDS):
        z = (distance - offset[:, None]) / sigma
        hill = np.exp(-0.5 * z * z)
        inner = ndtr(-z - (border / sigma)[:, None])
        columns = np.stack([np.ones_like(z), ndtr(z), inner, hill, z * hill], axis=-1)
        square = np.swapaxes(columns, 1, 2) @ columns + 1e-6 * np.eye(5)
        inverse = np.linalg.inv(square)
        found = (inverse @ (np.swapaxes(columns, 1, 2) @ light[..., None]))[..., 0]
        step = found[:, 1]
        clear = step > _LEAST_STEP
        if not clear.any():
            return _LEAST_PX
        rest = ((light - (columns @ found[..., None])[..., 0]) ** 2).mean(axis=1)
        per = -sigma * np.sqrt(2 * np.pi) / np.maximum(step, _LEAST_STEP)
        change, variance = per * found[:, 4], rest * inverse[:, 4, 4] * per**2
        offset = np.clip(offset + np.clip(per * found[:, 3], -0.5, 0.5), -2.0, 2.0)
        away = np.abs(change - np.median(change[clear]))
        near = clear & (away <= _FAR * 1.4826 * np.median(away[clear]) + 1e-3)
        weight = near / np.maximum(variance, 1e-9)
        mean = float((weight * change).sum() / weight.sum())
        sigma = float(np.clip(sigma + np.clip(mean, -0.5 * sigma, 0.5 * sigma), _LEAST_PX, _MOST_PX))
    return sigma


def _about_edges(grey: Grey, corners: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the pixels about every edge: distance outward, px, and light, (edges, pixels); the border's width, px."""
    sides = np.roll(corners, -1, axis=1) - corners
    length = np.maximum(np.linalg.norm(sides, axis=-1, keepdims=True), 1e-6)
    outward = np.stack([sides[..., 1], -sides[..., 0]], axis=-1) / length
    # The two edges that meet this one show how long a mm is square to it.
    meeting = [np.abs((np.roll(sides, way, axis=1) * outward).sum(axis=-1)) for way in (1, -1)]
    across = (meeting[0] + meeting[1]) / 2
    feet = corners[:, :, None] + sides[:, :, None] * _ALONG[:, None]
    reach = (_REACH_MM / FIDUCIAL_MM * across)[..., None] * outward
    places = feet[:, :, :, None] + reach[:, :, None, None] * _STEPS[:, None]
    at = np.rint(places).astype(np.intp)
    column, row = np.clip(at[..., 0], 0, grey.shape[1] - 1), np.clip(at[..., 1], 0, grey.shape[0] - 1)
    distance = ((at - feet[:, :, :, None]) * outward[:, :, None, None]).sum(axis=-1)
    edges = 4 * len(corners)
    light = grey[row, column].astype(np.float64)
    return distance.reshape(edges, -1), light.reshape(edges, -1), across.reshape(-1) / FIDUCIAL_MODULES
