"""Pages of a PDF as pixels, by PDFium. Runs inside the child process of `intake` only: PDFium is not thread-safe.

A page that is one scanned picture is drawn at the picture's own resolution, pixel for pixel; anything else at 300 dpi.
"""

from __future__ import annotations

import ctypes
import math
import re
import zlib
from collections.abc import Iterator
from io import BytesIO
from typing import NamedTuple

import numpy as np
import pypdfium2 as pdfium
import simplejpeg
from PIL import Image
from pypdfium2 import raw

from handwriting.claims import by_camera, is_default, read_exif
from handwriting.decode import check_number, check_pixels
from handwriting.errors import DamagedFileError, FileNotReadableError, LockedFileError
from handwriting.intake import Message, Pixels, Sink

DRAWN_DPI = 300
_POINT_INCH = 1 / 72
_POINT_MM = 25.4 / 72
_PASSWORD = 4  # FPDF_ERR_PASSWORD; the text of the error is not to be relied on
_COVERS = 0.5  # share of the page a picture must cover to set the resolution
_SQUARE = 0.02  # a picture whose pixels differ more than this along x and y is drawn with square ones
_HAIR = 1e-3  # pixels
_TINY = 1e-9
_DEEPEST, _MOST_OBJECTS = 4, 10_000  # how far pictures are looked for inside forms
_REPAIR = "Open it in a PDF viewer and print it to a new PDF, or scan the page again"

_Matrix = tuple[float, float, float, float, float, float]
_UNMOVED: _Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)


class _Box(NamedTuple):
    """A rectangle on the page as displayed: points, y down."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self) -> float:
        return self.right - self.left

    @property
    def height(self) -> float:
        return self.bottom - self.top


class _Canvas(NamedTuple):
    """How points of the page as displayed become pixels: x_px = scale_x * x_pt + shift_x."""

    scale_x: float
    scale_y: float
    shift_x: float
    shift_y: float
    note: str
    picture: ctypes.c_void_p | None


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
    if not (width_pt > 0 and height_pt > 0):
        raise DamagedFileError("this page has no size", fix=_REPAIR)
    notes = [] if unit == 1 else [f"PDF UserUnit {unit:g} applied"]
    canvas = _canvas(page, width_pt, height_pt)
    width, height = (max(1, round(side)) for side in (width_pt * canvas.scale_x, height_pt * canvas.scale_y))
    check_pixels(width, height, options)
    notes.append(canvas.note)
    dpi = (canvas.scale_x / unit / _POINT_INCH, canvas.scale_y / unit / _POINT_INCH)
    doubt = _doubt(canvas, dpi)
    if doubt:
        notes.append(f"stated page size set aside: {doubt}")
    pixels = _draw(page, canvas, width, height)
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
        "dpi": None if doubt else dpi,
        "source": "" if doubt else "PDF page size",
        "size_mm": None if doubt else (width_pt * unit * _POINT_MM, height_pt * unit * _POINT_MM),
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


def _canvas(page: pdfium.PdfPage, width_pt: float, height_pt: float) -> _Canvas:
    """Choose pixels for the page so that its main picture, where it has one, comes out pixel for pixel."""
    best: tuple[_Box, float, float] | None = None
    picture = None
    for thing, matrix, across, down in _pictures(page):
        box = _placed(page, matrix)
        if box.width <= 0 or box.height <= 0 or across < 1 or down < 1:
            continue
        shown_x = max(0.0, min(box.right, width_pt) - max(box.left, 0.0))
        shown_y = max(0.0, min(box.bottom, height_pt) - max(box.top, 0.0))
        if shown_x * shown_y < _COVERS * width_pt * height_pt:
            continue
        per_point = _picture_scale(page, matrix, across, down)
        if best is None or max(per_point) > max(best[1:]):
            best, picture = (box, *per_point), thing
    if best is None:
        scale = DRAWN_DPI * _POINT_INCH
        return _Canvas(scale, scale, 0.0, 0.0, f"drawn at {DRAWN_DPI} dpi", None)
    box, scale_x, scale_y = best
    if abs(scale_x / scale_y - 1) > _SQUARE:
        scale_x = scale_y = max(scale_x, scale_y)
    # The picture's edges go a hair inside whole pixels: PDFium rounds outwards and would stretch it by one.
    shift_x, shift_y = (round(edge * scale) - edge * scale for edge, scale in ((box.left, scale_x), (box.top, scale_y)))
    return _Canvas(scale_x, scale_y, shift_x, shift_y, "drawn at the picture's own resolution", picture)


def _picture_scale(page: pdfium.PdfPage, matrix: _Matrix, across: int, down: int) -> tuple[float, float]:
    """Pixels per point of a picture along x and y of the page as displayed."""
    a, b, c, d, _, _ = matrix
    one, other = across / max(math.hypot(a, b), _TINY), down / max(math.hypot(c, d), _TINY)
    sideways = (abs(a) + abs(d) < abs(b) + abs(c)) != (page.get_rotation() in {90, 270})
    return (other, one) if sideways else (one, other)


def _pictures(page: pdfium.PdfPage) -> Iterator[tuple[ctypes.c_void_p, _Matrix, int, int]]:
    """Find pictures on the page and inside its forms: handle, placement in page space, pixels across and down."""
    stack = [(raw.FPDFPage_GetObject(page, i), _UNMOVED, 0) for i in range(raw.FPDFPage_CountObjects(page))]
    for _ in range(_MOST_OBJECTS):
        if not stack:
            return
        thing, outer, depth = stack.pop()
        kind = raw.FPDFPageObj_GetType(thing)
        if kind not in {raw.FPDF_PAGEOBJ_IMAGE, raw.FPDF_PAGEOBJ_FORM}:
            continue
        own = raw.FS_MATRIX()
        if not raw.FPDFPageObj_GetMatrix(thing, own):
            continue
        matrix = _after((own.a, own.b, own.c, own.d, own.e, own.f), outer)
        if kind == raw.FPDF_PAGEOBJ_IMAGE:
            across, down = ctypes.c_uint(), ctypes.c_uint()
            if raw.FPDFImageObj_GetImagePixelSize(thing, across, down):
                yield thing, matrix, across.value, down.value
        elif depth < _DEEPEST:
            inner = range(raw.FPDFFormObj_CountObjects(thing))
            stack += [(raw.FPDFFormObj_GetObject(thing, i), matrix, depth + 1) for i in inner]


def _doubt(canvas: _Canvas, dpi: tuple[float, float]) -> str:
    """Why the page size cannot be that of the paper, empty where nothing speaks against it."""
    if canvas.picture is None:
        return ""
    data = _sound_jpeg(canvas.picture)
    if data and by_camera(read_exif(Image.open(BytesIO(data), formats=("JPEG", "MPO")).info.get("exif"))):
        return "the picture on it was taken with a camera"
    return f"{dpi[0]:.0f} dpi is what programs write unmeasured" if is_default(dpi) else ""


def _sound_jpeg(picture: ctypes.c_void_p) -> bytes | None:
    """Refuse a scan whose data are cut short or damaged: PDFium would draw what is left of it without a word.

    Returns the data where they are a JPEG.
    """
    filters = []
    for index in range(raw.FPDFImageObj_GetImageFilterCount(picture)):
        name = ctypes.create_string_buffer(64)
        raw.FPDFImageObj_GetImageFilter(picture, index, name, len(name))
        filters.append(name.value)
    if filters not in ([b"DCTDecode"], [b"FlateDecode"]):
        return None
    length = raw.FPDFImageObj_GetImageDataRaw(picture, None, 0)
    data = (ctypes.c_ubyte * length)()
    raw.FPDFImageObj_GetImageDataRaw(picture, data, length)
    try:
        if filters == [b"DCTDecode"]:
            _, _, space, _ = simplejpeg.decode_jpeg_header(data)
            simplejpeg.decode_jpeg(data, "CMYK" if space in {"CMYK", "YCCK"} else "GRAY")
            return bytes(data)
        zlib.decompress(data)
    except (ValueError, zlib.error) as error:
        raise DamagedFileError("the picture on this page is damaged or cut short", fix=_REPAIR) from error
    return None


def _after(inner: _Matrix, outer: _Matrix) -> _Matrix:
    """Combine two placements, the inner one applied first (ISO 32000-1, 8.3.4: row vectors)."""
    a, b, c, d, e, f = inner
    p, q, r, s, t, u = outer
    return (
        a * p + b * r,
        a * q + b * s,
        c * p + d * r,
        c * q + d * s,
        e * p + f * r + t,
        e * q + f * s + u,
    )


def _placed(page: pdfium.PdfPage, matrix: _Matrix) -> _Box:
    """Find where the unit square goes on the page as displayed: points, x right and y down from its top left corner."""
    left, bottom, right, top = _visible_box(page)
    a, b, c, d, e, f = matrix
    corners = [(e + a * i + c * j, f + b * i + d * j) for i in (0, 1) for j in (0, 1)]
    match page.get_rotation():
        case 90:
            shown = [(y - bottom, x - left) for x, y in corners]
        case 180:
            shown = [(right - x, y - bottom) for x, y in corners]
        case 270:
            shown = [(top - y, right - x) for x, y in corners]
        case _:
            shown = [(x - left, top - y) for x, y in corners]
    xs, ys = zip(*shown, strict=True)
    return _Box(min(xs), min(ys), max(xs), max(ys))


def _visible_box(page: pdfium.PdfPage) -> tuple[float, float, float, float]:
    """Find the part of the page that is shown, in points: the crop box within the media box."""
    media, crop = page.get_mediabox(), page.get_cropbox()
    box = (max(media[0], crop[0]), max(media[1], crop[1]), min(media[2], crop[2]), min(media[3], crop[3]))
    return box if box[0] < box[2] and box[1] < box[3] else media


def _draw(page: pdfium.PdfPage, canvas: _Canvas, width: int, height: int) -> Pixels:
    """Draw the page to exactly so many pixels, (H, W, 3) RGB."""
    stride = (3 * width + 3) // 4 * 4
    store = np.full(stride * height, 255, np.uint8)
    address = store.ctypes.data_as(ctypes.c_void_p)
    bitmap = raw.FPDFBitmap_CreateEx(width, height, raw.FPDFBitmap_BGR, address, stride)
    if not bitmap:
        raise MemoryError
    hair_x, hair_y = 1 - 2 * _HAIR / width, 1 - 2 * _HAIR / height
    matrix = raw.FS_MATRIX(
        canvas.scale_x * hair_x, 0, 0, canvas.scale_y * hair_y, canvas.shift_x + _HAIR, canvas.shift_y + _HAIR
    )
    flags = raw.FPDF_ANNOT | raw.FPDF_REVERSE_BYTE_ORDER
    raw.FPDF_RenderPageBitmapWithMatrix(bitmap, page, matrix, raw.FS_RECTF(0, 0, width, height), flags)
    raw.FPDFBitmap_Destroy(bitmap)
    drawn: Pixels = store.reshape(height, stride)[:, : 3 * width].reshape(height, width, 3)
    return drawn
