"""Letters counted by laying pages against their text: drawn pages with slips, partial copies of real ink, whole scans.

    python tests/benchmarks/alignment.py --first 1000 --pages 20
    python tests/benchmarks/alignment.py --ink INK
    python tests/benchmarks/alignment.py --scans PAGES --pictures OUT

Drawn pages hold 60 to 140 words by hands from able to very variable, joined and unjoined, with two words left out, one
repeated, three misspelt, two crossed out, one added and a run of words skipped; measured by the whole pipeline.
INK is a folder with `render.py` beside pen traces: the first 2 to 6 words of a known sentence are drawn. Which strokes
make those words is told twice, see `word_boxes.py`: by the text, for all writers; by the five widest gaps, as
`render.py --partial` does it, which takes wrong strokes for some. PAGES holds scans NN.jpg with NN.json: each line's
baseline and text.
"""

from __future__ import annotations

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import importlib
import json
import sys
import time
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from handwriting.alignment import Alignment, WrittenWord
from handwriting.calibration import Given
from handwriting.errors import HandwritingError, TextMismatchError
from handwriting.page import Page
from handwriting.phantoms import PASSAGES, WRITERS, Capture, Paper, Phantom, Slips, Truth, WordTruth, draw
from handwriting.pipeline import Found, Options, find_writing, lay_against
from handwriting.task import split_words

# States as the drawn truth names them, in the alignment's words.
STATE = {"misspelt": "misspelt?", "crossed-out": "crossed-out?"}
SENTENCE = "V lete bude teplo a sucho"


def say(line: str) -> None:
    """Write a line of the results."""
    sys.stdout.write(line + "\n")


def copy_page(seed: int) -> Phantom:
    """Return a drawn copy with slips of every kind."""
    rng = np.random.default_rng([seed, 11])
    base = list(WRITERS.values())[seed % len(WRITERS)]
    x_height = float(rng.uniform(2.2, 3.2))
    k = x_height / base.x_height_mm
    writer = replace(
        base,
        x_height_mm=x_height,
        style=int(rng.integers(6)),
        pen_width_mm=float(rng.uniform(0.3, 0.55)),
        word_space_mm=base.word_space_mm * k,
        letter_space_mm=base.letter_space_mm * k,
        bounce_mm=base.bounce_mm * k,
        wave_mm=base.wave_mm * k,
        slips=Slips(left_out=2, repeated=1, misspelt=3, crossed_out=2, added=1, skipped_run=int(rng.integers(5, 10))),
    )
    paper = Paper(rules="single" if seed % 2 else "none", pitch_mm=max(8.0, float(np.ceil(3.3 * x_height))))
    return draw(
        PASSAGES[seed % len(PASSAGES)], writer, paper, Capture(dpi=300, skew_deg=float(rng.normal(0, 0.4))), seed
    )


@dataclass(slots=True)
class Scores:
    """What is added up over pages."""

    right: Counter[str] = field(default_factory=Counter)
    wrong: Counter[str] = field(default_factory=Counter)
    missed: Counter[str] = field(default_factory=Counter)
    errors: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    words: list[float] = field(default_factory=list)
    letters: list[float] = field(default_factory=list)
    sure: list[tuple[float, bool]] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    refused: int = 0

    def f(self, leave: tuple[str, ...] = ()) -> float:
        """Return F over the states but some."""
        right, wrong, missed = (
            sum(n for s, n in c.items() if s not in leave) for c in (self.right, self.wrong, self.missed)
        )
        return 2 * right / max(1, 2 * right + wrong + missed)


def found_on(grey: np.ndarray[Any, np.dtype[np.uint8]], dpi: float, name: str) -> Found:
    """Run the stages before the text."""
    page = Page(grey, None, "0" * 64, name, "PNG")
    return find_writing((page,), (), Options(Given(dpi=dpi)))


def aligned(found: Found, text: str) -> tuple[Alignment, float]:
    """Lay it against the text, timed; refused when the text does not fit."""
    start = time.perf_counter()
    laid = lay_against(found, text, "page").alignment
    if laid is None:
        raise RuntimeError("a text that does not fit was not refused")
    return laid, time.perf_counter() - start


def add_page(scores: Scores, truth: Truth, laid: Alignment, *, each: bool) -> None:
    """Compare one drawn page with its truth."""
    written = [w for w in truth.words if w.state != "left-out"]
    used: set[int] = set()
    for word in laid.words:
        overlaps = [
            0.0 if i in used or t.box is None else word.box.overlap(truth.px(t.box)) for i, t in enumerate(written)
        ]
        best = int(np.argmax(overlaps))
        true = written[best] if overlaps[best] > 0.3 else None
        if true is not None:
            used.add(best)
        _add_word(scores, word, true, overlaps[best], truth, each=each)
    for i, true in enumerate(written):
        if i not in used:
            scores.missed[STATE.get(true.state, true.state)] += 1
            if true.state != "crossed-out":
                scores.words.append(0.0)
    out = {w.text_index for w in truth.words if w.state == "left-out"}
    got = set(laid.left_out)
    scores.right["left-out"] += len(out & got)
    scores.wrong["left-out"] += len(got - out)
    scores.missed["left-out"] += len(out - got)
    true_count = truth.letter_counts["matching"] + truth.letter_counts["misspelt"]
    scores.errors.append((laid.totals.written - true_count) / true_count)
    scores.inside.append(laid.totals.low <= true_count <= laid.totals.high)


def _add_word(
    scores: Scores, word: WrittenWord, true: WordTruth | None, overlap: float, truth: Truth, *, each: bool
) -> None:
    state = None if true is None else STATE.get(true.state, true.state)
    right = true is not None and state == word.state and (word.index is None or word.index == true.text_index)
    scores.sure.append((word.confidence, right))
    if right:
        scores.right[word.state] += 1
    else:
        scores.wrong[word.state] += 1
        if state is not None:
            scores.missed[state] += 1
        if each:
            say(
                f"    {word.state} {word.text} ({word.seen}, {word.confidence:.2f}); "
                f"true: {state} {true and true.written}"
            )
    if true is None or true.state == "crossed-out":
        return
    scores.words.append(overlap)
    if word.index is not None:
        for letter in true.letters:
            same = [x.box.overlap(truth.px(letter.ink)) for x in word.letters if x.text.lower() == letter.char.lower()]
            if letter.char.isalpha():
                scores.letters.append(max(same, default=0.0))


def reliability_error(sure: list[tuple[float, bool]]) -> float:
    """Return how far stated confidence and share right differ, over ten bins of confidence, weighed by their words."""
    stated, right = np.array([s for s, _ in sure]), np.array([r for _, r in sure], np.float64)
    bins = np.minimum((stated * 10).astype(int), 9)
    return float(
        sum(abs(stated[bins == b].mean() - right[bins == b].mean()) * (bins == b).mean() for b in np.unique(bins))
    )


def drawn(first: int, pages: int, *, each: bool) -> None:
    """Measure drawn pages and print the figures."""
    scores = Scores()
    for seed in range(first, first + pages):
        page = copy_page(seed)
        grey = page.image if page.image.ndim == 2 else cv2.cvtColor(page.image, cv2.COLOR_RGB2GRAY)
        try:
            laid, seconds = aligned(found_on(np.asarray(grey, np.uint8), 300, f"seed {seed}"), page.truth.text)
        except HandwritingError as error:
            say(f"seed {seed}: {error}")
            scores.refused += 1
            continue
        if each:
            say(f"seed {seed}: {laid.totals.written} letters, fit {laid.fit:.2f}, {seconds:.2f} s")
        scores.seconds.append(seconds)
        add_page(scores, page.truth, laid, each=each)
    for state in sorted({*scores.right, *scores.wrong, *scores.missed}):
        r, w, m = scores.right[state], scores.wrong[state], scores.missed[state]
        say(f"{state:14} right {r:5} wrong {w:4} missed {m:4}  F {2 * r / max(1, 2 * r + w + m):.3f}")
    errors = np.array(scores.errors)
    say(f"pages {len(errors)}, refused {scores.refused}")
    say(f"word states: F {scores.f():.4f}; of slips alone {scores.f(('written',)):.4f}")
    say(f"written letters within 1 % on {np.mean(np.abs(errors) <= 0.01):.1%} of pages, mean {errors.mean():+.4f}")
    say(f"interval of the count holds the truth on {np.mean(scores.inside):.1%}")
    say(f"word boxes with IoU 0.75: {np.mean(np.array(scores.words) >= 0.75):.2%}")
    say(f"letter boxes with IoU 0.5: {np.mean(np.array(scores.letters) >= 0.5):.2%}")
    say(f"reliability error of the stated confidence: {reliability_error(scores.sure):.4f}")
    say(f"seconds a page over the stages before: median {np.median(scores.seconds):.2f}")


def partial_copies(folder: Path) -> None:
    """Draw the first words of the sentence from real pen traces and count."""
    sys.path[:0] = [str(folder), str(Path(__file__).parent)]
    render, word_boxes = importlib.import_module("render"), importlib.import_module("word_boxes")
    words = SENTENCE.split()
    for how, split in (("by text", word_boxes.words_by_text), ("by widest gaps", render.sentence_words)):
        errors, true, refused = [], [], 0
        for path in sorted(folder.glob("[0-9]*.json")):
            strokes = split(render.load(path.stem)[-1])
            if strokes is None:
                continue
            for k in range(2, 7):
                grey = render.page([[s for word in strokes[:k] for s in word]])
                count = sum(map(len, words[:k]))
                try:
                    laid, _ = aligned(found_on(grey, 300, path.stem), SENTENCE)
                except HandwritingError as error:
                    say(f"  writer {path.stem}, {k} words: {error.what}")
                    refused += 1
                    continue
                errors.append(laid.totals.written - count)
                true.append(count)
                if errors[-1]:
                    seen = [(w.text, w.state, w.seen) for w in laid.words]
                    say(f"  writer {path.stem}, {k} words: {errors[-1]:+d} {seen}")
        e = np.array(errors)
        share = np.sum(e == 0) / (len(e) + refused)
        say(f"{how}: {len(e) + refused} copies, {refused} refused, exact {share:.1%} of all")
        say(f"  of those counted mean error {np.abs(e).mean():.2f} letters, bias {e.sum() / sum(true):+.2%}")


def scans(folder: Path, pictures: Path | None) -> None:
    """Lay whole scans against their text; every word must stand on the line that has it, and be looked at."""
    for path in sorted(folder.glob("*.json")):
        facts = json.loads(path.read_text("utf-8"))
        rows = [(x["text"].replace("<", "").replace(">", ""), np.array(x["baseline_px"])) for x in facts["lines"]]
        text = " ".join(t for t, _ in rows)
        row_of = [n for n, (t, _) in enumerate(rows) for _ in split_words(t)]
        grey = cv2.imread(str(path.with_suffix(".jpg")), cv2.IMREAD_GRAYSCALE)
        found = found_on(np.asarray(grey, np.uint8), facts["dpi"], path.stem)
        laid, seconds = aligned(found, text)
        off = [w.text for w in laid.words if w.index is not None and _row(w, found, rows) != row_of[w.index]]
        states = dict(Counter(w.state for w in laid.words))
        out = [split_words(text)[i].text for i in laid.left_out]
        say(f"{path.stem}: {len(row_of)} words, {states}, left out {out}")
        say(f"  on another line {off}, fit {laid.fit:.2f}, {seconds:.2f} s")
        other = next(p for p in sorted(folder.glob("*.json"), reverse=True) if p != path)
        wrong = " ".join(x["text"] for x in json.loads(other.read_text("utf-8"))["lines"])
        try:
            aligned(found, wrong)
            say("  the text of another page was taken")
        except TextMismatchError as error:
            say(f"  the text of another page: {error.what}")
        if pictures is not None:
            cv2.imwrite(str(pictures / f"{path.stem}.png"), _picture(found, laid))


def _row(word: WrittenWord, found: Found, rows: list[tuple[str, Any]]) -> int:
    # The frame of a scan taken upright at its own resolution has the scan's own pixels, or whole fractions of them.
    k = found.frame.px_per_page_px
    x = 0.5 * (word.box.left + word.box.right)
    y = float(found.lines.lines[word.line].baseline.at(x))
    return min(range(len(rows)), key=lambda n: abs(np.interp(x / k, rows[n][1][:, 0], rows[n][1][:, 1]) - y / k))


def _picture(found: Found, laid: Alignment) -> Any:
    colours = {"written": (0, 140, 0), "misspelt?": (200, 0, 200), "added": (0, 0, 255), "repeated": (255, 0, 0)}
    image = cv2.cvtColor(found.ink.flat, cv2.COLOR_GRAY2BGR)
    for word in laid.words:
        corners = [(int(word.box.left), int(word.box.top)), (int(word.box.right), int(word.box.bottom))]
        colour = colours.get(word.state, (0, 140, 255))
        cv2.rectangle(image, *corners, colour, 2)
        cv2.putText(image, word.text or "+", corners[0], cv2.FONT_HERSHEY_SIMPLEX, 0.8, colour, 2)
    return image


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--pages", type=int, default=0)
    parser.add_argument("--each", action="store_true", help="print every page and every word that is not right")
    parser.add_argument("--ink", type=Path)
    parser.add_argument("--scans", type=Path)
    parser.add_argument("--pictures", type=Path)
    given = parser.parse_args()
    if given.pages:
        drawn(given.first, given.pages, each=given.each)
    if given.ink:
        partial_copies(given.ink)
    if given.scans:
        scans(given.scans, given.pictures)


if __name__ == "__main__":
    main()
