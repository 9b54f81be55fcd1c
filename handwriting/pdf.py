"""Pages of a PDF as pixels, by PDFium. Runs inside the child process of `intake` only: PDFium is not thread-safe.

A page that is one scanned picture is drawn at the picture's own resolution, pixel for pixel; anything else at 300 dpi.
"""

from __future__ import annotations

import ctypes
import re
from io import BytesIO

import numpy as np
import pypdfium2 as pdfium
from pypdfium2 import raw

from handwriting.decode import check_number, check_pixels
from handwriting.errors import DamagedFileError, FileNotReadableError, LockedFileError
from handwriting.intake import Message, Pixels, Sink

DRAWN_DPI = 300
_POINT_INCH = 1 / 72
_INCH_MM = 25.4
_PASSWORD = 4  # FPDF_ERR_PASSWORD; the text of the error is not to be relied on
_COVERS = 0.5  # share of the page a picture must cover to set the resolution
_FITS_PT = 1.0  # a picture whose edges lie this near the page's is the page
_REPAIR = "Open it in a PDF viewer and print it to a new PDF, or scan the page again"


def count(data: bytes) -> int:
    """Count the pages."""
    return len(_open(data))


def decode(data: bytes, options: Message, sink: Sink) -> Message:
    """Draw one page on white; arguments and answer as in `decode.decode`."""
    document = _open(data)
    check_number(options, len(document))
    index = options["number"] - 1
    try:
        page = document[index]
        width_pt, height_pt = page.get_size()
    except pdfium.PdfiumError as error:
        raise DamagedFileError("this page cannot be read", fix=_REPAIR) from error
    unit = _user_unit(document, index)
    width_inch, height_inch = (float(side) * unit * _POINT_INCH for side in (width_pt, height_pt))
    if not (width_inch > 0 and height_inch > 0):
        raise DamagedFileError("this page has no size", fix=_REPAIR)
    notes = [] if unit == 1 else [f"PDF UserUnit {unit:g} applied"]
    width, height, native = _page_pixels(page, width_inch, height_inch)
    check_pixels(width, height, options)
    notes.append(f"drawn at {native:.4g} dpi, the picture's own" if native else f"drawn at {DRAWN_DPI} dpi")
    pixels = _draw(page, width, height)
    low, high = int(pixels.min()), int(pixels.max())
    if low == high:
        notes.append("nothing drawn on this page")
    coloured = bool((pixels[..., 0] != pixels[..., 1]).any() or (pixels[..., 1] != pixels[..., 2]).any())
    drawn = pixels if coloured else pixels[..., 0]
    sink.pixels(drawn.shape)[...] = drawn
    return {
        "shape": drawn.shape,
        "format": "PDF",
        "count": len(document),
        "orientation": 1,
        "dpi": (width / width_inch, height / height_inch),
        "source": "PDF page size",
        "size_mm": (width_inch * _INCH_MM, height_inch * _INCH_MM),
        "notes": notes,
    }


def _open(data: bytes) -> pdfium.PdfDocument:
    try:
        document = pdfium.PdfDocument(data)
    except pdfium.PdfiumError as error:
        if error.err_code == _PASSWORD:
            fix = "Remove the password (open it, then print it to a new PDF) and try again"
            raise LockedFileError("is protected by a password", fix=fix) from error
        raise DamagedFileError("starts like a PDF but cannot be opened", fix=_REPAIR) from error
    if len(document) < 1:
        raise DamagedFileError("is a PDF without pages", fix=_REPAIR)
    return document


def _user_unit(document: pdfium.PdfDocument, index: int) -> float:
    """Read the page's UserUnit (ISO 32000-1, table 30), which PDFium leaves out of the page size.

    The page alone is copied into a new document and written out: there its dictionary is plain text, whatever object
    streams or encryption hid it before.
    """
    single = pdfium.PdfDocument.new()
    single.import_pages(document, [index])
    written = BytesIO()
    single.save(written)
    found = {float(value) for value in re.findall(rb"/UserUnit\s+([-+.\d]+)", written.getvalue())}
    if not found:
        return 1.0
    if len(found) > 1 or not 0 < min(found) <= 1000:
        raise FileNotReadableError("states its page size in units that cannot be understood", fix=_REPAIR)
    return found.pop()


def _page_pixels(page: pdfium.PdfPage, width_inch: float, height_inch: float) -> tuple[int, int, float | None]:
    """Choose the size to draw at: (width, height, the picture's own dpi or None when drawn at `DRAWN_DPI`)."""
    left, bottom, right, top = _visible_box(page)
    area = (right - left) * (top - bottom)
    best: tuple[float, float, float] | None = None
    turned = page.get_rotation() in {90, 270}
    unit = width_inch * 72 / ((top - bottom) if turned else (right - left))
    for thing in page.get_objects(filter=(raw.FPDF_PAGEOBJ_IMAGE,), max_depth=4):
        x0, y0, x1, y1 = thing.get_bounds()
        inside = max(0.0, min(x1, right) - max(x0, left)) * max(0.0, min(y1, top) - max(y0, bottom))
        if inside < _COVERS * area or x1 <= x0 or y1 <= y0:
            continue
        a, b, c, d, _, _ = thing.get_matrix().get()
        across, down = thing.get_px_size()
        if abs(a) + abs(d) < abs(b) + abs(c):
            across, down = down, across
        dpi = (across / (x1 - x0) * 72 / unit, down / (y1 - y0) * 72 / unit)
        fits = max(abs(x0 - left), abs(y0 - bottom), abs(x1 - right), abs(y1 - top)) <= _FITS_PT
        if best is None or max(dpi) > best[0]:
            best = (max(dpi), across if fits else 0, down if fits else 0)
    if best is None:
        return max(1, round(width_inch * DRAWN_DPI)), max(1, round(height_inch * DRAWN_DPI)), None
    dpi_own, across, down = best
    if across and abs(across / down / ((right - left) / (top - bottom)) - 1) < 0.02:
        return (int(down), int(across), dpi_own) if turned else (int(across), int(down), dpi_own)
    return max(1, round(width_inch * dpi_own)), max(1, round(height_inch * dpi_own)), dpi_own


def _visible_box(page: pdfium.PdfPage) -> tuple[float, float, float, float]:
    """Find the part of the page that is shown, in points: the crop box within the media box."""
    media, crop = page.get_mediabox(), page.get_cropbox()
    box = (max(media[0], crop[0]), max(media[1], crop[1]), min(media[2], crop[2]), min(media[3], crop[3]))
    return box if box[0] < box[2] and box[1] < box[3] else media


def _draw(page: pdfium.PdfPage, width: int, height: int) -> Pixels:
    """Draw the page to exactly so many pixels, (H, W, 3) RGB."""
    stride = (3 * width + 3) // 4 * 4
    store = np.full(stride * height, 255, np.uint8)
    address = store.ctypes.data_as(ctypes.c_void_p)
    bitmap = raw.FPDFBitmap_CreateEx(width, height, raw.FPDFBitmap_BGR, address, stride)
    if not bitmap:
        raise MemoryError
    flags = raw.FPDF_ANNOT | raw.FPDF_REVERSE_BYTE_ORDER
    raw.FPDF_RenderPageBitmap(bitmap, page, 0, 0, width, height, 0, flags)
    raw.FPDFBitmap_Destroy(bitmap)
    drawn: Pixels = store.reshape(height, stride)[:, : 3 * width].reshape(height, width, 3)
    return drawn
