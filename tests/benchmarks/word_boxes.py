"""Word boxes found on the sentence line of pages drawn from real pen traces, without the text, against the trace.

    python tests/benchmarks/word_boxes.py INK --dpi 300

INK is a folder with `render.py` beside the traces. Every writer's page is drawn on plain paper and on 8 mm rules, grey
190 and grey 130, and measured by the pipeline. The last line holds a known sentence of six words. A found box of that
line is right when it covers a true one with an intersection over union of at least 0.75 (each used once);
F = 2 right / (found + true).

Which strokes make a true word is told in one of two ways:

- *by widest gaps*: `sentence_words` in `render.py`, the five widest empty columns of the trace. It tells no words for
  writers with fewer empty columns (their words overhang one another), and wrong ones where a pen lift inside a word or
  a full stop stands farther off than the neighbouring word.
- *by text*: the same sentence, its pen lifts seen along the lean of the trace, parted where gaps and the words' widths
  (letters 1, 4, 4, 5, 1, 5) together fit best. This tells the words of all writers; each was looked at (`--pictures`).

Both are printed; the second is the one to judge by.
"""

from __future__ import annotations

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import importlib
import sys
from itertools import combinations, pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.calibration import Given
from handwriting.geometry import Box
from handwriting.page import Page
from handwriting.pipeline import Options, measure_page
from handwriting.task import read_task

Strokes = list[NDArray[np.float64]]
LETTERS = np.array([1, 4, 4, 5, 1, 5])
ENOUGH = 0.75
PEN_MM = 0.5


def words_by_text(line: Strokes) -> list[Strokes]:
    """Part the strokes of the sentence into its six words by gaps along the lean and by the words' widths."""
    points = np.vstack(line)[:, :2]
    lean = min(np.arange(-0.2, 1.3, 0.02), key=lambda s: -_distinct(points[:, 0] + s * points[:, 1]))
    spans: list[tuple[float, float, Strokes]] = []
    middle = np.percentile(points[:, 1], [25, 75])
    for stroke in sorted(line, key=lambda s: float((s[:, 0] + lean * s[:, 1]).min())):
        # Long tops and tails reach over the neighbours; what lies about the middle of the line does not.
        inside = (stroke[:, 1] > middle[0] - 1) & (stroke[:, 1] < middle[1] + 1)
        body = stroke[inside] if inside.sum() > 3 else stroke
        x = body[:, 0] + lean * body[:, 1]
        low, high = float(x.min()), float(x.max())
        if spans and low < spans[-1][1] - 0.3 * (high - low):
            spans[-1] = (spans[-1][0], max(spans[-1][1], high), [*spans[-1][2], stroke])
        else:
            spans.append((low, high, [stroke]))
    best, best_cost = (0,) * 5, np.inf
    for cuts in combinations(range(1, len(spans)), 5):
        edges = (0, *cuts, len(spans))
        width = np.array([spans[b - 1][1] - spans[a][0] for a, b in pairwise(edges)])
        gap = np.array([spans[c][0] - spans[c - 1][1] for c in cuts])
        share = np.log(np.maximum(width, 0.3) / width.sum()) - np.log((LETTERS + 0.5) / (LETTERS + 0.5).sum())
        cost = float((share**2).sum() / 0.15 - 1.5 * np.minimum(gap, 4.0).sum())
        if cost < best_cost:
            best, best_cost = cuts, cost
    edges = (0, *best, len(spans))
    return [[s for span in spans[a:b] for s in span[2]] for a, b in pairwise(edges)]


def _distinct(columns: NDArray[np.float64]) -> float:
    counts = np.bincount(np.rint((columns - columns.min()) / 0.4).astype(int)).astype(float)
    return float((counts**2).sum())


def _boxes(words: list[Strokes], low: NDArray[np.float64], pad: float, k: float) -> list[Box]:
    """Return the ink boxes of the words, page px."""
    out = []
    for word in words:
        points = (np.vstack(word)[:, :2] - low + pad) * k
        (x0, y0), (x1, y1) = points.min(0) - PEN_MM / 2 * k, points.max(0) + PEN_MM / 2 * k
        out.append(Box(float(x0), float(y0), float(x1), float(y1)))
    return out


def _right(found: list[Box], true: list[Box]) -> list[int]:
    """Return the indices of the found boxes that are right."""
    free = set(range(len(true)))
    right = []
    for i, box in enumerate(found):
        best = max(free, key=lambda j: box.overlap(true[j]), default=None)
        if best is not None and box.overlap(true[best]) >= ENOUGH:
            free.remove(best)
            right.append(i)
    return right


def _found(result: Any, true: list[Box]) -> list[Box]:
    """Return the boxes of the words found on the sentence line: those whose middle lies at its height."""
    top, bottom = min(b.top for b in true), max(b.bottom for b in true)
    k = 1 / (result.record.scale.mm_per_px or 1.0)
    boxes = [w.box.scaled(k) for line in result.record.lines for w in line.words]
    return [b for b in boxes if top < 0.5 * (b.top + b.bottom) < bottom]


def _picture(grey: NDArray[np.uint8], true: list[Box], found: list[Box], right: list[int], path: Path) -> None:
    """Save the sentence line: true boxes green, found ones blue where right and red where not."""
    image = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
    for i, box in enumerate([*true, *found]):
        colour = (0, 170, 0) if i < len(true) else (0, 0, 220)
        if i - len(true) in right:
            colour = (220, 80, 0)
        corners = (round(box.left), round(box.top)), (round(box.right), round(box.bottom))
        cv2.rectangle(image, *corners, colour, 1 if i < len(true) else 2)
    top, bottom = min(b.top for b in [*true, *found]), max(b.bottom for b in [*true, *found])
    cv2.imwrite(str(path), image[max(0, int(top) - 20) : int(bottom) + 20])


def _one(render: ModuleType, name: str, given: argparse.Namespace, rule_grey: int | None) -> dict[str, Any]:
    """Measure one page; return for either truth (right, found, true)."""
    traces = render.load(name)
    grey = render.page(traces, given.dpi, rules_mm=None if rule_grey is None else 8, rule_grey=rule_grey or 190)
    page = Page(grey, None, "0" * 64, name, "PNG")
    result = measure_page(page, read_task(), Options(Given(dpi=given.dpi)))
    k, low = given.dpi / 25.4, render.origin(traces)
    scores: dict[str, Any] = {}
    for truth, words in (("widest gaps", render.sentence_words(traces[-1])), ("text", words_by_text(traces[-1]))):
        if words is None:
            continue
        true = _boxes(words, low, render.PAD_MM, k)
        found = _found(result, true)
        right = _right(found, true)
        scores[truth] = (len(right), len(found), len(true))
        if truth == "text" and given.pictures:
            paper = "plain" if rule_grey is None else str(rule_grey)
            _picture(grey, true, found, right, given.pictures / f"{name}_{paper}.png")
    return scores


def main() -> None:
    """Draw, measure, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("ink", type=Path)
    parser.add_argument("--dpi", type=int, default=300)
    parser.add_argument("--pictures", type=Path, help="folder for a picture of every sentence line")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    sys.path.insert(0, str(given.ink))
    render = importlib.import_module("render")
    names = sorted(p.stem for p in given.ink.glob("*.json"))
    for rule_grey in (None, 190, 130):
        totals = {"widest gaps": np.zeros(4, int), "text": np.zeros(4, int)}
        for name in names:
            for truth, score in _one(render, name, given, rule_grey).items():
                totals[truth] += (*score, 1)
                if truth == "text" and not score[0] == score[1] == score[2]:
                    sys.stdout.write(f"{name}: {score[0]} of {score[2]} words right, {score[1]} found\n")
        paper = "plain paper" if rule_grey is None else f"rules of grey {rule_grey}"
        for truth, (right, found, true, writers) in totals.items():
            f = 2 * right / max(found + true, 1)
            sys.stdout.write(f"{paper}, {given.dpi} dpi, words told by {truth} ({writers} writers): F {f:.3f}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
