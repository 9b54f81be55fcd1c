"""The real copied lines: packed for training, and split by writer.

Source: *Copiste d'un jour*, Bibliothèque et Archives nationales du Québec, 2024, CC BY 4.0; line pictures 64 px high
with a table `lines.csv` (file, writer, crop_height_mm, text). The pictures are never part of the project.
"""

from __future__ import annotations

import argparse
import csv
import logging
import re
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from handwriting.errors import DamagedFileError
from handwriting.reader.alphabet import CROSSED_OUT, INDEX, canonical
from handwriting.reader.recogniser import ink_of

log = logging.getLogger(__name__)

SPLIT_SEED = 20
HELD_OUT_WRITERS = 20
_STRUCK = re.compile(r">[^<>]*<")
_NOT_PROSE = re.compile(r"[{}\[\]_^~#\\<>=]|https?:")


@dataclass(frozen=True, slots=True, eq=False)
class CopiedLine:
    """One real line.

    Attributes
    ----------
    ink : ndarray of uint8, shape (64, W)
        255 where there is ink.
    text : str
        What was to be copied, canonical, `CROSSED_OUT` for each struck run.
    writer : int
        Number of the writer.
    """

    ink: npt.NDArray[np.uint8]
    text: str
    writer: int


def held_out(writers: list[int], count: int = HELD_OUT_WRITERS) -> frozenset[int]:
    """Name the writers kept for scoring: the first `count` as shuffled with `SPLIT_SEED`."""
    order = np.random.default_rng(SPLIT_SEED).permutation(sorted(set(writers)))
    return frozenset(int(w) for w in order[:count])


def pack(lines: Path, target: Path) -> int:
    """Put `lines.csv` and its pictures (still compressed) into one file; returns the number of lines."""
    with (lines / "lines.csv").open(encoding="utf-8", newline="") as source:
        rows = list(csv.DictReader(source))
    blobs = [np.fromfile(lines / "lines" / row["file"], np.uint8) for row in rows]
    np.savez(
        target,
        pixels=np.concatenate(blobs),
        ends=np.cumsum([len(blob) for blob in blobs]),
        writer=np.array([int(row["writer"]) for row in rows]),
        text=np.array([row["text"] for row in rows]),
    )
    return len(rows)


def usable_text(raw: str) -> str | None:
    """Give the text with struck runs as `CROSSED_OUT`; None for formulas and addresses, poorly transcribed."""
    text = canonical(_STRUCK.sub(CROSSED_OUT, raw))
    if _NOT_PROSE.search(text) or not text or not set(text) <= INDEX.keys():
        return None
    return text


def load(packed: Path) -> list[CopiedLine]:
    """Read the lines of a packed file whose text can be used."""
    with np.load(packed) as data:
        pixels, ends, writers, texts = data["pixels"], data["ends"], data["writer"], data["text"]
    found = []
    for i, (raw, writer) in enumerate(zip(texts, writers, strict=True)):
        text = usable_text(str(raw))
        if text is None:
            continue
        grey = cv2.imdecode(pixels[0 if i == 0 else ends[i - 1] : ends[i]], cv2.IMREAD_GRAYSCALE)
        if grey is None:
            raise DamagedFileError(f"line picture {i} cannot be decoded", where=packed.name, fix="Pack the lines again")
        found.append(CopiedLine((ink_of(grey.astype(np.uint8)) * 255).astype(np.uint8), text, int(writer)))
    return found


def main() -> None:
    """Pack: `python -m handwriting.reader.train.copies FOLDER TARGET.npz`."""
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("target", type=Path)
    chosen = parser.parse_args()
    log.info("%d lines packed", pack(chosen.folder, chosen.target))
    kept = load(chosen.target)
    aside = held_out([line.writer for line in kept])
    log.info("%d lines usable; split seed %d; writers kept out: %s", len(kept), SPLIT_SEED, sorted(aside))


if __name__ == "__main__":
    main()
