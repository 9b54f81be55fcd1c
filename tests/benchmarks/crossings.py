"""Crossed-out words found on drawn pages, and on lines of real copying where crossed-out words are marked.

    python tests/benchmarks/crossings.py --first 2000 --pages 42
    python tests/benchmarks/crossings.py --lines COPIES --writers 150 187

Drawn pages: eight words of each are crossed out, all in one of the ways of `handwriting.phantoms.strikes`, page by page
the next way. A crossed-out word is found when a shown word covers more than half of its box; a shown word is right when
more than half of its box lies on a crossed-out one.

COPIES is a folder with `lines.csv` (file, writer, crop_height_mm, text) and `lines/`: pictures of single lines, in
whose text ``>word<`` marks what was crossed out, often a letter or two of a word. The lines of a writer are laid out as
a page, their printed rules taken out. Printed: lines with a mark on which a word is shown, and words shown on lines
without one.

For scale: the best published figure for struck-out text in adults' pages is F 0.916 (Chaudhuri & Adak 2017; quoted, not
read).
"""

from __future__ import annotations

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import csv
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.calibration import Given
from handwriting.crossings import find_crossings
from handwriting.errors import HandwritingError
from handwriting.geometry import Box
from handwriting.page import Page
from handwriting.phantoms import draw, random_page
from handwriting.phantoms.strikes import STYLES
from handwriting.phantoms.writer import Slips
from handwriting.pipeline import Found, Options, find_writing

_LINES_DPI = 160.0


def _found(grey: NDArray[np.uint8], dpi: float) -> Found:
    page = Page(grey, None, "0" * 64, "page", "PNG")
    return find_writing((page,), (), Options(Given(dpi=dpi)))


def _on(box: Box, other: Box) -> float:
    """Return the share of `box` that lies on `other`."""
    across = min(box.right, other.right) - max(box.left, other.left)
    down = min(box.bottom, other.bottom) - max(box.top, other.top)
    return max(0.0, across) * max(0.0, down) / (box.width * box.height)


def drawn(first: int, pages: int) -> None:
    """Score drawn pages and print."""
    hits: dict[str, list[bool]] = {style: [] for style in STYLES}
    right: list[bool] = []
    for seed in range(first, first + pages):
        style = list(STYLES)[seed % len(STYLES)]
        text, writer, paper, capture = random_page(seed)
        writer = replace(writer, slips=Slips(crossed_out=8, strikes=(style,)))
        phantom = draw(text, writer, paper, capture, seed)
        image = phantom.image
        grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
        true = [phantom.truth.px(w.box) for w in phantom.truth.words if w.state == "crossed-out" and w.box is not None]
        try:
            found = _found(grey, capture.dpi)
        except HandwritingError as error:
            sys.stdout.write(f"seed {seed}: {error}\n")
            hits[style] += [False] * len(true)
            continue
        k = 1 / found.frame.px_per_page_px
        shown = [found.words.words[i].box.scaled(k) for i in find_crossings(found.lines, found.words).shown]
        hits[style] += [any(_on(t, s) > 0.5 for s in shown) for t in true]
        right += [any(_on(s, t) > 0.5 for t in true) for s in shown]
    for style, found_ones in hits.items():
        sys.stdout.write(f"{style}: {sum(found_ones)} of {len(found_ones)} found\n")
    every = [h for style in hits.values() for h in style]
    recall, precision = float(np.mean(every)), float(np.mean(right))
    f = 2 * recall * precision / max(recall + precision, 1e-9)
    sys.stdout.write(f"{pages} drawn pages: recall {recall:.3f}, precision {precision:.3f}, F {f:.3f}\n")


def _without_rules(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Take printed rules out of a picture of one line: what runs level for 61 pixels, unless ink lies on it."""
    dark = (255 - grey).astype(np.float32)
    bar = np.ones((1, 61), np.uint8)
    rule = cv2.dilate(cv2.erode(cv2.blur(dark, (5, 1)), bar), bar)
    dark[(rule > 12) & (dark < 2.2 * rule + 25)] = 0
    return (255 - dark).clip(0, 255).astype(np.uint8)


def _page_of(rows: list[dict[str, str]], folder: Path) -> tuple[NDArray[np.uint8], list[tuple[int, int]]]:
    """Lay a writer's lines out as one page; return it with the rows of the picture that each line takes."""
    pictures = []
    for row in rows:
        grey = _without_rules(cv2.imread(str(folder / "lines" / row["file"]), cv2.IMREAD_GRAYSCALE))
        k = float(row["crop_height_mm"]) * _LINES_DPI / 25.4 / grey.shape[0]
        pictures.append(cv2.resize(grey, None, fx=k, fy=k, interpolation=cv2.INTER_AREA if k < 1 else cv2.INTER_CUBIC))
    paper = int(np.median([np.percentile(p, 80) for p in pictures]))
    height = sum(p.shape[0] + 30 for p in pictures) + 80
    page = np.full((height, max(p.shape[1] for p in pictures) + 80), paper, np.uint8)
    places, y = [], 40
    for picture in pictures:
        page[y : y + picture.shape[0], 40 : 40 + picture.shape[1]] = picture
        places.append((y, y + picture.shape[0]))
        y += picture.shape[0] + 30
    return page, places


def copied(folder: Path, first: int, last: int) -> None:
    """Score lines of real copying and print."""
    pages: dict[str, list[dict[str, str]]] = {}
    with (folder / "lines.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if first <= int(row["writer"]) <= last:
                pages.setdefault(row["file"].rsplit("-", 1)[0], []).append(row)
    marked: list[bool] = []
    words = shown_there = 0
    for rows in pages.values():
        page, places = _page_of(rows, folder)
        try:
            found = _found(page, _LINES_DPI)
        except HandwritingError:
            continue
        middle: Any = np.array([0.5 * (w.box.top + w.box.bottom) for w in found.words.words])
        shown = np.zeros(len(middle), np.bool_)
        shown[find_crossings(found.lines, found.words).shown] = True
        for (top, bottom), row in zip(places, rows, strict=True):
            here = (middle > top * found.frame.px_per_page_px) & (middle < bottom * found.frame.px_per_page_px)
            if ">" in row["text"]:
                marked.append(bool(shown[here].any()))
            else:
                words, shown_there = words + int(here.sum()), shown_there + int(shown[here].sum())
    sys.stdout.write(
        f"writers {first} to {last}: a word shown on {sum(marked)} of {len(marked)} lines with a mark; "
        f"{shown_there} of {words} words shown on lines without\n"
    )


def main() -> None:
    """Score what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--first", type=int, default=2000)
    parser.add_argument("--pages", type=int, default=42)
    parser.add_argument("--lines", type=Path)
    parser.add_argument("--writers", type=int, nargs=2, default=(1, 187))
    given = parser.parse_args()
    cv2.setNumThreads(1)
    if given.lines is not None:
        copied(given.lines, *given.writers)
    else:
        drawn(given.first, given.pages)


if __name__ == "__main__":
    main()
