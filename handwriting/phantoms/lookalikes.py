"""Pictures with much in them that repeats evenly and is no rule with millimetres: what a finder of rules must let be.

Sizes are as met on worksheets and desks: common practice, no source.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.errors import UsageError
from handwriting.phantoms.raster import ByteArray
from handwriting.phantoms.rulers import INCH_MM, INCH_TICKS, RulerMake, lay_ruler

RULES_OF_OTHER_UNITS = {
    "sixteenths of an inch": RulerMake(INCH_MM / 16, INCH_TICKS, 16, length_mm=152.4),
    "thirty-seconds of an inch": RulerMake(
        INCH_MM / 32, ((32, 9.5), (16, 8.0), (8, 6.6), (4, 5.2), (2, 4.0), (1, 2.8)), 32, length_mm=152.4, tick_mm=0.13
    ),
    "eighths of an inch": RulerMake(INCH_MM / 8, ((8, 9.0), (4, 7.0), (2, 5.5), (1, 4.0)), 8, length_mm=152.4),
    "tenths of an inch": RulerMake(INCH_MM / 10, ((10, 8.0), (5, 6.2), (1, 4.6)), 10, length_mm=203.2),
    "twentieths of an inch": RulerMake(
        INCH_MM / 20, ((20, 9.0), (10, 7.0), (2, 5.0), (1, 3.4)), 20, length_mm=203.2, tick_mm=0.15
    ),
    "fiftieths of an inch": RulerMake(
        INCH_MM / 50, ((50, 8.0), (25, 6.5), (5, 5.0), (1, 3.2)), 50, length_mm=152.4, tick_mm=0.1
    ),
    "comb": RulerMake(1.6, ((1, 9.0),), 0, length_mm=160, tick_mm=0.8),
    "fringe": RulerMake(1.0, ((1, 4.0),), 0, length_mm=160, tick_mm=0.4),
    "fives": RulerMake(1.0, ((5, 6.5), (1, 3.5)), 0, length_mm=160),
    "twelves": RulerMake(1.5, ((12, 7.5), (6, 6.0), (1, 3.8)), 12, length_mm=160),
    "thermometer": RulerMake(2.0, ((10, 6.0), (5, 4.5), (1, 3.0)), 10, length_mm=160, tick_mm=0.3),
    "chart axis": RulerMake(2.5, ((10, 4.0), (5, 3.0), (1, 2.0)), 10, length_mm=150, tick_mm=0.25),
}
OTHERS = ("barcode", "squares of 5 mm", "squares of 1 mm", "piano keys", "number line", "table", "hatching", "film")
LOOKALIKES = (*RULES_OF_OTHER_UNITS, *OTHERS)


def draw_lookalike(kind: str, seed: int, dpi: float | None = None) -> ByteArray:
    """Return a grey picture with one thing that may pass for a rule, a little turned.

    At 100 to 400 dpi, chosen by the seed where `dpi` is left out.

    Raises
    ------
    UsageError
        `kind` is none of `LOOKALIKES`.
    """
    if kind not in LOOKALIKES:
        raise UsageError(f"no lookalike is called {kind!r}", where="lookalike", fix=f"Take one of {LOOKALIKES}")
    rng = np.random.default_rng([seed, 37])
    chosen = float(rng.choice([100, 150, 200, 300, 400]))
    scale = (dpi or chosen) / INCH_MM
    shape = (round(150 * scale), round(220 * scale))
    angle = np.radians(rng.uniform(-3, 3))
    c, s = np.cos(angle) * scale, np.sin(angle) * scale
    to_px = np.array([[c, -s, 20 * scale], [s, c, 60 * scale], [0, 0, 1.0]])
    scene = np.full(shape, rng.uniform(236, 252), np.float32)
    if kind in RULES_OF_OTHER_UNITS:
        lay_ruler(scene, RULES_OF_OTHER_UNITS[kind], to_px, rng)
    else:
        fine = 4
        flat = _drawn(kind, rng, scale * fine)
        small = cv2.resize(flat, None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA)
        move = np.array([[np.cos(angle), -np.sin(angle), 15 * scale], [np.sin(angle), np.cos(angle), 30 * scale]])
        size = (shape[1], shape[0])
        cover = cv2.warpAffine(small, move, size, flags=cv2.INTER_LINEAR, borderValue=255)
        scene *= np.asarray(cover, np.float32) / 255
    if rng.random() < 0.5:
        scene = np.ascontiguousarray(scene.T)
    scene = cv2.GaussianBlur(scene, (0, 0), rng.uniform(0.3, 0.9))
    scene = scene + rng.standard_normal(scene.shape, dtype=np.float32) * rng.uniform(0.5, 4)
    return np.asarray(np.clip(np.rint(scene), 0, 255), np.uint8)


def _drawn(kind: str, rng: np.random.Generator, k: float) -> ByteArray:
    """Draw 180 by 80 mm, `k` px to the mm, black on white."""
    flat = np.full((round(80 * k), round(180 * k)), 255, np.uint8)

    def box(left: float, top: float, right: float, bottom: float, tone: int = 20) -> None:
        cv2.rectangle(flat, (round(left * k), round(top * k)), (round(right * k), round(bottom * k)), tone, -1)

    match kind:
        case "barcode":
            at = 5.0
            while at < 170:
                wide = 0.5 * float(rng.integers(1, 4))
                box(at, 20, at + wide, 45)
                at += wide + 0.5 * float(rng.integers(1, 4))
        case "squares of 5 mm":
            _squares(flat, k, 5)
        case "squares of 1 mm":
            _squares(flat, k, 1)
        case _:
            for tone, left, top, right, bottom in _BOXES[kind]:
                box(left, top, right, bottom, tone=int(tone))
    return flat


def _keys() -> list[tuple[float, ...]]:
    white = [(20, 5 + 1.4 * i, 20, 5.25 + 1.4 * i, 32) for i in range(120)]
    black = [(20, 6 + 1.4 * i, 20, 6.8 + 1.4 * i, 28) for i in range(120) if i % 7 not in {2, 6}]
    return [*white, *black]


def _number_line() -> list[tuple[float, ...]]:
    half = [4.0 if i % 10 == 0 else 3.0 if i % 5 == 0 else 2.0 for i in range(161)]
    return [(20, 5, 39.8, 170, 40.2), *((20, 4.9 + i, 40 - h, 5.1 + i, 40 + h) for i, h in enumerate(half))]


def _table() -> list[tuple[float, ...]]:
    down = [(20, 5 + 5.5 * i, 10, 5.3 + 5.5 * i, 70) for i in range(30)]
    return [*down, *((20, 5, 10 + 8 * i, 165, 10.3 + 8 * i) for i in range(8))]


# Tone, left, top, right, bottom.
_BOXES: dict[str, list[tuple[float, ...]]] = {
    "piano keys": _keys(),
    "number line": _number_line(),
    "table": _table(),
    "hatching": [(20, 5 + i, 20, 5.3 + i, 24 + 10 * abs(float(np.sin(i / 9)))) for i in range(160)],
    "film": [(60, 0, 20, 180, 36), *((250, 3 + 4.75 * i, 21, 5 + 4.75 * i, 23.8) for i in range(40))],
}


def _squares(flat: NDArray[np.uint8], k: float, side: int) -> None:
    for upright in (False, True):
        length = flat.shape[1 if upright else 0] / k
        for i in range(0, int(length), side):
            heavy = side == 1 and i % 10 == 0
            middle = side == 1 and i % 5 == 0
            wide = 0.3 if heavy else 0.22 if middle else 0.14
            at = slice(round(i * k), round((i + wide) * k))
            tone = 90 if heavy else 120 if middle else 150
            if upright:
                flat[:, at] = np.minimum(flat[:, at], tone)
            else:
                flat[at] = np.minimum(flat[at], tone)
