"""Measure how well copying sheets are drawn and read back. Run from the repository root::

    python tests/benchmarks/measure_sheet.py [--photographs 300] [--curled 60]

Photographs are simulated (`handwriting.sheet.photographs`), seeded, with exact truth. The error of the scale is that of
the local scale at 81 places of the writing area: its mean over the page, and the worst place.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import time

import cv2
import numpy as np
import pypdfium2

from handwriting.errors import HandwritingError
from handwriting.sheet.drawing import draw_sheet, mark_modules, plan_sheet
from handwriting.sheet.layout import FIDUCIAL_MM
from handwriting.sheet.passages import find_passage
from handwriting.sheet.photographs import photograph, random_view
from handwriting.sheet.reading import read_sheet
from handwriting.sheet.rulings import RULINGS, find_ruling

SHEETS = (
    ("fox", "uk-12", "a4", "right"),
    ("kite", "de-2", "a4", "left"),
    ("market", "fr-seyes", "letter", "right"),
    ("railway", "uk-8", "letter", "left"),
    ("observatory", "blank", "a4", "right"),
)
PX_PER_MM = 300 / 25.4


def say(text):
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def picture_of(pdf, page=0, dpi=300, over=3):
    """Render a page `over` times as fine as asked and average: the renderer snaps edges to whole pixels."""
    fine = pypdfium2.PdfDocument(pdf)[page].render(scale=over * dpi / 72).to_numpy()
    rows, columns = fine.shape[0] // over, fine.shape[1] // over
    return cv2.resize(fine[: rows * over, : columns * over], (columns, rows), interpolation=cv2.INTER_AREA)


def scribbled(picture, layout, seed):
    """Add writing-like strokes in the writing area, so that marks are not looked for on a clean page."""
    rng = np.random.default_rng(seed)
    picture = picture.copy()
    rows = layout.baselines or tuple(np.arange(layout.area.top + 10, layout.area.bottom, 10.0))
    for base in rows:
        x = layout.area.left + 2
        while x < layout.area.right - 8:
            count = rng.integers(8, 30)
            points = np.stack([x + np.cumsum(rng.uniform(0, 0.5, count)), base - 1.2 + rng.normal(0, 1.0, count)], 1)
            cv2.polylines(
                picture, [(points * PX_PER_MM * 16).astype(np.int32)], False, (90, 40, 30), 5, cv2.LINE_AA, shift=4
            )
            x += rng.uniform(3, 12)
    return picture


def scale_errors(to_page_image, to_true_image, area):
    spots = np.stack(np.meshgrid(np.linspace(area.left, area.right, 9), np.linspace(area.top, area.bottom, 9)), -1)

    across, along = np.array([0.5, 0.0]), np.array([0.0, 0.5])

    def local(to_image):
        right = to_image(spots + across) - to_image(spots - across)
        down = to_image(spots + along) - to_image(spots - along)
        return np.sqrt(np.abs(right[..., 0] * down[..., 1] - right[..., 1] * down[..., 0]))

    return local(to_page_image) / local(to_true_image) - 1.0


def sheets():
    made = []
    for number, (passage, ruling, paper, hand) in enumerate(SHEETS):
        plan = plan_sheet(find_passage(passage), find_ruling(ruling), paper=paper, hand=hand)
        made.append((scribbled(picture_of(draw_sheet(plan)), plan.layouts[0], number), plan.layouts[0]))
    return made


def take(made, view, number):
    picture, layout = made[number % len(made)]
    photo, truth = photograph(picture, PX_PER_MM, view)
    grey = cv2.cvtColor(photo, cv2.COLOR_BGR2GRAY)
    start = time.process_time()
    try:
        reading = read_sheet(grey)
        if reading is not None:
            reading.upright(grey)
    except HandwritingError as error:
        return layout, None, str(error), time.process_time() - start, truth
    return layout, reading, "not found" if reading is None else "", time.process_time() - start, truth


def measure_photographs(made, count):
    means, worsts, rms, times, missed, refused, wrong = [], [], [], [], [], 0, 0
    covered, spreads = [], []
    for number in range(count):
        view = random_view(number)
        layout, reading, why, seconds, truth = take(made, view, number)
        times.append(seconds)
        if reading is None:
            missed.append(number)
            say(f"  photograph {number}: {why}")
            continue
        if reading.code != layout.code:
            wrong += 1
        errors = scale_errors(reading.mapping.to_image, truth.to_image, layout.area)
        if reading.mm_refused:
            refused += 1
            say(f"  photograph {number}: mm refused: {reading.mm_refused}")
            continue
        means.append(abs(errors.mean()))
        worsts.append(np.abs(errors).max())
        rms.append(reading.fit.rms_mm)
        spreads.append(errors.mean() / reading.fit.scale_sd)
        covered.append(reading.marks_used)
    means, worsts = np.array(means), np.array(worsts)
    say(f"photographs {count}: read {100 * (1 - len(missed) / count):.1f} %, code wrong {wrong}")
    say(f"  mm refused on {refused} of those read; marks used: least {min(covered)}, median {np.median(covered):.0f}")
    for name, values in (("mean of the page", means), ("worst place", worsts)):
        say(
            f"  scale error, {name}: median {100 * np.median(values):.3f} %, 95th percentile "
            f"{100 * np.percentile(values, 95):.3f} %, largest {100 * values.max():.3f} %, "
            f"over 2 %: {(values > 0.02).sum()}"
        )
    inside = np.mean(np.abs(spreads) <= 1.96)
    say(f"  within 1.96 stated standard uncertainties of the fit: {100 * inside:.1f} %")
    say(f"  residual RMS: median {np.median(rms):.3f} mm, largest {max(rms):.3f} mm")
    times = np.array(times) * 1000
    say(
        f"  reading and straightening, processor time: median {np.median(times):.0f} ms, "
        f"95th percentile {np.percentile(times, 95):.0f} ms"
    )


def measure_curled(made, count):
    rng = np.random.default_rng(77)
    shown = refused = flagged = missed = over = 0
    largest = 0.0
    for number in range(count):
        height = float(rng.uniform(2, 30))
        view = dataclasses.replace(random_view(5000 + number), curl_mm=height)
        layout, reading, why, _, truth = take(made, view, number)
        if reading is None:
            missed += 1
            say(f"  curled by {height:.0f} mm: {why}")
            continue
        errors = np.abs(scale_errors(reading.mapping.to_image, truth.to_image, layout.area))
        if reading.mm_refused:
            refused += 1
            continue
        shown += 1
        flagged += "sheet-not-flat" in reading.flags
        over += errors.mean() > 0.02
        largest = max(largest, errors.mean())
    say(
        f"curled by 2 to 30 mm, {count}: mm given {shown} (flagged {flagged}), refused {refused}, not read {missed}; "
        f"largest scale error where mm were given {100 * largest:.2f} %, over 2 %: {over}"
    )


def measure_print():
    """Printed at 94.1 % and 97 %: the scale with the bar given, and what is said without it."""
    plan = plan_sheet(find_passage("kite"), find_ruling("uk-8"))
    picture, area = picture_of(draw_sheet(plan)), plan.layouts[0].area
    for shrink in (0.941, 0.97):
        small = cv2.resize(picture, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        page = np.full_like(picture, 255)
        page[60 : 60 + small.shape[0], 50 : 50 + small.shape[1]] = small
        grey = cv2.cvtColor(page, cv2.COLOR_BGR2GRAY)
        for bar in (None, 100 * shrink):
            reading = read_sheet(grey, bar_mm=bar, dpi=(300, 300))
            ends = reading.to_image(np.array([(area.left, area.top), (area.left + 100.0, area.top)]) * 1.0)
            length = np.linalg.norm(ends[1] - ends[0]) / PX_PER_MM
            say(
                f"printed at {100 * shrink:.1f} %, bar {bar}: 100 mm stated are {length:.2f} mm; "
                f"{reading.print_statement}"
            )


def measure_pdf():
    """Every fiducial edge and every rule against its place, at 600 dpi."""
    dpi = 600
    worst_mark = worst_rule = 0.0
    for passage, ruling in [("fox", ruling.name) for ruling in RULINGS]:
        for paper, hand in (("a4", "right"), ("letter", "left")):
            plan = plan_sheet(find_passage(passage), find_ruling(ruling), paper=paper, hand=hand)
            mark, rule = pdf_errors(draw_sheet(plan), plan.layouts, dpi)
            worst_mark, worst_rule = max(worst_mark, mark), max(worst_rule, rule)
    say(f"PDF at {dpi} dpi: fiducial edges within {worst_mark:.3f} mm, rules within {worst_rule:.3f} mm")


def pdf_errors(pdf, layouts, dpi):
    step = 25.4 / dpi
    mark = rule_error = 0.0
    document = pypdfium2.PdfDocument(pdf)
    offset = len(document) - len(layouts)
    for number, layout in enumerate(layouts):
        page = document[offset + number].render(scale=dpi / 72).to_numpy()
        blue = page[..., 0].astype(np.float64)  # rules are darkest there
        for fiducial in layout.fiducials:
            reach = 1.0
            x0, y0 = round((fiducial.left - reach) / step), round((fiducial.top - reach) / step)
            side = round((FIDUCIAL_MM + 2 * reach) / step)
            dark = page[y0 : y0 + side, x0 : x0 + side].max(axis=-1) < 128
            mark = max(mark, edge_error(page[y0 : y0 + side, x0 : x0 + side].max(axis=-1), (x0, y0), fiducial, step))
            middles = ((np.arange(8) + 0.5) * FIDUCIAL_MM / 8 + reach) / step
            seen = dark[np.ix_(middles.astype(int), middles.astype(int))]
            if (seen != mark_modules(fiducial.id)).any():
                raise SystemExit(f"fiducial {fiducial.id} is drawn wrong")
        for rule in layout.rules:
            rule_error = max(rule_error, line_error(blue, rule, step))
    return mark, rule_error


def edge_error(patch, corner, fiducial, step):
    """Largest distance of a mark's four edges from their places, mm, to parts of a pixel by the ink they cover."""
    ink, worst = 1.0 - patch / 255.0, 0.0
    for turned, start, place in ((ink, corner[0], fiducial.left), (ink.T, corner[1], fiducial.top)):
        last = turned.shape[1]
        half = round(1.5 / step)  # from 1 mm outside to the middle of the 1 mm border
        band = turned[round(1.3 / step) : -round(1.3 / step)]
        near = (start + half - band[:, :half].sum(axis=1)) * step - place
        far = (start + last - half + band[:, -half:].sum(axis=1)) * step - place - FIDUCIAL_MM
        worst = max(worst, float(np.abs(near).max()), float(np.abs(far).max()))
    return worst


def line_error(blue, rule, step, reach=0.45):
    """Distance of a drawn rule's middle from its place, half way between other rules that cross it."""
    level = rule.y0 == rule.y1
    start, end, place = (rule.x0, rule.x1, rule.y0) if level else (rule.y0, rule.y1, rule.x0)
    picture = blue if level else blue.T
    first, last = round((place - reach) / step), round((place + reach) / step)
    strip = 255.0 - picture[first:last, round((start + 0.2) / step) : round((end - 0.2) / step)]
    weight = np.median(strip, axis=1)
    if weight.max() < 20:
        return 99.0
    return abs(float((weight * (np.arange(first, last) + 0.5)).sum() / weight.sum()) * step - place)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--photographs", type=int, default=300)
    parser.add_argument("--curled", type=int, default=60)
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    measure_pdf()
    measure_print()
    made = sheets()
    measure_photographs(made, asked.photographs)
    measure_curled(made, asked.curled)
