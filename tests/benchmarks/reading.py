"""How well the reader reads freely: character error by group, on lines it was never trained on.

    python tests/benchmarks/reading.py --copies COPIES --ink INK

`COPIES`: folder with `lines.csv`, `lines/` and `pages/` of copied lines (Copiste d'un jour, BAnQ 2024, CC BY 4.0);
scored are the writers kept out of training (`handwriting.reader.train.copies.held_out`). `INK`: folder of pen traces of
children (Drotar & Dobes 2020), `NN.json`; scored is the last line of each, one Slovak sentence. Neither is part of the
project. Greedy reading, no word list; struck runs are left out of both sides.
"""

from __future__ import annotations

import argparse
import json
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from handwriting.reader import Recogniser
from handwriting.reader.train import copies
from handwriting.reader.train.score import character_error, spoken

SENTENCE = "V lete bude teplo a sucho"
_DPI, _PEN_MM, _PAD_MM = 300, 0.5, 3.0

Pair = tuple[str, str]


def copied_lines(folder: Path) -> list[copies.CopiedLine]:
    """Lines of the writers kept out."""
    with tempfile.TemporaryDirectory() as here:
        packed = Path(here) / "copies.npz"
        copies.pack(folder, packed)
        lines = copies.load(packed)
    aside = copies.held_out([line.writer for line in lines])
    print(f"split seed {copies.SPLIT_SEED}; writers kept out: {sorted(aside)}")
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


def tell(name: str, pairs: list[Pair]) -> None:
    """Print one row."""
    e = character_error(pairs)
    print(f"{name:44s} {len(pairs):4d} lines  all {e.full:.3f}  marks off {e.plain:.3f}  case off too {e.caseless:.3f}")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--copies", type=Path)
    parser.add_argument("--ink", type=Path)
    parser.add_argument("--weights", type=Path, help="an ONNX file; the package's own when left out")
    parser.add_argument("--show", action="store_true", help="print every reading")
    o = parser.parse_args()
    began = time.perf_counter()
    reader = Recogniser.load(o.weights)
    print(f"load {1000 * (time.perf_counter() - began):.0f} ms")
    pairs: list[Pair] = []
    if o.copies:
        lines = copied_lines(o.copies)
        pairs = [(reader.read((255 - line.ink).astype(np.uint8)).text, line.text) for line in lines]
        tell("copied lines, writers kept out", pairs)
        for writer in sorted({line.writer for line in lines}):
            tell(f"  writer {writer}", [p for p, line in zip(pairs, lines, strict=True) if line.writer == writer])
    if o.ink:
        said = [reader.read(sentence(trace)).text for trace in sorted(o.ink.glob("[0-9]*.json"))]
        tell("children's sentence", [(text, SENTENCE) for text in said])
        pairs += [(text, SENTENCE) for text in said]
    if o.show:
        for read, true in pairs:
            print(f"{spoken(read)}\n    {true}")


if __name__ == "__main__":
    main()
