"""How exact the instrument is: seeded phantom pages measured, against what was set for the writer.

    python tests/benchmarks/accuracy.py --first 200 --pages 200            print the table
    python tests/benchmarks/accuracy.py --first 200 --pages 200 --write    put it between the marks in the documents
    python tests/benchmarks/accuracy.py --first 100 --pages 100 --common   print what `measures.common` rests on
    python tests/benchmarks/accuracy.py --first 200 --pages 100 --save a.json    keep the pages' results
    python tests/benchmarks/accuracy.py --join a.json b.json --write       make the table of results kept

For every page drawn by `handwriting.phantoms.random_page`: the skew, pitch and place of the rules against the truth;
the lines found; and each measure against the value *set for the writer* (not the page as it fell): bias, mean absolute
error, and the share of pages whose 95 % interval holds the set value. `--common` compares with the letters as they fell
on the page instead: what is left is the error of reading the ink, without the writer's own scatter.
"""

from __future__ import annotations

import argparse
import json
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
#: Values of a few pages of the table, for the test that sees whether it still holds.
CHECKED = ROOT / "tests" / "benchmarks" / "accuracy.json"
_CHECKED_PAGES, _CHECKED_DPI = 3, 200


def set_values(writer: Any, set_all: dict[str, Any], *, ruled: bool = True) -> dict[str, float]:
    """Return what was set for the writer, by measure key; drift is to the rules, or to the picture without any."""
    values = {
        "x_height": writer.x_height_mm + writer.pen_width_mm,
        "x_height_centre": writer.x_height_mm,
        "height_cv": writer.height_cv,
        "descender_ratio": writer.descender_ratio,
        "rule_distance": writer.line_bias_mm - writer.pen_width_mm / 2,
        "baseline_drift": writer.drift_deg + (0.0 if ruled else set_all["capture"]["skew_deg"]),
        "baseline_wander": set_all["writer"]["wander_mm"],
        "word_space": writer.word_space_mm,
        "word_space_cv": writer.word_space_cv,
        "slant": writer.slant_deg,
        "slant_spread": writer.slant_sd_deg,
        "left_margin_drift": writer.margin_drift_mm,
        "stroke_width": writer.pen_width_mm,
    }
    if not writer.joined:
        values["letter_space"] = writer.letter_space_mm
        values["letter_space_cv"] = writer.letter_space_cv
    return values


def as_it_fell(realised: dict[str, float]) -> dict[str, float]:
    """Return the same measures of the letters as they fell on the page, where the truth tells them."""
    pairs = {
        "x_height": "x_height_ink_mm",
        "x_height_centre": "x_height_mm",
        "height_cv": "size_cv",
        "descender_ratio": "descender_ratio",
        "baseline_wander": "wander_mm",
        "word_space": "word_space_mm",
        "letter_space": "letter_space_mm",
        "slant": "slant_deg",
        "slant_spread": "slant_deg_sd",
        "stroke_width": "pen_width_mm",
    }
    found = {key: realised[name] for key, name in pairs.items() if name in realised}
    for kind in ("word", "letter"):
        name = f"{kind}_space_mm"
        if f"{name}_sd" in realised:
            found[f"{kind}_space_cv"] = realised[f"{name}_sd"] / realised[name]
    return found


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
    fell = as_it_fell(phantom.truth.realised)
    row["measures"] = {}
    ruled = result.found.ruling is not None
    for key, true in set_values(writer, phantom.truth.set_values, ruled=ruled).items():
        quantity = result.record.measures.get(key)
        if isinstance(quantity, Measured):
            # How far the interval reaches towards the true value, beside its error.
            reach = quantity.high - quantity.value if true > quantity.value else quantity.value - quantity.low
            row["measures"][key] = (quantity.value - true, reach, quantity.value, fell.get(key))
    row["px_mm"] = result.record.scale.mm_per_px
    return row


def _rules(result: Any, truth: Any, pitch_mm: float) -> tuple[float, float, float] | None:
    """Return error of skew (deg), of pitch (share) and RMS of place (mm) of the rules; None where either has none."""
    ruling, k = result.found.ruling, result.record.scale.mm_per_px
    across = [r for r in truth.rules if r.kind not in ("vertical", "margin")]
    if ruling is None or not across:
        return None
    middle = 0.5 * (ruling.left + ruling.right)
    # Row i of the picture spans i to i + 1: its middle is half a pixel on.
    mine = np.array([(float(ruling.at(i, middle)) + 0.5) * k for i in ruling.pattern])
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
        f"`python tests/benchmarks/accuracy.py --first {first} --pages {len(rows)} --write`. *Right lines*: pages on",
        "which as many lines of writing were found as there are.",
        "",
        "| measure | pages | bias | mean error | 95 % interval holds it | of pages with right lines |",
        "|---|---|---|---|---|---|",
    ]
    for key in KEYS:
        right = np.array([r.get("lines") == r["true_lines"] for r in rows if key in r.get("measures", {})])
        got = [r["measures"][key] for r in rows if key in r.get("measures", {})]
        if got:
            errors = np.array([g[0] for g in got])
            held = np.array([abs(g[0]) <= g[1] for g in got])
            cells = f"{errors.mean():+.3f} | {np.abs(errors).mean():.3f} | {100 * held.mean():.0f} %"
            lines.append(f"| {key} | {len(got)} | {cells} | {100 * held[right].mean():.0f} % of {right.sum()} |")
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


def common(rows: list[dict[str, Any]]) -> str:
    """Return the errors of reading the ink on pages with right lines, by hand: bias and spread from the quartiles.

    In the measure's unit, in frame px (lengths), and as a share of the value.
    """
    heads = "".join(f" {part:>8} {'spread':>8}" for part in ("bias", "px bias", "bias %"))
    lines = [f"{'measure':17} {'hand':8} {'n':>3}{heads}"]
    for key in KEYS:
        for joined in (False, True):
            got = [
                (*r["measures"][key], r["px_mm"])
                for r in rows
                if r.get("lines") == r["true_lines"] and r["joined"] == joined and key in r["measures"]
            ]
            table = np.array([g for g in got if g[3] is not None], dtype=np.float64)
            if len(table) < 8:
                continue
            error = table[:, 2] - table[:, 3]
            cells = []
            for part in (error, error / table[:, 4], 100 * error / table[:, 2]):
                low, middle, high = np.percentile(part, [25, 50, 75])
                cells += [f"{middle:+8.3f}", f"{0.7413 * (high - low):8.3f}"]
            lines.append(f"{key:17} {'joined' if joined else 'unjoined':8} {len(table):3d} " + " ".join(cells))
    return "\n".join(lines)


KEYS = (
    "x_height",
    "x_height_centre",
    "height_cv",
    "descender_ratio",
    "rule_distance",
    "baseline_drift",
    "baseline_wander",
    "word_space",
    "word_space_cv",
    "letter_space",
    "letter_space_cv",
    "slant",
    "slant_spread",
    "left_margin_drift",
    "stroke_width",
)


def checked(rows: list[dict[str, Any]]) -> str:
    """Return the values of the first pages of few pixels that were measured, by seed, as JSON."""
    few = [r for r in rows if r.get("measures") and random_page(r["seed"])[3].dpi <= _CHECKED_DPI][:_CHECKED_PAGES]
    kept = {str(r["seed"]): {key: round(float(got[2]), 6) for key, got in r["measures"].items()} for r in few}
    return json.dumps({"version": handwriting.__version__, "pages": kept}, indent=1) + "\n"


def measured(given: argparse.Namespace) -> list[dict[str, Any]]:
    """Measure the pages asked for, or read results that were kept."""
    if given.join:
        return [row for path in given.join for row in json.loads(path.read_text("utf-8"))]
    rows = []
    with ProcessPoolExecutor(given.workers) as pool:
        for row in pool.map(one, range(given.first, given.first + given.pages)):
            rows.append(row)
            if given.each:
                short = {k: round(v[0], 3) for k, v in row.get("measures", {}).items()}
                sys.stdout.write(
                    f"{row['seed']} {'joined' if row['joined'] else ''} {row['ruling']} lines {row.get('lines')}"
                    f"/{row['true_lines']} {row.get('refused', '')} {row.get('rules')} {short}\n"
                )
                sys.stdout.flush()
    if given.save:
        given.save.write_text(json.dumps(rows), "utf-8")
    return rows


def main() -> None:
    """Measure and print, and write into the documents when asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pages", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--each", action="store_true", help="one line a page")
    parser.add_argument("--common", action="store_true", help="errors of reading the ink, for measures.common")
    parser.add_argument("--save", type=Path, help="keep the pages' results in this file")
    parser.add_argument("--join", type=Path, nargs="+", help="results kept before, instead of measuring")
    given = parser.parse_args()
    rows = measured(given)
    if given.common:
        sys.stdout.write(common(rows) + "\n")
        return
    text = table(rows)
    sys.stdout.write(text + "\n")
    if given.write:
        CHECKED.write_text(checked(rows), "utf-8")
        for name in ("README.md", "DEVELOPERS.md"):
            path = ROOT / name
            whole = path.read_text("utf-8")
            begin, end = "<!-- accuracy:begin -->", "<!-- accuracy:end -->"
            if begin in whole and end in whole:
                head, _, rest = whole.partition(begin)
                path.write_text(f"{head}{begin}\n{text}\n{end}{rest.partition(end)[2]}", "utf-8")


if __name__ == "__main__":
    main()
