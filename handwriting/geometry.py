"""Points, boxes, polylines and angles, with the axes and signs of the whole project stated once.

Axes
    The page stands upright before the reader. x grows to the right, y grows *down* the page, origin at its top left
    corner. Lengths are millimetres when the scale is known and pixels of the upright frame when it is not.
Heights
    A height or a distance to a line is positive *above* the line: ``above = y_line - y_mark``.
Slopes
    A line's slope is positive when it rises to the right as read: ``slope = -dy/dx``; as an angle, degrees.
Slant
    Angle of a stroke to the local baseline, degrees, counter-clockwise from the writing direction: 90 is upright,
    below 90 leans right, above 90 leans left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Box:
    """An upright rectangle; `right` and `bottom` are exclusive edges, so width is ``right - left``."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self) -> float:
        """Width, in the box's own unit."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """Height, in the box's own unit."""
        return self.bottom - self.top

    def scaled(self, factor: float) -> Box:
        """Return the box with every edge multiplied by `factor`."""
        return Box(self.left * factor, self.top * factor, self.right * factor, self.bottom * factor)

    def joined(self, other: Box) -> Box:
        """Return the smallest box that holds both."""
        return Box(
            min(self.left, other.left),
            min(self.top, other.top),
            max(self.right, other.right),
            max(self.bottom, other.bottom),
        )

    def overlap(self, other: Box) -> float:
        """Return intersection over union with `other`, 0 to 1."""
        across = min(self.right, other.right) - max(self.left, other.left)
        down = min(self.bottom, other.bottom) - max(self.top, other.top)
        if across <= 0 or down <= 0:
            return 0.0
        both = across * down
        return both / (self.width * self.height + other.width * other.height - both)


@dataclass(frozen=True, slots=True, eq=False)
class Polyline:
    """A curve y(x) given by its corners; x strictly increasing. Arrays are kept as read-only copies."""

    x: FloatArray
    y: FloatArray

    def __post_init__(self) -> None:
        for name in ("x", "y"):
            array = np.array(getattr(self, name), dtype=np.float64)
            array.flags.writeable = False
            object.__setattr__(self, name, array)

    def at(self, x: float | FloatArray) -> FloatArray:
        """Return y at `x`; beyond the ends the end segments go on straight."""
        x = np.asarray(x, dtype=np.float64)
        if len(self.x) == 1:
            return np.full(x.shape, self.y[0])
        y = np.interp(x, self.x, self.y)
        first = (self.y[1] - self.y[0]) / (self.x[1] - self.x[0])
        last = (self.y[-1] - self.y[-2]) / (self.x[-1] - self.x[-2])
        y = np.where(x < self.x[0], self.y[0] + first * (x - self.x[0]), y)
        return np.where(x > self.x[-1], self.y[-1] + last * (x - self.x[-1]), y)

    def at_columns(self, x: NDArray[np.int32]) -> FloatArray:
        """Return y at whole columns, of which there are far fewer than pixels: each is worked out once."""
        if not x.size:
            return np.empty(x.shape)
        left = int(x.min())
        found: FloatArray = self.at(np.arange(left, int(x.max()) + 1, dtype=np.float64)).take(x - left)
        return found

    def scaled(self, factor: float) -> Polyline:
        """Return the curve with both axes multiplied by `factor`."""
        return Polyline(self.x * factor, self.y * factor)

    def slope(self) -> float:
        """Return the mean slope by least squares over the corners, positive when it rises to the right."""
        if len(self.x) < 2:
            return 0.0
        return float(-np.polyfit(self.x, self.y, 1)[0])
