"""The upright working picture: every later stage works in its pixels, and results are mapped back to the page's own.

A fine scan is reduced to about 300 dots to the inch by averaging whole pixels, which loses no accuracy (edges are
found between pixels, and averaging lowers the noise) and keeps time and memory flat. A page scanned sideways or
upside down is turned. A copying sheet of ours is straightened by its marks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.edges import Outline, find_outline
from handwriting.errors import UsageError
from handwriting.geometry import Box, FloatArray
from handwriting.lifting import lift_rules
from handwriting.page import Page
from handwriting.restoration import restored
from handwriting.ruler import NoRuler, Ruler, find_ruler
from handwriting.rules import Rules, Ruling
from handwriting.sheet.reading import SheetReading
from handwriting.soft_rules import lift_soft_rules

Picture = NDArray[np.uint8]
_FINE_PX_PER_MM = 330 / 25.4
SHEET_DPI = 300.0
# Blur of a sheet's picture, standard deviation on the paper, from which it is taken out: a sixth of a thin pen's line.
_SOFT_MM = 0.07
_BESIDE_MM = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """The upright working picture.

    Attributes
    ----------
    grey : ndarray of uint8, shape (H, W)
    colour : ndarray of uint8, shape (H, W, 3), or None
        RGB, when the page has colour.
    px_per_page_px : float
        Frame pixels to one page pixel: 1, or 1/2, 1/3 ... for fine scans.
    turned_deg : int
        How far the page was turned clockwise to stand upright: 0, 90, 180 or 270.
    px_per_mm : float
        Good to a factor of two only; sets window sizes.
    sheets : tuple of SheetReading
        When the page is a copying sheet of ours: `grey` is then straightened to `SHEET_DPI`. Several pages of one sheet
        stand below one another.
    tops : tuple of int
        First row of each sheet page.
    outline : Outline or None
        When a plain sheet was photographed at a slant: its edges, by which it was straightened.
    ruler : Ruler or None
        A ruler that was said to lie in the picture, in frame px; it may lie beyond a sheet cut out by its edges.
    """

    grey: Picture
    colour: Picture | None
    px_per_page_px: float
    turned_deg: int
    px_per_mm: float
    sheets: tuple[SheetReading, ...] = ()
    tops: tuple[int, ...] = ()
    outline: Outline | None = None
    ruler: Ruler | None = None

    def picture(self) -> Picture:
        """Return the picture to show: colour where there is colour."""
        return self.grey if self.colour is None else self.colour

    @property
    def blur_px(self) -> float:
        """Standard deviation of the blur that `ink_alone` takes out of a sheet's writing, px; 0 where it leaves it."""
        most = max((sheet.blur_mm for sheet in self.sheets), default=0.0)
        return most * self.px_per_mm if most >= _SOFT_MM else 0.0

    def blur(self, places: FloatArray) -> FloatArray:
        """Return the covariance of the blur in x and y at places in a sheet's frame, px squared, shape (n, 2, 2)."""
        number = np.searchsorted(np.asarray(self.tops), places[:, 1], side="right") - 1
        out = np.empty((len(places), 2, 2))
        for k, (sheet, top) in enumerate(zip(self.sheets, self.tops, strict=True)):
            here = number == k
            page = (places[here] - [0.0, top] + 0.5) / self.px_per_mm
            out[here] = sheet.blur_at(page) * self.px_per_mm**2
        return out

    def turned(self, degrees: int) -> Frame:
        """Return the frame turned clockwise by a further 90, 180 or 270 degrees."""
        code = {90: cv2.ROTATE_90_CLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_COUNTERCLOCKWISE}[degrees]
        colour = None if self.colour is None else cv2.rotate(self.colour, code)
        grey = cv2.rotate(self.grey, code)
        ruler = self.ruler
        if ruler is not None:
            right, bottom = self.grey.shape[1] - 1, self.grey.shape[0] - 1
            matrix = {
                90: [[0, -1, bottom], [1, 0, 0], [0, 0, 1]],
                180: [[-1, 0, right], [0, -1, bottom], [0, 0, 1]],
                270: [[0, 1, 0], [-1, 0, right], [0, 0, 1]],
            }[degrees]
            ruler = ruler.through(np.array(matrix, np.float64), (grey.shape[1], grey.shape[0]))
        return Frame(
            grey,
            colour,
            self.px_per_page_px,
            (self.turned_deg + degrees) % 360,
            self.px_per_mm,
            outline=self.outline,
            ruler=ruler,
        )


def make_sheet_frame(pages: Sequence[Page], sheets: Sequence[SheetReading]) -> Frame:
    """Make the working picture of one or more pages of a copying sheet: straightened, below one another in order."""
    greys = [sheet.upright(page.grey, SHEET_DPI) for page, sheet in zip(pages, sheets, strict=True)]
    colour = None
    if all(page.colour is not None for page in pages):
        colours = [
            sheet.upright(page.colour, SHEET_DPI)
            for page, sheet in zip(pages, sheets, strict=True)
            if page.colour is not None
        ]
        colour = np.concatenate(colours)
    tops = np.cumsum([0, *(len(grey) for grey in greys[:-1])])
    return Frame(
        np.concatenate(greys), colour, 1.0, 0, SHEET_DPI / 25.4, tuple(sheets), tuple(int(top) for top in tops)
    )


def make_frame(page: Page, rough_px_per_mm: float | None, *, with_ruler: bool = False) -> Frame:
    """Make the working picture of a page that is no copying sheet: straightened if slanted, reduced if very fine.

    Parameters
    ----------
    page : Page
    rough_px_per_mm : float or None
        Sets window sizes; guessed when None.
    with_ruler : bool
        A ruler was said to lie in the picture: it is looked for.

    Raises
    ------
    UsageError
        No ruler with millimetres was found.
    """
    grey, colour = _square(page)
    ruler = _find_ruler(grey, page.name) if with_ruler else None
    if ruler is not None:
        rough_px_per_mm = ruler.px_per_mm
    outline = find_outline(grey, slight=ruler is not None and ruler.slanted)
    to_frame: FloatArray = np.eye(3)
    if outline is not None:
        grey = outline.straightened(grey)
        colour = None if colour is None else outline.straightened(colour)
        to_frame = np.asarray(np.linalg.inv(outline.mapping()), np.float64)
    px_per_mm = rough_px_per_mm or _guess(grey)
    factor = max(1, round(px_per_mm / (300 / 25.4))) if px_per_mm > _FINE_PX_PER_MM else 1
    if factor > 1:
        size = (grey.shape[1] // factor, grey.shape[0] // factor)
        clip = (slice(0, size[1] * factor), slice(0, size[0] * factor))
        grey = cv2.resize(grey[clip], size, interpolation=cv2.INTER_AREA)
        colour = None if colour is None else cv2.resize(colour[clip], size, interpolation=cv2.INTER_AREA)
        # Pixel i's middle lies at i + 0.5.
        shift = 0.5 / factor - 0.5
        to_frame = np.array([[1 / factor, 0, shift], [0, 1 / factor, shift], [0, 0, 1]]) @ to_frame
    if ruler is not None:
        ruler = ruler.through(to_frame, (grey.shape[1], grey.shape[0]))
    return Frame(grey, colour, 1 / factor, 0, px_per_mm / factor, outline=outline, ruler=ruler)


_INSTEAD = {
    "inch": "its ticks go by halves, as those of an inch scale do",
    "short": "its ticks are too short or too long beside their distance to be millimetres",
    "even": "all its ticks are alike, so nothing tells what they divide",
    "loose": "its ticks do not start at one edge",
    "unclear": "the lengths of its ticks do not go by fives and tens",
}


def _find_ruler(grey: Picture, where: str) -> Ruler:
    found = find_ruler(grey)
    if isinstance(found, NoRuler):
        nearest = f"; what looks most like one is not: {_INSTEAD[found.kind]}" if found.kind else ""
        raise UsageError(
            f"--ruler was given but no ruler with millimetres was found{nearest}",
            where=where,
            fix="Lay the millimetre edge flat and uncovered beside the page, at least 5 cm of it in the picture and "
            "sharp, or leave --ruler out and give --dpi",
        )
    return found


def _square(page: Page) -> tuple[Picture, Picture | None]:
    """Return the page with square pixels: fax-like files have other resolutions across than down."""
    if page.claimed_dpi is None or abs(page.claimed_dpi[0] / page.claimed_dpi[1] - 1) < 0.01:
        return page.grey, page.colour
    across, down = page.claimed_dpi
    size = (page.grey.shape[1], max(1, round(page.grey.shape[0] * across / down)))
    colour = None if page.colour is None else cv2.resize(page.colour, size, interpolation=cv2.INTER_AREA)
    return cv2.resize(page.grey, size, interpolation=cv2.INTER_AREA), colour


def _guess(grey: Picture) -> float:
    """Guess px per mm from the width of the strokes, taken as 0.45 mm: only window sizes rest on it."""
    side = 2000 / max(grey.shape)
    small = cv2.resize(grey, None, fx=side, fy=side, interpolation=cv2.INTER_AREA) if side < 1 else grey
    blurred = cv2.blur(small, (51, 51))
    mask = cv2.compare(small, cv2.subtract(blurred, np.full_like(blurred, 25)), cv2.CMP_LT)
    distance = cv2.distanceTransform(mask, cv2.DIST_L2, 3)
    inside = distance[distance > 0]
    if inside.size < 50:
        return float(max(grey.shape) / 297)
    stroke = float(4 * inside.mean() - 1) / min(side, 1.0)
    # Between a passport photograph's and a whole sheet's worth of pixels.
    return float(np.clip(stroke / 0.45, max(grey.shape) / 600, max(grey.shape) / 60))


def ink_alone(flat: Picture, rules: Rules, frame: Frame) -> tuple[Picture, Picture]:
    """Return an even picture without rules, and a mask (255) of where opaque ones were cut (see `lifting`).

    Of a sheet's soft photograph the blur is taken out of the writing area.
    """
    if not frame.blur_px:
        return lift_rules(flat, rules, frame.px_per_mm)
    areas = _written(frame)
    lifted = lift_soft_rules(flat, rules, areas, frame.blur, frame.px_per_mm)
    # Pixels of the frame to a pixel of the finest photograph.
    step = max(1.0, min(frame.px_per_mm / sheet.px_per_mm for sheet in frame.sheets))
    return restored(lifted, areas, frame.blur, frame.px_per_mm, step), np.zeros_like(flat)


def _written(frame: Frame) -> list[Box]:
    """Return where there may be writing on a sheet's pages."""
    areas = []
    for sheet, top in zip(frame.sheets, frame.tops, strict=True):
        area, k = sheet.layout.area, frame.px_per_mm * sheet.print_scale
        low, high = top + (area.top - _BESIDE_MM) * k, top + (area.bottom + _BESIDE_MM) * k
        areas.append(Box((area.left - _BESIDE_MM) * k, low, (area.right + _BESIDE_MM) * k, high))
    return areas


def sheet_rules(frame: Frame) -> Rules:
    """Return the printed rules of a copying sheet's pages, known exactly, in frame px."""
    level: list[float] = []
    base: list[float] = []
    for sheet, top in zip(frame.sheets, frame.tops, strict=True):
        k = SHEET_DPI / 25.4 * sheet.print_scale
        level += sorted(top + r.y0 * k for r in sheet.layout.rules if r.y0 == r.y1)
        base += sorted(top + y * k for y in sheet.layout.baselines)
    first, last = frame.sheets[0], frame.sheets[-1]
    k = SHEET_DPI / 25.4 * first.print_scale
    steep = sorted(r.x0 * k for r in first.layout.rules if r.x0 == r.x1)
    carry = tuple(i for i, y in enumerate(level) if base and np.abs(np.asarray(base) - y).min() < 1e-4)
    lines = first.layout.baselines
    pitch = float(np.median(np.diff(sorted(lines)))) * k if len(lines) > 1 else 0.0
    area = first.layout.area
    across = _known("single", level, pitch, (area.left * k, area.right * k), carry) if level else None
    bottom = frame.tops[-1] + last.layout.area.bottom * k
    down = _known("squared", steep, pitch, (area.top * k, bottom), ()) if steep else None
    return Rules(across, down)


def _known(kind: str, places: list[float], pitch: float, ends: tuple[float, float], carry: tuple[int, ...]) -> Ruling:
    """Return straight level rules at known places as a ruling in frame px."""
    return Ruling(
        kind=kind,
        offsets=np.asarray(places) - 0.5,
        slope=0.0,
        bend=0.0,
        turn=0.0,
        pitch=pitch,
        pitch_error=0.0,
        residual_rms=0.0,
        darkness=0.0,
        left=ends[0],
        right=ends[1],
        writing=carry,
    )


def to_page_pixels(labels: NDArray[np.uint16], frame: Frame, page: Page, index: int = 0) -> NDArray[np.uint16]:
    """Map a label picture of the frame back to a page's own pixels (nearest, never blended).

    `index` says which page of a copying sheet it is.
    """
    height, width = page.grey.shape
    if frame.sheets:
        out = np.zeros((height, width), np.uint16)
        bounds = (*frame.tops, len(labels))
        labels = labels[bounds[index] : bounds[index + 1]]
        columns = np.arange(width, dtype=np.float64) + 0.5
        for row in range(0, height, 256):
            rows = np.arange(row, min(height, row + 256), dtype=np.float64) + 0.5
            grid = np.stack(np.meshgrid(columns, rows), -1)
            place = frame.sheets[index].to_page(grid - 0.5) * (SHEET_DPI / 25.4) - 0.5
            place = place.astype(np.float32)
            out[row : row + len(rows)] = cv2.remap(
                labels, place[..., 0], place[..., 1], cv2.INTER_NEAREST, borderValue=0
            )
        return out
    if frame.turned_deg:
        back = {90: cv2.ROTATE_90_COUNTERCLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_CLOCKWISE}[frame.turned_deg]
        labels = cv2.rotate(labels, back)
    if frame.outline is not None:
        wide, tall = frame.outline.size()
        labels = _grown(labels, (tall, wide), round(1 / frame.px_per_page_px))
        back_again = cv2.warpPerspective(labels, frame.outline.mapping(), (width, height), flags=cv2.INTER_NEAREST)
        return np.asarray(back_again, np.uint16)
    if labels.shape == (height, width):
        return labels
    return _grown(labels, (height, width), round(1 / frame.px_per_page_px))


def _grown(labels: NDArray[np.uint16], shape: tuple[int, int], factor: int) -> NDArray[np.uint16]:
    """Repeat every label `factor` times both ways, to a picture of a given height and width."""
    height, width = shape
    size = (labels.shape[1] * factor, labels.shape[0] * factor)
    if size[0] > width or size[1] > height:  # pixels that were not square
        return np.asarray(cv2.resize(labels, (width, height), interpolation=cv2.INTER_NEAREST))
    grown = cv2.resize(labels, size, interpolation=cv2.INTER_NEAREST)
    return np.pad(grown, ((0, height - size[1]), (0, width - size[0])))
