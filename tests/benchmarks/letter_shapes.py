"""Measure the consistency of letter shapes. Run from the repository root::

    python tests/benchmarks/letter_shapes.py [--lines FOLDER [--writers 40]]

On drawn pages: how it follows the shape jitter set for the hand, and how far size, slant and pen move it. With a
folder of real lines (``lines.csv`` with file, writer, crop_height_mm and text): for each writer a page is made of the
odd lines and one of the even lines, and the agreement of the two halves is the intraclass correlation (Shrout & Fleiss
1979, form 1,1).
"""

from __future__ import annotations

import argparse
import csv
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from scipy import stats

from handwriting.calibration import Given
from handwriting.errors import HandwritingError
from handwriting.page import Page
from handwriting.phantoms import PASSAGES, WRITERS, Capture, Paper, draw
from handwriting.pipeline import Options, measure_page
from handwriting.quantity import Measured, NotMeasured
from handwriting.reliability import icc
from handwriting.task import read_task

STEADY = ({"x_height_mm": 1.8}, {"x_height_mm": 3.6}, {"slant_deg": 68.0}, {"slant_deg": 102.0}, {"pen_width_mm": 0.25})


def say(text):
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def consistency(grey, dpi, text):
    page = Page(np.ascontiguousarray(grey), None, "0" * 64, "page", "PNG")
    found = measure_page(page, read_task(text=text), Options(Given(float(dpi)))).record.measures["shape_consistency"]
    return found.value if isinstance(found, Measured) else None


def of_hand(hand, seed):
    text = PASSAGES[1][:420]
    image = draw(text, hand, Paper(), Capture(dpi=300), seed).image
    return consistency(image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), 300, text)


def on_drawn_pages():
    hand = WRITERS["able"]
    jitters = np.linspace(0, 1, 9)
    values = [of_hand(replace(hand, shape_jitter=float(j)), 5) for j in jitters]
    say(f"jitter {np.round(jitters, 2).tolist()}: {np.round(values, 3).tolist()}")
    say(f"rank correlation {stats.spearmanr(jitters, values).statistic:.3f}")
    base = of_hand(hand, 5)
    for change in STEADY:
        say(f"{change}: {100 * (of_hand(replace(hand, **change), 5) / base - 1):+.2f} %")


def stacked(rows, folder):
    """Put line pictures below one another at one scale: a page and its dots to the inch."""
    height = float(np.median([float(r["crop_height_mm"]) for r in rows]))
    px_per_mm = 2 * 64 / height
    pictures = []
    for row in rows:
        line = cv2.imread(str(folder / row["file"]), cv2.IMREAD_GRAYSCALE)
        factor = float(row["crop_height_mm"]) * px_per_mm / line.shape[0]
        pictures.append(cv2.resize(line, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC))
    wide = max(p.shape[1] for p in pictures) + 80
    gap = np.full((40, wide), 255, np.uint8)
    page = [gap]
    for picture in pictures:
        band = np.full((picture.shape[0], wide), 255, np.uint8)
        band[:, 40 : 40 + picture.shape[1]] = picture
        page += [band, gap]
    return np.concatenate(page), px_per_mm * 25.4


def on_real_lines(folder, most):
    with (folder / "lines.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    writers = sorted({r["writer"] for r in rows}, key=int)
    step = max(1, len(writers) // most)
    halves = []
    for writer in writers[::step][:most]:
        mine = [r for r in rows if r["writer"] == writer and "<" not in r["text"]]
        try:
            both = []
            for part in (mine[::2], mine[1::2]):
                page, dpi = stacked(part, folder if (folder / part[0]["file"]).exists() else folder / "lines")
                both.append(consistency(page, dpi, "\n".join(r["text"] for r in part)))
        except HandwritingError as error:
            say(f"  writer {writer}: {error}")
            continue
        say(f"  writer {writer}: {both}")
        if None not in both:
            halves.append(both)
    table = np.array(halves)
    found = icc(table)
    first = found if isinstance(found, NotMeasured) else found[0]
    say(f"writers {len(table)}: odd against even lines {first}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lines", type=Path)
    parser.add_argument("--writers", type=int, default=40)
    asked = parser.parse_args()
    if asked.lines is None:
        on_drawn_pages()
    else:
        on_real_lines(asked.lines, asked.writers)
