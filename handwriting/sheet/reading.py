"""Read a copying sheet back from a scan or a photograph: where each mm of the page lies, and how far to trust it.

`read_sheet` finds the fiducials, fits the page's mapping to them, reads the square code in the straightened picture,
and says what it saw of curl, shadow and glare. Millimetres are refused when the corners of the fiducials lie further
from the fitted page than 0.3 mm root mean square or 0.6 mm at worst (limits of our own choice).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.errors import SheetError, TextMismatchError, UsageError
from handwriting.geometry import FloatArray
from handwriting.sheet.code import read_code
from handwriting.sheet.finding import ADVICE, find_sheet
from handwriting.sheet.layout import (
    BAR_MM,
    PER_SHEET,
    Hand,
    Paper,
    SheetCode,
    SheetLayout,
    qr_box,
    sheet_layout,
)
from handwriting.sheet.layout import fiducials as fiducials_of
from handwriting.sheet.lighting import see_light
from handwriting.sheet.marks import Grey, Marks
from handwriting.sheet.optics import PageFit, PageMapping, map_bands
from handwriting.sheet.passages import fingerprint, list_passages
from handwriting.sheet.sharpness import edge_blur

LARGEST_RMS_MM = 0.3
LARGEST_MISS_MM = 0.6
FEWEST_FOR_MM = 8
LARGEST_SCALE_SD = 0.005

_BENT_MM = 0.12
_LIGHT_DPI = 50.8
# On simulated photographs the x-height is within 2 % of the truth up to this blur, and not always beyond it.
_SOFT_MM = 0.2
_BAR_RANGE_MM = (85.0, 110.0)
_BAR_READING_SD_MM = 0.25
_OFF_SCALE = 0.012
"""A flatbed's own scale is wrong by less than this, relative; common practice, no source."""
_PRINT_SD = 0.005
"""Standard uncertainty of an unchecked printer's scale at "100 %", relative; from memory, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class SheetReading:
    """A page of a copying sheet found in a picture.

    Parameters
    ----------
    layout : SheetLayout
        The page as designed, in nominal mm: rules, base lines, writing area, code.
    text : str or None
        The passage; None when it is the user's own and was not given.
    fit : PageFit
        The fitted page; `fit.mapping` works in nominal mm.
    marks_used : int
        Fiducials that the fit rests on, of `PER_SHEET`.
    print_scale : float
        True mm per nominal mm: below 1 when the printer shrank the sheet. 1 when the bar was not measured.
    print_statement : str
        What the scale of the print rests on, a sentence for the report.
    scale_sd : float
        Relative standard uncertainty of lengths on this page, from the fit and from the print.
    mm_refused : str
        Why no mm may be reported; empty when they may.
    flags : tuple of str
        Codes from `flags.FLAGS`.
    blur_px : float
        Standard deviation of the picture's blur, px of the picture.
    """

    layout: SheetLayout
    text: str | None
    fit: PageFit
    marks_used: int
    print_scale: float
    print_statement: str
    scale_sd: float
    mm_refused: str
    flags: tuple[str, ...]
    blur_px: float = 0.0

    @property
    def code(self) -> SheetCode:
        """What the page's square code says."""
        return self.layout.code

    @property
    def mapping(self) -> PageMapping:
        """The mapping between nominal mm and px."""
        return self.fit.mapping

    @property
    def px_per_mm(self) -> float:
        """Pixels of the picture to a true mm in the middle of the writing area."""
        area = self.layout.area
        middle = np.array([[(area.left + area.right) / 2, (area.top + area.bottom) / 2]])
        return float(self.mapping.px_per_mm(middle)[0]) / self.print_scale

    @property
    def blur_mm(self) -> float:
        """Standard deviation of the picture's blur, true mm on the paper."""
        return self.blur_px / self.px_per_mm

    def blur_at(self, page_mm: FloatArray) -> FloatArray:
        """Return the covariance of the straightened picture's blur in x and y, true mm squared, shape (n, 2, 2).

        To the blur of the picture comes that of straightening: linear interpolation adds a sixth of a pixel squared.
        """
        step = 0.5
        across, down = np.array([step, 0.0]), np.array([0.0, step])
        page = np.asarray(page_mm, dtype=np.float64)
        right = (self.to_image(page + across) - self.to_image(page - across)) / (2 * step)
        below = (self.to_image(page + down) - self.to_image(page - down)) / (2 * step)
        back = np.linalg.inv(np.stack([right, below], axis=-1))
        result: FloatArray = (self.blur_px**2 + 1 / 6) * (back @ np.swapaxes(back, -1, -2))
        return result

    def to_image(self, page_mm: FloatArray) -> FloatArray:
        """Return image px, shape (..., 2), of places on the page in true mm, shape (..., 2)."""
        return self.mapping.to_image(np.asarray(page_mm, dtype=np.float64) / self.print_scale)

    def to_page(self, image_px: FloatArray) -> FloatArray:
        """Return places on the page in true mm, shape (..., 2), of image px, shape (..., 2)."""
        return self.mapping.to_page(image_px) * self.print_scale

    def baselines_mm(self) -> tuple[float, ...]:
        """Return y of each printed base line, true mm from the top of the sheet."""
        return tuple(y * self.print_scale for y in self.layout.baselines)

    def upright(self, picture: NDArray[np.uint8], dpi: float = 300.0) -> NDArray[np.uint8]:
        """Return the page straightened and upright at a true resolution.

        Pixel (i, j) shows the place ``((j + 0.5), (i + 0.5)) * 25.4 / dpi`` true mm from the sheet's top left corner.

        Parameters
        ----------
        picture : array (height, width) or (height, width, 3)
            The picture `read_sheet` was given, or its colour version.
        dpi : float
            Pixels per inch of the result.
        """
        return straighten(self.mapping, picture, self.layout, self.print_scale, dpi)


def read_sheet(
    grey: Grey,
    *,
    bar_mm: float | None = None,
    dpi: tuple[float, float] | None = None,
    text: str | None = None,
    where: str = "",
) -> SheetReading | None:
    """Find a copying sheet in a picture, however it lies.

    Parameters
    ----------
    grey : array (height, width)
        Grey picture, uint8.
    bar_mm : float, optional
        What a ruler shows for the sheet's 100 mm bar.
    dpi : tuple of float, optional
        Resolution across and down that the scanner claims; used only to notice a print of the wrong size.
    text : str, optional
        The copied text, where it is the user's own.
    where : str
        File and page for messages.

    Returns
    -------
    SheetReading or None
        None when the picture holds no sheet of ours.

    Raises
    ------
    SheetError
        Two sheets in one picture, a newer version, too little of the sheet in view, or a code that cannot be read.
    TextMismatchError
        When `text` is not the text the sheet was made for.
    UsageError
        When `bar_mm` cannot be the length of the bar.
    """
    if bar_mm is not None and not _BAR_RANGE_MM[0] <= bar_mm <= _BAR_RANGE_MM[1]:
        raise UsageError(
            f"the sheet's bar cannot be {bar_mm:g} mm long",
            where=where,
            fix=f"It prints at {_BAR_RANGE_MM[0]:g} to {_BAR_RANGE_MM[1]:g} mm: measure it again",
        )
    found = find_sheet(grey, where)
    if found is None:
        return None
    kind, fit, marks = found
    layout = _read_layout(grey, kind, fit, marks, where)
    flags: list[str] = []
    known = _text_of(layout.code, text, where)
    if len(marks) < PER_SHEET:
        flags.append("sheet-marks-hidden")
    if fit.bent_mm > _BENT_MM:
        flags.append("sheet-not-flat")
    places = np.concatenate(list(_page_map(fit.mapping, layout, 1.0, _LIGHT_DPI)))
    in_view = cv2.inRange(places, (0.0, 0.0), (grey.shape[1] - 1.0, grey.shape[0] - 1.0))
    area = layout.area
    written = area.scaled(_LIGHT_DPI / 25.4)
    if not in_view[int(written.top) : int(written.bottom), int(written.left) : int(written.right)].all():
        flags.append("sheet-cut-off")
    flags += see_light(_taken(grey, places), np.asarray(in_view, dtype=np.uint8))
    blur_px = edge_blur(grey, marks.corners)
    middle = np.array([[(area.left + area.right) / 2, (area.top + area.bottom) / 2]])
    if blur_px > _SOFT_MM * fit.mapping.px_per_mm(middle)[0]:
        flags.append("sheet-soft")
    scale, print_sd, statement = _print_scale(bar_mm)
    doubt, doubtful = _print_doubt(fit.mapping, layout, dpi, bar_mm)
    flags += ([] if bar_mm is not None else ["sheet-print-unchecked"]) + doubt
    return SheetReading(
        layout,
        known,
        fit,
        len(marks),
        scale,
        doubtful or statement,
        float(np.hypot(fit.scale_sd, print_sd)),
        _refusal(fit, len(marks)),
        tuple(flags),
        blur_px,
    )


def _read_layout(grey: Grey, kind: tuple[Paper, Hand], fit: PageFit, marks: Marks, where: str) -> SheetLayout:
    code = read_code(grey, _near_code(fit, marks, kind), kind, where)
    if code is not None:
        return sheet_layout(code)
    if fit.bent_mm > _BENT_MM:
        raise SheetError(
            "the copying sheet is too far from flat for its square code to be read",
            where=where,
            fix=f"Take the picture again: {ADVICE}",
        )
    raise SheetError(
        "the square code of the copying sheet cannot be read",
        where=where,
        fix="Take the picture again with the code in view and uncovered; over a spoiled code lay one cut from a fresh "
        "print of the same page",
    )


def _near_code(fit: PageFit, marks: Marks, kind: tuple[Paper, Hand]) -> Callable[[FloatArray], FloatArray]:
    """Return a mapping to the image that follows the marks nearest to the code, where a bent page leaves the fit."""
    places = {mark.id: mark.corners() for mark in fiducials_of(*kind)}
    page = np.stack([places[int(identity)] for identity in marks.ids])
    box = qr_box(*kind)
    middle = np.array([(box.left + box.right) / 2, (box.top + box.bottom) / 2])
    near = np.argsort(np.linalg.norm(page.mean(axis=1) - middle, axis=-1))[:3]
    corners = page[near].reshape(-1, 2)
    design = np.column_stack([corners - middle, np.ones(len(corners))])
    off = marks.corners[near].reshape(-1, 2) - fit.mapping.to_image(corners)
    bend = np.linalg.lstsq(design, off, rcond=None)[0]

    def to_image(places_mm: FloatArray) -> FloatArray:
        result: FloatArray = fit.mapping.to_image(places_mm) + (places_mm - middle) @ bend[:2] + bend[2]
        return result

    return to_image


def _text_of(code: SheetCode, text: str | None, where: str) -> str | None:
    if text is not None:
        if fingerprint(text) != code.fingerprint:
            raise TextMismatchError(
                "the text given is not the one this copying sheet was made for",
                where=where,
                fix="Give the same text file that the sheet was made from, or leave the text out",
            )
        return text
    return next((passage.text for passage in list_passages() if passage.fingerprint == code.fingerprint), None)


def _print_scale(bar_mm: float | None) -> tuple[float, float, str]:
    """Return true mm per nominal mm, its relative standard uncertainty, and a sentence on what it rests on."""
    if bar_mm is None:
        return (
            1.0,
            _PRINT_SD,
            "Assumes the sheet was printed at full size: its 100 mm bar was not measured. If it was printed "
            "'fit to page', lengths are stated 3 to 6 % too large.",
        )
    return (
        bar_mm / BAR_MM,
        _BAR_READING_SD_MM / bar_mm,
        f"Scale corrected by the sheet's 100 mm bar, which measures {bar_mm:g} mm.",
    )


def _print_doubt(
    mapping: PageMapping, layout: SheetLayout, dpi: tuple[float, float] | None, bar_mm: float | None
) -> tuple[list[str], str]:
    """Return the flags of a print that a scanner's claim contradicts, and what to say of its scale; empty without."""
    claimed = None if dpi is None else _claimed_scale(mapping, layout, dpi)
    if dpi is None or claimed is None:
        return [], ""
    across, down = claimed
    says = f"The scanner's {dpi[0]:.4g} dpi says the sheet was printed at"
    if abs(across / down - 1.0) > _OFF_SCALE:
        said = f"{says} {100 * across:.1f} % of its width and {100 * down:.1f} % of its height; this was not applied."
        return ["sheet-print-uneven"], said
    scale = float(np.sqrt(across * down))
    if bar_mm is not None and abs(scale * BAR_MM / bar_mm - 1.0) > _OFF_SCALE:
        return ["sheet-bar-conflict"], (
            f"Scale set by the sheet's 100 mm bar, given as {bar_mm:g} mm; but the scanner's {dpi[0]:.4g} dpi make it "
            f"{scale * BAR_MM:.1f} mm long."
        )
    if bar_mm is None and abs(scale - 1.0) > _OFF_SCALE:
        return ["sheet-print-size"], (
            f"{says} {100 * scale:.1f} % of its size; this was not applied. Measure the 100 mm bar and give it with "
            "--bar-mm."
        )
    return [], ""


def _claimed_scale(mapping: PageMapping, layout: SheetLayout, dpi: tuple[float, float]) -> tuple[float, float] | None:
    """Return the scale of the print across and down that a claimed resolution implies; None where it is absurd."""
    spots = np.array([(x, y) for x in (20, layout.width - 20) for y in (20, layout.height - 20)], dtype=np.float64)
    scales = []
    for half in (np.array([5.0, 0.0]), np.array([0.0, 5.0])):
        ends = (mapping.to_image(spots + half) - mapping.to_image(spots - half)) * (25.4 / np.array(dpi))
        local = np.linalg.norm(ends, axis=-1) / 10.0
        if np.ptp(local) > 0.01 * local.mean():
            return None  # seen at a slant: not a scan, so the claim means nothing
        scales.append(float(local.mean()))
    return (scales[0], scales[1]) if all(0.9 <= scale <= 1.08 for scale in scales) else None


def _refusal(fit: PageFit, used: int) -> str:
    if fit.rms_mm > LARGEST_RMS_MM or fit.largest_mm > LARGEST_MISS_MM:
        return f"the sheet's marks lie {fit.rms_mm:.2f} mm (at most {fit.largest_mm:.2f} mm) off a flat page; {ADVICE}"
    if used < FEWEST_FOR_MM:
        return f"only {used} of the sheet's {PER_SHEET} square marks can be used; keep them all in view"
    if fit.scale_sd > LARGEST_SCALE_SD:
        return f"the visible marks fix the scale only to {100 * fit.scale_sd:.1f} %; keep them all in view"
    return ""


def straighten(
    mapping: PageMapping, picture: NDArray[np.uint8], layout: SheetLayout, print_scale: float, dpi: float
) -> NDArray[np.uint8]:
    """Return the page upright at `dpi` true pixels per inch; see `SheetReading.upright`."""
    bands = _page_map(mapping, layout, print_scale, dpi)
    return np.concatenate([_taken(picture, places) for places in bands])


def _page_map(
    mapping: PageMapping, layout: SheetLayout, print_scale: float, dpi: float
) -> Iterator[NDArray[np.float32]]:
    """Yield, band by band, where in the picture each pixel of the upright page lies, shape (rows, columns, 2)."""
    columns = round(layout.width * print_scale * dpi / 25.4)
    rows = round(layout.height * print_scale * dpi / 25.4)
    return map_bands(lambda px: mapping.to_image((px + 0.5) * (25.4 / dpi / print_scale)), columns, rows)


def _taken(picture: NDArray[np.uint8], places: NDArray[np.float32]) -> NDArray[np.uint8]:
    white = (255, 255, 255)
    return np.asarray(
        cv2.remap(picture, places, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=white),
        dtype=np.uint8,
    )


def check_pages(readings: Sequence[SheetReading], where: str = "") -> tuple[SheetReading, ...]:
    """Return the pages of one sample in order.

    Raises
    ------
    SheetError
        When they come from sheets of different texts, rulings or layouts, or a page is there twice or missing between
        others. Pages missing at the end are fine: the writer may not have needed them.
    """
    if not readings:
        raise SheetError("there is no page to put together", where=where)
    pages = sorted(readings, key=lambda reading: reading.code.page)
    first = pages[0].code
    for reading in pages[1:]:
        code = reading.code
        if code.fingerprint != first.fingerprint:
            raise SheetError(
                "the pages belong to sheets of two different passages",
                where=where,
                fix="Measure the pages of one passage at a time",
            )
        if (code.ruling, code.paper, code.hand, code.pages) != (first.ruling, first.paper, first.hand, first.pages):
            raise SheetError(
                "the pages belong to sheets of two different layouts",
                where=where,
                fix="Measure the pages of one sheet at a time",
            )
    numbers = [reading.code.page for reading in pages]
    for number in range(1, numbers[-1] + 1):
        if numbers.count(number) != 1:
            raise SheetError(
                f"page {number} of the sheet is {'missing' if number not in numbers else 'there more than once'}",
                where=where,
                fix="Give each page once, in any order",
            )
    return tuple(pages)
