"""How well the reader reads freely: character error by group, on lines it was never trained on.

    python tests/benchmarks/reading.py --copies COPIES --ink INK --pages

`COPIES`: folder with `lines.csv`, `lines/` and `pages/` of copied lines (Copiste d'un jour, BAnQ 2024, CC BY 4.0);
scored are the writers kept out of training (`handwriting.reader.train.copies.held_out`). `INK`: folder of pen traces of
children (Drotar & Dobes 2020), `NN.json`; scored is the last line of each, one Slovak sentence. With `--pages` the
whole scans in `COPIES/pages` are found and cut by the pipeline and each page's text is scored as one; most of their
writers were trained on, so those rows say what the cutting costs, not how new hands are read. None of it is part of the
project. The likeliest text of the frames, no word list; struck runs are left out of both sides.
"""

from __future__ import annotations

import argparse
import json
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from handwriting.alignment.evidence import gather
from handwriting.calibration import Given
from handwriting.page import Page
from handwriting.pipeline import Options, find_writing
from handwriting.reader import Recogniser
from handwriting.reader.alphabet import canonical, decode
from handwriting.reader.likeliest import likeliest
from handwriting.reader.train import copies
from handwriting.reader.train.score import character_error, spoken

SENTENCE = "V lete bude teplo a sucho"
_DPI, _PEN_MM, _PAD_MM = 300, 0.5, 3.0

Pair = tuple[str, str]


def say(text: str) -> None:
    """Print a line at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def copied_lines(folder: Path) -> list[copies.CopiedLine]:
    """Lines of the writers kept out."""
    with tempfile.TemporaryDirectory() as here:
        packed = Path(here) / "copies.npz"
        copies.pack(folder, packed)
        lines = copies.load(packed)
    aside = copies.held_out([line.writer for line in lines])
    say(f"split seed {copies.SPLIT_SEED}; writers kept out: {sorted(aside)}")
    return [line for line in lines if line.writer in aside]


def sentence(trace: Path) -> npt.NDArray[np.uint8]:
    """Draw the last line of a pen trace, mm, as a scan at 300 dpi."""
    strokes = [np.array(s)[:, :2] for s in json.loads(trace.read_text(encoding="utf-8"))["lines"][-1]]
    k = _DPI / 25.4
    points = np.concatenate(strokes)
    low = points.min(0) - _PAD_MM
    width, height = np.ceil((points.max(0) + _PAD_MM - low) * k).astype(int)
    grey = np.full((height, width), 245, np.uint8)
    for stroke in strokes:
        path = [np.rint((stroke - low) * k * 16).astype(np.int32)]
        cv2.polylines(grey, path, False, 60, round(_PEN_MM * k), cv2.LINE_AA, 4)
    return grey


def page(path: Path, reader: Recogniser) -> Pair:
    """Read a whole scan as the pipeline finds and cuts its lines: text read and true text."""
    facts = json.loads(path.read_text(encoding="utf-8"))
    grey = cv2.imread(str(path.with_suffix(".jpg")), cv2.IMREAD_GRAYSCALE)
    scan = Page(np.asarray(grey, np.uint8), None, "0" * 64, path.stem, "JPEG")
    found = find_writing((scan,), (), Options(Given(dpi=facts["dpi"])))
    evidence = gather(found.ink, found.lines, reader)
    read = [decode(likeliest(evidence.signs[v.start : v.stop])).strip() for v in evidence.views]
    down = sorted(facts["lines"], key=lambda line: float(np.mean(np.array(line["baseline_px"])[:, 1])))
    true = [copies.usable_text(line["text"]) or canonical(line["text"]) for line in down]
    return " ".join(read), " ".join(true)


def tell(name: str, pairs: list[Pair]) -> None:
    """Print one row."""
    e = character_error(pairs)
    say(f"{name:44s} {len(pairs):4d} lines  all {e.full:.3f}  marks off {e.plain:.3f}  case off too {e.caseless:.3f}")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--copies", type=Path)
    parser.add_argument("--ink", type=Path)
    parser.add_argument("--pages", action="store_true", help="whole scans as well")
    parser.add_argument("--only-pages", action="store_true", help="whole scans and not the single lines")
    parser.add_argument("--weights", type=Path, help="an ONNX file; the package's own when left out")
    parser.add_argument("--show", action="store_true", help="print every reading")
    o = parser.parse_args()
    began = time.perf_counter()
    reader = Recogniser.load(o.weights)
    say(f"load {1000 * (time.perf_counter() - began):.0f} ms")
    pairs: list[Pair] = []
    if o.copies and not o.only_pages:
        lines = copied_lines(o.copies)
        pairs = [(reader.read((255 - line.ink).astype(np.uint8)).text, line.text) for line in lines]
        tell("copied lines, writers kept out", pairs)
        for writer in sorted({line.writer for line in lines}):
            tell(f"  writer {writer}", [p for p, line in zip(pairs, lines, strict=True) if line.writer == writer])
    if o.ink:
        said = [reader.read(sentence(trace)).text for trace in sorted(o.ink.glob("[0-9]*.json"))]
        tell("children's sentence", [(text, SENTENCE) for text in said])
        pairs += [(text, SENTENCE) for text in said]
    if o.copies and (o.pages or o.only_pages):
        for path in sorted((o.copies / "pages").glob("*.json")):
            tell(f"whole scan {path.stem}", [page(path, reader)])
    if o.show:
        for read, true in pairs:
            say(f"{spoken(read)}\n    {true}")


if __name__ == "__main__":
    main()
