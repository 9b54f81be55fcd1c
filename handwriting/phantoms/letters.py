"""One letter as one writer makes it: form, size, shape jitter, tremor and slant, as centre lines in mm, y up."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from handwriting.errors import UsageError
from handwriting.geometry import FloatArray
from handwriting.phantoms.alphabet import Glyph, char_base, glyphs, hermite, trace
from handwriting.phantoms.writer import Writer

_STEP = 0.07
_CIRCLE = np.array([(np.cos(a), np.sin(a)) for a in np.linspace(0, 2 * np.pi, 24, endpoint=False)])


@dataclass(frozen=True, slots=True)
class Drawn:
    """What chance gave one letter: relative size, slant, height of its baseline, pen width."""

    size: float
    slant_deg: float
    lift_mm: float
    pen_mm: float


@dataclass(slots=True, eq=False)
class Shape:
    """A letter's centre lines in mm about its own origin on the baseline; y up; joins kept apart."""

    char: str
    klass: str
    drawn: Drawn
    strokes: list[FloatArray]
    core_bottom: float
    core_top: float
    entry: tuple[FloatArray, FloatArray] | None
    exit: tuple[FloatArray, FloatArray] | None
    hull: FloatArray

    def moved(self, by: float) -> None:
        """Move the letter `by` mm to the right."""
        shift = np.array([by, 0.0])
        self.strokes = [s + shift for s in self.strokes]
        self.hull = self.hull + shift
        self.entry = None if self.entry is None else (self.entry[0] + shift, self.entry[1])
        self.exit = None if self.exit is None else (self.exit[0] + shift, self.exit[1])


def form_of(char: str, writer: Writer) -> Glyph:
    """Return the form of `char` this writer uses.

    Raises
    ------
    UsageError
        When the alphabet has no such letter.
    """
    forms = glyphs(char, joined=writer.joined)
    if not forms:
        raise UsageError(f"the alphabet has no {char!r}", where="text", fix="Write it with another letter")
    # A fixed scramble, so that each style mixes the forms in its own way; style 0 takes every first form.
    return forms[(writer.style * ord(char) * 2654435761 >> 7) % len(forms)]


def shape(char: str, writer: Writer, drawn: Drawn, rng: np.random.Generator, *, first: bool) -> Shape:
    """Return one instance of `char`; `first` gives a letter of the joined hand its lead-in stroke."""
    glyph = form_of(char, writer)
    traced = [
        trace(points, s.marks, _STEP) for s, points in zip(glyph.strokes, _jittered(glyph, writer, rng), strict=True)
    ]
    curves = [curve for curve, _ in traced]
    size = writer.x_height_mm * drawn.size
    curves = [_stretched(c, glyph, writer) * [size * writer.width_scale, size] for c in curves]
    curves = [c + _tremor(c, writer, rng) for c in curves]
    curves = _exact(curves, glyph, writer, size)
    core = np.concatenate(curves[: glyph.core])
    lean = 1 / np.tan(np.radians(drawn.slant_deg))
    curves = [np.column_stack([c[:, 0] + lean * c[:, 1], c[:, 1] + drawn.lift_mm]) for c in curves]
    out = Shape(char, glyph.klass, drawn, curves, float(core[:, 1].min()), float(core[:, 1].max()), None, None, core)
    if writer.joined:
        _find_ends(out, glyph, traced, lean)
        if first and out.entry is not None:
            _lead_in(out, size, lean)
    out.hull = ink_hull(np.concatenate(out.strokes), drawn.pen_mm / 2)
    return out


def _jittered(glyph: Glyph, writer: Writer, rng: np.random.Generator) -> list[FloatArray]:
    """Move the points about at random, keeping upright strokes upright and taking out any shear of the whole."""
    moved = [np.array(s.points) for s in glyph.strokes]
    if not writer.shape_jitter:
        return moved
    for k, stroke in enumerate(glyph.strokes):
        points = moved[k]
        push = rng.normal(0, 0.09 * writer.shape_jitter, points.shape)
        push[:, 1] *= 0.7
        for i in range(1, len(points)):
            if abs(stroke.points[i, 0] - stroke.points[i - 1, 0]) < 1e-9:
                push[i, 0] = push[i - 1, 0]
        moved[k] = points + push
    return moved


def _stretched(curve: FloatArray, glyph: Glyph, writer: Writer) -> FloatArray:
    """Give ascenders, descenders, capitals and digits the writer's own ratios."""
    y = curve[:, 1]
    if glyph.whole:
        return np.column_stack([curve[:, 0], np.where(y > 0, y * writer.capital_ratio / 2, y)])
    high = np.where(y > 1, 1 + (y - 1) * (writer.ascender_ratio - 1), y)
    return np.column_stack([curve[:, 0], np.where(high < 0, high * writer.descender_ratio, high)])


def _exact(curves: list[FloatArray], glyph: Glyph, writer: Writer, size: float) -> list[FloatArray]:
    """Stretch y so that the core reaches its bottom and top exactly, whatever jitter and tremor did."""
    if glyph.top is None or glyph.bottom is None:
        return curves
    ends = np.column_stack([np.zeros(2), [glyph.bottom, glyph.top]])
    bottom, top = _stretched(ends, glyph, writer)[:, 1] * size
    core = np.concatenate(curves[: glyph.core])[:, 1]
    low, high = float(core.min()), float(core.max())
    if glyph.bottom < 0:
        return [
            np.column_stack([c[:, 0], np.where(c[:, 1] > 0, c[:, 1] * top / high, c[:, 1] * bottom / low)])
            for c in curves
        ]
    return [np.column_stack([c[:, 0], bottom + (c[:, 1] - low) * (top - bottom) / (high - low)]) for c in curves]


def _tremor(curve: FloatArray, writer: Writer, rng: np.random.Generator) -> FloatArray:
    """Return smooth noise along the stroke, RMS `tremor_mm`, that varies over about a millimetre of pen travel."""
    if not writer.tremor_mm or len(curve) < 3:
        return np.zeros_like(curve)
    travel = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(curve, axis=0).T))]) / 0.7
    knots = np.arange(-3, travel[-1] + 4)
    noise = rng.standard_normal((len(knots), 2)) * writer.tremor_mm
    # A Gaussian bump at each knot: smooth; 1.12 is its RMS for knots one apart.
    weight = np.exp(-((travel[:, None] - knots) ** 2))
    return np.asarray(weight @ noise / 1.12)


def _find_ends(out: Shape, glyph: Glyph, traced: list[tuple[FloatArray, list[int]]], lean: float) -> None:
    for stroke, (_, index), curve in zip(glyph.strokes, traced, out.strokes, strict=True):
        for mark, at in zip(stroke.marks, index, strict=True):
            if ">" in mark:
                out.exit = (curve[at], _unit(curve[at] - curve[max(at - 2, 0)]))
            if "<" in mark:
                onward = _unit(curve[min(at + 2, len(curve) - 1)] - curve[at])
                if at == 0 and onward[1] < 0:
                    onward = _unit(np.array([0.55 + lean, 1.0]))
                out.entry = (curve[at], onward if at == 0 else _unit(curve[at - 2] - curve[at]))


def _lead_in(out: Shape, size: float, lean: float) -> None:
    """Start the joined hand's first letter from the baseline, unless its first stroke is a bowl."""
    if out.entry is None or char_base(out.char) in "acdgoqsvwxz":
        return
    height = out.entry[0][1] - out.drawn.lift_mm
    start = out.entry[0] - [0.32 * size + lean * height, height * 0.92]
    out.strokes.append(bend(start, _unit(np.array([1.0, 0.25])), *out.entry))


def bend(start: FloatArray, leave: FloatArray, end: FloatArray, arrive: FloatArray) -> FloatArray:
    """Return a join: a smooth curve from `start` heading `leave` to `end` arriving along `arrive` (unit vectors)."""
    reach = float(np.hypot(*(end - start)))
    n = max(4, int(reach / 0.12))
    return hermite(start, end, leave * reach, arrive * reach * 0.8, n)


def ink_hull(points: FloatArray, radius: float) -> FloatArray:
    """Return the convex hull, shape (n, 2), of centre-line `points` drawn with a round pen of `radius`."""
    corners = cv2.convexHull(points.astype(np.float32))[:, 0].astype(np.float64)
    inked = (corners[:, None] + radius * _CIRCLE[None]).reshape(-1, 2)
    return np.asarray(cv2.convexHull(inked.astype(np.float32))[:, 0], dtype=np.float64)


def _unit(vector: FloatArray) -> FloatArray:
    return np.asarray(vector / max(float(np.hypot(*vector)), 1e-9))
