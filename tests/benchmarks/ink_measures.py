"""Slant, stroke width and baseline drift of pages drawn from real pen traces, against the traces themselves.

    python tests/benchmarks/ink_measures.py INK

INK is a folder with `render.py` beside the traces. From a trace come: the median angle, by height, of the pen's ways
down of 1.2 mm and more; the slope of each line's feet (Theil-Sen through the pen's lowest turning points), mean over
lines; and the width of the pen as drawn, from the dark of one straight stroke over its depth. Its points are as far
apart as those of the writer's ways down, for every joint of a drawn polyline adds to the line's width: 0.626 mm
with two points, 0.66 with points 0.25 mm apart, 0.68 with 0.1 mm.
"""

from __future__ import annotations

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import importlib
import sys
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from scipy.stats import theilslopes

from handwriting.calibration import Given
from handwriting.page import Page
from handwriting.pipeline import Options, measure_page
from handwriting.quantity import Measured
from handwriting.task import read_task

DPI = 300
LEAST_MM = 1.2


def slant(lines: list[list[np.ndarray]]) -> float:
    """Median angle of the ways down, each by its height, degrees."""
    angles, heights = [], []
    for stroke in (s for line in lines for s in line):
        x, y = stroke[:, 0], stroke[:, 1]
        way = np.sign(np.diff(y, append=y[-1]))
        for run in np.split(np.arange(len(y)), np.flatnonzero(np.diff(way)) + 1):
            height = y[run[-1]] - y[run[0]]
            middle = run[len(run) // 6 : len(run) - len(run) // 6]
            if height >= LEAST_MM and len(middle) >= 3:
                angles.append(np.degrees(np.arctan2(1, np.polyfit(-y[middle], x[middle], 1)[0])))
                heights.append(height)
    order = np.argsort(angles)
    summed = np.cumsum(np.array(heights)[order])
    return float(np.array(angles)[order][np.searchsorted(summed, summed[-1] / 2)])


def spacing(lines: list[list[np.ndarray]]) -> float:
    """Median distance of neighbouring points in the middle of the pen's ways down, mm."""
    found = []
    for stroke in (s for line in lines for s in line):
        way = np.sign(np.diff(stroke[:, 1], append=stroke[-1, 1]))
        for run in np.split(stroke[:, :2], np.flatnonzero(np.diff(way)) + 1):
            if run[-1, 1] - run[0, 1] >= LEAST_MM:
                middle = run[len(run) // 6 : len(run) - len(run) // 6]
                found += np.hypot(*np.diff(middle, axis=0).T).tolist()
    return float(np.median(found))


def pen(page: Callable[..., np.ndarray], apart_mm: float) -> float:
    """Width of the pen's line with points so far apart, mm."""
    y = np.arange(10.0, 40.0, apart_mm)
    straight = page([[np.column_stack([np.full(len(y), 10.0), y, y])]], DPI, noise=0.0)
    dark = straight.max() - straight[straight.shape[0] // 2].astype(float)
    return float(dark.sum() / dark.max() / DPI * 25.4)


def drift(lines: list[list[np.ndarray]]) -> float:
    """Mean over lines of the slope of the feet, degrees, rising to the right positive."""
    slopes = []
    for line in lines:
        feet = []
        for stroke in line:
            way = np.sign(np.diff(stroke[:, 1]))
            moving = np.flatnonzero(way)
            turns = moving[np.flatnonzero(np.diff(way[moving]) < 0)] + 1
            feet += [stroke[t, :2] for t in turns]
        at = np.array(feet)
        if len(at) > 4:
            near = at[np.abs(at[:, 1] - np.median(at[:, 1])) < 4]
            slopes.append(-np.degrees(np.arctan(theilslopes(near[:, 1], near[:, 0]).slope)))
    return float(np.mean(slopes))


def main() -> None:
    """Draw, measure, print a row a writer and the differences."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("ink", type=Path)
    given = parser.parse_args()
    cv2.setNumThreads(1)
    sys.path.insert(0, str(given.ink))
    render = importlib.import_module("render")
    off: dict[str, list[float]] = {"slant": [], "baseline_drift": [], "stroke_width": []}
    held = dict.fromkeys(off, 0)
    for name in sorted(p.stem for p in given.ink.glob("*.json")):
        lines = render.load(name)
        page = Page(render.page(lines, DPI), None, "0" * 64, name, "PNG")
        measures = measure_page(page, read_task(), Options(Given(dpi=DPI))).record.measures
        cells = [name]
        pen_mm = pen(render.page, spacing(lines))
        for key, true in (("slant", slant(lines)), ("baseline_drift", drift(lines)), ("stroke_width", pen_mm)):
            found = measures[key]
            if not isinstance(found, Measured):
                cells.append(f"{key} not measured")
                continue
            off[key].append(found.value - true)
            held[key] += found.low <= true <= found.high
            cells.append(f"{key} {found.value:.2f} [{found.low:.2f} {found.high:.2f}] trace {true:.2f}")
        sys.stdout.write("; ".join(cells) + "\n")
    for key, values in off.items():
        d = np.array(values)
        sys.stdout.write(
            f"{key}: mean difference {d.mean():+.2f}, root mean square {np.sqrt((d**2).mean()):.2f}, "
            f"median size {np.median(np.abs(d)):.2f}, interval holds the trace's on {held[key]} of {len(d)}\n"
        )


if __name__ == "__main__":
    main()
