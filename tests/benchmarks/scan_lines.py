"""Lines of writing found on real scans, against lines outlined and baselines drawn by hand.

    python tests/benchmarks/scan_lines.py PAGES --overlays OUT

PAGES is a folder of scans NN.jpg, each with NN.json: the resolution, and for each line its text, the corners of its
outline and of its baseline in pixels. For every page: the lines found, split, merged or left over; how far the record's
baseline, the course of the pen along the feet, lies from the drawn one (root mean square, mm; ours above is positive),
how far with the page's own mean distance taken out, and how far the lower edge of the letters' ink lies from that of
the line and from the drawn one (median, mm). At the end stands also how far the lower edge of the ink, half a stroke
below the baseline, lies from the drawn one. A drawn line that holds a single sign or none is a mark, a page number for
one: it is left out of the count and named.
"""

from __future__ import annotations

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import json
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from handwriting.baselines import turning_points
from handwriting.calibration import Given
from handwriting.lines import Lines
from handwriting.page import read_page
from handwriting.pipeline import Options, measure_page
from handwriting.report.overlay import overlay
from handwriting.task import read_task


def corners(drawn: dict[str, Any], key: str) -> np.ndarray:
    """Return the corners of an outline or baseline, from the left for a baseline."""
    points = np.asarray(drawn[key], float)
    return points[np.argsort(points[:, 0])] if key == "baseline_px" else points


def one(page: Path, overlays: Path | None) -> list[tuple[float, float, float]]:
    """Measure a page, print its row; return for each line RMS and mean distance to the drawn, half a stroke."""
    truth = json.loads(page.with_suffix(".json").read_text("utf-8"))
    result = measure_page(read_page(page), read_task(), Options(Given(dpi=truth["dpi"])))
    found, frame = result.found.lines, result.found.frame
    if frame.turned_deg or frame.px_per_page_px != 1 or frame.outline is not None:
        sys.stdout.write(
            f"{page.stem}: the page was turned, reduced or straightened; it cannot be laid on the drawing\n"
        )
        return []
    if overlays is not None:
        overlays.mkdir(parents=True, exist_ok=True)
        shown = overlay(result.record, result.picture)
        cv2.imwrite(str(overlays / f"{page.stem}.png"), cv2.cvtColor(shown, cv2.COLOR_RGB2BGR))
    px_per_mm = truth["dpi"] / 25.4
    labels = np.full(found.pieces.shape, -1, np.int32)
    labels[found.pieces.y, found.pieces.x] = found.line
    used: dict[int, list[int]] = {}
    rows, feet_ours, feet_drawn, marks, missing = [], [], [], [], 0
    for number, drawn in enumerate(truth["lines"]):
        if sum(sign.isalnum() for sign in drawn["text"]) < 2:
            marks.append(drawn["text"] or "no text")
            continue
        best = most_of(labels, corners(drawn, "outline_px"))
        if best is None:
            missing += 1
            continue
        used.setdefault(best, []).append(number)
        baseline = corners(drawn, "baseline_px")
        x = np.linspace(baseline[0, 0], baseline[-1, 0], 60)
        ours = result.record.lines[best]
        above = (np.interp(x, *baseline.T) - np.interp(x, *(np.transpose(ours.baseline) * px_per_mm))) / px_per_mm
        rows.append((float(np.sqrt(np.mean(above**2))), float(above.mean()), ours.half_stroke))
        own, theirs = feet(found, best, baseline)
        feet_ours.append(own / px_per_mm)
        feet_drawn.append(theirs / px_per_mm)
    rms, mean, _ = np.array(rows).T
    merged = sum(len(v) > 1 for v in used.values())
    extra = len(found.lines) - len(used)
    without = np.sqrt(np.maximum(rms**2 - mean**2 + (mean - mean.mean()) ** 2, 0))
    sys.stdout.write(
        f"{page.stem}: {len(found.lines)} lines found of {len(truth['lines']) - len(marks)}, {missing} missing, "
        f"{merged} merged, {extra} left over; baseline within 0.5 mm on {(rms <= 0.5).sum()} of {len(rms)}, "
        f"median {np.median(rms):.2f}, ours above {mean.mean():+.2f}; its mean taken out within 0.5 mm on "
        f"{(without <= 0.5).sum()}; feet above the line's own lower edge {np.mean(feet_ours):+.2f}, "
        f"above the drawn {np.mean(feet_drawn):+.2f}"
        f"{'; marks drawn as lines: ' + ', '.join(marks) if marks else ''}\n"
    )
    return rows


def most_of(labels: np.ndarray, outline: np.ndarray) -> int | None:
    """Return the line that holds most of the ink inside an outline."""
    inside = np.zeros(labels.shape, np.uint8)
    cv2.fillPoly(inside, [outline.round().astype(np.int32)], 1)
    values = labels[(inside > 0) & (labels >= 0)]
    return int(np.bincount(values).argmax()) if len(values) else None


def feet(lines: Lines, index: int, baseline: np.ndarray) -> tuple[float, float]:
    """Return how far the middle one of a line's feet lies above the lines' own lower edge and the drawn one, px."""
    mine = lines.line == index
    (x, y), _ = turning_points(lines.pieces.x[mine], lines.pieces.y[mine], lines.body_px)
    line = lines.lines[index]
    above = line.baseline.at(x) - y
    near = np.abs(above) < 0.4 * line.x_height
    return float(np.median(above[near])), float(np.median((np.interp(x, *baseline.T) - y - 1)[near]))


def main() -> None:
    """Measure every page and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("pages", type=Path)
    parser.add_argument("--overlays", type=Path, help="write each page's overlay here")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    rows = [row for page in sorted(given.pages.glob("*.jpg")) for row in one(page, given.overlays)]
    rms, mean, half = np.array(rows).T
    for name, square in (("baseline", rms**2), ("lower edge of the ink", rms**2 - 2 * mean * half + half**2)):
        sys.stdout.write(
            f"{name}: {np.sqrt(square.mean()):.2f} mm RMS from the drawn one over all lines, "
            f"within 0.5 mm on {(square <= 0.25).sum()} of {len(rows)} lines\n"
        )


if __name__ == "__main__":
    main()
