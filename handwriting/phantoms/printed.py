"""Print on the sheet: a passage in a type face, a frame, a mark, and punch holes."""

from __future__ import annotations

from typing import Protocol

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from handwriting.geometry import Box, FloatArray
from handwriting.phantoms.paper import PRINT_SIZE_MM, Paper, passage_lines
from handwriting.phantoms.raster import ByteArray, draw_stroke

_LEFT_MM = 25.0


class PageTurn(Protocol):
    """Upright page mm to captured page mm."""

    def __call__(self, points: FloatArray) -> FloatArray:
        """Turn points, shape (n, 2)."""


def draw_print(paper: Paper, turn: PageTurn, scale: float, shape: tuple[int, int]) -> tuple[ByteArray, list[Box]]:
    """Return the cover of all print and the boxes, mm of the captured page, that hold it."""
    upright = Image.new("L", (shape[1], shape[0]), 0)
    pen = ImageDraw.Draw(upright)
    font = ImageFont.load_default(size=PRINT_SIZE_MM * scale)
    boxes: list[Box] = []
    top = paper.top_mm - 10.0
    for i, line in enumerate(passage_lines(paper) if paper.passage else []):
        y = top + i * PRINT_SIZE_MM * 1.35
        pen.text((_LEFT_MM * scale, y * scale), line, fill=255, font=font)
        left, up, right, down = pen.textbbox((_LEFT_MM * scale, y * scale), line, font=font)
        boxes.append(Box(left / scale, up / scale, right / scale, down / scale))
    if paper.boxed and boxes:
        whole = boxes[0]
        for box in boxes[1:]:
            whole = whole.joined(box)
        edges = [(whole.left - 3, whole.top - 3), (whole.right + 3, whole.bottom + 3)]
        pen.rectangle([(x * scale, y * scale) for x, y in edges], outline=255, width=max(1, round(0.35 * scale)))
        boxes = [Box(edges[0][0], edges[0][1], edges[1][0], edges[1][1])]
    if paper.logo:
        left, y = paper.width_mm - 32.0, 8.0
        pen.ellipse([v * scale for v in (left, y, left + 9, y + 9)], outline=255, width=max(1, round(0.8 * scale)))
        pen.polygon([v * scale for v in (left + 11, y + 9, left + 15.5, y, left + 20, y + 9)], fill=255)
        boxes.append(Box(left, y, left + 20, y + 9))
    corners = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    moved = turn(corners)
    if np.allclose(moved, corners):
        return np.asarray(upright).copy(), boxes
    # Pixel i's middle lies at i + 0.5: shift before and after the turn.
    linear = (moved[1:] - moved[0]).T
    shift = moved[0] * scale + linear @ [0.5, 0.5] - 0.5
    matrix = np.column_stack([linear, shift])
    cover = cv2.warpAffine(np.asarray(upright), matrix, (shape[1], shape[0]), flags=cv2.INTER_LINEAR)
    return np.asarray(cover), [_turned(box, turn) for box in boxes]


def _turned(box: Box, turn: PageTurn) -> Box:
    corners = [[box.left, box.top], [box.right, box.top], [box.left, box.bottom], [box.right, box.bottom]]
    x, y = turn(np.array(corners)).T
    return Box(float(x.min()), float(y.min()), float(x.max()), float(y.max()))


def draw_holes(paper: Paper, turn: PageTurn, scale: float, shape: tuple[int, int]) -> ByteArray:
    """Return the cover of punch holes: 6 mm wide, 80 mm apart (ISO 838), their middles 12 mm from the left edge."""
    cover = np.zeros(shape, np.uint8)
    for i in range(paper.holes):
        at = turn(np.array([[12.0, paper.height_mm / 2 + 80 * (i - (paper.holes - 1) / 2)]]))
        draw_stroke(cover, np.repeat(at, 2, axis=0) * scale, 6.0 * scale)
    return cover
