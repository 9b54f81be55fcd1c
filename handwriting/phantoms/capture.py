"""How the sheet becomes a picture: scanner or camera settings, light, blur, noise and compression."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.errors import UsageError
from handwriting.phantoms.raster import ByteArray

INKS: dict[str, tuple[int, int, int]] = {
    "blue": (38, 58, 140),
    "black": (35, 35, 40),
    "pencil": (105, 105, 108),
    "green": (30, 110, 70),
}


@dataclass(frozen=True, slots=True)
class Capture:
    """One way of taking the picture.

    Parameters
    ----------
    dpi : float
        Pixels per inch, 100 to 1200.
    skew_deg : float
        Turn of the sheet, positive when its lines rise to the right.
    colour : bool
        RGB picture, else grey.
    paper_rgb, ink_rgb, lid_rgb : tuple of int
        Colours of the paper, of full ink, and of what lies beyond the sheet's edges.
    texture : float
        0 to 1: how patchy the ink is (pencil about 0.5).
    shading : float
        Share of light lost from the brightest to the darkest corner.
    shading_deg : float
        Direction in which the light falls off, 0 to the right, 90 down.
    shadow : float
        Share of light lost in a soft shadow across one side.
    blur_mm : float
        SD of the Gaussian blur on paper.
    noise_sd : float
        SD of the sensor's noise, grey levels.
    jpeg : int or None
        JPEG quality the picture has been through; None for none.
    """

    dpi: float = 300.0
    skew_deg: float = 0.0
    colour: bool = False
    paper_rgb: tuple[int, int, int] = (246, 246, 243)
    ink_rgb: tuple[int, int, int] = INKS["blue"]
    lid_rgb: tuple[int, int, int] = (252, 252, 252)
    texture: float = 0.0
    shading: float = 0.0
    shading_deg: float = 30.0
    shadow: float = 0.0
    blur_mm: float = 0.03
    noise_sd: float = 1.5
    jpeg: int | None = None

    def __post_init__(self) -> None:
        if not 50 <= self.dpi <= 1200:
            raise UsageError(f"dpi is {self.dpi}", where="capture", fix="Give 50 to 1200")
        if abs(self.skew_deg) > 20:
            raise UsageError(f"skew_deg is {self.skew_deg}", where="capture", fix="Give -20 to 20")

    @property
    def px_per_mm(self) -> float:
        """Pixels per mm."""
        return self.dpi / 25.4


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """Something on the sheet: how much of each pixel it covers (0-255), its colour, and how dense it is (0 to 1)."""

    cover: ByteArray
    rgb: tuple[int, int, int]
    density: float = 1.0


def photograph(
    layers: list[Layer], outside: NDArray[np.int32], capture: Capture, rng: np.random.Generator, shape: tuple[int, int]
) -> ByteArray:
    """Return the picture: layers laid over the paper, lit, blurred, with noise and compression.

    `outside` holds the sheet's four corners in pixels with 8 fractional bits; beyond them lies the lid.
    """
    light = _light(capture, rng)
    channels = []
    for channel in range(3 if capture.colour else 1):
        page = np.full(shape, _tone(capture.paper_rgb, channel, capture), np.uint8)
        for layer in layers:
            through = 1 - layer.density * (1 - _tone(layer.rgb, channel, capture) / 255)
            table = 255 - (1 - through) * np.arange(256)
            page = cv2.multiply(page, cv2.LUT(layer.cover, np.rint(table).astype(np.uint8)), scale=1 / 255)
        if capture.skew_deg:
            sheet = np.zeros(shape, np.uint8)
            cv2.fillConvexPoly(sheet, outside, 255, cv2.LINE_AA, 8)
            lid = float(_tone(capture.lid_rgb, channel, capture))
            page = np.where(sheet > 127, page, np.uint8(lid))
        if light is not None:
            page = cv2.multiply(page, cv2.resize(light, shape[::-1], interpolation=cv2.INTER_LINEAR), scale=1 / 255)
        if (sigma := capture.blur_mm * capture.px_per_mm) > 0.15:
            page = cv2.GaussianBlur(page, (0, 0), sigma)
        _add_noise(page, capture.noise_sd, rng)
        channels.append(page)
    image = cv2.merge(channels) if capture.colour else channels[0]
    return _through_jpeg(image, capture)


def _tone(rgb: tuple[int, int, int], channel: int, capture: Capture) -> float:
    """One channel of a colour, or its grey (ITU-R BT.601 luma)."""
    return rgb[channel] if capture.colour else 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2]


def _light(capture: Capture, rng: np.random.Generator) -> ByteArray | None:
    if not capture.shading and not capture.shadow:
        return None
    y, x = np.mgrid[0:1:96j, 0:1:96j]
    angle = np.radians(capture.shading_deg)
    along = (x - 0.5) * np.cos(angle) + (y - 0.5) * np.sin(angle)
    light = 1 - capture.shading * (along - along.min()) / np.ptp(along)
    edge, lean = rng.uniform(0.55, 0.85), rng.uniform(-0.3, 0.3)
    light *= 1 - capture.shadow / (1 + np.exp(-(x + lean * (y - 0.5) - edge) / 0.05))
    return np.asarray(np.rint(255 * light), dtype=np.uint8)


def _add_noise(page: ByteArray, sd: float, rng: np.random.Generator) -> None:
    """Add normal noise, a tile of it laid at random offsets so that no two patches meet the same."""
    if sd <= 0:
        return
    block = 512
    tile = np.rint(rng.standard_normal((2 * block, 2 * block), dtype=np.float32) * sd).astype(np.int8)
    for top in range(0, page.shape[0], block):
        for left in range(0, page.shape[1], block):
            part = page[top : top + block, left : left + block]
            row, column = rng.integers(0, block, 2)
            noise = tile[row : row + part.shape[0], column : column + part.shape[1]]
            part[:] = np.clip(part.astype(np.int16) + noise, 0, 255)


def _through_jpeg(image: ByteArray, capture: Capture) -> ByteArray:
    if capture.jpeg is None:
        return image
    bgr = image[..., ::-1] if capture.colour else image
    _, data = cv2.imencode(".jpg", np.ascontiguousarray(bgr), [cv2.IMWRITE_JPEG_QUALITY, capture.jpeg])
    back = cv2.imdecode(data, cv2.IMREAD_COLOR if capture.colour else cv2.IMREAD_GRAYSCALE)
    back = np.asarray(back, dtype=np.uint8)
    return np.ascontiguousarray(back[..., ::-1]) if capture.colour else back
