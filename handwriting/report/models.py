"""A taught model of the letters, given by the user: pictures named by their letter, or one font file.

It is laid beside the letters as written, for people to look at; nothing is ever compared with it in numbers.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from handwriting.errors import FileNotReadableError, TooLargeError, UsageError
from handwriting.page import Limits, read_page
from handwriting.report.overlay import Picture

_PICTURES = {".png", ".jpg", ".jpeg", ".bmp", ".webp", ".tif", ".tiff"}
_FONTS = {".otf", ".ttf"}
_CAPITAL = "capital-"
_MOST_PIXELS = 4_000_000
_MOST_BYTES = 30_000_000
_EM_PX = 96
_MARGIN_PX = 4
_WIDEST_PX = 600
_DARK = 200
# A sign that no font of letters has: what it is drawn as stands for every letter that is missing.
_MISSING = "\U0010fffd"


class FontModel:
    """The letters of a font, drawn when asked for, all at one size."""

    def __init__(self, font: ImageFont.FreeTypeFont) -> None:
        self._font = font
        self._none = self._drawn(_MISSING)

    def get(self, letter: str) -> Picture | None:
        """Return the picture of a letter, dark on white; None for one the font lacks."""
        picture = self._drawn(letter)
        missing = picture.shape == self._none.shape and bool((picture == self._none).all())
        return None if missing or picture.min() > _DARK else picture

    def _drawn(self, letter: str) -> Picture:
        ascent, descent = self._font.getmetrics()
        left, _, right, _ = self._font.getbbox(letter)
        wide = min(max(1, int(np.ceil(right - left))), _WIDEST_PX) + 2 * _MARGIN_PX
        image = Image.new("L", (wide, ascent + descent + 2 * _MARGIN_PX), 255)
        ImageDraw.Draw(image).text((_MARGIN_PX - left, _MARGIN_PX), letter, fill=0, font=self._font)
        return np.asarray(image)


class PictureModel:
    """Letters by their pictures."""

    def __init__(self, pictures: Mapping[str, Picture]) -> None:
        self._pictures = dict(pictures)

    def get(self, letter: str) -> Picture | None:
        """Return the picture of a letter; None where there is none."""
        return self._pictures.get(letter)


Models = FontModel | PictureModel


def read_models(path: Path) -> Models:
    """Return the model, which gives the picture of each letter it has.

    Parameters
    ----------
    path : Path
        A folder of pictures named by their letter (``a.png``; a capital ``A.png`` or ``capital-a.png``), one such
        picture, or one font file (``.otf``, ``.ttf``).

    Raises
    ------
    FileNotReadableError, TooLargeError, UsageError
        Nothing is there, it is no font or picture, it is too large, or no picture is named by a letter.
    """
    where = path.name or str(path)
    if path.is_dir():
        found = {
            letter: file
            for file in sorted(path.iterdir())
            if file.suffix.lower() in _PICTURES and (letter := _letter(file.stem)) is not None
        }
        if not found:
            raise UsageError(
                "no picture in the folder is named by a letter",
                where=where,
                fix="Name them a.png, b.png, capital-a.png",
            )
        return PictureModel({letter: _picture(file) for letter, file in found.items()})
    if not path.is_file():
        raise FileNotReadableError("there is no such file or folder", where=where, fix="Check the name and the folder")
    if path.suffix.lower() in _FONTS:
        return FontModel(_font(path, where))
    letter = _letter(path.stem)
    if path.suffix.lower() not in _PICTURES or letter is None:
        raise UsageError(
            "this is neither a font nor a picture named by a letter",
            where=where,
            fix="Give a folder of pictures (a.png, b.png ...) or a font file (.otf, .ttf)",
        )
    return PictureModel({letter: _picture(path)})


def _letter(stem: str) -> str | None:
    """Return the letter a picture is named by."""
    bare = unicodedata.normalize("NFC", stem)
    capital = bare.lower().startswith(_CAPITAL)
    letter = bare[len(_CAPITAL) :].upper() if capital else bare
    return letter if len(letter) == 1 and letter.isalpha() else None


def _picture(file: Path) -> Picture:
    return read_page(file, limits=Limits(max_pixels=_MOST_PIXELS)).grey


def _font(path: Path, where: str) -> ImageFont.FreeTypeFont:
    if path.stat().st_size > _MOST_BYTES:
        raise TooLargeError("the font file is too large", where=where, fix=f"Give one under {_MOST_BYTES // 10**6} MB")
    try:
        return ImageFont.truetype(str(path), _EM_PX)
    except (OSError, ValueError) as error:
        raise FileNotReadableError(
            "this is not a font that can be read", where=where, fix="Give an .otf or .ttf file"
        ) from error
