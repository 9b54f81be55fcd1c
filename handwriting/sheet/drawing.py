"""Draw copying sheets as vector PDF, every element at its exact place in mm, tagged for screen readers (PDF/UA-1)."""

from __future__ import annotations

import json
import math
import re
import unicodedata
from dataclasses import asdict, dataclass
from importlib import resources
from typing import Literal

import cv2
import numpy as np
import segno
import typst
from numpy.typing import NDArray

from handwriting.errors import OutputError, UsageError
from handwriting.sheet.layout import (
    FIDUCIAL_MM,
    FIDUCIAL_MODULES,
    LINE_LENGTH_MM,
    QR_MODULE_MM,
    QR_MODULES,
    Hand,
    Paper,
    SheetCode,
    SheetLayout,
    page_size,
    passage_column,
    sheet_layout,
    writing_top,
)
from handwriting.sheet.passages import Passage, fingerprint
from handwriting.sheet.rulings import Ruling

Placement = Literal["above", "board"]

DICTIONARY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_ARUCO_MIP_36h12)
"""Marks of 36 bits, any two of which differ in at least 12: handwriting is never taken for one."""

MOST_PAGES = 20
_TITLE_PT = 13.0
_TITLE_OF_POSTER = 1.15
# Below a title, and below the last line of words, whose letters reach under the line.
_GAP_MM, _POSTER_GAP_MM = 5.0, 9.0
_FOOT_SHARE = 0.3
_SIZES_PT = (20.0, 19.0, 18.0, 17.0, 16.0, 15.0, 14.0, 13.0)
_POSTER_SIZES_PT = (48.0, 44.0, 40.0, 36.0, 32.0, 28.0, 24.0, 20.0, 18.0, 16.0)
_WIDTH_OF_A_CHARACTER = 0.45
"""Share of the row pitch that a generous writer's character and its space take; common practice, no source."""

WORDS = {
    "code": "Code",
    "code_hint": "a code, never a name",
    "start": "Start",
    "stop": "Stop",
    "time_hint": "hours : minutes : seconds",
    "bar": "100 mm if printed at full size. Lay a ruler here and note what it shows.",
}


@dataclass(frozen=True, slots=True)
class SheetPlan:
    """A sheet decided but not yet drawn: its text, its pages and the size of its print."""

    title: str
    text: str
    language: str
    layouts: tuple[SheetLayout, ...]
    size_pt: float
    poster_pt: float | None


def make_sheet(
    passage: Passage,
    ruling: Ruling,
    *,
    paper: Paper = "a4",
    hand: Hand = "right",
    placement: Placement = "above",
    pages: int | None = None,
    language: str = "en",
) -> bytes:
    """Return a copying sheet as a PDF.

    Parameters
    ----------
    passage : Passage
        What is to be copied. For a text of the user's own: ``Passage("own", title, text)``.
    ruling : Ruling
        How the writing area is ruled.
    paper, hand : str
        ``a4`` or ``letter``; ``right``, or ``left`` for a sheet on its side with the passage to the right.
    placement : str
        ``above`` prints the passage on the first page; ``board`` prints it large on a page of its own, to be pinned up.
    pages : int, optional
        Writing pages; by default as many as one copy of the passage takes in large writing.
    language : str
        Two-letter code of the passage's language, for screen readers.

    Raises
    ------
    UsageError
        When the text is empty, not in Latin script or too long.
    """
    return draw_sheet(
        plan_sheet(passage, ruling, paper=paper, hand=hand, placement=placement, pages=pages, language=language)
    )


def plan_sheet(
    passage: Passage,
    ruling: Ruling,
    *,
    paper: Paper = "a4",
    hand: Hand = "right",
    placement: Placement = "above",
    pages: int | None = None,
    language: str = "en",
) -> SheetPlan:
    """Decide sizes and pages of a sheet; the arguments are those of `make_sheet`."""
    _check_text(passage.text)
    if not passage.title.strip():
        raise UsageError("the text has no title", fix="Give one, such as 'Copy this text'")
    _check_language(language)
    if pages is not None and not 1 <= pages <= MOST_PAGES:
        raise UsageError(f"a sheet cannot have {pages} pages", fix=f"Ask for 1 to {MOST_PAGES}")
    size, poster, top = _SIZES_PT[-1], None, writing_top(hand, None)
    if placement == "board":
        width, height = page_size(paper, "left")
        sizes = [(size, _TITLE_OF_POSTER * size) for size in _POSTER_SIZES_PT]
        poster, _ = _fit(passage, width - 40.0, height - 40.0, sizes, _POSTER_GAP_MM, "Shorten it")
    else:
        room = passage_column(paper, hand)
        fix = "Shorten it, or print it large on a page of its own (--board)"
        size, tall = _fit(passage, room.width, room.height, [(size, _TITLE_PT) for size in _SIZES_PT], _GAP_MM, fix)
        top = writing_top(hand, tall)
    mark = fingerprint(passage.text)
    count = pages or 1

    def page(number: int, of: int) -> SheetLayout:
        page_top = top if number == 1 else writing_top(hand, None)
        return sheet_layout(SheetCode(paper, hand, ruling.name, mark, number, of, page_top, placement == "board"))

    if pages is None:
        count = min(MOST_PAGES, _pages_needed(passage.text, page(1, 2), page(2, 2)))
    layouts = tuple(page(number, count) for number in range(1, count + 1))
    return SheetPlan(passage.title, passage.text, language, layouts, size, poster)


def _pages_needed(text: str, first: SheetLayout, later: SheetLayout) -> int:
    pitch = first.ruling.pitch_mm or 10.0
    if first.ruling.kind in {"two-line", "four-line"}:
        pitch = 2.4 * (first.ruling.body_mm or 0.0)
    elif first.ruling.kind == "squared":
        pitch = 2 * pitch
    rows_wanted = math.ceil(len(text) * _WIDTH_OF_A_CHARACTER * pitch / LINE_LENGTH_MM)

    def rows_on(layout: SheetLayout) -> int:
        if layout.ruling.kind == "blank":
            return int(layout.area.height / pitch)
        return len(layout.baselines)

    left = rows_wanted - rows_on(first)
    return 1 + max(0, math.ceil(left / max(rows_on(later), 1)))


def _check_text(text: str) -> None:
    letters = [character for character in unicodedata.normalize("NFC", text) if character.isalpha()]
    if not letters:
        raise UsageError("the text to copy holds no letters", fix="Give a text of at least one word")
    for letter in letters:
        if not unicodedata.name(letter, "").startswith("LATIN"):
            raise UsageError(
                f"the text to copy holds '{letter}', which is not a Latin letter",
                fix="Sheets are made for languages in Latin script",
            )


def _check_language(language: str) -> None:
    if not (2 <= len(language) <= 3 and language.isascii() and language.isalpha() and language.islower()):
        raise UsageError(f"'{language}' is not a language code", fix="Use a code of two letters such as en, de or fr")


def _paragraphs(text: str) -> list[str]:
    blocks = unicodedata.normalize("NFC", text).replace("\r\n", "\n").split("\n\n")
    return [" ".join(block.split()) for block in blocks if block.strip()]


_MEASURE = r"""
#let asked = json(bytes(sys.inputs.asked))
#set text(font: "Libertinus Serif", hyphenate: false, ligatures: false, features: ("calt": 0))
#set par(leading: 0.78em, spacing: 1.3em)
#let tall(body) = measure(block(width: asked.width * 1mm, body)).height / 1mm
#let wide(words) = calc.max(..words.map(word => measure(word).width / 1mm))
#context for (size, title) in asked.sizes {
  let heading(body) = text(size: title * 1pt, weight: "semibold", body)
  let words = text(size: size * 1pt, for paragraph in asked.paragraphs { par(paragraph) })
  let printed = asked.words.map(word => text(size: size * 1pt, word))
  let widest = calc.max(wide(asked.title.split().map(heading)), wide(printed))
  [#metadata((tall(heading(asked.title)), tall(words), widest)) <found>]
}
"""


def _fit(
    passage: Passage, width: float, height: float, sizes: list[tuple[float, float]], gap_mm: float, fix: str
) -> tuple[float, float]:
    """Return the largest print size at which title and text fit a box, and the height they then take, mm.

    `sizes` are pairs of the words' size and the title's, pt. No word may be longer than a line.
    """
    paragraphs = _paragraphs(passage.text)
    words = sorted(set(" ".join(paragraphs).split()))
    asked = json.dumps(
        {"sizes": sizes, "paragraphs": paragraphs, "words": words, "title": passage.title, "width": width}
    )
    found = json.loads(
        typst.query(_MEASURE.encode(), "<found>", field="value", sys_inputs={"asked": asked}, ignore_system_fonts=True)
    )
    for (size, _), (heading, tall, widest) in zip(sizes, found, strict=True):
        whole = heading + gap_mm + tall + _FOOT_SHARE * size * 25.4 / 72
        if whole <= height and widest <= width:
            return size, whole
    if found[-1][2] > width:
        longest = max((*words, *passage.title.split()), key=len)
        raise UsageError(
            f"the word '{longest[:30]}...' of {len(longest)} letters is longer than a line of the sheet",
            fix="Part it with a space",
        )
    raise UsageError(
        f"the text of {len(passage.text)} characters does not fit the sheet in letters large enough to copy from",
        fix=fix,
    )


_NO_SIGN = re.compile(r'the text `"(.+?)"` could not be displayed', re.DOTALL)


def draw_sheet(plan: SheetPlan) -> bytes:
    """Return the PDF of a planned sheet."""
    first = plan.layouts[0]
    poster = None
    if plan.poster_pt is not None:
        width, height = page_size(first.code.paper, "left")
        poster = {"width": width, "height": height, "size": plan.poster_pt}
    sheet = {
        "title": f"Copying sheet: {plan.title}",
        "heading": plan.title,
        "language": plan.language,
        "paragraphs": _paragraphs(plan.text),
        "size": plan.size_pt,
        "width": first.width,
        "height": first.height,
        "words": WORDS,
        "poster": poster,
        "pages": [_page(layout, plan) for layout in plan.layouts],
    }
    template = resources.files("handwriting.sheet").joinpath("sheet.typ").read_bytes()
    try:
        pdf = typst.compile(
            template,
            sys_inputs={"sheet": json.dumps(sheet)},
            ignore_system_fonts=True,
            pdf_standards=["ua-1"],
        )
    except typst.TypstError as error:
        if lacking := _NO_SIGN.search(str(error)):
            where = "text to copy" if lacking[1] in plan.text else "title"
            raise UsageError(
                f"the {where} holds '{lacking[1]}', which the sheet's print has no sign for", fix="Leave it out"
            ) from error
        raise OutputError(
            f"the sheet could not be typeset ({error})", fix="Please report this with the text used"
        ) from error
    return bytes(pdf)


def _page(layout: SheetLayout, plan: SheetPlan) -> dict[str, object]:
    code = layout.code
    divider = None
    if layout.passage is not None:
        if code.hand == "left":
            middle = (layout.area.right + layout.passage.left) / 2
            divider = (middle, layout.area.top, middle, layout.area.bottom)
        else:
            divider = (layout.area.left, layout.area.top - 2.5, layout.area.right, layout.area.top - 2.5)
    return {
        "marks": [{"left": mark.left, "top": mark.top, "oblongs": mark_runs(mark.id)} for mark in layout.fiducials],
        "qr": asdict(layout.qr),
        "code": _runs(qr_modules(code), QR_MODULE_MM),
        "code_box": asdict(layout.code_box),
        "start_box": asdict(layout.start_box) if layout.start_box else None,
        "stop_box": asdict(layout.stop_box),
        "passage": asdict(layout.passage) if layout.passage else None,
        "divider": divider,
        "rules": [asdict(rule) for rule in layout.rules],
        "weight": 0.6 if layout.ruling.kind == "squared" else 1.0,
        "bar": layout.bar,
        "foot": (layout.qr.right, layout.bar[2]),
        "foot_words": f"Page {code.page} of {code.pages}",
    }


def mark_modules(identity: int) -> NDArray[np.bool_]:
    """Return the dark modules of a fiducial, black border and all, shape (8, 8)."""
    image = cv2.aruco.generateImageMarker(DICTIONARY, identity, FIDUCIAL_MODULES, borderBits=1)
    return np.asarray(image, dtype=np.uint8) < np.uint8(128)


def mark_runs(identity: int) -> list[tuple[float, float, float, float]]:
    """Return a fiducial as dark oblongs (x, y, width, height), mm from its top left corner."""
    return _runs(mark_modules(identity), FIDUCIAL_MM / FIDUCIAL_MODULES)


def qr_modules(code: SheetCode) -> NDArray[np.bool_]:
    """Return the dark modules of a page's QR symbol, version 3, error level Q: a quarter of it may be lost."""
    try:
        symbol = segno.make_qr(code.to_text(), version=3, error="q", boost_error=False)
    except segno.DataOverflowError as error:
        raise UsageError(
            f"the ruling '{code.ruling}' has too long a name for the sheet's code", fix="Round its sizes"
        ) from error
    modules = np.array([[module == 1 for module in row] for row in symbol.matrix], dtype=np.bool_)
    if modules.shape != (QR_MODULES, QR_MODULES):  # a changed library must not silently move every sheet
        raise OutputError(
            "the QR library drew a symbol of another size", fix="Install the version of segno named for this release"
        )
    return modules


def _runs(modules: NDArray[np.bool_], module_mm: float) -> list[tuple[float, float, float, float]]:
    """Cover dark modules with oblongs, wide runs first and equal runs below one another joined: no seams in viewers."""
    free = modules.copy()
    found = []
    rows, columns = free.shape
    for y in range(rows):
        x = 0
        while x < columns:
            if not free[y, x]:
                x += 1
                continue
            end = x
            while end < columns and free[y, end]:
                end += 1
            foot = y + 1
            while foot < rows and free[foot, x:end].all():
                foot += 1
            free[y:foot, x:end] = False
            found.append((x * module_mm, y * module_mm, (end - x) * module_mm, (foot - y) * module_mm))
            x = end
    return found
