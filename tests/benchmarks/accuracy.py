"""How exact the instrument is: seeded phantom pages measured, against what was set for the writer.

    python tests/benchmarks/accuracy.py --pages 200            print the table
    python tests/benchmarks/accuracy.py --pages 200 --write    put it between the marks in README.md and DEVELOPERS.md

For every page drawn by `handwriting.phantoms.random_page`: the skew, pitch and place of the rules against the truth;
the lines found; and each measure against the value *set for the writer* (not the page as it fell): bias, mean absolute
error, and the share of pages whose 95 % interval holds the set value.
"""

from __future__ import annotations

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np

import handwriting
from handwriting.calibration import Given
from handwriting.errors import HandwritingError
from handwriting.page import Page
from handwriting.phantoms import draw, random_page
from handwriting.pipeline import Options, measure_page
from handwriting.quantity import Measured
from handwriting.task import read_task

ROOT = Path(__file__).parents[2]


def set_values(writer: Any, set_all: dict[str, Any]) -> dict[str, float]:
    """Return what was set for the writer, by measure key."""
    values = {
        "x_height": writer.x_height_mm + writer.pen_width_mm,
        "x_height_centre": writer.x_height_mm,
        "height_cv": writer.height_cv,
        "word_space": writer.word_space_mm,
        "word_space_cv": writer.word_space_cv,
        "slant": writer.slant_deg,
        "slant_spread": writer.slant_sd_deg,
        "baseline_wander": set_all["writer"]["wander_mm"],
        "stroke_width": writer.pen_width_mm,
    }
    if not writer.joined:
        values["letter_space"] = writer.letter_space_mm
    return values


def one(seed: int) -> dict[str, Any]:
    """Measure one page; return the errors and whether intervals held the set values."""
    cv2.setNumThreads(1)
    text, writer, paper, capture = random_page(seed)
    phantom = draw(text, writer, paper, capture, seed)
    image = phantom.image
    grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    page = Page(grey, image if image.ndim == 3 else None, "0" * 64, f"seed {seed}", "PNG")
    row: dict[str, Any] = {
        "seed": seed,
        "joined": writer.joined,
        "true_lines": len(phantom.truth.lines),
        "ruling": paper.rules,
    }
    try:
        result = measure_page(page, read_task(seconds=300, letters=100), Options(Given(dpi=capture.dpi)))
    except HandwritingError as error:
        row["refused"] = str(error)
        return row
    row["lines"] = len(result.record.lines)
    row["rules"] = _rules(result, phantom.truth, paper.pitch_mm)
    for key, true in set_values(writer, phantom.truth.set_values).items():
        quantity = result.record.measures.get(key)
        if isinstance(quantity, Measured):
            row[key] = (quantity.value - true, quantity.low <= true <= quantity.high, true)
    return row


def _rules(result: Any, truth: Any, pitch_mm: float) -> tuple[float, float, float] | None:
    """Return error of skew (deg), of pitch (share) and RMS of place (mm) of the rules; None where either has none."""
    ruling, k = result.found.ruling, result.record.scale.mm_per_px
    across = [r for r in truth.rules if r.kind not in ("vertical", "margin")]
    if ruling is None or not across:
        return None
    middle = 0.5 * (ruling.left + ruling.right)
    # Row i of the picture spans i to i + 1: its middle is half a pixel on.
    mine = np.array([(float(ruling.at(i, middle)) + 0.5) * k for i in range(len(ruling.offsets))])
    theirs = np.array([r.at_mm - r.slope * (middle + 0.5) * k for r in across])
    distance = mine[:, None] - theirs[None, :]
    nearest = distance[np.arange(len(mine)), np.abs(distance).argmin(1)]
    skew = float(np.degrees(np.arctan(ruling.slope) + np.arctan(np.median([r.slope for r in across]))))
    return skew, float(ruling.pitch * k / pitch_mm - 1), float(np.sqrt(np.mean(nearest**2)))


def table(rows: list[dict[str, Any]]) -> str:
    """Return the accuracy table as Markdown."""
    first = rows[0]["seed"]
    lines = [
        f"Version {handwriting.__version__}, {len(rows)} pages drawn from seeds {first} to {rows[-1]['seed']},",
        "150 to 600 dots to the inch, clean to rough; against the value set for the writer. Command:",
        f"`python tests/benchmarks/accuracy.py --first {first} --pages {len(rows)} --write`.",
        "",
        "| measure | pages | bias | mean error | 95 % interval holds it |",
        "|---|---|---|---|---|",
    ]
    names = (
        "x_height",
        "x_height_centre",
        "height_cv",
        "word_space",
        "word_space_cv",
        "letter_space",
        "slant",
        "slant_spread",
        "baseline_wander",
        "stroke_width",
    )
    for key in names:
        got = [r[key] for r in rows if key in r]
        if got:
            errors = np.array([g[0] for g in got])
            held = 100 * np.mean([g[1] for g in got])
            lines.append(f"| {key} | {len(got)} | {errors.mean():+.3f} | {np.abs(errors).mean():.3f} | {held:.0f} % |")
    rules = np.array([r["rules"] for r in rows if r.get("rules")])
    if len(rules):
        found = 100 * len(rules) / max(1, sum(r["ruling"] != "none" for r in rows))
        lines += [
            "",
            f"Rules on {len(rules)} ruled pages (found on {found:.0f} % of those that have them): "
            f"skew within {np.abs(rules[:, 0]).max():.3f}° at most, pitch within "
            f"{100 * np.abs(rules[:, 1]).max():.2f} %, place {np.median(rules[:, 2]):.3f} mm RMS in the middle page, "
            f"{rules[:, 2].max():.3f} mm on the worst.",
        ]
    exact = np.mean([r.get("lines") == r["true_lines"] for r in rows])
    refused = sum("refused" in r for r in rows)
    lines.append(f"Right number of lines of writing on {100 * exact:.0f} % of pages; {refused} pages refused.")
    return "\n".join(lines)


def main() -> None:
    """Measure and print, and write into the documents when asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pages", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--each", action="store_true", help="one line a page")
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.pages)
    with ProcessPoolExecutor(given.workers) as pool:
        rows = []
        for row in pool.map(one, seeds):
            rows.append(row)
            if given.each:
                short = {k: round(v[0], 3) for k, v in row.items() if isinstance(v, tuple) and k != "rules"}
                sys.stdout.write(
                    f"{row['seed']} {'joined' if row['joined'] else ''} {row['ruling']} lines {row.get('lines')}"
                    f"/{row['true_lines']} {row.get('refused', '')} {row.get('rules')} {short}\n"
                )
                sys.stdout.flush()
    text = table(rows)
    sys.stdout.write(text + "\n")
    if given.write:
        for name in ("README.md", "DEVELOPERS.md"):
            path = ROOT / name
            whole = path.read_text("utf-8")
            begin, end = "<!-- accuracy:begin -->", "<!-- accuracy:end -->"
            if begin in whole and end in whole:
                head, _, rest = whole.partition(begin)
                path.write_text(f"{head}{begin}\n{text}\n{end}{rest.partition(end)[2]}", "utf-8")


if __name__ == "__main__":
    main()
