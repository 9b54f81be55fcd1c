"""Lines of writing found on pages drawn from real pen traces, scored by the published contest rule.

    python tests/benchmarks/ink_lines.py INK --dpi 300

INK is a folder with `render.py` and `score.py` beside the traces. Every writer's page is drawn on plain paper and on
8 mm rules, grey 190 and grey 130, measured by the pipeline, and its label map scored: FM and the number of pages with
every line right.
"""

from __future__ import annotations

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import importlib
import sys
from pathlib import Path

import cv2

from handwriting.calibration import Given
from handwriting.errors import HandwritingError
from handwriting.page import Page
from handwriting.pipeline import Options, measure_page
from handwriting.task import read_task


def main() -> None:
    """Draw, measure, score, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("ink", type=Path)
    parser.add_argument("--dpi", type=int, default=300)
    given = parser.parse_args()
    cv2.setNumThreads(1)
    sys.path.insert(0, str(given.ink))
    render, score = importlib.import_module("render"), importlib.import_module("score")
    for rule_grey in (None, 190, 130):
        matched = true = found = right = 0
        names = sorted(p.stem for p in given.ink.glob("*.json"))
        for name in names:
            traces = render.load(name)
            grey = render.page(traces, given.dpi, rules_mm=None if rule_grey is None else 8, rule_grey=rule_grey or 190)
            page = Page(grey, None, "0" * 64, name, "PNG")
            try:
                labels = measure_page(page, read_task(), Options(Given(dpi=given.dpi))).label_maps()["lines"]
            except HandwritingError as error:
                sys.stdout.write(f"{name}: {error}\n")
                true += len(traces)
                continue
            m, t, f = score.score(traces, labels, given.dpi)
            matched, true, found, right = matched + m, true + t, found + f, right + (m == t == f)
            if not m == t == f:
                sys.stdout.write(f"{name}: {m} of {t} lines matched, {f} found\n")
        detection, accuracy = matched / true, matched / max(found, 1)
        fm = 2 * detection * accuracy / max(detection + accuracy, 1e-9)
        paper = "plain paper" if rule_grey is None else f"rules of grey {rule_grey}"
        sys.stdout.write(f"{paper}, {given.dpi} dpi: FM {fm:.4f}, all lines right on {right} of {len(names)} pages\n")


if __name__ == "__main__":
    main()
