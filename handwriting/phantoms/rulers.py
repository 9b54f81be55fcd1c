"""Rulers of exactly known divisions laid beside or on a drawn page, scanned or photographed.

A `RulerMake` says how a ruler is divided and what it is made of; `lay_ruler` puts it into a picture through a
homography from ruler mm (along the edge, inward from it) to pixels. Ticks are drawn by the share of every pixel
they cover, so their places are exact. `random_ruler_page` makes whole pictures, seeded.

Lengths and widths of ticks follow rulers at hand: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.phantoms.capture import Capture
from handwriting.phantoms.drawing import draw
from handwriting.phantoms.paper import Paper
from handwriting.phantoms.passages import PASSAGES
from handwriting.phantoms.raster import ByteArray
from handwriting.phantoms.writer import ABLE

INCH_MM = 25.4
MM_TICKS = ((10, 7.0), (5, 5.2), (1, 3.6))
INCH_TICKS = ((16, 9.5), (8, 7.5), (4, 6.0), (2, 4.6), (1, 3.2))


@dataclass(frozen=True, slots=True)
class RulerMake:
    """A ruler.

    Parameters
    ----------
    division_mm : float
        Distance of neighbouring ticks.
    ticks : tuple of (int, float)
        Every how many divisions a tick of which length, mm, longest first; the last is every division.
    figures_every : int
        Divisions from one figure to the next; 0 for none.
    figures_beside : bool
        Figures stand beside the long ticks, else beyond their ends.
    length_mm, width_mm, end_mm, inset_mm : float
        Length of the scale; width of the body; body beyond the scale at either end; free rim between edge and ticks.
    tick_mm : float
        Width of a tick.
    body, tick : float
        Grey tones, 0 to 255.
    clear : float
        How much of what lies below shows through the body, 0 to 1.
    grain, gloss, wear : float
        Contrast of the wood's grain, of the light mirrored along the body, and the share of ticks worn faint.
    """

    division_mm: float = 1.0
    ticks: tuple[tuple[int, float], ...] = MM_TICKS
    figures_every: int = 10
    figures_beside: bool = False
    length_mm: float = 200.0
    width_mm: float = 28.0
    end_mm: float = 5.0
    inset_mm: float = 0.0
    tick_mm: float = 0.18
    body: float = 205.0
    tick: float = 35.0
    clear: float = 0.0
    grain: float = 0.0
    gloss: float = 0.0
    wear: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class RulerPhantom:
    """A picture with a ruler in it: grey pixels, ruler mm to px, the make, and width and height of the page."""

    image: ByteArray
    to_px: FloatArray
    make: RulerMake
    dpi: float
    photo: bool
    page_mm: tuple[float, float]

    def px_per_mm_at(self, place: FloatArray) -> float:
        """Return the true scale along the ruler's edge at a place in the picture, px."""
        s, t = _through(np.asarray(np.linalg.inv(self.to_px), np.float64), place)
        ends = _through(self.to_px, np.array([[s - 0.01, t], [s + 0.01, t]]))
        return float(np.hypot(*(ends[1] - ends[0])) / 0.02)


def _through(matrix: FloatArray, points: FloatArray) -> FloatArray:
    flat = np.column_stack([np.atleast_2d(points), np.ones(len(np.atleast_2d(points)))]) @ matrix.T
    return np.asarray(flat[:, :2] / flat[:, 2:]).reshape(np.shape(points))


def lay_ruler(
    scene: NDArray[np.float32],
    make: RulerMake,
    to_px: FloatArray,
    rng: np.random.Generator,
    other_edge: RulerMake | None = None,
) -> None:
    """Lay a ruler into a picture, in place.

    Parameters
    ----------
    scene : ndarray of float32, shape (H, W)
        Grey tones, 0 to 255.
    make : RulerMake
    to_px : ndarray, shape (3, 3)
        From ruler mm (x along the edge from the zero, y inward from the edge) to px; pixel i spans i to i + 1.
    rng : numpy.random.Generator
        Grain and wear.
    other_edge : RulerMake, optional
        Divisions of the opposite edge, which runs the other way.
    """
    first, last = -make.end_mm, make.length_mm + make.end_mm
    outline = [[first, 0.0], [last, 0.0], [last, make.width_mm], [first, make.width_mm]]
    corners = _through(to_px, np.array(outline))
    left, top = np.maximum(np.floor(corners.min(0)).astype(int) - 2, 0)
    right, bottom = np.minimum(np.ceil(corners.max(0)).astype(int) + 2, scene.shape[::-1])
    if right <= left or bottom <= top:
        return
    x, y = np.meshgrid(np.arange(left, right) + 0.5, np.arange(top, bottom) + 0.5)
    inverse = np.linalg.inv(to_px)
    depth = inverse[2, 0] * x + inverse[2, 1] * y + inverse[2, 2]
    s = ((inverse[0, 0] * x + inverse[0, 1] * y + inverse[0, 2]) / depth).astype(np.float32)
    t = ((inverse[1, 0] * x + inverse[1, 1] * y + inverse[1, 2]) / depth).astype(np.float32)
    middle = _through(to_px, np.array([[0.0, 0.0], [1.0, 0.0]]))
    foot = float(1 / np.hypot(*(middle[1] - middle[0])))

    inside = _within(s, -make.end_mm, make.length_mm + make.end_mm, foot) * _within(t, 0, make.width_mm, foot)
    part = scene[top:bottom, left:right]
    tone = np.full(part.shape, make.body, np.float32)
    if make.grain:
        grain = cv2.GaussianBlur(rng.standard_normal((400, 60)).astype(np.float32), (0, 0), 1.0)
        grain = cv2.resize(grain, (1200, 400), interpolation=cv2.INTER_CUBIC)
        tone += make.grain * 2.5 * _looked_up(grain, (s + make.end_mm) * 5, t * 12)
    if make.gloss:
        tone += make.gloss * np.exp(-((t - 0.55 * make.width_mm + 0.02 * s) ** 2) / 8)
    tone = make.clear * part + (1 - make.clear) * tone
    if make.clear:  # the rims of a clear body catch the light
        rim = np.maximum(_within(t, 0, 0.3, foot), _within(t, make.width_mm - 0.3, make.width_mm, foot))
        tone -= 40 * rim
    marks = _marks(make, s, t, foot, rng)
    if other_edge is not None:
        turned = _marks(other_edge, make.length_mm - s, make.width_mm - t, foot, rng)
        marks = np.maximum(marks, turned)
    tone += marks * (make.tick - tone)
    part += inside * (tone - part)


def _within(at: NDArray[np.float32], low: float, high: float, foot: float) -> NDArray[np.float32]:
    """Return the share of each pixel, `foot` mm wide, between two places."""
    shared = np.minimum(at + foot / 2, high) - np.maximum(at - foot / 2, low)
    return np.asarray(np.clip(shared / foot, 0, 1), np.float32)


def _marks(
    make: RulerMake, s: NDArray[np.float32], t: NDArray[np.float32], foot: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Return how much of each pixel is covered by ticks and figures."""
    last = round(make.length_mm / make.division_mm)
    number = np.clip(np.rint(s / make.division_mm), 0, last).astype(np.int32)
    length = np.zeros(last + 1, np.float32)
    for every, long in reversed(make.ticks):
        length[::every] = long
    strength = np.where(rng.random(last + 1) < make.wear, rng.uniform(0.1, 0.6, last + 1), 1.0).astype(np.float32)
    off = s - number * np.float32(make.division_mm)
    cover = _within(off, -make.tick_mm / 2, make.tick_mm / 2, foot)
    reach = length[number]
    ends = np.clip(
        (np.minimum(t + foot / 2, make.inset_mm + reach) - np.maximum(t - foot / 2, make.inset_mm)) / foot, 0, 1
    )
    cover = cover * ends * strength[number]
    if make.figures_every:
        cover = np.maximum(cover, _figures(make, s, t, last))
    return np.asarray(cover, np.float32)


def _figures(make: RulerMake, s: NDArray[np.float32], t: NDArray[np.float32], last: int) -> NDArray[np.float32]:
    fine = 16.0
    high = 2.6
    tall = int(high * 1.5 * fine)
    strip = np.zeros((tall, int((make.length_mm + 20) * fine)), np.uint8)
    for i in range(0, last + 1, make.figures_every):
        text = str(i // make.figures_every)
        size = high * fine / 21  # the face's capitals are 21 units high
        (wide, _), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, 5)
        at = (i * make.division_mm + 10) * fine
        left = at - wide - 0.5 * fine if make.figures_beside else at - wide / 2
        cv2.putText(strip, text, (int(left), int(tall * 0.85)), cv2.FONT_HERSHEY_SIMPLEX, size, 255, 5, cv2.LINE_AA)
    longest = make.inset_mm + make.ticks[0][1]
    # The strip holds 0.27 of a figure's height above the figures.
    beside = max(longest - 1.3 * high, make.inset_mm + make.ticks[-1][1] + 0.5 - 0.27 * high)
    top = beside if make.figures_beside else longest + 0.3 - 0.27 * high
    smooth = cv2.GaussianBlur(strip.astype(np.float32) / 255, (0, 0), 1.2)
    return _looked_up(smooth, (s + 10) * fine, (t - top) * fine)


def _looked_up(picture: NDArray[np.float32], x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float32]:
    found = cv2.remap(
        picture, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT
    )
    return np.asarray(found, np.float32)


def random_make(rng: np.random.Generator) -> RulerMake:
    """Return a ruler divided into millimetres: steel, wood, clear, white or dark plastic."""
    kind = rng.choice(["steel", "wood", "clear", "white", "dark"])
    minor = rng.uniform(2.8, 4.5)
    cm = minor + rng.uniform(2.2, 4.0)
    five = minor + (cm - minor) * rng.uniform(0.35, 0.6)
    two_kinds = rng.random() < 0.1
    make = RulerMake(
        ticks=((10, cm), (1, minor)) if two_kinds else ((10, cm), (5, five), (1, minor)),
        figures_beside=bool(rng.random() < 0.25),
        length_mm=float(rng.choice([150, 170, 200, 300])),
        width_mm=float(rng.uniform(18, 36)),
        inset_mm=float(rng.uniform(0, 0.8)) if rng.random() < 0.4 else 0.0,
        tick_mm=float(rng.uniform(0.13, 0.26)),
        wear=0.12 if rng.random() < 0.25 else 0.0,
    )
    match kind:
        case "steel":
            return replace(make, body=rng.uniform(150, 205), tick=rng.uniform(25, 60), gloss=rng.uniform(0, 45))
        case "wood":
            return replace(make, body=rng.uniform(165, 205), tick=rng.uniform(30, 70), grain=rng.uniform(6, 16))
        case "clear":
            return replace(make, body=240.0, clear=rng.uniform(0.75, 0.93), tick=rng.uniform(20, 70), gloss=12.0)
        case "dark":
            return replace(make, body=rng.uniform(25, 70), tick=rng.uniform(200, 240), gloss=rng.uniform(0, 25))
        case _:
            return replace(make, body=rng.uniform(225, 248), tick=rng.uniform(20, 60))


def random_ruler_page(seed: int, most_tilt_deg: float = 3.0) -> RulerPhantom:
    """Return a written page with a ruler beside it or on its edge, chosen by `seed`.

    100 to 600 dpi; any of the four sides; the page and the ruler lie up to 4 degrees off, either way round; one picture
    in three is a photograph from nearly above (at most `most_tilt_deg` off). Ruler partly covered, in shadow, worn;
    blur, noise, JPEG.
    """
    rng = np.random.default_rng([seed, 31])
    dpi = float(rng.choice([100, 150, 200, 300, 400, 600], p=[0.1, 0.2, 0.25, 0.3, 0.08, 0.07]))
    scale = dpi / INCH_MM
    wide, tall = (148.0, 210.0) if dpi >= 400 or rng.random() < 0.4 else (210.0, 297.0)
    make = random_make(rng)
    other_edge = None
    if rng.random() < 0.35:
        other_edge = RulerMake(1.5875, INCH_TICKS, 16, length_mm=make.length_mm)
    page = _written(rng, wide, tall, dpi, seed)

    photo = bool(rng.random() < 0.33)
    desk = float(rng.uniform(60, 130)) if photo else float(rng.uniform(236, 253))
    beside = bool(photo or rng.random() < 0.7)
    room = make.width_mm + 6 if beside else 0.0
    side = int(rng.integers(4))  # left, top, right, bottom
    extra = 12.0 if photo else 0.0
    pad = np.full(4, extra)
    pad[side] += room
    size = np.array([wide + pad[0] + pad[2], tall + pad[1] + pad[3]])
    shape = (round(size[1] * scale), round(size[0] * scale))
    see = np.diag([scale, scale, 1.0])
    if photo:
        see = _seen_from(rng, size, scale, most_tilt_deg)
    lie = _placed((pad[0], pad[1]), np.radians(rng.normal(0, 0.6)))
    scene = np.full(shape, desk, np.float32)
    image_to_page = np.diag([1 / scale, 1 / scale, 1.0])
    _paste(scene, page, see @ lie @ image_to_page)

    # The divided edge looks at the page, or at the room outside.
    outward = bool(rng.random() < 0.3)
    long = size[1] if side % 2 == 0 else size[0]
    start = (long - make.length_mm) / 2 + rng.uniform(-10, 10)
    # Only the body's own rim may lie beyond the picture, never the ticks.
    from_rim = room - 3 if beside else make.width_mm + (rng.uniform(1, 3) if outward else -rng.uniform(0, 6))
    angle = float(np.clip(rng.normal(0, 1.2), -4, 4))
    place = _beside(side, size, start, from_rim, make, angle, outward=outward)
    to_px = see @ place
    lay_ruler(scene, make, to_px, rng, other_edge)
    if rng.random() < 0.2:
        _cover(scene, make, to_px, rng)
    image = _taken(scene, dpi, photo, rng)
    return RulerPhantom(image, to_px, make, dpi, photo, (wide, tall))


def _written(rng: np.random.Generator, wide: float, tall: float, dpi: float, seed: int) -> ByteArray:
    rules = rng.choice(["none", "single", "squared"], p=[0.4, 0.4, 0.2])
    pitch = 5.0 if rules == "squared" else float(rng.choice([7.0, 8.0, 10.0]))
    paper = Paper(wide, tall, rules, pitch, squares=2)
    text = PASSAGES[int(rng.integers(len(PASSAGES)))]
    return draw(text, ABLE, paper, Capture(dpi=dpi, noise_sd=0.0, blur_mm=0.0), seed).image


def _seen_from(rng: np.random.Generator, size: FloatArray, scale: float, most_tilt_deg: float) -> FloatArray:
    """Return scene mm to px of a camera nearly above the middle, the picture as wide as the scene."""
    tilt, turn = np.radians(rng.uniform(0, most_tilt_deg)), rng.uniform(0, 2 * np.pi)
    far = 1.3 * float(size.max())
    lean = np.array([np.cos(turn), np.sin(turn)]) * np.tan(tilt) / far
    middle = size / 2
    bring = np.array([[1, 0, -middle[0]], [0, 1, -middle[1]], [0, 0, 1.0]])
    slant = np.array([[1, 0, 0], [0, 1, 0], [lean[0], lean[1], 1.0]])
    back = np.array([[scale, 0, middle[0] * scale], [0, scale, middle[1] * scale], [0, 0, 1.0]])
    return np.asarray(back @ slant @ bring)


def _placed(at: tuple[float, float], angle: float) -> FloatArray:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s, at[0]], [s, c, at[1]], [0, 0, 1.0]])


def _beside(
    side: int, size: FloatArray, start: float, from_rim: float, make: RulerMake, angle_deg: float, *, outward: bool
) -> FloatArray:
    """Return ruler mm to scene mm: on a side of the picture, its divided edge towards the page or the room."""
    # On the bottom, zero at the left, the body below the edge; `outward` turns it about its own middle.
    middle = np.array([start + make.length_mm / 2, 0.0])
    down = size[1] if side % 2 else size[0]
    centre = np.array([middle[0], down - from_rim + make.width_mm / 2])
    angle = np.radians(angle_deg + (180 if outward else 0))
    c, s = np.cos(angle), np.sin(angle)
    on_bottom = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    on_bottom[:2, 2] = centre - on_bottom[:2, :2] @ np.array([make.length_mm / 2, make.width_mm / 2])
    quarter = {
        3: np.eye(3),
        1: np.array([[-1, 0, size[0]], [0, -1, size[1]], [0, 0, 1.0]]),
        0: np.array([[0, -1, size[0]], [1, 0, 0], [0, 0, 1.0]]),
        2: np.array([[0, 1, 0], [-1, 0, size[1]], [0, 0, 1.0]]),
    }[side]
    return np.asarray(quarter @ on_bottom)


def _paste(scene: NDArray[np.float32], page: ByteArray, matrix: FloatArray) -> None:
    # Pixel i's middle lies at i + 0.5: shift before and after.
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    matrix = np.linalg.inv(half) @ matrix @ half
    size = scene.shape[::-1]
    there = cv2.warpPerspective(np.ones(page.shape, np.float32), matrix, size, flags=cv2.INTER_LINEAR)
    seen = cv2.warpPerspective(page.astype(np.float32), matrix, size, flags=cv2.INTER_LINEAR)
    scene += seen - there * scene


def _cover(scene: NDArray[np.float32], make: RulerMake, to_px: FloatArray, rng: np.random.Generator) -> None:
    """Lay something round and darkish, such as a finger tip or a rubber, over part of the ticks."""
    at = _through(to_px, np.array([rng.uniform(0.2, 0.8) * make.length_mm, 2.0]))
    edge = _through(to_px, np.array([0.0, rng.uniform(5, 11)])) - _through(to_px, np.array([0.0, 0.0]))
    radius = float(np.hypot(*edge))
    cv2.circle(scene, (int(at[0]), int(at[1])), int(radius), float(rng.uniform(90, 190)), -1, cv2.LINE_AA)


def _taken(scene: NDArray[np.float32], dpi: float, photo: bool, rng: np.random.Generator) -> ByteArray:
    """Return the picture with light, blur, noise and compression."""
    if photo or rng.random() < 0.2:
        y, x = np.mgrid[0:1:64j, 0:1:64j]
        turn = rng.uniform(0, 2 * np.pi)
        light = 1 - rng.uniform(0.05, 0.3) * (0.5 + 0.5 * ((x - 0.5) * np.cos(turn) + (y - 0.5) * np.sin(turn)))
        light *= 1 - rng.uniform(0, 0.35) / (1 + np.exp(-(x + 0.3 * y - rng.uniform(0.3, 0.9)) / 0.03))
        scene = scene * cv2.resize(light.astype(np.float32), scene.shape[::-1], interpolation=cv2.INTER_LINEAR)
    sigma = rng.uniform(0.02, 0.08) * dpi / INCH_MM + (0.6 if photo else 0.3)
    scene = cv2.GaussianBlur(scene, (0, 0), sigma)
    scene = scene + rng.standard_normal(scene.shape, dtype=np.float32) * rng.uniform(0.5, 7)
    image = np.asarray(np.clip(np.rint(scene), 0, 255), np.uint8)
    if photo or rng.random() < 0.5:
        _, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(50, 96))])
        image = np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8)
    return image
