"""The sheet written on: size, rules, margin, holes and print, in mm of the upright page (origin top left, y down)."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import Literal

from handwriting.errors import UsageError

A4_MM = (210.0, 297.0)
LETTER_MM = (215.9, 279.4)
RuleKind = Literal["none", "single", "double", "four-line", "squared"]


@dataclass(frozen=True, slots=True)
class Paper:
    """A sheet.

    Parameters
    ----------
    width_mm, height_mm : float
        Size; A4 unless given.
    rules : {"none", "single", "double", "four-line", "squared"}
        Kind of ruling. On blank paper `pitch_mm` is only how far apart the writer aims to write.
    pitch_mm : float
        Distance between one writing rule and the next; for squared paper the side of a square.
    squares : int
        Squared paper: how many squares high one row of writing is.
    zone_mm : float
        Double and four-line rulings: height of the body zone.
    rule_rgb : tuple of int
        Colour of the rules, 0-255.
    rule_width_mm : float
        Width of the printed rules.
    top_mm, bottom_mm : float
        First writing rule, and the free edge below the last.
    margin_mm : float or None
        Where a red margin line stands, from the left edge.
    holes : int
        Punch holes down the left edge.
    passage : str
        Text printed (not handwritten) at the top; the rules start below it.
    boxed : bool
        A printed frame round the passage.
    logo : bool
        A printed mark at the top right.
    show_through : float
        Share of ink that shows from the back, 0 to 0.3.
    """

    width_mm: float = A4_MM[0]
    height_mm: float = A4_MM[1]
    rules: RuleKind = "single"
    pitch_mm: float = 8.0
    squares: int = 2
    zone_mm: float = 3.5
    rule_rgb: tuple[int, int, int] = (170, 195, 225)
    rule_width_mm: float = 0.2
    top_mm: float = 30.0
    bottom_mm: float = 15.0
    margin_mm: float | None = None
    holes: int = 0
    passage: str = ""
    boxed: bool = False
    logo: bool = False
    show_through: float = 0.0

    def __post_init__(self) -> None:
        if not (20 <= self.width_mm <= 1000 and 20 <= self.height_mm <= 1000):
            raise UsageError("the sheet's size is out of range", where="paper", fix="Give 20 to 1000 mm each way")
        if self.pitch_mm < 1:
            raise UsageError(f"pitch_mm is {self.pitch_mm}", where="paper", fix="Give 1 mm or more")
        if self.rules not in {"none", "single", "double", "four-line", "squared"}:
            raise UsageError(f"no ruling is called {self.rules!r}", where="paper", fix="See Paper.rules")

    @property
    def writing_pitch_mm(self) -> float:
        """Distance from one writing rule to the next."""
        return self.pitch_mm * (max(self.squares, 1) if self.rules == "squared" else 1)


@dataclass(frozen=True, slots=True)
class RuleLine:
    """One printed rule of the upright page.

    `kind` is base, waist, top, bottom, square, vertical or margin; `at_mm` is y for level rules and x for the others;
    `row` numbers the writing rules from 0.
    """

    kind: str
    at_mm: float
    row: int | None = None


def writing_rows(paper: Paper) -> list[float]:
    """Return y, mm, of every rule (or aimed-at line of blank paper) that can be written on."""
    first = paper.top_mm + (_passage_depth(paper) if paper.passage else 0.0)
    rows: list[float] = []
    while first + len(rows) * paper.writing_pitch_mm <= paper.height_mm - paper.bottom_mm:
        rows.append(first + len(rows) * paper.writing_pitch_mm)
    return rows


def rule_lines(paper: Paper) -> list[RuleLine]:
    """Return every printed line of the sheet, from the top down, then those that stand upright."""
    lines: list[RuleLine] = []
    rows = writing_rows(paper)
    zone = paper.zone_mm
    for row, y in enumerate(rows):
        if paper.rules == "four-line":
            lines.append(RuleLine("top", y - 2 * zone))
        if paper.rules in {"double", "four-line"}:
            lines.append(RuleLine("waist", y - zone))
        if paper.rules != "none":
            lines.append(RuleLine("base", y, row))
        if paper.rules == "four-line":
            lines.append(RuleLine("bottom", y + zone))
        if paper.rules == "squared":
            lines += [RuleLine("square", y - i * paper.pitch_mm) for i in range(paper.squares - 1, 0, -1)]
    if paper.rules == "squared":
        n = int(paper.width_mm / paper.pitch_mm)
        lines += [RuleLine("vertical", (i + 0.5) * paper.pitch_mm) for i in range(n)]
    if paper.margin_mm is not None:
        lines.append(RuleLine("margin", paper.margin_mm))
    return lines


PRINT_SIZE_MM = 5.2


def passage_lines(paper: Paper) -> list[str]:
    """Return the printed passage broken into lines."""
    return textwrap.wrap(paper.passage, max(20, int((paper.width_mm - 50) / (PRINT_SIZE_MM * 0.5))))


def _passage_depth(paper: Paper) -> float:
    return len(passage_lines(paper)) * PRINT_SIZE_MM * 1.35 + 8.0
