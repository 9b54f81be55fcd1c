"""The page picture with what was found drawn over it.

Each kind of mark has its own colour and its own shape: rules dotted, margin dash-dot, baselines solid with a numbered
tab at the left, the small-letter height a pale band with a dashed top, words as corner brackets, letters as a dot, a
triangle up or a triangle down, printed areas hatched, a ruler outlined with its centimetre ticks drawn over.
Sizes of marks follow the picture, so that 150 and 600 dpi look alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from handwriting.geometry import Box
from handwriting.record import LineFacts, Point, Record
from handwriting.report import colours
from handwriting.report.states import STATE_KEYS, Label, draw_states, shown_states, write_labels
from handwriting.report.states import sample as state_sample
from handwriting.report.words import Catalogue, catalogue

Picture = NDArray[np.uint8]

LONGEST_PX = 2400
_SHIFT = 4  # cv2 draws on a grid of 1/16 pixel
_PRINT_KINDS = {"body": "body", "ascender": "ascender", "descender": "descender"}


@dataclass(frozen=True, slots=True, eq=False)
class Canvas:
    """The picture being drawn on; `scale` turns record coordinates into its pixels, `weight` is one line width."""

    picture: Picture
    scale: float
    left: float
    top: float
    weight: float

    def at(self, point: Point) -> tuple[float, float]:
        """Return a place of the record in picture pixels."""
        return point[0] * self.scale - self.left, point[1] * self.scale - self.top

    def line(self, a: tuple[float, float], b: tuple[float, float], colour: str, weight: float = 1.0) -> None:
        """Draw a straight line between two places in picture pixels."""
        width = max(1, round(self.weight * weight))
        cv2.line(self.picture, _fixed(a), _fixed(b), colours.rgb(colour), width, cv2.LINE_AA, _SHIFT)

    def dashes(
        self,
        a: tuple[float, float],
        b: tuple[float, float],
        colour: str,
        pattern: tuple[float, ...],
        weight: float = 1.0,
    ) -> None:
        """Draw a broken line; `pattern` is on, off, on, off ... in line widths."""
        length = math.dist(a, b)
        if length == 0:
            return
        step, along, place = ((b[0] - a[0]) / length, (b[1] - a[1]) / length), 0.0, 0
        while along < length:
            end = min(length, along + max(1.0, pattern[place % len(pattern)] * self.weight))
            if place % 2 == 0:
                start = (a[0] + step[0] * along, a[1] + step[1] * along)
                self.line(start, (a[0] + step[0] * end, a[1] + step[1] * end), colour, weight)
            along, place = end, place + 1

    def polygon(self, corners: list[tuple[float, float]], colour: str) -> None:
        """Fill a polygon given in picture pixels."""
        points = np.array([_fixed(c) for c in corners], dtype=np.int32)
        cv2.fillPoly(self.picture, [points], colours.rgb(colour), cv2.LINE_AA, _SHIFT)


def _fixed(place: tuple[float, float]) -> tuple[int, int]:
    # Pixel centres sit at half-integer places of our axes, at whole ones of cv2's.
    return round((place[0] - 0.5) * (1 << _SHIFT)), round((place[1] - 0.5) * (1 << _SHIFT))


def found_box(record: Record) -> Box | None:
    """Return the smallest box around all lines and printed areas, in record coordinates; None when there are none."""
    boxes = [line.box for line in record.lines] + list(record.print_areas)
    if (ruler := _ruler_box(record)) is not None:
        boxes.append(ruler)
    if not boxes:
        return None
    whole = boxes[0]
    for box in boxes[1:]:
        whole = whole.joined(box)
    return whole


def _ruler_box(record: Record) -> Box | None:
    """Return the box round a ruler's centimetre ticks; None when there is none, or it lies beyond the picture."""
    if record.scale.ruler is None or not record.scale.ruler.ticks:
        return None
    x, y = zip(*(end for tick in record.scale.ruler.ticks for end in tick), strict=True)
    k = record.scale.mm_per_px or 1.0
    wide, tall = record.page.frame_width_px * k, record.page.frame_height_px * k
    seen = max(x) > 0 and max(y) > 0 and min(x) < wide and min(y) < tall
    return Box(min(x), min(y), max(x), max(y)) if seen else None


def overlay(
    record: Record,
    picture: Picture,
    *,
    cropped: bool = False,
    legend: bool = True,
    longest_px: int = LONGEST_PX,
    words: Catalogue | None = None,
) -> Picture:
    """Draw what was found over the page.

    Parameters
    ----------
    record : Record
        The page measured.
    picture : array, uint8, (rows, columns) or (rows, columns, 3) RGB
        The upright frame the record's coordinates refer to.
    cropped : bool
        Cut to the part with writing, with room for the line numbers.
    legend : bool
        Add a strip below that explains the marks.
    longest_px : int
        A larger picture is made smaller to this, longest side.
    words : Catalogue, optional
        Wording; English when left out.

    Returns
    -------
    array, uint8, (rows, columns, 3), RGB
    """
    words = words or catalogue()
    canvas = _canvas(record, picture, cropped=cropped, longest_px=longest_px)
    _draw_bands(canvas, record)
    for area in record.print_areas:
        _draw_print(canvas, area)
    _draw_ruler(canvas, record)
    _draw_ruling(canvas, record)
    for line in record.lines:
        _draw_words(canvas, line)
        _draw_letters(canvas, line)
        _draw_baseline(canvas, line)
    named = _number_lines(canvas, record, draw_states(canvas, record))
    if not legend:
        return named
    strip = _legend(record, named.shape[1], max(1.0, max(named.shape) / 1100), words)
    return np.concatenate([named, strip]) if strip is not None else named


def _canvas(record: Record, picture: Picture, *, cropped: bool, longest_px: int) -> Canvas:
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) if picture.ndim == 3 else picture
    per_unit = 1.0 if record.scale.unit == "px" or not record.scale.mm_per_px else 1.0 / record.scale.mm_per_px
    rows, columns = grey.shape[:2]
    left, top, right, bottom = 0, 0, columns, rows
    box = found_box(record)
    if cropped and box is not None:
        heights = [line.x_height for line in record.lines] or [box.height / 20]
        # Room of two small letters all round, and of three more at the left for the line numbers.
        room = 2 * float(np.median(heights)) * per_unit
        left = max(0, math.floor(box.left * per_unit - 2.5 * room))
        right = min(columns, math.ceil(box.right * per_unit + room))
        top = max(0, math.floor(box.top * per_unit - room))
        bottom = min(rows, math.ceil(box.bottom * per_unit + room))
    grey = np.ascontiguousarray(grey[top:bottom, left:right])
    smaller = min(1.0, longest_px / max(grey.shape))
    if smaller < 1:
        size = (max(1, round(grey.shape[1] * smaller)), max(1, round(grey.shape[0] * smaller)))
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    # The page is drawn paler, so that marks stand out and ink stays plain to see.
    paler = cv2.LUT(grey, np.round(255 - 0.82 * (255 - np.arange(256))).astype(np.uint8))
    weight = max(grey.shape) / 1100
    if record.lines:
        # Small writing gets finer marks.
        weight = min(weight, float(np.median([line.x_height for line in record.lines])) * per_unit * smaller / 11)
    weight = max(1.0, weight)
    return Canvas(cv2.cvtColor(paler, cv2.COLOR_GRAY2RGB), per_unit * smaller, left * smaller, top * smaller, weight)


def _curve(canvas: Canvas, line: LineFacts, points: tuple[Point, ...]) -> list[tuple[float, float]]:
    corners = [canvas.at(point) for point in points]
    if len(corners) == 1:
        y = corners[0][1]
        corners = [(canvas.at((line.box.left, 0))[0], y), (canvas.at((line.box.right, 0))[0], y)]
    return corners


def _draw_bands(canvas: Canvas, record: Record) -> None:
    """Tint the small-letter heights by multiplying, which keeps ink and paper as dark as they were."""
    tint = replace(canvas, picture=np.full_like(canvas.picture, 255))
    for line in record.lines:
        curve, height = _curve(canvas, line, line.stands_on()), line.x_height * canvas.scale
        tint.polygon(curve + [(x, y - height) for x, y in reversed(curve)], colours.BAND)
    cv2.multiply(canvas.picture, tint.picture, dst=canvas.picture, scale=1 / 255)


def _draw_baseline(canvas: Canvas, line: LineFacts) -> None:
    for a, b in pairwise(_curve(canvas, line, line.baseline)):
        canvas.line(a, b, colours.BASELINE, 1.1)
    height = line.x_height * canvas.scale
    for (ax, ay), (bx, by) in pairwise(_curve(canvas, line, line.stands_on())):
        canvas.dashes((ax, ay - height), (bx, by - height), colours.BASELINE, (5, 4), 0.8)


def _draw_ruling(canvas: Canvas, record: Record) -> None:
    if record.ruling is None:
        return
    for a, b in record.ruling.rules:
        canvas.dashes(canvas.at(a), canvas.at(b), colours.RULE, (1.5, 5), 1.0)
    if record.ruling.margin is not None:
        a, b = record.ruling.margin
        canvas.dashes(canvas.at(a), canvas.at(b), colours.MARGIN, (10, 4, 2, 4), 1.2)


def _draw_ruler(canvas: Canvas, record: Record) -> None:
    """Draw the ruler's outline and every centimetre tick from its foot to its tip."""
    ruler = record.scale.ruler
    if ruler is None:
        return
    corners = [canvas.at(point) for point in ruler.outline]
    for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
        canvas.dashes(a, b, colours.RULER, (6, 3), 1.0)
    for foot, tip in ruler.ticks:
        canvas.line(canvas.at(foot), canvas.at(tip), colours.RULER, 1.0)


def _draw_words(canvas: Canvas, line: LineFacts) -> None:
    for word in line.words:
        left, top = canvas.at((word.box.left, word.box.top))
        right, bottom = canvas.at((word.box.right, word.box.bottom))
        arm = min(5 * canvas.weight, (right - left) / 3, (bottom - top) / 3)
        for x, y, dx, dy in ((left, top, 1, 1), (right, top, -1, 1), (left, bottom, 1, -1), (right, bottom, -1, -1)):
            canvas.line((x, y), (x + dx * arm, y), colours.WORD, 1.0)
            canvas.line((x, y), (x, y + dy * arm), colours.WORD, 1.0)


def _draw_letters(canvas: Canvas, line: LineFacts) -> None:
    size = 1.6 * canvas.weight
    for word in line.words:
        for letter in word.letters:
            left, top = canvas.at((letter.box.left, letter.box.top))
            right, bottom = canvas.at((letter.box.right, letter.box.bottom))
            _mark(canvas, letter.kind, (left + right) / 2, top, bottom, size)


def _mark(canvas: Canvas, kind: str, x: float, top: float, bottom: float, size: float) -> None:
    if kind == "ascender":
        canvas.polygon([(x - size, top - size), (x + size, top - size), (x, top - 3 * size)], colours.LETTER)
    elif kind == "descender":
        canvas.polygon([(x - size, bottom + size), (x + size, bottom + size), (x, bottom + 3 * size)], colours.LETTER)
    elif kind == "body":
        corners = [(x + 0.9 * size * math.cos(t), top - 2 * size + 0.9 * size * math.sin(t)) for t in _CIRCLE]
        canvas.polygon(corners, colours.LETTER)
    else:
        y = top - 2 * size
        canvas.polygon([(x - size, y), (x, y - size), (x + size, y), (x, y + size)], colours.LETTER)


_CIRCLE = [2 * math.pi * i / 12 for i in range(12)]


def _draw_print(canvas: Canvas, area: Box) -> None:
    left, top = canvas.at((area.left, area.top))
    right, bottom = canvas.at((area.right, area.bottom))
    step = 7 * canvas.weight
    # Hatch lines x + y = c, cut to the box.
    for i in range(math.ceil((left + top) / step), math.floor((right + bottom) / step) + 1):
        c = i * step
        a = (min(right, c - top), max(top, c - right))
        b = (max(left, c - bottom), min(bottom, c - left))
        canvas.line(a, b, colours.PRINT, 0.6)
    corners = ((left, top), (right, top), (right, bottom), (left, bottom))
    for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
        canvas.dashes(a, b, colours.PRINT, (6, 3), 1.4)


@cache
def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size=size)


def _number_lines(canvas: Canvas, record: Record, labels: list[Label]) -> Picture:
    """Write the labels of words and the numbers of lines."""
    image = Image.fromarray(canvas.picture)
    draw = ImageDraw.Draw(image)
    heights = [line.x_height * canvas.scale for line in record.lines]
    size = round(max(13 * canvas.weight, 0.8 * float(np.median(heights)))) if heights else 0
    if labels and size:
        small = max(9, round(0.8 * size))
        write_labels(draw, canvas, labels, _font(small), small)
    for line in record.lines:
        x, y = _curve(canvas, line, line.baseline)[0]
        start = canvas.at((line.box.left, 0))[0]
        text = str(line.number)
        width = draw.textlength(text, font=_font(size)) + 0.7 * size
        right = max(width, min(x, start) - 0.5 * size)
        middle = y - line.x_height * canvas.scale / 2
        tab = (right - width, middle - 0.65 * size, right, middle + 0.65 * size)
        draw.rounded_rectangle(tab, radius=0.3 * size, fill=colours.BASELINE)
        draw.text(((tab[0] + right) / 2, middle), text, fill=colours.PAPER, font=_font(size), anchor="mm")
    return np.asarray(image)


def shown_marks(record: Record) -> tuple[str, ...]:
    """Return the keys of the legend for the marks this page has, in the order they are explained."""
    kinds = {letter.kind for line in record.lines for word in line.words for letter in word.letters}
    has = {
        "baseline": bool(record.lines),
        "band": bool(record.lines),
        "word": any(line.words for line in record.lines),
        "body": "body" in kinds,
        "ascender": "ascender" in kinds,
        "descender": "descender" in kinds,
        "other": bool(kinds - set(_PRINT_KINDS)),
        "rule": record.ruling is not None,
        "margin": record.ruling is not None and record.ruling.margin is not None,
        "print": bool(record.print_areas),
        "ruler": _ruler_box(record) is not None,
    }
    return (*(key for key, there in has.items() if there), *shown_states(record))


def _sample(canvas: Canvas, key: str, x: float, y: float, width: float) -> None:
    """Draw one mark of the legend in the box from x, width wide, middle at y."""
    w, half = canvas.weight, width / 2
    if key == "baseline":
        canvas.line((x, y), (x + width, y), colours.BASELINE, 1.4)
    elif key == "band":
        canvas.polygon([(x, y - 5 * w), (x + width, y - 5 * w), (x + width, y + 5 * w), (x, y + 5 * w)], colours.BAND)
        canvas.dashes((x, y - 5 * w), (x + width, y - 5 * w), colours.BASELINE, (5, 4), 0.8)
    elif key == "word":
        for sx, dx in ((x + half - 12 * w, 1), (x + half + 12 * w, -1)):
            for sy, dy in ((y - 6 * w, 1), (y + 6 * w, -1)):
                canvas.line((sx, sy), (sx + 5 * w * dx, sy), colours.WORD, 1.0)
                canvas.line((sx, sy), (sx, sy + 5 * w * dy), colours.WORD, 1.0)
    elif key == "rule":
        canvas.dashes((x, y), (x + width, y), colours.RULE, (1.5, 5), 1.0)
    elif key == "margin":
        canvas.dashes((x, y), (x + width, y), colours.MARGIN, (10, 4, 2, 4), 1.2)
    elif key == "ruler":
        canvas.line((x, y - 5 * w), (x + width, y - 5 * w), colours.RULER, 1.2)
        for i in range(5):
            at = x + width * (0.1 + 0.2 * i)
            canvas.line((at, y - 5 * w), (at, y + (5 if i % 2 == 0 else 0) * w), colours.RULER, 1.0)
    elif key == "print":
        factor = 1 / canvas.scale
        _draw_print(canvas, Box(x, y - 6 * w, x + width, y + 6 * w).scaled(factor))
    else:
        _mark(canvas, key, x + half, y + 4 * w, y - 4 * w, 2 * w)


def _legend(record: Record, width: int, weight: float, words: Catalogue) -> Picture | None:
    keys = shown_marks(record)
    if not keys:
        return None
    size = max(9, round(12 * weight))
    sample, gap, row = 3.2 * size, 0.7 * size, 1.9 * size
    font = _font(size)
    places: list[tuple[str, float, float]] = []
    x, y = gap, row
    for key in keys:
        long = sample + 0.5 * size + font.getlength(words.legend[key]) + 2 * gap
        if x > gap and x + long > width:
            x, y = gap, y + row
        places.append((key, x, y))
        x += long
    strip = np.full((round(y + row), width, 3), 255, dtype=np.uint8)
    canvas = Canvas(strip, 1.0, 0.0, 0.0, weight)
    labels = []
    for key, left, middle in places:
        if key in STATE_KEYS:
            labels += [label] if (label := state_sample(canvas, key, left, middle, sample)) else []
        else:
            _sample(canvas, key, left, middle, sample)
    image = Image.fromarray(strip)
    draw = ImageDraw.Draw(image)
    write_labels(draw, canvas, labels, _font(round(0.9 * size)), round(0.9 * size))
    for key, left, middle in places:
        draw.text((left + sample + 0.5 * size, middle), words.legend[key], fill=colours.TEXT, font=font, anchor="lm")
    return np.asarray(image)
