"""Measure how true the x-height of writing on photographed copying sheets is. Run from the repository root::

    python tests/benchmarks/sheet_writing.py [--photographs 300] [--first 0]

Phantom hands write on drawn sheets; each sheet is photographed with tilt, distortion, shadow, noise and covered marks
(`handwriting.sheet.photographs`). The x-height (centre line) measured through the whole pipeline is set beside the
page's own.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace

import cv2
import numpy as np
from measure_sheet import PX_PER_MM, picture_of

from handwriting.errors import HandwritingError
from handwriting.page import Page
from handwriting.phantoms import WRITERS, Capture, Paper, draw
from handwriting.pipeline import Options, measure_page
from handwriting.quantity import Measured
from handwriting.sheet.drawing import draw_sheet, plan_sheet
from handwriting.sheet.passages import find_passage
from handwriting.sheet.photographs import photograph, random_view
from handwriting.sheet.rulings import find_ruling
from handwriting.task import read_task

SHEETS = (("fox", "uk-8", "a4"), ("market", "8mm", "letter"), ("railway", "uk-12", "a4"))


def say(text):
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def written(name, ruling, paper, seed):
    """Draw a sheet with a hand's writing on its rules: grey picture at 300 dots to the inch, and the hand's truth."""
    plan = plan_sheet(find_passage(name), find_ruling(ruling), paper=paper)
    layout = plan.layouts[0]
    sheet = picture_of(draw_sheet(plan))
    sheet = sheet if sheet.ndim == 2 else cv2.cvtColor(sheet, cv2.COLOR_BGR2GRAY)
    base = layout.baselines
    pitch = base[1] - base[0]
    hand = list(WRITERS.values())[seed % len(WRITERS)]
    hand = replace(
        hand,
        x_height_mm=min(hand.x_height_mm, 0.42 * pitch),
        left_margin_mm=layout.area.left + 3,
        right_margin_mm=layout.width - layout.area.right + 3,
    )
    page = Paper(
        layout.width,
        layout.height,
        rules="none",
        pitch_mm=pitch,
        top_mm=base[0],
        bottom_mm=layout.height - layout.area.bottom,
    )
    drawn = draw(find_passage(name).text, hand, page, Capture(dpi=300, noise_sd=0.0), seed)
    ink = drawn.image if drawn.image.ndim == 2 else cv2.cvtColor(drawn.image, cv2.COLOR_RGB2GRAY)
    rows, columns = min(len(ink), len(sheet)), min(ink.shape[1], sheet.shape[1])
    both = sheet.copy()
    both[:rows, :columns] = np.minimum(sheet[:rows, :columns], ink[:rows, :columns])
    return both, drawn.truth


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photographs", type=int, default=300)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    errors, lines, lost = [], [], 0
    for number in range(asked.first, asked.first + asked.photographs):
        sheet, truth = written(*SHEETS[number % len(SHEETS)], number)
        photo, _ = photograph(sheet, PX_PER_MM, random_view(number))
        grey = photo if photo.ndim == 2 else cv2.cvtColor(photo, cv2.COLOR_BGR2GRAY)
        page = Page(np.ascontiguousarray(grey), None, "0" * 64, f"photograph-{number}", "PNG")
        try:
            record = measure_page(page, read_task(), Options(read=False)).record
        except HandwritingError as error:
            lost += 1
            say(f"  photograph {number}: {error}")
            continue
        size = record.measures["x_height_centre"]
        if record.scale.unit != "mm" or not isinstance(size, Measured):
            lost += 1
            say(f"  photograph {number}: no mm")
            continue
        errors.append(size.value / truth.realised["x_height_mm"] - 1)
        lines.append(len(record.lines) == len(truth.lines))
        if abs(errors[-1]) > 0.02:
            found = f"{len(record.lines)} of {len(truth.lines)} lines"
            say(f"  photograph {number}: x-height {100 * errors[-1]:+.1f} %, {found}")
    errors = np.array(errors)
    off = 100 * np.abs(errors)
    say(f"photographs {asked.photographs}: {lost} not measured; lines right on {100 * np.mean(lines):.1f} %")
    say(
        f"x-height bias {100 * errors.mean():+.2f} %, median error {np.median(off):.2f} %, "
        f"within 2 % on {100 * (off <= 2).mean():.1f} %"
    )


if __name__ == "__main__":
    main()
