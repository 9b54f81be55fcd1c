"""Lines of known text drawn from a font, as a hand would: each letter a little off in size, place, turn and spacing.

Canvas: height `CANVAS_HEIGHT_PX`, baseline on row `CANVAS_BASELINE_PX` (y down), ink 255 on 0. HarfBuzz shapes the line
so that joined hands join; FreeType fills the outlines.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import freetype
import numpy as np
import numpy.typing as npt
import uharfbuzz as hb
from skimage.morphology import skeletonize

from handwriting.reader.alphabet import CROSSED_OUT, INDEX, encode

CANVAS_HEIGHT_PX = 80
CANVAS_BASELINE_PX = 54
CANVAS_X_HEIGHT_PX = 22
CANVAS_WIDTH_PX = 1280
_EM = 1000
NO_LETTER = -1


@dataclass(frozen=True, slots=True, eq=False)
class DrawnLine:
    """One line.

    Attributes
    ----------
    ink : ndarray of uint8, shape (CANVAS_HEIGHT_PX, W)
        255 where there is ink.
    target : list of int
        Class numbers in reading order.
    columns : ndarray of int16, shape (W,)
        Class of the letter each column belongs to, `NO_LETTER` in the margins.
    """

    ink: npt.NDArray[np.uint8]
    target: list[int]
    columns: npt.NDArray[np.int16]


class Hand:
    """A font file ready to draw with."""

    def __init__(self, path: Path) -> None:
        blob = path.read_bytes()
        self._shaper = hb.Font(hb.Face(blob))
        self._shaper.scale = (_EM, _EM)
        self._face = freetype.Face(str(path))
        self._face.set_pixel_sizes(0, 256)
        self.joined = path.name.startswith("playwrite")
        self.central_european = path.stem.rsplit("-", 1)[0] in {
            f"playwrite-{name}" for name in ("sk", "cz", "at", "de-sas")
        }
        covered = {chr(code) for code, _ in self._face.get_chars()}
        self.usable = frozenset(sign for sign in INDEX if sign in covered)
        self._x_height = self._extent("x")[1]
        self._ascender = max(self._extent(sign)[1] for sign in "lhdT")
        self._descender = -min(self._extent(sign)[0] for sign in "gpy")

    def _extent(self, sign: str) -> tuple[float, float]:
        self._face.set_transform(freetype.Matrix(0x10000, 0, 0, 0x10000), freetype.Vector(0, 0))
        self._face.load_char(sign, freetype.FT_LOAD_NO_HINTING | freetype.FT_LOAD_NO_BITMAP)
        box = self._face.glyph.outline.get_bbox()
        return box.yMin / 64 / 256, box.yMax / 64 / 256

    def em_px(self, x_height_px: float) -> float:
        """Pixels per em for an x-height, smaller where tall letters would leave the canvas."""
        fits = min(
            (CANVAS_BASELINE_PX - 2) / max(self._ascender, 1e-3),
            (CANVAS_HEIGHT_PX - CANVAS_BASELINE_PX - 1) / max(self._descender, 1e-3),
        )
        return float(min(x_height_px / self._x_height, 1.15 * fits))

    def shape(self, text: str) -> list[tuple[int, int, float, float, float]]:
        """Glyph number, text position, advance, x offset and y offset (em) of each glyph."""
        buffer = hb.Buffer()
        buffer.add_str(text)
        buffer.guess_segment_properties()
        hb.shape(self._shaper, buffer, {"kern": True, "liga": True, "calt": True})
        return [
            (info.codepoint, info.cluster, place.x_advance / _EM, place.x_offset / _EM, place.y_offset / _EM)
            for info, place in zip(buffer.glyph_infos, buffer.glyph_positions, strict=True)
        ]

    def stamp(
        self, canvas: npt.NDArray[np.uint8], glyph: int, at: tuple[float, float], matrix: npt.NDArray[np.float64]
    ) -> None:
        """Draw one glyph with its origin at `at` (x, y in px, y down); `matrix` maps em (y up) to px (y up)."""
        scale = matrix / 256 * 0x10000
        whole = int(np.floor(at[0]))
        self._face.set_transform(
            freetype.Matrix(*(int(v) for v in scale.ravel())),
            freetype.Vector(int((at[0] - whole) * 64), int((np.ceil(at[1]) - at[1]) * 64)),
        )
        self._face.load_glyph(glyph, freetype.FT_LOAD_NO_HINTING | freetype.FT_LOAD_NO_BITMAP | freetype.FT_LOAD_RENDER)
        slot = self._face.glyph
        picture = slot.bitmap
        if not picture.rows or not picture.width:
            return
        pixels = np.array(picture.buffer, np.uint8).reshape(picture.rows, picture.pitch)[:, : picture.width]
        top, left = int(np.ceil(at[1])) - slot.bitmap_top, whole + slot.bitmap_left
        y0, x0 = max(top, 0), max(left, 0)
        y1, x1 = min(top + pixels.shape[0], canvas.shape[0]), min(left + pixels.shape[1], canvas.shape[1])
        if y1 > y0 and x1 > x0:
            part = canvas[y0:y1, x0:x1]
            np.maximum(part, pixels[y0 - top : y1 - top, x0 - left : x1 - left], out=part)


def _wander(rng: np.random.Generator, n: int, spread: float) -> npt.NDArray[np.float64]:
    """Half white, half slowly drifting noise: neighbouring letters are alike, not equal."""
    slow = np.convolve(rng.normal(0, 1, n + 8), np.full(9, 1 / 3), "valid")
    return spread * (0.7 * rng.normal(0, 1, n) + 0.7 * slow)


def in_capitals(text: str, usable: frozenset[str]) -> str:
    """Give the text as a writer of block capitals puts it down, letter for letter."""
    return "".join(sign.upper() if sign.upper() in usable else sign for sign in text)


def draw_line(hand: Hand, text: str, rng: np.random.Generator, *, capitals: bool = False) -> DrawnLine:
    """Draw `text` with `hand`; the style (how uneven, how wide, how slanted) is drawn from `rng`.

    With `capitals` the whole line stands in block capitals, small letters as smaller ones; it is still to be read with
    the text's own small and capital letters, as the real lines of such writers are set out.
    """
    glyphs = hand.shape(in_capitals(text, hand.usable) if capitals else text)
    n = len(glyphs)
    em = hand.em_px(CANVAS_X_HEIGHT_PX * rng.uniform(0.85, 1.15))
    if capitals:
        em *= rng.uniform(0.5, 1.0)
    uneven = rng.choice([0.15, 0.5, 1.0, 1.6], p=[0.15, 0.3, 0.35, 0.2])
    loose = uneven * (0.6 if hand.joined else 1.0)
    size = np.exp(_wander(rng, n, 0.07 * uneven))
    if capitals:
        size *= np.where([text[cluster].islower() for _, cluster, *_ in glyphs], rng.uniform(0.7, 1.0), 1.0)
    lift = _wander(rng, n, 0.030 * loose) * em
    turn = _wander(rng, n, 0.045 * loose)
    lean = _wander(rng, n, 0.06 * uneven)
    squeeze = np.exp(_wander(rng, n, 0.06 * uneven)) * rng.uniform(0.72, 1.2)
    track = rng.normal(0, 0.02) + abs(rng.normal(0, 0.03)) * (not hand.joined)
    gaps = _wander(rng, n, 0.03 * loose)
    word_gap = rng.uniform(0.5, 2.4)
    canvas = np.zeros((CANVAS_HEIGHT_PX, CANVAS_WIDTH_PX), np.uint8)
    columns = np.full(CANVAS_WIDTH_PX, NO_LETTER, np.int16)
    x = float(rng.uniform(4, 24))
    spans: list[tuple[int, float, float]] = []
    for i, (glyph, cluster, advance, dx, dy) in enumerate(glyphs):
        scale = em * size[i]
        wide = scale * squeeze[i]
        step = advance * wide + (gaps[i] + track) * em * (advance > 0)
        if text[cluster] == " ":
            step = max(advance * wide * word_gap * rng.uniform(0.75, 1.3), 0.12 * em)
        else:
            c, s = np.cos(turn[i]), np.sin(turn[i])
            matrix = np.array([[c, -s], [s, c]]) @ np.array([[wide, lean[i] * scale], [0, scale]])
            hand.stamp(canvas, glyph, (x + dx * wide, CANVAS_BASELINE_PX - dy * scale - lift[i]), matrix)
        spans.append((cluster, x, x + max(step, 1.0 if advance > 0 else 0.0)))
        x += step if advance > 0 else 0.0
        if x > CANVAS_WIDTH_PX - 60 and (i + 1 == n or glyphs[i + 1][1] != cluster):
            text = text[: glyphs[i + 1][1]] if i + 1 < n else text
            break
    for cluster, x0, x1 in spans:
        if text[cluster : cluster + 1] in INDEX:
            columns[int(x0) : int(np.ceil(x1))] = INDEX[text[cluster]]
    text, end = text.rstrip(), int(min(x + rng.uniform(4, 24), CANVAS_WIDTH_PX))
    ink = canvas[:, :end]
    target = cross_out(ink, text, spans, columns, rng)
    if rng.random() < 0.2:
        ink = _one_pen(ink, rng)
    return DrawnLine(ink, target, columns[:end])


def cross_out(
    ink: npt.NDArray[np.uint8],
    text: str,
    spans: list[tuple[int, float, float]],
    columns: npt.NDArray[np.int16],
    rng: np.random.Generator,
) -> list[int]:
    """Strike out a word, or a few letters begun wrongly, on one line in ten; returns the classes to be read."""
    words = [w for w in _word_ranges(text) if w[1] > w[0]]
    if not words or rng.random() > 0.1:
        return encode(text)
    first, last = words[int(rng.integers(len(words)))]
    if rng.random() < 0.3 and last - first > 3:
        last = first + int(rng.integers(1, 3))
    inside = [s for s in spans if first <= s[0] < last]
    if not inside:
        return encode(text)
    x0, x1 = inside[0][1], max(s[2] for s in inside)
    _scribble(ink, x0, x1, rng)
    columns[int(x0) : int(np.ceil(x1))] = INDEX[CROSSED_OUT]
    return [*encode(text[:first]), INDEX[CROSSED_OUT], *encode(text[last:])]


def _word_ranges(text: str) -> list[tuple[int, int]]:
    ranges, start = [], 0
    for word in text.split(" "):
        ranges.append((start, start + len(word)))
        start += len(word) + 1
    return ranges


def _scribble(ink: npt.NDArray[np.uint8], x0: float, x1: float, rng: np.random.Generator) -> None:
    middle, half = (
        CANVAS_BASELINE_PX - CANVAS_X_HEIGHT_PX * rng.uniform(0.3, 0.7),
        CANVAS_X_HEIGHT_PX * rng.uniform(0.3, 0.7),
    )
    kind, pen = int(rng.integers(4)), int(rng.integers(1, 4))
    if kind == 0:
        ys = [middle + rng.normal(0, 2), middle + rng.normal(0, 2)]
        paths = [[(x0 - 2, ys[0]), ((x0 + x1) / 2, middle + rng.normal(0, 2)), (x1 + 2, ys[1])]]
    elif kind == 1:
        paths = [
            [(x0 - 2, middle + d + rng.normal(0, 1)), (x1 + 2, middle + d + rng.normal(0, 1))]
            for d in (-half / 2, half / 2)
        ]
    else:
        step = rng.uniform(3, 9) if kind == 2 else rng.uniform(8, 20)
        xs = np.arange(x0 - 1, x1 + 1, step / 2)
        paths = [
            [(x + rng.normal(0, 1), middle + (half if i % 2 else -half) + rng.normal(0, 2)) for i, x in enumerate(xs)]
        ]
    for path in paths:
        points = np.round(np.array(path) * 16).astype(np.int32)
        cv2.polylines(ink, [points], False, 255, pen, cv2.LINE_AA, 4)


def _one_pen(ink: npt.NDArray[np.uint8], rng: np.random.Generator) -> npt.NDArray[np.uint8]:
    """Redraw the line's skeleton with one round pen, as a ballpoint leaves it."""
    double = cv2.resize(ink, None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)
    bones = skeletonize(double > 110).astype(np.uint8) * 255
    pen = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (int(rng.integers(3, 7)),) * 2)
    drawn = cv2.GaussianBlur(cv2.dilate(bones, pen), (0, 0), 1.0)
    return np.asarray(cv2.resize(drawn, (ink.shape[1], ink.shape[0]), interpolation=cv2.INTER_AREA), np.uint8)


def open_hands(folder: Path) -> list[Any]:
    """Every font of the folder that has the plain letters."""
    hands = [Hand(path) for path in sorted(folder.glob("*.ttf"))]
    return [hand for hand in hands if set("abcdefghijklmnopqrstuvwxyz ") <= hand.usable]
