"""What is left of rules among the pieces of ink, and where lines of no ruling ran."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from handwriting.components import Components
from handwriting.geometry import Box
from handwriting.rules import Rules, Ruling


def families(rules: Rules) -> list[tuple[Ruling, bool]]:
    """Return every family of lines, and whether it runs down the page."""
    across, down = (rules.across, *rules.lone_across), (rules.down, *rules.margins, *rules.lone_down)
    return [(f, turned) for some, turned in ((across, False), (down, True)) for f in some if f is not None]


def lone_boxes(rules: Rules) -> list[Box]:
    """Return the boxes of the lines that belong to no ruling."""
    boxes = []
    for lines, level in ((rules.lone_across, True), (rules.lone_down, False)):
        for line in lines:
            ends = line.at(0, np.array([line.left, line.right]))
            low, high = float(ends.min()) - line.thickness / 2, float(ends.max()) + line.thickness / 2
            boxes.append(Box(line.left, low, line.right, high) if level else Box(low, line.left, high, line.right))
    return boxes


def crossings(rules: Rules, ink: Components, px_per_mm: float) -> NDArray[np.bool_]:
    """Tell which pieces are bits of crossing rules: thin, and nearly all of their ink lies along rules of any way."""
    area = ink.boxes[:, 4]
    thin = np.flatnonzero(area < 0.36 * px_per_mm * (ink.boxes[:, 2] + ink.boxes[:, 3]))
    number = np.full(len(area), -1, np.int32)
    number[thin] = np.arange(len(thin), dtype=np.int32)
    x, y, piece = ink.pixels(number)
    near = np.zeros(len(x), bool)
    for family, turned in families(rules):
        along, across = (y, x) if turned else (x, y)
        at = along.astype(np.float64)
        level = across - family.slope * at - family.bend * at * at
        nearest = np.clip(np.searchsorted(family.offsets, level), 1, max(1, len(family.offsets) - 1))
        distance = np.abs(level - family.offsets[np.minimum(nearest, len(family.offsets) - 1)])
        distance = np.minimum(distance, np.abs(level - family.offsets[nearest - 1]))
        near |= distance < 0.34 * px_per_mm
    out = np.zeros(len(number), bool)
    out[thin] = np.bincount(piece, near, len(thin)) > 0.9 * area[thin]
    return out


def leftover(
    family: Ruling,
    left: NDArray[np.int32],
    top: NDArray[np.int32],
    wide: NDArray[np.int32],
    tall: NDArray[np.int32],
    px_per_mm: float,
    *,
    turned: bool,
) -> NDArray[np.bool_]:
    """Tell which components are bits of a printed rule: wholly within its band and thin, or a dot of a dotted rule."""
    along, across = (top + tall / 2, left + wide / 2) if turned else (left + wide / 2, top + tall / 2)
    thick, length = (wide, tall) if turned else (tall, wide)
    # A long bit of a slanted rule is no thicker for that.
    thick = thick - np.minimum(abs(family.slope) * length, 0.7 * thick)
    k = np.arange(len(family.offsets))
    slope = family.slope + family.turn * k
    rows = family.offsets[None, :] + along[:, None] * slope[None, :] + family.bend * (along**2)[:, None]
    distance = np.abs(rows - across[:, None]).min(1)
    near = distance < 0.3 * px_per_mm
    thin = thick < 0.45 * px_per_mm
    inside = (along > family.left - 4 * px_per_mm) & (along < family.right + 4 * px_per_mm)
    return np.asarray(near & thin & inside & ((length > 2.2 * thick) | (thick < 0.36 * px_per_mm)))
