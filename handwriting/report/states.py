"""Over the page picture: how each word stands to the text, what was left out, and the places reached by the minute.

A word as in the text has its corner brackets alone. Any other has a frame whose line is broken in a way of its own and
a label: ~ spelt otherwise, 2 written again, + not in the text, x crossed out. Where words of the text are missing a
caret stands on the line with their number; a minute has a flag with its number. Nothing is told by colour alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from PIL import ImageDraw, ImageFont

from handwriting.geometry import Box
from handwriting.record import Record, WordFacts
from handwriting.report import colours
from handwriting.task import split_words

if TYPE_CHECKING:
    from handwriting.report.overlay import Canvas

Font = ImageFont.FreeTypeFont | ImageFont.ImageFont
# For every state its key in the legend, its label, and its line: on, off, on, off in line widths.
_SEEN: dict[str, tuple[str, str, tuple[float, ...]]] = {
    "misspelt": ("misspelt", "~", (2, 3)),
    "repeated": ("repeated", "2", (9, 3, 2, 3)),
    "added": ("added", "+", (9, 4)),
    "crossed-out": ("crossed-out", "x", (1e9,)),
    "unreadable": ("unreadable", "?", (2, 3, 2, 3, 9, 3)),
}
STATE_KEYS = (*(key for key, *_ in _SEEN.values()), "left-out", "minute")


@dataclass(frozen=True, slots=True)
class Label:
    """A label beside a mark: what it says, and the box, in record coordinates, that it stands above."""

    text: str
    box: Box
    filled: bool = False


def _state(word: WordFacts) -> tuple[str, str, tuple[float, ...]] | None:
    return _SEEN.get(word.state.removesuffix("?"))


def _words(record: Record) -> list[WordFacts]:
    return [word for line in record.lines for word in line.words]


def left_out(record: Record) -> Iterator[tuple[Box, int]]:
    """Yield where words of the text are missing: the place on the line, no wider than a gap, and how many.

    The words of the text on the page must be those of the record in the same order, else there is nothing to tell.
    """
    count = record.letters.get("counted_by_tool", {})
    runs, text = count.get("left_out_runs", []), split_words(str(record.task.get("text") or ""))
    if not runs or not count.get("last_word_number"):
        return
    gone = {n for run in runs for n in range(run["first"], run["last"] + 1)}
    kept = [w for w in text if w.number <= count["last_word_number"] and w.number not in gone]
    here = [(line, word) for line in record.lines for word in line.words if word.text and _of_text(word)]
    if [w.text for w in kept] != [word.text for _, word in here]:
        return
    for run in runs:
        before = [i for i, w in enumerate(kept) if w.number < run["first"]]
        line, word = here[before[-1]] if before else here[0]
        x = word.box.right + 0.3 * line.x_height if before else word.box.left - 0.3 * line.x_height
        y = line.baseline[0][1]
        for (ax, ay), (bx, by) in pairwise(line.baseline):
            if ax <= x:
                y = ay + (by - ay) * (x - ax) / (bx - ax)
        yield (
            Box(x - 0.2 * line.x_height, y, x + 0.2 * line.x_height, y + 0.4 * line.x_height),
            len(range(run["first"], run["last"] + 1)),
        )


def _of_text(word: WordFacts) -> bool:
    return word.state.removesuffix("?") in {"written", "misspelt", "unreadable"}


def minutes(record: Record) -> Iterator[tuple[int, Box]]:
    """Yield each minute and the tick or the word that ended it."""
    ticks = record.letters.get("minute_ticks")
    if ticks:
        yield from ((mark["minute"], Box(**mark["box"])) for mark in ticks["marks"])
        return
    by_number = {word.number: word.box for word in _words(record)}
    for minute, number in enumerate(record.task.get("minutes") or (), 1):
        box = by_number.get(number)
        if box is not None:
            yield minute, Box(box.right, box.top, box.right, box.bottom)


def shown_states(record: Record) -> tuple[str, ...]:
    """Return the keys of the legend for what this page has."""
    there = {seen[0] for word in _words(record) if (seen := _state(word))}
    there |= {"left-out"} if any(left_out(record)) else set()
    there |= {"minute"} if any(minutes(record)) else set()
    return tuple(key for key in STATE_KEYS if key in there)


def draw_states(canvas: Canvas, record: Record) -> list[Label]:
    """Draw frames, carets and flag poles, and return the labels that go with them."""
    labels = []
    for word in _words(record):
        seen = _state(word)
        if seen:
            _frame(canvas, word.box, seen[2])
            labels.append(Label(seen[1], word.box))
    for box, count in left_out(record):
        caret(canvas, box)
        labels.append(Label(str(count), Box(box.left, box.bottom, box.right, box.bottom)))
    for minute, box in minutes(record):
        if box.width:
            _frame(canvas, box, (1e9,), colours.MINUTE)
        else:
            canvas.line(canvas.at((box.left, box.bottom)), canvas.at((box.left, box.top)), colours.MINUTE, 1.4)
        labels.append(Label(f"{minute}'", box, filled=True))
    return labels


def _frame(canvas: Canvas, box: Box, pattern: tuple[float, ...], colour: str = colours.STATE) -> None:
    (left, top), (right, bottom) = canvas.at((box.left, box.top)), canvas.at((box.right, box.bottom))
    corners = [(left, top), (right, top), (right, bottom), (left, bottom)]
    for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
        canvas.dashes(a, b, colour, pattern, 1.3)


def caret(canvas: Canvas, box: Box) -> None:
    """Draw a caret that points up at a place on the line."""
    (left, top), (right, bottom) = canvas.at((box.left, box.top)), canvas.at((box.right, box.bottom))
    point = ((left + right) / 2, top)
    canvas.line((left, bottom), point, colours.STATE, 1.6)
    canvas.line(point, (right, bottom), colours.STATE, 1.6)


def write_labels(draw: ImageDraw.ImageDraw, canvas: Canvas, labels: list[Label], font: Font, size: int) -> None:
    """Write the labels above their marks, those of missing words below the caret."""
    for label in labels:
        left, top = canvas.at((label.box.left, label.box.top))
        width, tall = draw.textlength(label.text, font=font) + 0.5 * size, 1.05 * size
        if not label.filled and label.box.height == 0:
            top += 1.2 * tall
            left -= 0.2 * width
        box = (left, top - tall, left + width, top)
        fill, border, ink = (
            (colours.MINUTE, colours.MINUTE, colours.PAPER)
            if label.filled
            else (colours.PAPER, colours.STATE, colours.STATE)
        )
        draw.rounded_rectangle(box, radius=0.2 * size, fill=fill, outline=border, width=max(1, round(canvas.weight)))
        draw.text((left + width / 2, top - tall / 2), label.text, fill=ink, font=font, anchor="mm")


def sample(canvas: Canvas, key: str, x: float, y: float, width: float) -> Label | None:
    """Draw one mark of the legend in the box from x, `width` wide, middle at y; return its label."""
    w, k = canvas.weight, 1 / canvas.scale
    if key == "left-out":
        caret(canvas, Box(x + width / 2 - 4 * w, y - 5 * w, x + width / 2 + 4 * w, y + 5 * w).scaled(k))
        return None
    if key == "minute":
        return Label("1'", Box(x + 0.3 * width, y + 6 * w, x + 0.3 * width, y + 6 * w).scaled(k), filled=True)
    _, text, pattern = next(seen for seen in _SEEN.values() if seen[0] == key)
    box = Box(x + 0.3 * width, y - 6 * w, x + width, y + 6 * w)
    _frame(canvas, box.scaled(k), pattern)
    return Label(text, Box(x, y + 6 * w, x, y + 7 * w).scaled(k))
