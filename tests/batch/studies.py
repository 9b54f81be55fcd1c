"""Small studies for the tests: a manifest with empty page files, and what a finished study's tables hold."""

from pathlib import Path

import cv2
import numpy as np

from handwriting.batch.manifest import Manifest, read_manifest
from handwriting.phantoms import WRITERS, Capture, Paper, draw

TABLES = ("samples", "measures", "words", "letters", "failures")


def make(folder: Path, names: list[str], own: str = "class", cell: str = "5b") -> Path:
    """Write a manifest of samples with these names, and a file for each."""
    folder.mkdir(parents=True, exist_ok=True)
    rows = [f"sample,file,participant,occasion,seconds,{own}"]
    for name in names:
        (folder / f"{name}.png").write_bytes(name.encode())
        rows.append(f"{name},{name}.png,P{name[:4]},1,300,{cell}")
    path = folder / "pages.csv"
    path.write_text("\r\n".join(rows) + "\r\n", "utf-8", newline="")
    return path


def read(folder: Path, names: list[str], **columns: str) -> Manifest:
    return read_manifest(make(folder, names, **columns))


def tables(study: Path) -> dict[str, bytes]:
    """Every file of a study that must not depend on how it was run."""
    files = [
        p
        for p in study.iterdir()
        if p.is_file() and p.name != "checks.csv" and p.suffix in {".csv", ".json", ".md", ".parquet"}
    ]
    records = sorted((study / "records").iterdir())
    return {str(p.relative_to(study)): p.read_bytes() for p in [*files, *records]}


def draw_pages(folder: Path, count: int, *, blank: int | None = None) -> Path:
    """Draw small real pages (half a sheet, three lines, 150 dots to the inch) and write their manifest."""
    folder.mkdir(parents=True, exist_ok=True)
    text = "the tide turns at noon and the grey boats lean on the sand until it comes back"
    (folder / "tide.txt").write_text(text, "utf-8")
    rows = ["file,participant,occasion,text,seconds,letters,dpi,class"]
    hands = list(WRITERS.values())
    for i in range(count):
        page = draw(text, hands[i % 3], Paper(width_mm=210, height_mm=148), Capture(dpi=150), 10 + i)
        image = page.image if i != blank else np.full_like(page.image, 245)
        cv2.imwrite(str(folder / f"p{i}.png"), image)
        rows.append(f"p{i}.png,P{i // 2:02d},{i % 2 + 1},tide.txt,60,58,150,5b")
    path = folder / "pages.csv"
    path.write_text("\n".join(rows) + "\n", "utf-8")
    return path
