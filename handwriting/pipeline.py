"""The line from page to record, as one function.

    page -> frame -> rules -> ink -> print set aside -> lines -> words -> letters -> text -> scale -> measures -> record

Nothing here decides anything about handwriting: each stage does, in its own file.
"""

from __future__ import annotations

import platform
from collections.abc import Sequence
from dataclasses import astuple, dataclass, field, replace

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

import handwriting
from handwriting.alignment import (
    LEAST_FIT,
    Alignment,
    LetterEstimate,
    align,
    check_fit,
    estimate_letters,
    own_reader,
)
from handwriting.calibration import FINE_DPI, INCH_MM, Given, Scale, calibrate, rough_px_per_mm
from handwriting.crossings import Crossings, find_crossings
from handwriting.errors import NoWritingError, UsageError
from handwriting.facts import letter_counts, line_facts, page_facts, ruler_facts, ruling_facts
from handwriting.figures import compare
from handwriting.frame import SHEET_DPI, Frame, ink_alone, make_frame, make_sheet_frame, sheet_rules, to_page_pixels
from handwriting.geometry import Box
from handwriting.ink import Ink, find_ink
from handwriting.letter_shapes import LetterShape, alike, letter_shapes
from handwriting.letters import Letters, find_letters
from handwriting.lifting import PAPER, flatten
from handwriting.likeness import nothing_found, refuse_pictures, refuse_unlike
from handwriting.lines import Lines
from handwriting.measures import SEED, Evidence, by_minute, measure_all
from handwriting.page import Page
from handwriting.printed import set_area_aside, set_print_aside
from handwriting.reached import Reached, check_places, confirmed, places_reached, tick_facts, with_ticks
from handwriting.record import FlagNote, Record, ScaleFacts
from handwriting.rules import Ruling, find_rules
from handwriting.sheet.reading import SheetReading, check_pages, read_sheet
from handwriting.sources import all_sources
from handwriting.task import Task
from handwriting.ticks import Tick, set_ticks_aside
from handwriting.turning import overhang, upright
from handwriting.words import Words, find_words, known_words

_LEAST_PX = 64
# Upright pages have 1.8 to 8 times as much ink above the bodies as below them.
_ON_ITS_HEAD = 1.5
# Rules that rise or fall by more are those of a page that lies askew.
_SKEWED_DEG = 5.0
_NOT_FLAT = (
    "A resolution given by hand holds for a flat scan, and this is a photograph that was straightened by the sheet's "
    "edges: give --rule-mm for lined paper, or --ruler with a ruler beside the page."
)


@dataclass(frozen=True, slots=True)
class Options:
    """How to measure, beside what was asked of the writer.

    `bar_mm` is what a ruler shows for the 100 mm bar of a copying sheet; `tolerance_mm` the half-width of the band
    that counts as on the line. A known text is laid against the page with the letter reader, without
    `read` by silhouette and gaps alone.
    `print_box` is where a worksheet's own printed text stands, px of the upright frame: nothing in it is writing.
    `ticks` names the colour of ticks made at each minute (`ticks.COLOURS`, or any); empty when none were made.
    """

    given: Given = field(default_factory=Given)
    bar_mm: float | None = None
    tolerance_mm: float = 0.5
    print_box: Box | None = None
    read: bool = True
    ticks: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What the stages found on one page, in frame px.

    `alignment` where laid against a known text, `estimate` of its letters where none is known, `ticks` where asked for.
    """

    frame: Frame
    ruling: Ruling | None
    margins: tuple[Ruling, ...]
    ink: Ink
    lines: Lines
    words: Words
    letters: Letters
    printed: tuple[Box, ...]
    alignment: Alignment | None = None
    estimate: LetterEstimate | None = None
    ticks: tuple[Tick, ...] = ()

    def reached(self) -> tuple[Reached, ...]:
        """Return the places that the ticks tell as reached."""
        return places_reached(self.ticks, self.lines, self.words, self.alignment)


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """One page measured: the record, and what it was made from, so that a corrected one can be made quickly."""

    record: Record
    found: Found
    pages: tuple[Page, ...]
    task: Task
    scale: Scale
    options: Options

    @property
    def picture(self) -> NDArray[np.uint8]:
        """The upright frame, grey or RGB."""
        return self.found.frame.picture()

    def label_maps(self) -> dict[str, NDArray[np.uint16]]:
        """Return the maps of lines and words in each page's own pixels: number from 1, 0 where there is no writing.

        Named ``lines`` and ``words``; with several pages ``lines-1``, ``lines-2`` and so on.
        """
        pieces = self.found.lines.pieces
        maps = {}
        for name, number in (("lines", self.found.lines.line), ("words", self.found.words.word)):
            image = np.zeros(pieces.shape, np.uint16)
            image[pieces.y, pieces.x] = (number + 1).astype(np.uint16)
            for i, page in enumerate(self.pages):
                full = name if len(self.pages) == 1 else f"{name}-{i + 1}"
                maps[full] = to_page_pixels(image, self.found.frame, page, i)
        return maps


def measure_page(page: Page, task: Task, options: Options) -> Result:
    """Measure one page of handwriting.

    Raises
    ------
    NoWritingError
        There is no handwriting on the page.
    SheetError
        A copying sheet is on the page but cannot be read safely.
    TextMismatchError
        The text given is not what is written, and nothing else was given to count by.
    """
    sheet = _read_sheet(page, task, options)
    return _measure((page,), () if sheet is None else (sheet,), task, options)


def measure_sample(pages: Sequence[Page], task: Task, options: Options) -> Result:
    """Measure one sample: one page of any kind, or several pages of one copying sheet, in any order.

    Raises
    ------
    SheetError, UsageError
        Several pages that do not belong together.
    """
    if len(pages) == 1:
        return measure_page(pages[0], task, options)
    read: list[tuple[SheetReading, Page]] = []
    for page in pages:
        sheet = _read_sheet(page, task, options)
        if sheet is None:
            raise UsageError(
                "several pages make one sample only when each is a page of one copying sheet, and this one is not",
                where=page.name,
                fix="Measure it by itself",
            )
        read.append((sheet, page))
    names = ", ".join(page.name for page in pages)
    ordered = check_pages([sheet for sheet, _ in read], where=names)
    of = {id(sheet): page for sheet, page in read}
    return _measure(tuple(of[id(sheet)] for sheet in ordered), ordered, task, options)


def _read_sheet(page: Page, task: Task, options: Options) -> SheetReading | None:
    return read_sheet(page.grey, bar_mm=options.bar_mm, dpi=page.claimed_dpi, text=task.text or None, where=page.name)


def _measure(pages: tuple[Page, ...], sheets: tuple[SheetReading, ...], task: Task, options: Options) -> Result:
    if sheets and options.given.ruler:
        raise UsageError(
            "--ruler was given, but the page is a copying sheet, which brings its own scale",
            where=pages[0].name,
            fix="Leave --ruler out; check the print with --bar-mm",
        )
    if sheets and sheets[0].text and not task.text:
        task = replace(task, text=sheets[0].text)
    found = find_writing(pages, sheets, options)
    if task.text:
        # A text that was typed for this page, with nothing else to count by, must be the right one.
        typed = not (sheets and sheets[0].text) and task.letters is None and task.reached is None
        found = lay_against(found, task.text, pages[0].name if typed else None, read=options.read)
    elif options.read and task.seconds is not None and task.letters is None:
        # A rate is wanted, and there is nothing to count by.
        found = replace(found, estimate=estimate_letters(found.ink, found.lines, own_reader()))
    if options.ticks:
        check_places(found.reached(), task.seconds, pages[0].name)
    return measure_found(pages, found, task, _scale(pages[0], sheets, found, options), options)


def take_ticks(result: Result) -> Result:
    """Return the page measured with the places that its ticks tell: a person has confirmed them."""
    found = result.found
    return measure_found(result.pages, found, with_ticks(result.task, found.reached()), result.scale, result.options)


def lay_against(found: Found, text: str, where: str | None, *, read: bool = True) -> Found:
    """Lay what was found against a text: words and letters are then those of the text.

    With `where` a text that does not fit is refused; without, the page is left as it was found.
    """
    reader = own_reader() if read else None
    alignment = align(found.ink, found.lines, text, reader, found.words)
    if alignment.fit < LEAST_FIT and not found.frame.sheets:
        # A line or two may have been taken for standing on their head: the text tells.
        turned = _look(where or "", found.frame.turned(180), Options())
        turned = replace(turned, ticks=tuple(tick.turned(turned.frame.grey.shape) for tick in found.ticks))
        other = align(turned.ink, turned.lines, text, reader, turned.words)
        if other.fit >= LEAST_FIT:
            found, alignment = turned, other
    if where is not None:
        check_fit(alignment, where)
    elif alignment.fit < LEAST_FIT:
        return found
    words = known_words(found.lines, alignment.word, found.ink.stroke_px)
    letters = find_letters(found.ink, found.lines, words)
    return replace(found, words=words, letters=letters, alignment=alignment)


def measure_found(pages: tuple[Page, ...], found: Found, task: Task, scale: Scale, options: Options) -> Result:
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
        found.frame.blur_px,
    )
    shapes = () if found.alignment is None else letter_shapes(found.lines, found.alignment)
    measures = measure_all(evidence, task, found.alignment, found.estimate, shapes)
    crossings = find_crossings(found.lines, found.words)
    comparisons = tuple(c.as_dict() for c in compare(task, measures["letters_per_minute"]))
    k, pen = scale.mm_per_px or 1.0, measures["stroke_width"]
    record = Record(
        page=page_facts(pages, found.frame),
        task=task.as_dict(),
        scale=ScaleFacts(
            "px" if scale.mm_per_px is None else "mm",
            scale.mm_per_px,
            scale.relative_sd,
            scale.source,
            scale.sentence,
            scale.checks,
            ruler_facts(found.frame.ruler, k),
        ),
        ruling=ruling_facts(found.ruling, found.margins, k),
        lines=line_facts(found.lines, found.words, found.letters, found.ruling, found.alignment, crossings, k, pen),
        print_areas=tuple(b.scaled(k) for b in (*found.printed, *found.ink.set_aside)),
        measures=measures,
        comparisons=comparisons,
        flags=_flags(scale, found, task, crossings),
        software=_software(options),
        letters=_counts(evidence, task, found, shapes),
    )
    return Result(record, found, pages, task, scale, options)


def _counts(evidence: Evidence, task: Task, found: Found, shapes: tuple[LetterShape, ...]) -> dict[str, object]:
    counts = letter_counts(task, found.alignment, found.estimate)
    if found.alignment is not None:
        counts["alike"] = alike(shapes)
    if task.minutes and found.alignment is not None:
        counts["by_minute"] = by_minute(evidence, task, found.alignment)
    if found.ticks:
        counts["minute_ticks"] = tick_facts(found.ticks, found.reached(), task, evidence.mm_per_px or 1.0)
    return counts


def find_writing(pages: tuple[Page, ...], sheets: tuple[SheetReading, ...], options: Options) -> Found:
    """Run the stages that look at the picture."""
    name = pages[0].name
    if sheets:
        return _look(name, make_sheet_frame(pages, sheets), replace(options, print_box=None))
    found = _look(name, upright_frame(pages[0], options), options)
    above, below = overhang(found.lines)
    if options.print_box is not None or below <= _ON_ITS_HEAD * above:
        return found
    turned = _look(name, found.frame.turned(180), Options())
    turned = replace(turned, ticks=tuple(tick.turned(turned.frame.grey.shape) for tick in found.ticks))
    higher, lower = overhang(turned.lines)
    # Where next to nothing stands out from the lines, as on a page of tall letters only, turning must better it.
    return turned if higher - lower > above - below else found


def upright_frame(page: Page, options: Options) -> Frame:
    """Return the working picture of a page that is no copying sheet, turned so that its lines run across."""
    frame = make_frame(page, rough_px_per_mm(page, options.given), with_ruler=options.given.ruler)
    if min(frame.grey.shape) < _LEAST_PX:
        height, width = frame.grey.shape
        raise NoWritingError(
            f"no writing was found: the picture is only {width} by {height} pixels",
            where=page.name,
            fix="Scan the whole page at 300 dots to the inch",
        )
    turn = upright(frame.grey if frame.ruler is None else _even(frame), frame.px_per_mm)
    return frame.turned(turn) if turn else frame


def _even(frame: Frame) -> NDArray[np.uint8]:
    """Return the picture with light and shadow evened out, and paper where a ruler lies: nothing of it is writing."""
    flat = flatten(frame.grey, frame.px_per_mm)
    if frame.ruler is not None:
        cv2.fillConvexPoly(flat, np.rint(frame.ruler.corners).astype(np.int32), PAPER)
    return flat


def _look(name: str, frame: Frame, options: Options) -> Found:
    """Run the stages on a frame taken to be upright."""
    print_box = options.print_box
    flat = _even(frame)
    # The rules of a copying sheet are known; on any other page they are looked for.
    rules = sheet_rules(frame) if frame.sheets else find_rules(flat, frame.px_per_mm)
    frame, ticks = set_ticks_aside(frame, rules, options.ticks, name) if options.ticks else (frame, ())
    if ticks:
        flat = _even(frame)
    lifted, cut = ink_alone(flat, rules, frame)
    ink = find_ink(lifted, cut, rules, frame.px_per_mm)
    if ink is None:
        raise nothing_found(frame.grey, name)
    refuse_pictures(ink, frame.px_per_mm, name)
    ruling = rules.across
    known: tuple[Box, ...] = ()
    if print_box is not None:
        ink, known = set_area_aside(ink, print_box)
    ink, printed, lines = set_print_aside(ink, ruling, frame, known)
    printed = (*known, *printed)
    refuse_unlike(lines, ink, name)
    words = find_words(lines, ink.stroke_px)
    letters = find_letters(ink, lines, words)
    return Found(frame, ruling, rules.margins, ink, lines, words, letters, printed, ticks=ticks)


def _scale(page: Page, sheets: tuple[SheetReading, ...], found: Found, options: Options) -> Scale:
    if not sheets:
        given = options.given
        if found.frame.outline is not None:
            # What the file or a person says of resolution holds for a flat scan; the rules were straightened too.
            page, given = replace(page, claimed_dpi=None, size_mm=None), replace(given, dpi=None)
        frame = found.frame
        scale = calibrate(
            page, found.ruling, frame.px_per_page_px, given, frame.ruler, straightened=frame.outline is not None
        )
        if scale.mm_per_px is None:
            given_in_vain = given.dpi is None and options.given.dpi is not None
            return replace(scale, sentence=_NOT_FLAT) if given_in_vain and scale.source == "none" else scale
        # One frame pixel is a whole number of page pixels.
        return replace(scale, mm_per_px=scale.mm_per_px / found.frame.px_per_page_px)
    flags = tuple(dict.fromkeys(code for sheet in sheets for code in sheet.flags))
    if INCH_MM * min(sheet.px_per_mm for sheet in sheets) < 0.98 * FINE_DPI:
        flags = (*flags, "low-resolution")
    if sheets[0].code.page > 1:
        flags = (*flags, "sheet-page-alone")
    refused = next((sheet.mm_refused for sheet in sheets if sheet.mm_refused), "")
    if refused:
        return Scale(None, 0.0, "none", refused, (), ("no-scale", *flags))
    marks = sum(sheet.marks_used for sheet in sheets)
    sentence = f"The scale comes from {marks} square marks of the copying sheet. {sheets[0].print_statement}"
    return Scale(25.4 / SHEET_DPI, max(sheet.scale_sd for sheet in sheets), "copying sheet", sentence, (), flags)


def _flags(scale: Scale, found: Found, task: Task, crossings: Crossings) -> tuple[FlagNote, ...]:
    notes = [FlagNote(code) for code in dict.fromkeys(scale.flags)]
    if scale.mm_per_px is None and not any(n.code == "no-scale" for n in notes):
        notes.insert(0, FlagNote("no-scale", scale.sentence))
    notes += _page_flags(found)
    if len(crossings.shown):
        notes.append(FlagNote("looks-crossed-out", f"{len(crossings.shown)} words"))
    places = found.reached()
    if places and not confirmed(task, places):
        notes.append(FlagNote("ticks-not-confirmed", f"{len(places)} ticks"))
    if any(place.in_margin for place in places):
        notes.append(FlagNote("ticks-in-margin"))
    if not task.text:
        notes.append(FlagNote("no-text"))
    elif found.alignment is None:
        notes.append(FlagNote("text-not-found"))
    return tuple(notes)


def _page_flags(found: Found) -> list[FlagNote]:
    """Return what is to be said of the page as it lies there."""
    frame, ruling, lines = found.frame, found.ruling, found.lines
    cut = 0 if frame.sheets else lines.cut_off(found.ink.stroke_px)
    rows = (
        (ruling is None, "no-ruling", ""),
        (ruling is not None and abs(np.degrees(np.arctan(ruling.slope))) > _SKEWED_DEG, "skewed", ""),
        (frame.outline is not None, "straightened", ""),
        (frame.turned_deg != 0, "turned", f"{frame.turned_deg} degrees"),
        (len(found.printed) > 0, "print-set-aside", f"{len(found.printed)} areas"),
        (cut > 0, "cut-off", f"{cut} lines"),
        (len(lines.lines) < 4, "few-lines", f"{len(lines.lines)} lines"),
        (found.ink.depth < 60, "faint", ""),
    )
    return [FlagNote(code, detail) for raised, code, detail in rows if raised]


def _software(options: Options) -> dict[str, object]:
    return {
        "handwriting": handwriting.__version__,
        "python": platform.python_version(),
        "opencv": cv2.__version__,
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "seed": SEED,
        "tolerance_mm": options.tolerance_mm,
        "reader_used": options.read,
        "dpi_given": options.given.dpi,
        "rule_mm_given": options.given.rule_mm,
        "ruler_given": options.given.ruler,
        "bar_mm_given": options.bar_mm,
        "ticks_given": options.ticks,
        "print_box_given": None if options.print_box is None else astuple(options.print_box),
        **{f"figures {s.id}": s.table_sha256 for s in all_sources()},
    }
