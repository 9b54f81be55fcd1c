"""A worksheet's own printed text: find the block of print and read it, for a person to confirm.

Print gives itself away by being read with confidence and standing in lines of one size; handwriting does neither. The
block may stand above or beside the writing. What is found is a proposal: it must be shown before it is used, because a
misread letter would be counted as the writer's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytesseract
from numpy.typing import NDArray

from handwriting.errors import MissingProgramError, TextMismatchError, UsageError
from handwriting.geometry import Box

_SURE = 80.0
_ALIKE = 0.3
_FEWEST_WORDS = 3
_APART = 2.0
_LONGEST_S = 60


@dataclass(frozen=True, slots=True)
class PrintedText:
    """The print found on a page.

    Parameters
    ----------
    text : str
        Its words, lines joined by single spaces.
    box : Box
        Where it stands, px; outside it lies the handwriting.
    confidence : float
        Mean confidence of the reader over the words, 0 to 100.
    """

    text: str
    box: Box
    confidence: float


@dataclass(frozen=True, slots=True)
class _Line:
    words: tuple[str, ...]
    box: Box
    confidence: float
    tall: float


def read_printed_text(grey: NDArray[np.uint8], dpi: float, *, language: str = "eng", where: str = "") -> PrintedText:
    """Return the block of print on a page, upright, grey, of shape (height, width).

    Parameters
    ----------
    grey : array (height, width)
    dpi : float
        Resolution; a guess will do, the reader only scales by it.
    language : str
        The reader's code of the print's language, such as ``eng`` or ``deu``.
    where : str
        File and page for messages.

    Raises
    ------
    MissingProgramError
        When the reading program or its data for the language is not installed.
    TextMismatchError
        When no block of print is found.
    """
    lines = _lines(grey, dpi, language, where)
    block = _block(lines)
    if sum(len(line.words) for line in block) < _FEWEST_WORDS:
        raise TextMismatchError(
            "no printed text was found on the page",
            where=where,
            fix="Give the text that was copied with --text FILE",
        )
    box = block[0].box
    for line in block[1:]:
        box = box.joined(line.box)
    words = [word for line in block for word in line.words]
    weights = [len(line.words) for line in block]
    confidence = float(np.average([line.confidence for line in block], weights=weights))
    return PrintedText(" ".join(words), box, confidence)


def _lines(grey: NDArray[np.uint8], dpi: float, language: str, where: str) -> list[_Line]:
    if not language.replace("+", "").replace("_", "").isalnum():
        raise UsageError(f"'{language}' is not a language code", where=where, fix="Use a code such as eng, deu or fra")
    try:
        found = pytesseract.image_to_data(
            grey,
            lang=language,
            config=f"--psm 3 --dpi {round(dpi)}",
            output_type=pytesseract.Output.DICT,
            timeout=_LONGEST_S,
        )
    except pytesseract.TesseractNotFoundError as error:
        raise MissingProgramError(
            "reading a page's printed text needs the program 'tesseract', which is not installed",
            where=where,
            fix="Install it (Debian, Ubuntu: apt install tesseract-ocr; macOS: brew install tesseract; Windows: its "
            "installer), or give the text with --text FILE",
        ) from error
    except pytesseract.TesseractError as error:
        raise MissingProgramError(
            f"the program 'tesseract' could not read the page in the language '{language}'",
            where=where,
            fix="Install its data for that language, or give the text with --text FILE",
        ) from error
    except RuntimeError as error:  # how pytesseract says that its time is up
        raise TextMismatchError(
            "reading the page's printed text took too long", where=where, fix="Give the text with --text FILE"
        ) from error
    return _grouped(found)


def _grouped(found: dict[str, list[str | int | float]]) -> list[_Line]:
    rows: dict[tuple[int, int, int], list[int]] = {}
    for index, word in enumerate(found["text"]):
        if str(word).strip() and float(found["conf"][index]) >= 0:
            key = (int(found["block_num"][index]), int(found["par_num"][index]), int(found["line_num"][index]))
            rows.setdefault(key, []).append(index)
    lines = []
    for row in rows.values():
        boxes = np.array([[float(found[side][i]) for side in ("left", "top", "width", "height")] for i in row])
        boxes[:, 2:] += boxes[:, :2]
        # Print beside writing is read as one line with it: a wide gap parts them.
        tall = float(np.median(boxes[:, 3] - boxes[:, 1]))
        parts = np.flatnonzero(boxes[1:, 0] - boxes[:-1, 2] > _APART * tall) + 1
        for of_part in np.split(np.arange(len(row)), parts):
            part, own = [row[i] for i in of_part], boxes[of_part]
            box = Box(*(float(v) for v in (*own[:, :2].min(axis=0), *own[:, 2:].max(axis=0))))
            words = tuple(str(found["text"][i]).strip() for i in part)
            sure = float(np.median([float(found["conf"][i]) for i in part]))
            lines.append(_Line(words, box, sure, float(np.median(own[:, 3] - own[:, 1]))))
    return sorted(lines, key=lambda line: line.box.top)


def _weight(block: list[_Line]) -> float:
    """Return how much of a block was read as print: a neat hand is read too, but less surely."""
    return sum(len(line.words) * (line.confidence - _SURE) for line in block)


def _block(lines: list[_Line]) -> list[_Line]:
    """Return the run of sure lines, of like size and close below one another, that holds the most print."""
    best: list[_Line] = []
    sure = [line for line in lines if line.confidence >= _SURE]
    for start in range(len(sure)):
        run = [sure[start]]
        for line in sure[start + 1 :]:
            last = run[-1]
            near = line.box.top - last.box.bottom < 2.0 * last.tall
            alike = abs(line.tall / last.tall - 1.0) < _ALIKE
            across = min(line.box.right, last.box.right) - max(line.box.left, last.box.left) > 0
            if near and alike and across:
                run.append(line)
        if _weight(run) > _weight(best):
            best = run
    return best
