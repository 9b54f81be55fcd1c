"""Narrow strips across a page: what lies dark and thin along them, averaged, and the slope that strips agree on.

Rules agree from strip to strip at one lag, handwriting does not. `rules` fits rulings to the strips, `lone_rules` lines
that belong to none.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray

ByteImage = NDArray[np.uint8]

# The ridge answer is cut here (of 255): a rule of this darkness counts in full, a pen stroke no more than a rule.
CLIP = 28
STRIPS = 64
STEEPEST = 0.12  # about 7 degrees


def strips_of(dark: ByteImage, reach: int, *, down: bool) -> NDArray[np.float32]:
    """Return the clipped ridge answer averaged in strips, shape (length along which rules repeat, strips).

    The last few columns are left out, so that strips are a whole number of pixels wide; averages are whole numbers.
    """
    if down:
        dark = dark[: dark.shape[0] // STRIPS * STRIPS]
        middle, low, high = dark[:, reach:-reach], dark[:, : -2 * reach], dark[:, 2 * reach :]
    else:
        dark = dark[:, : dark.shape[1] // STRIPS * STRIPS]
        middle, low, high = dark[reach:-reach], dark[: -2 * reach], dark[2 * reach :]
    ridge = cv2.max(low, high)
    cv2.subtract(middle, ridge, dst=ridge)
    cv2.threshold(ridge, CLIP, 0, cv2.THRESH_TRUNC, dst=ridge)
    # Sums by `reduce` take a third of the time that averaging over areas does.
    wide = (ridge.shape[0] if down else ridge.shape[1]) // STRIPS
    strips = np.zeros((dark.shape[1] if down else dark.shape[0], STRIPS), np.float32)
    if down:
        bands = ridge.reshape(STRIPS, wide, -1)
        for k in range(STRIPS):
            strips[reach:-reach, k] = cv2.reduce(bands[k], 0, cv2.REDUCE_SUM, dtype=cv2.CV_32S)[0]
    else:
        sums = cv2.reduce(ridge.reshape(-1, wide), 1, cv2.REDUCE_SUM, dtype=cv2.CV_32S)
        strips[reach:-reach] = sums.reshape(-1, STRIPS)
    strips *= np.float32(1) / np.float32(wide)
    return np.rint(strips, out=strips)


def tilt(strips: NDArray[np.float32], step: float) -> float:
    """Return the shared slope (px per px) by correlating strips at growing distances."""
    length, count = strips.shape
    # Strips end to end, with room between them for the farthest lag: at each lag they meet in one product.
    room = length + 32 * (int(STEEPEST * step) + 6)
    laid = np.zeros((count, room), np.float32)
    laid[:, :length] = (strips - strips.mean(0)).T
    flat = laid.reshape(-1)
    slope = 0.0
    spread = STEEPEST
    for apart in (1, 2, 4, 8, 16, 32):
        reach = max(2, int(np.ceil(spread * apart * step)))
        centre = slope * apart * step
        lags = np.arange(int(np.floor(centre)) - reach, int(np.ceil(centre)) + reach + 1)
        values = np.array([flat[: -room * apart - lag] @ flat[room * apart + lag :] for lag in lags.tolist()])
        best = int(np.argmax(values))
        shift = float(lags[best])
        if 0 < best < len(lags) - 1:
            a, b, c = values[best - 1 : best + 2]
            bend = a - 2 * b + c
            shift += 0.5 * (a - c) / bend if bend < 0 else 0.0
        slope = shift / (apart * step)
        spread = 1.5 / (apart * step)
    return slope


def aligned(strips: NDArray[np.float32], slope: float, step: float) -> NDArray[np.float32]:
    """Shift every strip so that rules of this slope lie level, rows counted at the middle column."""
    length, count = strips.shape
    level = np.zeros_like(strips)
    for s in range(count):
        # Row r is read between two rows, `whole` and `whole` + 1 further on, where both are there.
        shift = slope * (s + 0.5 - count / 2) * step
        whole = int(np.floor(shift))
        first, last = max(0, -whole), min(length, length - 1 - whole)
        if first < last:
            here, there = strips[first + whole : last + whole, s], strips[first + whole + 1 : last + whole + 1, s]
            level[first:last, s] = here + np.float32(shift - whole) * (there - here)
    return level


def medians(values: FloatArray | NDArray[np.float32]) -> FloatArray:
    """Return the median along the last axis.

    As `numpy.median`, which looks for ranks among many equal numbers and takes several times as long as sorting them.
    """
    ranked: Any = np.sort(values, axis=-1)
    half, odd = divmod(values.shape[-1], 2)
    return np.asarray((ranked[..., half + odd - 1] + ranked[..., half]) / 2)


def peaks(profile: FloatArray, reach: int) -> list[int]:
    """Return rows that are the highest within `reach` rows."""
    kernel = np.ones((2 * reach + 1, 1), np.uint8)
    top = cv2.dilate(profile.astype(np.float32)[:, None], kernel)[:, 0]
    found = np.flatnonzero((profile >= top) & (profile > 0))
    keep: list[int] = []
    for r in found:
        if not keep or r - keep[-1] > reach:
            keep.append(int(r))
    return keep


def thin(strength: FloatArray, row: int, px_per_mm: float) -> bool:
    """Tell whether the peak at `row` is as narrow as a printed rule: it falls by half within 0.6 mm."""
    reach = max(3, round(0.6 * px_per_mm))
    above, below = strength[max(0, row - reach)], strength[min(len(strength) - 1, row + reach)]
    return bool(max(above, below) < 0.5 * strength[row])
