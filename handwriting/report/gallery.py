"""Every letter as it was written, class by class and in the order of the page: one HTML page drawn from the record."""

from __future__ import annotations

import base64

import cv2
import numpy as np

from handwriting.encoding import png
from handwriting.geometry import Box
from handwriting.record import Record
from handwriting.report.html import template
from handwriting.report.models import Models
from handwriting.report.overlay import Picture
from handwriting.report.words import Catalogue, catalogue

_GAP_PX = 8
_ROW_PX = 940
_MARGIN = 0.06
# Half the size of the picture's pixels on a screen of 96 to the inch: at 300 to the inch about half as large again as
# written.
_SHOWN = 0.5
_NAMED = 3
_MODEL_PX = 96


def render_gallery(
    record: Record, picture: Picture, *, words: Catalogue | None = None, models: Models | None = None
) -> str | None:
    """Return the gallery as HTML text; None when no letter of the page is known.

    Parameters
    ----------
    record : Record
    picture : ndarray of uint8
        The upright frame the record's places refer to.
    models : Models, optional
        The user's own model of the letters, laid beside them; nothing is compared with it.
    """
    words = words or catalogue()
    grey = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    k = record.scale.mm_per_px or 1.0
    classes: dict[str, list[Box]] = {}
    for line in record.lines:
        for word in line.words:
            for letter in word.letters:
                if letter.text and letter.text.isalpha():
                    classes.setdefault(letter.text, []).append(letter.box.scaled(1 / k))
    if not classes:
        return None
    alike = record.letters.get("alike", {})
    rows = [
        {
            "letter": text,
            "count": len(boxes),
            "alike": words.figure(f"{alike[text]:.2f}") if text in alike else "",
            "picture": base64.b64encode(data).decode("ascii"),
            "width": round(wide * _SHOWN),
            "model": _model(models, text),
        }
        for text, boxes in sorted(classes.items(), key=lambda item: (item[0].casefold(), item[0]))
        for data, wide in (_sprite(np.asarray(grey, np.uint8), boxes),)
    ]
    least = list(alike)[:_NAMED]
    return template("gallery.html.j2").render(
        rows=rows, least=least, words=words, code=record.task.get("code") or "", modelled=models is not None
    )


def _model(models: Models | None, letter: str) -> str:
    """Return the model's picture of a letter as the text of a PNG, empty where it has none."""
    picture = None if models is None else models.get(letter)
    if picture is None:
        return ""
    smaller = _MODEL_PX / picture.shape[0]
    if smaller < 1:
        size = (max(1, round(picture.shape[1] * smaller)), _MODEL_PX)
        picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
    return base64.b64encode(png(picture)).decode("ascii")


def _sprite(grey: Picture, boxes: list[Box]) -> tuple[bytes, int]:
    """Return one picture with all instances side by side on their own feet, in rows, as PNG, and its width, px."""
    tiles = [_tile(grey, box) for box in boxes]
    tall = max(len(tile) for tile in tiles)
    rows: list[list[Picture]] = [[]]
    width = 0
    for tile in tiles:
        if rows[-1] and width + tile.shape[1] + _GAP_PX > _ROW_PX:
            rows.append([])
            width = 0
        rows[-1].append(tile)
        width += tile.shape[1] + _GAP_PX
    wide = max(sum(t.shape[1] + _GAP_PX for t in row) for row in rows)
    sheet = np.full((len(rows) * (tall + _GAP_PX), wide), 255, np.uint8)
    for r, row in enumerate(rows):
        left = 0
        for tile in row:
            foot = r * (tall + _GAP_PX) + tall
            sheet[foot - len(tile) : foot, left : left + tile.shape[1]] = tile
            left += tile.shape[1] + _GAP_PX
    return png(sheet), wide


def _tile(grey: Picture, box: Box) -> Picture:
    margin = _MARGIN * box.height + 1
    top, left = max(0, int(box.top - margin)), max(0, int(box.left - margin))
    return grey[top : int(box.bottom + margin) + 1, left : int(box.right + margin) + 1]
