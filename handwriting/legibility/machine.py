"""A machine's reading of the word pictures, listed as one more reader and labelled as a machine's."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import pytesseract

from handwriting.errors import MissingProgramError
from handwriting.legibility.pictures import Key, Picture
from handwriting.lifting import PAPER

_LONGEST_S = 20
_BORDER_PX = 24


def machine_answers(key: Key, pictures: Sequence[Picture], language: str = "eng") -> dict[int, str]:
    """Return what the program tesseract reads in each picture, by item.

    Raises
    ------
    MissingProgramError
        The program or its data for the language is not installed.
    """
    answers = {}
    for item, picture in zip(key.items, pictures, strict=True):
        edge = (_BORDER_PX,) * 4
        framed = cv2.copyMakeBorder(picture, *edge, cv2.BORDER_CONSTANT, value=(float(PAPER),))
        try:
            said = pytesseract.image_to_string(framed, lang=language, config="--psm 8", timeout=_LONGEST_S)
        except pytesseract.TesseractNotFoundError as error:
            raise MissingProgramError(
                "a machine's reading needs the program 'tesseract', which is not installed",
                fix="Install it (Debian, Ubuntu: apt install tesseract-ocr; macOS: brew install tesseract; Windows: "
                "its installer), or leave --machine out",
            ) from error
        except pytesseract.TesseractError as error:
            raise MissingProgramError(
                f"the program 'tesseract' could not read in the language '{language}'",
                fix="Install its data for that language, or leave --machine out",
            ) from error
        except RuntimeError:  # how pytesseract says that its time is up
            said = ""
        answers[item.item] = said.strip()
    return answers
