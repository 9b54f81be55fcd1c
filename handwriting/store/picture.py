"""The page picture as it is kept: coded anew so that nothing rides along, a strip for name and date blanked."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.errors import DamagedFileError, UsageError
from handwriting.geometry import Box
from handwriting.record import Record, WordFacts

Picture = NDArray[np.uint8]
Side = Literal["top", "bottom", "left", "right"]
_STRIP = re.compile(r"(top|bottom|left|right):(\d+(?:\.\d+)?)(mm|%)")
_PAPER = 255


@dataclass(frozen=True, slots=True)
class Strip:
    """A strip along one side of the upright page; `unit` is ``mm`` or ``%`` of the page."""

    side: Side
    amount: float
    unit: Literal["mm", "%"]

    def __str__(self) -> str:
        """Return the strip as it is typed."""
        return f"{self.side}:{self.amount:g}{self.unit}"


def read_strip(given: str) -> Strip:
    """Return the strip from ``top:25mm`` or ``left:10%``."""
    match = _STRIP.fullmatch(given.strip().lower())
    fix = "Write a side and how much of it, such as top:25mm or top:10%."
    if match is None:
        raise UsageError(f"'{given}' is not a strip of the page", where="--blank", fix=fix)
    side, amount, unit = match.groups()
    if not 0 < float(amount) <= (90 if unit == "%" else 400):
        raise UsageError(f"'{given}' is not a strip of the page", where="--blank", fix=fix)
    return Strip(side, float(amount), unit)  # type: ignore[arg-type]  # the pattern lets nothing else through


def strip_box(record: Record, strip: Strip) -> Box:
    """Return the strip in the record's coordinates.

    Raises
    ------
    UsageError
        The strip is in mm and the page has no scale.
    """
    per_px = record.scale.mm_per_px if record.scale.unit == "mm" and record.scale.mm_per_px else 1.0
    width, height = record.page.frame_width_px * per_px, record.page.frame_height_px * per_px
    across = strip.side in ("top", "bottom")
    if strip.unit == "mm" and record.scale.unit != "mm":
        raise UsageError(
            "the page has no scale, so the strip cannot be given in mm", where="--blank", fix="Give it in %."
        )
    deep = strip.amount if strip.unit == "mm" else strip.amount / 100 * (height if across else width)
    deep = min(deep, height if across else width)
    return {
        "top": Box(0, 0, width, deep),
        "bottom": Box(0, height - deep, width, height),
        "left": Box(0, 0, deep, height),
        "right": Box(width - deep, 0, width, height),
    }[strip.side]


def blank(record: Record, picture: Picture | None, strip: Strip) -> tuple[Record, Picture | None]:
    """Return record and picture without what stands in the strip: paper there, and no text of words that touch it."""
    box = strip_box(record, strip)
    lines = tuple(replace(n, words=tuple(_silent(w, box) for w in n.words)) for n in record.lines)
    if picture is not None:
        k = record.scale.mm_per_px if record.scale.unit == "mm" and record.scale.mm_per_px else 1.0
        picture = picture.copy()
        rows = slice(int(box.top / k), int(np.ceil(box.bottom / k)))
        picture[rows, int(box.left / k) : int(np.ceil(box.right / k))] = _PAPER
    return replace(record, lines=lines), picture


def _silent(word: WordFacts, box: Box) -> WordFacts:
    b = word.box
    if b.right <= box.left or b.left >= box.right or b.bottom <= box.top or b.top >= box.bottom:
        return word
    return replace(word, text=None, letters=tuple(replace(x, text=None) for x in word.letters))


def decode(png: bytes, *, where: str) -> Picture:
    """Return a kept picture as it was given: grey (rows, columns), or RGB (rows, columns, 3)."""
    image = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_UNCHANGED)
    if image is None:
        raise DamagedFileError("a kept picture does not open", where=where, fix="Put the last backup in its place.")
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2RGB) if image.ndim == 3 else image, dtype=np.uint8)
