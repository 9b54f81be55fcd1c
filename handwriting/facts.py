"""What the record says of page, rules, lines, words, letters and their count, from what the stages found."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from handwriting.alignment import Alignment, LetterEstimate, WrittenLetter, match_words
from handwriting.crossings import Crossings
from handwriting.frame import Frame
from handwriting.geometry import Box
from handwriting.letters import Letters
from handwriting.lines import Lines, TextLine
from handwriting.page import Page
from handwriting.quantity import Measured, Quantity
from handwriting.record import LetterFacts, LineFacts, PageFacts, Point, RulerFacts, RulingFacts, WordFacts
from handwriting.ruler import Ruler
from handwriting.rules import Ruling
from handwriting.task import COUNTING_RULE, Task, Word, count_letters, split_words
from handwriting.words import Words

# Letters by what they reach above and below, in most hands; those that differ from hand to hand (f, t, i, j) and signs
# that are no letters are 'other'.
_BODY = "acemnorsuvwxz"
_TALL = "bdhkl"
_DEEP = "gpqy"
# Lines found in the picture count pixels at their middles; the record counts from the page's corner, as boxes do.
_MIDDLE = 0.5


def page_facts(pages: Sequence[Page], frame: Frame) -> PageFacts:
    """Describe the page or pages of a sample, and the frame that every place in the record refers to."""
    page = pages[0]
    height, width = page.grey.shape
    one = len(pages) == 1
    return PageFacts(
        sample_sha256(pages),
        ", ".join(p.name for p in pages),
        page.format,
        page.number,
        page.count if one else len(pages),
        width,
        height,
        page.claimed_dpi,
        frame.grey.shape[1],
        frame.grey.shape[0],
        frame.turned_deg,
        tuple(dict.fromkeys(note for p in pages for note in p.notes)),
    )


def sample_sha256(pages: Sequence[Page]) -> str:
    """Return the fingerprint of a sample: the file's own, or that of its files' sorted fingerprints."""
    if len(pages) == 1:
        return pages[0].sha256
    return hashlib.sha256("".join(sorted(page.sha256 for page in pages)).encode("ascii")).hexdigest()


def _ends(ruling: Ruling, index: int, k: float) -> tuple[Point, Point]:
    left, right = ruling.left, ruling.right
    ends = ((x, float(ruling.at(index, x))) for x in (left, right))
    a, b = (((x + _MIDDLE) * k, (y + _MIDDLE) * k) for x, y in ends)
    return a, b


def ruling_facts(ruling: Ruling | None, margins: tuple[Ruling, ...], k: float) -> RulingFacts | None:
    """Describe the printed rules in page units, `k` units to a frame pixel."""
    if ruling is None:
        return None
    margin = None
    if margins:
        (y0, x0), (y1, x1) = _ends(margins[0], 0, k)
        margin = ((x0, y0), (x1, y1))
    # The record's slope is positive where the line rises, the picture's where rows grow.
    slope = -float(np.degrees(np.arctan(ruling.slope)))
    rules = tuple(_ends(ruling, i, k) for i in ruling.pattern)
    return RulingFacts(ruling.kind, ruling.pitch * k, slope, ruling.residual_rms * k, rules, margin)


def ruler_facts(ruler: Ruler | None, k: float) -> RulerFacts | None:
    """Describe the ruler in page units, `k` units to a frame pixel."""
    if ruler is None:
        return None
    outline = tuple((float(x + _MIDDLE) * k, float(y + _MIDDLE) * k) for x, y in ruler.corners)
    ticks = ((ruler.tips + _MIDDLE) * k).tolist()
    return RulerFacts(outline, tuple(((a[0], a[1]), (b[0], b[1])) for a, b in ticks))


def line_facts(
    lines: Lines,
    words: Words,
    letters: Letters,
    ruling: Ruling | None,
    alignment: Alignment | None,
    crossings: Crossings,
    k: float,
    pen: Quantity,
) -> tuple[LineFacts, ...]:
    """Describe lines, words and letters in page units, `k` units to a frame pixel; `pen` is the measured stroke width.

    Where a word is known from the alignment its state and letters are the known ones, else it is crossed out when it
    looks so, and its letters are the marks found without reading.
    """
    shown = set(crossings.shown.tolist())
    marks: dict[int, list[LetterFacts]] = {}
    for mark, to_rule in zip(letters.marks, _marks_to_rules(letters, lines, ruling, k), strict=True):
        letter = LetterFacts(mark.box.scaled(k), mark.kind, mark.height * k, mark.foot * k, to_rule)
        marks.setdefault(mark.word, []).append(letter)
    known = {} if alignment is None else match_words(words, alignment)
    rows: dict[int, list[WordFacts]] = {}
    for number, word in enumerate(words.words):
        found = tuple(sorted(marks.get(number, []), key=lambda m: m.box.left))
        facts = WordFacts(number + 1, word.box.scaled(k), letters=found)
        if alignment is not None and number in known:
            seen = alignment.words[known[number]]
            read = tuple(_letter(x, lines.lines[word.line], ruling, k) for x in seen.letters)
            facts = replace(facts, text=seen.text, state=seen.state, confidence=seen.confidence, letters=read or found)
        elif number in shown:
            facts = replace(facts, state="crossed-out?", confidence=float(crossings.chance[number]))
        rows.setdefault(word.line, []).append(facts)
    described = []
    half_stroke = 0.5 * pen.value if isinstance(pen, Measured) else 0.0
    ends = lines.runs().extents(len(lines.lines)).tolist()
    for i, line in enumerate(lines.lines):
        # From the middle of the lowest row of ink to its lower edge, and up to the middle of the pen's line.
        corners = zip(line.baseline.x.tolist(), line.baseline.y.tolist(), strict=True)
        baseline = tuple(((x + _MIDDLE) * k, (y + 0.5 + _MIDDLE) * k - half_stroke) for x, y in corners)
        box = Box(*ends[i]).scaled(k)
        # Numbered among the rules that the record lists.
        rule = None if ruling is None or line.rule is None else ruling.pattern.index(line.rule)
        described.append(
            LineFacts(i + 1, baseline, line.x_height * k, box, rule, tuple(rows.get(i, [])), half_stroke=half_stroke)
        )
    return tuple(described)


def letter_counts(task: Task, alignment: Alignment | None, estimate: LetterEstimate | None = None) -> dict[str, object]:
    """Return the counts: of the text, by hand, and by the tool, each apart, with the rule they follow."""
    facts: dict[str, object] = {"rule": COUNTING_RULE}
    counted = task.reached_count or (count_letters(task.text) if task.text else None)
    if counted is not None:
        facts["of"] = "the text up to the last word reached" if task.reached_count else "the whole text given"
        for name in ("letters", "capitals", "digits", "punctuation", "symbols", "words"):
            facts[name] = getattr(counted, name)
    if task.letters is not None:
        facts["counted_by_hand"] = task.letters
    if alignment is not None:
        facts["counted_by_tool"] = _by_tool(task, alignment)
    elif estimate is not None:
        facts["estimated"] = {"letters": estimate.written, "interval": [estimate.low, estimate.high]}
    return facts


def _by_tool(task: Task, alignment: Alignment) -> dict[str, object]:
    totals = alignment.totals
    words = split_words(task.text)
    reached = None if alignment.reached is None else words[alignment.reached]
    states = [w.state for w in alignment.words]
    return {
        "written": totals.written,
        "interval": [totals.low, totals.high],
        "matching": totals.matching,
        "repeated": totals.repeated,
        "added": totals.added,
        "crossed_out": totals.crossed_out,
        "left_out": totals.left_out,
        "capitals": totals.capitals,
        "digits": totals.digits,
        "punctuation": totals.punctuation,
        "words": {state: states.count(state) for state in dict.fromkeys(states)},
        "left_out_runs": _runs(task.text, words, alignment.left_out),
        "last_word": None if reached is None else reached.text,
        "last_word_number": None if reached is None else reached.number,
        "share_of_text_reached": 0.0 if reached is None else reached.number / len(words),
        "confidence": alignment.confidence,
        "fit": alignment.fit,
    }


def _runs(text: str, words: tuple[Word, ...], left_out: tuple[int, ...]) -> list[dict[str, object]]:
    """Return the words left out, those next to each other together: where an eye skips a line, a line's worth."""
    runs: list[list[int]] = []
    for i in left_out:
        if runs and runs[-1][-1] == i - 1:
            runs[-1].append(i)
        else:
            runs.append([i])
    return [
        {
            "first": run[0] + 1,
            "last": run[-1] + 1,
            "words": " ".join(text[words[run[0]].start : words[run[-1]].end].split()),
        }
        for run in runs
    ]


def _letter(letter: WrittenLetter, line: TextLine, ruling: Ruling | None, k: float) -> LetterFacts:
    """Describe a known letter: its box, the kind its shape has in most hands, and its place on the line."""
    box = letter.box
    base = float(line.baseline.at(0.5 * (box.left + box.right) - _MIDDLE)) + 0.5 + _MIDDLE
    kind = _kind(letter.text)
    return LetterFacts(
        box.scaled(k),
        kind,
        (base - box.top) * k,
        (base - box.bottom) * k,
        _to_rule(box, box.bottom, line, ruling, k),
        letter.text,
        letter.confidence,
    )


def _kind(sign: str) -> str:
    if sign.isupper() or sign in _TALL:
        return "ascender"
    return "body" if sign in _BODY else "descender" if sign in _DEEP else "other"


def _marks_to_rules(letters: Letters, lines: Lines, ruling: Ruling | None, k: float) -> list[float | None]:
    """Return what `_to_rule` does for all letter marks, line by line."""
    found: list[float | None] = [None] * len(letters.marks)
    if ruling is None:
        return found
    of_line: dict[int, list[int]] = {}
    for i, mark in enumerate(letters.marks):
        of_line.setdefault(mark.line, []).append(i)
    for number, mine in of_line.items():
        rule = lines.lines[number].rule
        if rule is not None:
            marks = [letters.marks[i] for i in mine]
            columns = np.array([0.5 * (mark.box.left + mark.box.right) for mark in marks]) - _MIDDLE
            for i, row, mark in zip(mine, ruling.at(rule, columns).tolist(), marks, strict=True):
                found[i] = (row + _MIDDLE - mark.foot_y) * k
    return found


def _to_rule(box: Box, foot_y: float, line: TextLine, ruling: Ruling | None, k: float) -> float | None:
    if ruling is None or line.rule is None:
        return None
    return float(ruling.at(line.rule, 0.5 * (box.left + box.right) - _MIDDLE) + _MIDDLE - foot_y) * k
