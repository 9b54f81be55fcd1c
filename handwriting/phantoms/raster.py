"""Exact drawing: how much of each pixel a round pen's path, or a printed rule, covers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray

ByteArray = NDArray[np.uint8]
_CHUNK = 8


def draw_stroke(cover: ByteArray, points: FloatArray, width: float) -> None:
    """Draw one pen stroke into `cover` (0-255), keeping the larger of old and new.

    Parameters
    ----------
    cover : ndarray of uint8, shape (rows, columns)
        Changed in place.
    points : ndarray, shape (n, 2)
        The pen's path, x and y in pixels (column i spans i to i + 1).
    width : float
        Width of the line, pixels.
    """
    rows, columns = cover.shape
    for first in range(0, max(len(points) - 1, 1), _CHUNK):
        part = points[first : first + _CHUNK + 1]
        reach = width / 2 + 1
        left, top = np.maximum(np.floor(part.min(axis=0) - reach).astype(int), 0)
        right, bottom = np.ceil(part.max(axis=0) + reach).astype(int) + 1
        right, bottom = min(right, columns), min(bottom, rows)
        if right <= left or bottom <= top:
            continue
        distance = _distance(part, left, right, top, bottom)
        tile = cover[top:bottom, left:right]
        np.maximum(tile, _share(distance, width), out=tile)


def _distance(part: FloatArray, left: int, right: int, top: int, bottom: int) -> NDArray[np.float32]:
    """Distance from each pixel's middle to the path."""
    start = part[:-1] if len(part) > 1 else part
    step = (part[1:] - part[:-1]) if len(part) > 1 else np.zeros_like(part)
    length = np.maximum((step**2).sum(axis=1), 1e-12)
    x = (np.arange(left, right) + 0.5 - start[:, :1]).astype(np.float32)[:, None, :]
    y = (np.arange(top, bottom) + 0.5 - start[:, 1:]).astype(np.float32)[:, :, None]
    dx = step[:, 0].astype(np.float32)[:, None, None]
    dy = step[:, 1].astype(np.float32)[:, None, None]
    per = (1 / length).astype(np.float32)[:, None, None]
    t = x * (dx * per) + y * (dy * per)
    np.clip(t, 0, 1, out=t)
    away = (x - t * dx) ** 2
    away += (y - t * dy) ** 2
    return np.asarray(np.sqrt(away.min(axis=0)))


def _share(distance: FloatArray | NDArray[np.float32], width: float) -> ByteArray:
    """Share of a pixel `distance` away that a line of `width` covers, as 0-255 (edges cut square to the line)."""
    half = width / 2
    share = np.minimum(distance + 0.5, half) - np.maximum(distance - 0.5, -half)
    return np.asarray(np.clip(share, 0, 1) * 255 + 0.5, dtype=np.uint8)


def draw_rule(cover: ByteArray, at: float, slope: float, width: float, *, upright: bool = False) -> None:
    """Draw a straight rule right across `cover`.

    Parameters
    ----------
    cover : ndarray of uint8
        Changed in place.
    at, slope : float
        Pixels: ``y = at - slope * x``; with `upright`, ``x = at + slope * y``.
    width : float
        Width of the rule, pixels.
    """
    canvas = cover.T if upright else cover
    down = slope if upright else -slope
    rows, columns = canvas.shape
    square = 1 / np.hypot(1.0, down)
    for first in range(0, columns, 256):
        last = min(first + 256, columns)
        ends = at + down * np.array([first, last])
        top = max(int(np.floor(ends.min() - width / 2 - 1)), 0)
        bottom = min(int(np.ceil(ends.max() + width / 2 + 1)) + 1, rows)
        if bottom <= top:
            continue
        x, y = np.arange(first, last) + 0.5, np.arange(top, bottom)[:, None] + 0.5
        tile = canvas[top:bottom, first:last]
        np.maximum(tile, _share(np.abs(y - at - down * x) * square, width), out=tile)
