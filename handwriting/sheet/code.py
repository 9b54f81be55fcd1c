"""Read the square code of a sheet at the place where the fiducials say it must be."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.errors import SheetError
from handwriting.geometry import FloatArray
from handwriting.sheet.layout import QR_MODULE_MM, QR_MODULES, Hand, Paper, SheetCode, qr_box

_QUIET = 4
_PER_MODULE = 8


def read_code(
    grey: NDArray[np.uint8], to_image: Callable[[FloatArray], FloatArray], kind: tuple[Paper, Hand], where: str
) -> SheetCode | None:
    """Return what the square code says; None when it cannot be read.

    Raises
    ------
    SheetError
        When it can be read and is of a newer version, or names another kind of sheet than the fiducials do.
    """
    box = qr_box(*kind)
    count = (QR_MODULES + 2 * _QUIET) * _PER_MODULE
    offsets = ((np.arange(count) + 0.5) / _PER_MODULE - _QUIET) * QR_MODULE_MM
    places = to_image(np.stack(np.meshgrid(box.left + offsets, box.top + offsets), axis=-1)).astype(np.float32)
    crop = cv2.remap(grey, places, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=255)
    crop = np.asarray(crop, dtype=np.uint8)
    for text in _texts(crop):
        if not SheetCode.is_ours(text):
            continue
        try:
            code = SheetCode.from_text(text)
        except SheetError as error:
            raise SheetError(error.what, where=where, fix=error.fix) from error
        if (code.paper, code.hand) != kind:
            raise SheetError(
                "the square code and the marks belong to different sheets",
                where=where,
                fix="Photograph one sheet at a time",
            )
        return code
    return None


def _texts(crop: NDArray[np.uint8]) -> list[str]:
    """Try the module grid where it should be, then a search, in several clean-ups of the crop; stop at the first."""
    detector = cv2.QRCodeDetector()
    for shift in ((0, 0), (-1, 0), (1, 0), (0, -1), (0, 1)):
        for sharpening in (0.3, 0.0, 0.8, 1.6):
            text = _decoded(detector, _redrawn(crop, shift, sharpening))
            if text:
                return [text]
    smooth = cv2.GaussianBlur(crop, (0, 0), 2.0)
    local = cv2.adaptiveThreshold(smooth, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY, 8 * _PER_MODULE + 1, 4)
    for picture in (crop, smooth, local):
        text, _, _ = detector.detectAndDecode(np.asarray(picture, dtype=np.uint8))
        if text:
            return [str(text)]
    return []


def _decoded(detector: cv2.QRCodeDetector, clean: NDArray[np.uint8]) -> str:
    start, end = _QUIET * _PER_MODULE, (_QUIET + QR_MODULES) * _PER_MODULE
    corners = np.array([[(start, start), (end, start), (end, end), (start, end)]], dtype=np.float32)
    text, _ = detector.decode(clean, corners)
    return str(text)


def _redrawn(crop: NDArray[np.uint8], shift: tuple[int, int], sharpening: float) -> NDArray[np.uint8]:
    """Sample every module at its middle and draw the symbol afresh, its fixed patterns as they must be.

    `shift` moves the sampling by half modules, for a sheet that is not quite flat there; `sharpening` takes from each
    module that share of what its neighbours spill into it, for a blurred picture.
    """
    smooth = cv2.blur(crop, (_PER_MODULE // 2 + 1, _PER_MODULE // 2 + 1))
    at = (np.arange(QR_MODULES) + _QUIET) * _PER_MODULE + _PER_MODULE // 2
    half = _PER_MODULE // 2
    light = smooth[np.ix_(at + shift[1] * half, at + shift[0] * half)].astype(np.float64)
    cross = np.array([[1, 2, 1], [2, 0, 2], [1, 2, 1]]) / 12.0
    light += sharpening * (light - cv2.filter2D(light, -1, cross))
    # White and black levels drift across a shaded crop: the threshold is the middle of both, seen from each module.
    window = (13, 13)
    bright = cv2.dilate(light, np.ones(window, dtype=np.uint8))
    dark = cv2.erode(light, np.ones(window, dtype=np.uint8))
    level = cv2.blur((bright + dark) / 2, (7, 7))
    modules = light < level
    _put_fixed_patterns(modules)
    framed = np.pad(~modules, _QUIET, constant_values=True).astype(np.uint8) * 255
    return np.ascontiguousarray(np.kron(framed, np.ones((_PER_MODULE, _PER_MODULE), dtype=np.uint8)))


def _put_fixed_patterns(modules: NDArray[np.bool_]) -> None:
    """Draw finder, timing and alignment patterns of a version 3 symbol (ISO/IEC 18004, 6.3) over what was seen."""
    last = QR_MODULES - 1
    finder = np.zeros((8, 8), dtype=bool)
    finder[:7, :7] = True
    finder[1:6, 1:6] = False
    finder[2:5, 2:5] = True
    modules[:8, :8] = finder
    modules[:8, last - 7 :] = finder[:, ::-1]
    modules[last - 7 :, :8] = finder[::-1]
    timing = np.arange(8, QR_MODULES - 8) % 2 == 0
    modules[6, 8 : QR_MODULES - 8] = timing
    modules[8 : QR_MODULES - 8, 6] = timing
    alignment = np.ones((5, 5), dtype=bool)
    alignment[1:4, 1:4] = False
    alignment[2, 2] = True
    modules[20:25, 20:25] = alignment
    modules[QR_MODULES - 8, 8] = True
