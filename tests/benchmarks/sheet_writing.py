"""Measure how true the x-height of writing on photographed copying sheets is. Run from the repository root::

    python tests/benchmarks/sheet_writing.py [--photographs 300] [--first 0] [--causes] [--read]

Phantom hands write on drawn sheets; each sheet is photographed with tilt, distortion, shadow, noise and covered marks
(`handwriting.sheet.photographs`). Values measured through the whole pipeline are set beside the page's own, of the
letters as they were drawn there; beside the size set for the writer the letters' own scatter counts as error too.
`--causes` measures every page once more as a flat scan and as photographs with one trouble after another, `--read` lays
the text against the page with the reader, on which the known letters' x-height rests.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, replace

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
KEYS = {
    "x_height": "x_height_ink_mm",
    "x_height_centre": "x_height_mm",
    "known_x_height": "x_height_ink_mm",
    "stroke_width": "pen_width_mm",
}


@dataclass(frozen=True)
class Row:
    """One photograph: by key value, its error against the page and the writer, both relative, and held or not."""

    values: dict[str, tuple[float, float, bool]]
    lines_right: bool
    blur_mm: float
    flagged: bool
    seconds: float


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


def causes(view):
    """Return the view with its troubles one after another."""
    still = replace(view, blur_px=0.0, noise=0.0, jpeg=0, gradient=0.0, shadow=0.0, covered=0)
    soft = replace(still, blur_px=view.blur_px)
    grainy = replace(soft, noise=view.noise)
    return {
        "photograph, sharp": still,
        "and its blur": soft,
        "and its noise": grainy,
        "and its compression": replace(grainy, jpeg=view.jpeg),
        "and light and fingers": view,
    }


def measured(grey, truth, name, read):
    """Measure one picture; a sentence where that cannot be done."""
    page = Page(np.ascontiguousarray(grey), None, "0" * 64, name, "PNG")
    start = time.process_time()
    try:
        result = measure_page(page, read_task(), Options(read=read))
    except HandwritingError as error:
        return str(error)
    seconds = time.process_time() - start
    record = result.record
    if record.scale.unit != "mm" or not isinstance(record.measures["x_height"], Measured):
        return "no mm"
    writer = truth.set_values["writer"]
    set_for = {"x_height_centre": writer["x_height_mm"], "stroke_width": writer["pen_width_mm"]}
    set_for["x_height"] = set_for["known_x_height"] = set_for["x_height_centre"] + set_for["stroke_width"]
    values = {}
    for key, own in KEYS.items():
        found = record.measures[key]
        if isinstance(found, Measured):
            drawn = truth.realised[own]
            values[key] = (found.value / drawn - 1, found.value / set_for[key] - 1, found.low <= drawn <= found.high)
    flagged = "sheet-soft" in {note.code for note in record.flags}
    sheet = result.found.frame.sheets[0]
    return Row(values, len(record.lines) == len(truth.lines), sheet.blur_mm, flagged, seconds)


def tell(name, rows):
    say(f"{name}, {len(rows)} photographs:")
    for key in KEYS:
        errors = np.array([r.values[key] for r in rows if key in r.values])
        if not len(errors):
            continue
        own, by_writer, held = errors.T
        off = 100 * np.abs(own)
        say(
            f"  {key:16} bias {100 * own.mean():+.2f} %, median error {np.median(off):.2f} %, within 2 % on "
            f"{100 * (off <= 2).mean():.1f} %, interval holds it on {100 * held.mean():.1f} %; "
            f"beside the value set within 2 % on {100 * (np.abs(by_writer) <= 0.02).mean():.1f} %"
        )


def tell_by_blur(rows):
    """Say how the error and the stated interval go with the blur, and what the flag is worth."""
    for low, high in ((0.0, 0.1), (0.1, 0.15), (0.15, 0.2), (0.2, 0.25), (0.25, 9.0)):
        some = [r for r in rows if low <= r.blur_mm < high]
        if some:
            off = 100 * np.abs([r.values["x_height"][0] for r in some])
            held = np.mean([r.values["x_height"][2] for r in some])
            say(
                f"  blur {low:.2f} to {high:.2f} mm: {len(some)} photographs, x-height within 2 % on "
                f"{100 * (off <= 2).mean():.0f} %, median error {np.median(off):.2f} %, held on {100 * held:.0f} %"
            )
    for flagged in (False, True):
        off = 100 * np.abs([r.values["x_height"][0] for r in rows if r.flagged == flagged])
        if len(off):
            say(
                f"  {'flagged as soft' if flagged else 'not flagged'}: {len(off)} photographs, x-height within 2 % on "
                f"{100 * (off <= 2).mean():.1f} %"
            )


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photographs", type=int, default=300)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--causes", action="store_true")
    parser.add_argument("--read", action="store_true")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    found: dict[str, list[Row]] = {}
    lost = 0
    for number in range(asked.first, asked.first + asked.photographs):
        sheet, truth = written(*SHEETS[number % len(SHEETS)], number)
        view = random_view(number)
        views = causes(view) if asked.causes else {"photograph": view}
        if asked.causes:
            row = measured(sheet, truth, f"scan-{number}", asked.read)
            if isinstance(row, Row):
                found.setdefault("flat scan", []).append(row)
        for name, how in views.items():
            row = measured(photograph(sheet, PX_PER_MM, how)[0], truth, f"photograph-{number}", asked.read)
            if isinstance(row, Row):
                found.setdefault(name, []).append(row)
            elif how == view:
                lost += 1
                say(f"  photograph {number}: {row}")
        if not isinstance(row, str) and abs(row.values["x_height"][0]) > 0.02:
            say(f"  photograph {number}: x-height {100 * row.values['x_height'][0]:+.1f} %, blur {row.blur_mm:.2f} mm")
    last = list(found.values())[-1]
    right = 100 * np.mean([r.lines_right for r in last])
    say(f"photographs {asked.photographs}: {lost} not measured; lines right on {right:.1f} %")
    for name, rows in found.items():
        tell(name, rows)
    tell_by_blur(last)
    seconds = [r.seconds for r in last]
    say(f"  whole measurement, processor time: median {np.median(seconds):.2f} s, largest {max(seconds):.2f} s")


if __name__ == "__main__":
    main()
