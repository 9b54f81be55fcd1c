"""The line from page to record, as one function.

    page -> frame -> rules -> ink -> print set aside -> lines -> words -> letters -> scale -> measures -> record

Nothing here decides anything about handwriting: each stage does, in its own file.
"""

from __future__ import annotations

import platform
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

import handwriting
from handwriting.calibration import Given, Scale, calibrate, rough_px_per_mm
from handwriting.errors import NoWritingError
from handwriting.figures import compare
from handwriting.frame import SHEET_DPI, Frame, make_frame, to_page_pixels
from handwriting.geometry import Box
from handwriting.ink import Ink, find_ink, flatten, lift_rules
from handwriting.letters import Letters, find_letters
from handwriting.lines import Lines
from handwriting.measures import SEED, Evidence, measure_all
from handwriting.page import Page
from handwriting.printed import set_print_aside
from handwriting.record import (
    FlagNote,
    LetterFacts,
    LineFacts,
    PageFacts,
    Point,
    Record,
    RulingFacts,
    ScaleFacts,
    WordFacts,
)
from handwriting.rules import Rules, Ruling, find_rules
from handwriting.sheet.reading import SheetReading, read_sheet
from handwriting.sources import all_sources
from handwriting.task import COUNTING_RULE, Task, count_letters
from handwriting.turning import overhang, upright
from handwriting.words import Words, find_words

# Writing covers a few hundredths of a page; a picture's shades cover more, in patches wider than any pen's line.
# Brighter than this (of 250) is bare paper once the light is evened out.
_BARE = 230
_MOST_INK = 0.22
_MUCH_INK = 0.1
_BROAD_MM = 1.2
_LEAST_PX = 64
# Upright pages have 1.8 to 8 times as much ink above the bodies as below them.
_ON_ITS_HEAD = 1.5


@dataclass(frozen=True, slots=True)
class Options:
    """How to measure, beside what was asked of the writer.

    `bar_mm` is what a ruler shows for the 100 mm bar of a copying sheet; `tolerance_mm` the half-width of the band
    that counts as on the line.
    """

    given: Given = field(default_factory=Given)
    bar_mm: float | None = None
    tolerance_mm: float = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What the stages found on one page, in frame px."""

    frame: Frame
    ruling: Ruling | None
    margins: tuple[Ruling, ...]
    ink: Ink
    lines: Lines
    words: Words
    letters: Letters
    printed: tuple[Box, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """One page measured: the record, and what it was made from, so that a corrected one can be made quickly."""

    record: Record
    found: Found
    page: Page
    task: Task
    scale: Scale
    options: Options

    @property
    def picture(self) -> NDArray[np.uint8]:
        """The upright frame, grey or RGB."""
        return self.found.frame.picture()

    def label_maps(self) -> dict[str, NDArray[np.uint16]]:
        """Return the maps of lines and words in the page's own pixels: number from 1, 0 where there is no writing."""
        pieces = self.found.lines.pieces
        maps = {}
        for name, number in (("lines", self.found.lines.line), ("words", self.found.words.word)):
            image = np.zeros(pieces.shape, np.uint16)
            image[pieces.y, pieces.x] = (number + 1).astype(np.uint16)
            maps[name] = to_page_pixels(image, self.found.frame, self.page)
        return maps


def measure_page(page: Page, task: Task, options: Options) -> Result:
    """Measure one page of handwriting.

    Raises
    ------
    NoWritingError
        There is no handwriting on the page.
    SheetError
        A copying sheet is on the page but cannot be read safely.
    """
    dpi = None if page.claimed_dpi is None else page.claimed_dpi[0]
    sheet = read_sheet(page.grey, bar_mm=options.bar_mm, dpi=dpi, text=task.text or None, where=page.name)
    if sheet is not None and sheet.text and not task.text:
        task = replace(task, text=sheet.text)
    found = find_writing(page, sheet, options)
    return measure_found(page, found, task, _scale(page, sheet, found, options), options)


def measure_found(page: Page, found: Found, task: Task, scale: Scale, options: Options) -> Result:
    """Measure what was found on a page and write it all into a record: the quick part, done again after corrections."""
    evidence = Evidence(
        found.ink,
        found.ruling,
        found.lines,
        found.words,
        found.letters,
        scale.mm_per_px,
        scale.relative_sd,
        options.tolerance_mm,
    )
    measures = measure_all(evidence, task)
    comparisons = tuple(c.as_dict() for c in compare(task, measures["letters_per_minute"]))
    k = scale.mm_per_px or 1.0
    record = Record(
        page=_page_facts(page, found.frame),
        task=task.as_dict(),
        scale=ScaleFacts(
            "px" if scale.mm_per_px is None else "mm",
            scale.mm_per_px,
            scale.relative_sd,
            scale.source,
            scale.sentence,
            scale.checks,
        ),
        ruling=_ruling_facts(found, k),
        lines=_line_facts(found, k),
        print_areas=tuple(b.scaled(k) for b in (*found.printed, *found.ink.set_aside)),
        measures=measures,
        comparisons=comparisons,
        flags=_flags(page, scale, found, task),
        software=_software(options),
        letters=_letter_facts(task),
    )
    return Result(record, found, page, task, scale, options)


def find_writing(page: Page, sheet: SheetReading | None, options: Options) -> Found:
    """Run the stages that look at the picture."""
    frame = make_frame(page, rough_px_per_mm(page, options.given), sheet)
    if min(frame.grey.shape) < _LEAST_PX:
        height, width = frame.grey.shape
        raise NoWritingError(
            f"no writing was found: the picture is only {width} by {height} pixels",
            where=page.name,
            fix="Scan the whole page at 300 dots to the inch",
        )
    if sheet is not None:
        return _look(page, frame, sheet)
    turn = upright(flatten(frame.grey, frame.px_per_mm), frame.px_per_mm)
    found = _look(page, frame.turned(turn) if turn else frame, None)
    above, below = overhang(found.lines)
    return _look(page, found.frame.turned(180), None) if below > _ON_ITS_HEAD * above else found


def _look(page: Page, frame: Frame, sheet: SheetReading | None) -> Found:
    """Run the stages on a frame taken to be upright."""
    flat = flatten(frame.grey, frame.px_per_mm)
    # The rules of a copying sheet are known; on any other page they are looked for.
    rules = find_rules(flat, frame.px_per_mm) if sheet is None else _sheet_rules(sheet)
    lifted, cut = lift_rules(flat, rules, frame.px_per_mm)
    ink = find_ink(lifted, cut, rules, frame.px_per_mm)
    if ink is None:
        raise NoWritingError(
            "no writing was found: the page is blank", where=page.name, fix="Check that the right side was scanned"
        )
    share = len(ink.pieces.x) / flat.size
    if share > _MOST_INK or (share > _MUCH_INK and ink.stroke_px > _BROAD_MM * frame.px_per_mm):
        raise NoWritingError(
            "no writing was found: most of the picture is dark or full of detail",
            where=page.name,
            fix="Scan the written page itself, dark ink on light paper",
        )
    ruling = rules.across
    ink, printed, lines = set_print_aside(ink, ruling, frame)
    if not lines.lines or not _like_writing(lines, ink):
        raise NoWritingError(
            "no writing was found on the page",
            where=page.name,
            fix="Scan the written page itself, upright, dark ink on light paper",
        )
    words = find_words(lines, ink.stroke_px)
    letters = find_letters(ink, lines, words)
    return Found(frame, ruling, rules.margins, ink, lines, words, letters, printed)


def _like_writing(lines: Lines, ink: Ink) -> bool:
    """Tell whether the marks are strokes on paper: thin beside their own height, with even paper between them.

    Letters are three times as tall as the pen is wide or more; the shades of a photograph are not, and leave less bare.
    """
    heights = sorted(line.x_height for line in lines.lines)
    thickness = ink.stroke_px / heights[len(heights) // 2]
    bare = float((ink.flat[::4, ::4] > _BARE).mean())
    return thickness < 0.62 and (thickness < 0.25 or bare > 0.85)


def _sheet_rules(sheet: SheetReading) -> Rules:
    """Return the printed rules of a copying sheet, known exactly, in frame px."""
    k = SHEET_DPI / 25.4 * sheet.print_scale
    level = sorted(r.y0 for r in sheet.layout.rules if r.y0 == r.y1)
    steep = sorted(r.x0 for r in sheet.layout.rules if r.x0 == r.x1)
    area = sheet.layout.area
    base = np.asarray(sheet.layout.baselines)
    carry = tuple(i for i, y in enumerate(level) if len(base) and np.abs(base - y).min() < 1e-6)
    pitch = float(np.median(np.diff(base))) * k if len(base) > 1 else 0.0
    across = _known("single", level, k, pitch, (area.left, area.right), carry) if level else None
    down = _known("squared", steep, k, pitch, (area.top, area.bottom), ()) if steep else None
    return Rules(across, down)


def _known(
    kind: str, places_mm: list[float], k: float, pitch: float, ends_mm: tuple[float, float], carry: tuple[int, ...]
) -> Ruling:
    """Return straight level rules at known places as a ruling in frame px."""
    return Ruling(
        kind=kind,
        offsets=np.asarray(places_mm) * k - 0.5,
        slope=0.0,
        bend=0.0,
        turn=0.0,
        pitch=pitch,
        pitch_error=0.0,
        residual_rms=0.0,
        darkness=0.0,
        left=ends_mm[0] * k,
        right=ends_mm[1] * k,
        writing=carry,
    )


def _scale(page: Page, sheet: SheetReading | None, found: Found, options: Options) -> Scale:
    if sheet is None:
        scale = calibrate(page, found.ruling, found.frame.px_per_page_px, options.given)
        if scale.mm_per_px is None:
            return scale
        # One frame pixel is a whole number of page pixels.
        return replace(scale, mm_per_px=scale.mm_per_px / found.frame.px_per_page_px)
    if sheet.mm_refused:
        return Scale(None, 0.0, "none", sheet.mm_refused, (), ("no-scale", *sheet.flags))
    sentence = f"The scale comes from {sheet.marks_used} square marks of the copying sheet. {sheet.print_statement}"
    return Scale(25.4 / SHEET_DPI, sheet.scale_sd, "copying sheet", sentence, (), sheet.flags)


def _page_facts(page: Page, frame: Frame) -> PageFacts:
    height, width = page.grey.shape
    return PageFacts(
        page.sha256,
        page.name,
        page.format,
        page.number,
        page.count,
        width,
        height,
        page.claimed_dpi,
        frame.grey.shape[1],
        frame.grey.shape[0],
        frame.turned_deg,
        page.notes,
    )


def _ends(ruling: Ruling, index: int, k: float) -> tuple[Point, Point]:
    left, right = ruling.left, ruling.right
    return (left * k, float(ruling.at(index, left)) * k), (right * k, float(ruling.at(index, right)) * k)


def _ruling_facts(found: Found, k: float) -> RulingFacts | None:
    ruling = found.ruling
    if ruling is None:
        return None
    margin = None
    if found.margins:
        (y0, x0), (y1, x1) = _ends(found.margins[0], 0, k)
        margin = ((x0, y0), (x1, y1))
    # The record's slope is positive where the line rises, the picture's where rows grow.
    slope = -float(np.degrees(np.arctan(ruling.slope)))
    rules = tuple(_ends(ruling, i, k) for i in range(len(ruling.offsets)))
    return RulingFacts(ruling.kind, ruling.pitch * k, slope, ruling.residual_rms * k, rules, margin)


def _line_facts(found: Found, k: float) -> tuple[LineFacts, ...]:
    """Describe lines, words and letter marks in page units."""
    marks: dict[int, list[LetterFacts]] = {}
    for mark in found.letters.marks:
        line = found.lines.lines[mark.line]
        to_rule = None
        if found.ruling is not None and line.rule is not None:
            middle = 0.5 * (mark.box.left + mark.box.right)
            to_rule = float(found.ruling.at(line.rule, middle) - mark.foot_y) * k
        facts = LetterFacts(mark.box.scaled(k), mark.kind, mark.height * k, mark.foot * k, to_rule)
        marks.setdefault(mark.word, []).append(facts)
    words: dict[int, list[WordFacts]] = {}
    for number, word in enumerate(found.words.words):
        letters = tuple(sorted(marks.get(number, []), key=lambda m: m.box.left))
        words.setdefault(word.line, []).append(WordFacts(number + 1, word.box.scaled(k), letters=letters))
    described = []
    for i, line in enumerate(found.lines.lines):
        baseline = tuple((float(x) * k, float(y) * k) for x, y in zip(line.baseline.x, line.baseline.y, strict=True))
        mine = tuple(words.get(i, []))
        box = _line_box(found.lines, i).scaled(k)
        described.append(LineFacts(i + 1, baseline, line.x_height * k, box, line.rule, mine))
    return tuple(described)


def _line_box(lines: Lines, index: int) -> Box:
    mine = lines.line == index
    x, y = lines.pieces.x[mine], lines.pieces.y[mine]
    return Box(float(x.min()), float(y.min()), float(x.max() + 1), float(y.max() + 1))


def _flags(page: Page, scale: Scale, found: Found, task: Task) -> tuple[FlagNote, ...]:
    notes = [FlagNote(code) for code in dict.fromkeys(scale.flags)]
    if scale.mm_per_px is None and not any(n.code == "no-scale" for n in notes):
        notes.insert(0, FlagNote("no-scale", scale.sentence))
    if found.ruling is None:
        notes.append(FlagNote("no-ruling"))
    if found.frame.turned_deg:
        notes.append(FlagNote("turned", f"{found.frame.turned_deg} degrees"))
    if found.printed:
        notes.append(FlagNote("print-set-aside", f"{len(found.printed)} areas"))
    if len(found.lines.lines) < 4:
        notes.append(FlagNote("few-lines", f"{len(found.lines.lines)} lines"))
    if found.ink.depth < 60:
        notes.append(FlagNote("faint"))
    if not task.text:
        notes.append(FlagNote("no-text"))
    return tuple(notes)


def _software(options: Options) -> dict[str, object]:
    return {
        "handwriting": handwriting.__version__,
        "python": platform.python_version(),
        "opencv": cv2.__version__,
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "seed": SEED,
        "tolerance_mm": options.tolerance_mm,
        "dpi_given": options.given.dpi,
        "rule_mm_given": options.given.rule_mm,
        "bar_mm_given": options.bar_mm,
        **{f"figures {s.id}": s.table_sha256 for s in all_sources()},
    }


def _letter_facts(task: Task) -> dict[str, object]:
    facts: dict[str, object] = {"rule": COUNTING_RULE}
    counted = task.reached_count or (count_letters(task.text) if task.text else None)
    if counted is not None:
        facts["of"] = "the text up to the last word reached" if task.reached_count else "the whole text given"
        for name in ("letters", "capitals", "digits", "punctuation", "symbols", "words"):
            facts[name] = getattr(counted, name)
    if task.letters is not None:
        facts["counted_by_hand"] = task.letters
    return facts
