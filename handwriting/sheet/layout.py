"""Where everything on a copying sheet lies, in mm: the one description that drawing and reading back both use.

Origin at the paper's top left corner, x to the right, y down, sheet upright. A sheet's code (its QR symbol) holds all
that is needed to build its layout again; nothing in it is about the writer.

The left-hander's sheet lies on its side. The passage stands to the right of the writing, where no hand covers it, and
the writing lines are as long as on the other sheets, so that a line of writing asks the same of every hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np

from handwriting.errors import HandwritingError, SheetError
from handwriting.geometry import Box, FloatArray
from handwriting.sheet.rulings import Role, Ruling, find_ruling

Paper = Literal["a4", "letter"]
Hand = Literal["right", "left"]

VERSION = 1
LINE_LENGTH_MM = 160.0
BAR_MM = 100.0
FIDUCIAL_MM = 8.0
FIDUCIAL_MODULES = 8
QR_MODULES = 29
QR_MODULE_MM = 0.75
ALPHABET_OF_CODE = set("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:")

_PAPERS: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216; ANSI Y14.1
_INSET_MM = 10.0
_SIDE_MM = 22.0
_HEADER_MM = 22.0
_BODY_TOP_MM = 48.0
_FOOT_MM = 30.0
_LONG_SIDE, _SHORT_SIDE = 5, 4
PER_SHEET = 2 * (_LONG_SIDE + _SHORT_SIDE) - 4
_KINDS: tuple[tuple[Paper, Hand], ...] = (("a4", "right"), ("letter", "right"), ("a4", "left"), ("letter", "left"))
KNOWN_IDS = PER_SHEET * len(_KINDS)
"""Fiducial ids 0 to this less one belong to version 1; later versions take the ids above."""


@dataclass(frozen=True, slots=True)
class SheetCode:
    """What a page's QR symbol says.

    Parameters
    ----------
    paper, hand : str
        ``a4`` or ``letter``; ``right`` or ``left``.
    ruling : str
        Name or description that `find_ruling` understands.
    fingerprint : str
        Eight hex digits of the text to be copied.
    page, pages : int
        Page number, from 1, and how many writing pages there are.
    top_mm : float
        Upper edge of the writing area, a whole number of tenths of a millimetre.
    board : bool
        True when the passage is not on the writing pages but on one of its own.
    version : int
        Version of the sheet.
    """

    paper: Paper
    hand: Hand
    ruling: str
    fingerprint: str
    page: int
    pages: int
    top_mm: float
    board: bool = False
    version: int = VERSION

    def to_text(self) -> str:
        """Return the symbol's text, in the characters that QR symbols store most tightly."""
        return "*".join(
            (
                f"HW{self.version}",
                self.paper[0].upper(),
                self.hand[0].upper() + ("B" if self.board else ""),
                self.ruling.upper(),
                self.fingerprint.upper(),
                str(self.page),
                str(self.pages),
                str(round(self.top_mm * 10)),
            )
        )

    @staticmethod
    def is_ours(text: str) -> bool:
        """Say whether a QR text has the look of a sheet of ours, of any version."""
        head = text.split("*", 1)[0]
        return head.startswith("HW") and head[2:].isdigit() and "*" in text

    @classmethod
    def from_text(cls, text: str) -> SheetCode:
        """Read a symbol's text back.

        Raises
        ------
        SheetError
            When it is not a sheet of ours, comes from a newer version, or makes no sense.
        """
        if not cls.is_ours(text):
            raise SheetError(
                "the square code is not that of a copying sheet", fix="Give the text and the ruling by hand"
            )
        fields = text.split("*")
        version = int(fields[0][2:])
        if version > VERSION:
            raise SheetError(
                f"the sheet is of version {version} and this program knows versions up to {VERSION}",
                fix="Update the program, or print a fresh sheet with this one",
            )
        try:
            _, paper, hand, ruling, mark, page, pages, top = fields
            found = cls(
                {"A": "a4", "L": "letter"}[paper],  # type: ignore[arg-type]
                {"R": "right", "L": "left"}[hand.removesuffix("B")],  # type: ignore[arg-type]
                find_ruling(ruling).name,
                f"{int(mark, 16):08X}",
                int(page),
                int(pages),
                int(top) / 10.0,
                hand.endswith("B"),
                version,
            )
        except (ValueError, KeyError, HandwritingError) as error:
            raise SheetError("the square code of the sheet makes no sense", fix="Print a fresh sheet") from error
        if not (1 <= found.page <= found.pages and _HEADER_MM <= found.top_mm < 250.0):
            raise SheetError("the square code of the sheet makes no sense", fix="Print a fresh sheet")
        return found


@dataclass(frozen=True, slots=True)
class Fiducial:
    """A square mark: its id and the place of its top left corner; its side is `FIDUCIAL_MM`."""

    id: int
    left: float
    top: float

    def corners(self) -> FloatArray:
        """Return the corners, shape (4, 2), mm, clockwise from top left as the detector gives them."""
        side = FIDUCIAL_MM
        right, foot = self.left + side, self.top + side
        return np.array([(self.left, self.top), (right, self.top), (right, foot), (self.left, foot)], dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Rule:
    """A printed rule from (`x0`, `y0`) to (`x1`, `y1`), mm, its role and its row (-1 for upright lines)."""

    x0: float
    y0: float
    x1: float
    y1: float
    role: Role
    row: int


@dataclass(frozen=True, slots=True)
class SheetLayout:
    """Every element of one page, mm.

    `area` is the writing area; `baselines` the y of each base line from the top; `passage` is where the text to copy
    stands (None on pages without it); `bar` runs from its left to its right end.
    """

    code: SheetCode
    ruling: Ruling
    width: float
    height: float
    fiducials: tuple[Fiducial, ...]
    qr: Box
    area: Box
    passage: Box | None
    baselines: tuple[float, ...]
    rules: tuple[Rule, ...]
    bar: tuple[float, float, float]
    code_box: Box
    start_box: Box | None
    stop_box: Box


def page_size(paper: Paper, hand: Hand) -> tuple[float, float]:
    """Return width and height of the sheet as it is read, mm: upright for right-handers, on its side for left."""
    width, height = _PAPERS[paper]
    return (width, height) if hand == "right" else (height, width)


def passage_column(paper: Paper, hand: Hand) -> Box:
    """Return the greatest room the passage may take on its page, mm."""
    width, height = page_size(paper, hand)
    if hand == "left":
        return Box(_SIDE_MM + LINE_LENGTH_MM + 8.0, _BODY_TOP_MM, width - _SIDE_MM, height - _FOOT_MM)
    left = (width - LINE_LENGTH_MM) / 2
    return Box(left, _BODY_TOP_MM, left + LINE_LENGTH_MM, _BODY_TOP_MM + 0.36 * height)


def writing_top(hand: Hand, passage_height_mm: float | None) -> float:
    """Return the upper edge of the writing area below a passage of that height, in whole tenths of a millimetre."""
    if hand == "left" or passage_height_mm is None:
        return _BODY_TOP_MM
    return float(np.ceil(10 * (_BODY_TOP_MM + passage_height_mm + 7.0)) / 10)


@cache
def fiducials(paper: Paper, hand: Hand) -> tuple[Fiducial, ...]:
    """Return the marks of one kind of sheet: evenly spread along its edges, ids row by row from the top left."""
    width, height = page_size(paper, hand)
    across, down = (_SHORT_SIDE, _LONG_SIDE) if hand == "right" else (_LONG_SIDE, _SHORT_SIDE)
    xs = np.linspace(_INSET_MM, width - _INSET_MM - FIDUCIAL_MM, across)
    ys = np.linspace(_INSET_MM, height - _INSET_MM - FIDUCIAL_MM, down)
    places = [(x, y) for j, y in enumerate(ys) for i, x in enumerate(xs) if i in {0, across - 1} or j in {0, down - 1}]
    first = PER_SHEET * _KINDS.index((paper, hand))
    return tuple(Fiducial(first + n, float(x), float(y)) for n, (x, y) in enumerate(places))


def kind_of_id(identity: int) -> tuple[Paper, Hand] | None:
    """Return the paper and hand of the sheet a fiducial id belongs to; None for ids of later versions."""
    return _KINDS[identity // PER_SHEET] if 0 <= identity < KNOWN_IDS else None


def qr_box(paper: Paper, hand: Hand) -> Box:
    """Return where the QR symbol lies, without its quiet zone, mm: known before the symbol is read."""
    right, side = passage_column(paper, hand).right, QR_MODULES * QR_MODULE_MM
    return Box(right - side, _HEADER_MM, right, _HEADER_MM + side)


def sheet_layout(code: SheetCode) -> SheetLayout:
    """Build the whole layout of the page a code describes."""
    ruling = find_ruling(code.ruling)
    width, height = page_size(code.paper, code.hand)
    left = _SIDE_MM if code.hand == "left" else (width - LINE_LENGTH_MM) / 2
    area = Box(left, code.top_mm, left + LINE_LENGTH_MM, height - _FOOT_MM)
    baselines = _baselines(ruling, area)
    passage = None
    if code.board or code.page > 1:
        pass
    elif code.hand == "left":
        passage = passage_column(code.paper, code.hand)
    else:
        passage = Box(left, _BODY_TOP_MM, left + LINE_LENGTH_MM, code.top_mm - 7.0)
    box_top, box_foot = _HEADER_MM + 4.6, _HEADER_MM + 16.6
    start = Box(left + 60.0, box_top, left + 92.0, box_foot) if code.page == 1 else None
    middle = (width - BAR_MM) / 2
    return SheetLayout(
        code,
        ruling,
        width,
        height,
        fiducials(code.paper, code.hand),
        qr_box(code.paper, code.hand),
        area,
        passage,
        baselines,
        _rules(ruling, area, baselines),
        (middle, middle + BAR_MM, height - _FOOT_MM + 5.5),
        Box(left, box_top, left + 54.0, box_foot),
        start,
        Box(left + 98.0, box_top, left + 130.0, box_foot),
    )


def _baselines(ruling: Ruling, area: Box) -> tuple[float, ...]:
    if ruling.kind == "blank":
        return ()
    first = area.top + ruling.reach_above_mm
    rows = int((area.bottom - ruling.reach_below_mm - first) / ruling.pitch_mm + 1e-9) + 1
    return tuple(first + ruling.pitch_mm * row for row in range(max(rows, 0)))


def _rules(ruling: Ruling, area: Box, baselines: tuple[float, ...]) -> tuple[Rule, ...]:
    flat = [
        Rule(area.left, base - line.above_mm, area.right, base - line.above_mm, line.role, row)
        for row, base in enumerate(baselines)
        for line in ruling.row()
    ]
    pitch = ruling.upright_pitch_mm
    if not pitch or not baselines:
        return tuple(flat)
    top, foot = baselines[0] - pitch, baselines[-1]
    if ruling.kind == "squared":
        flat.append(Rule(area.left, top, area.right, top, "light", -1))
    count = int(area.width / pitch + 1e-9) + 1
    xs = [area.left + pitch * n for n in range(count)]
    return (*flat, *(Rule(x, top, x, foot, "upright", -1) for x in xs))
