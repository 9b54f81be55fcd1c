"""Single lines on a sheet that follow no ruling: under a title, round an answer, hand-drawn rules, axes, bars."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handwriting.geometry import FloatArray

RGB = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Straight:
    """One line, from one end to the other, mm of the upright page.

    Parameters
    ----------
    x0, y0, x1, y1 : float
        Its ends.
    width_mm : float
        Its width.
    rgb : tuple of int
        Its colour, 0-255.
    wander_mm : float
        How far, root mean square, its course strays from straight: 0 along a ruler or in print, some tenths freehand.
    """

    x0: float
    y0: float
    x1: float
    y1: float
    width_mm: float = 0.25
    rgb: RGB = (120, 120, 120)
    wander_mm: float = 0.0

    def points(self, rng: np.random.Generator) -> FloatArray:
        """Return the course, mm of the upright page, shape (n, 2)."""
        ends = np.array([[self.x0, self.y0], [self.x1, self.y1]])
        length = float(np.hypot(*(ends[1] - ends[0])))
        if not self.wander_mm or not length:
            return ends
        along = np.linspace(0, 1, max(3, int(length)))
        # Slow waves, the slower the larger, as an unguided hand makes them.
        waves = [(rng.normal(), rng.uniform(0, 2 * np.pi), n) for n in (0.5, 1, 2, 3)]
        off: FloatArray = np.sum([a / n * np.sin(2 * np.pi * n * along + phase) for a, phase, n in waves], axis=0)
        off -= np.polynomial.Polynomial.fit(along, off, 1)(along)
        off *= self.wander_mm / max(float(np.sqrt(np.mean(off**2))), 1e-9)
        square = np.array([-(self.y1 - self.y0), self.x1 - self.x0]) / length
        return np.asarray(ends[0] + along[:, None] * (ends[1] - ends[0]) + off[:, None] * square)


def box(left: float, top: float, right: float, bottom: float, width_mm: float, rgb: RGB) -> tuple[Straight, ...]:
    """Return the four sides of a box."""
    corners = [(left, top), (right, top), (right, bottom), (left, bottom)]
    return tuple(
        Straight(*one, *other, width_mm, rgb) for one, other in zip(corners, [*corners[1:], corners[0]], strict=True)
    )


def uneven_rules(
    rows: list[float], left: float, right: float, rng: np.random.Generator, width_mm: float = 0.2, rgb: RGB = (120,) * 3
) -> tuple[Straight, ...]:
    """Return rules drawn one by one along a ruler: a millimetre off, half a degree askew, each with ends of its own."""
    out = []
    for row in rows:
        y, lean = row + rng.normal(0, 0.8), np.tan(np.radians(rng.normal(0, 0.3)))
        x0, x1 = left + rng.uniform(-4, 4), right + rng.uniform(-12, 4)
        out.append(Straight(x0, y, x1, y + lean * (x1 - x0), width_mm, rgb))
    return tuple(out)
