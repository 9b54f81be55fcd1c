"""Rulers found in drawn pages, how true their scale is, and what else is taken for one.

    python tests/benchmarks/ruler.py --first 0 --pages 100 --lookalikes 3 [--clean FOLDER]

Seeds 0 to 59 were looked at while the finder was written. FOLDER holds pictures of
pages without a ruler. A line a page that is not found, or further out than 0.3 %; then the sums.
"""

import argparse
import sys
import time
from pathlib import Path

import cv2
import numpy as np

from handwriting.phantoms import random_page
from handwriting.phantoms.drawing import draw
from handwriting.phantoms.lookalikes import LOOKALIKES, draw_lookalike
from handwriting.phantoms.rulers import random_ruler_page
from handwriting.ruler import Ruler, find_ruler

FAR = 0.003


def say(line):
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def drawn(first, count):
    errors, stated, took, slanted = [], [], [], {True: 0, False: 0}
    photos = 0
    for seed in range(first, first + count):
        page = random_ruler_page(seed)
        photos += page.photo
        start = time.process_time()
        ruler = find_ruler(page.image)
        took.append(time.process_time() - start)
        about = f"seed {seed}: {page.dpi:g} dpi, {'photograph' if page.photo else 'scan'}, {page.make}"
        if not isinstance(ruler, Ruler):
            say(f"not found, {about}, nearest: {ruler.kind}")
            continue
        middle = ruler.places[np.argmin(np.abs(ruler.mm - 0.5 * (ruler.mm[0] + ruler.mm[-1])))]
        # A picture's pixel i spans i to i + 1 for the drawing, its middle is i for the finder.
        error = ruler.px_per_mm / page.px_per_mm_at(middle + 0.5) - 1
        slanted[page.photo] += ruler.slanted
        errors.append(error)
        stated.append(ruler.relative_sd)
        if abs(error) > FAR:
            say(f"{100 * error:+.2f} %,", about)
    off = np.abs(errors)
    say(f"found {len(off)} of {count}; |error| median {100 * np.median(off):.4f} %, greatest {100 * off.max():.4f} %")
    say(f"within twice the stated uncertainty: {100 * np.mean(off < 2 * np.array(stated)):.1f} %")
    say(f"slant told in {slanted[True]} of {photos} photographs, in {slanted[False]} of {count - photos} scans")
    say(f"process time: median {np.median(took):.2f} s, longest {max(took):.2f} s")


def without(lookalikes, pages, clean):
    false, count = 0, 0

    def look(name, picture):
        nonlocal false, count
        found = find_ruler(picture)
        count += 1
        if isinstance(found, Ruler):
            false += 1
            say(f"false: {name}, {found.px_per_mm:.2f} px to the mm, {len(found.mm)} ticks")

    for i, kind in enumerate(LOOKALIKES):
        for seed in range(lookalikes):
            look(f"{kind}, seed {100 * i + seed}", draw_lookalike(kind, 100 * i + seed))
    for seed in range(pages):
        text, writer, paper, capture = random_page(seed)
        picture = draw(text, writer, paper, capture, seed).image
        look(f"page {seed}", cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) if picture.ndim == 3 else picture)
    for path in sorted(clean.glob("*")) if clean else ():
        picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) if path.suffix != ".json" else None
        if picture is not None:
            look(path.name, picture)
    say(f"taken for a ruler: {false} of {count} pictures without one")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--pages", type=int, default=100)
    parser.add_argument("--lookalikes", type=int, default=3)
    parser.add_argument("--written", type=int, default=40, help="pages of the phantoms without a ruler")
    parser.add_argument("--clean", type=Path)
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    if asked.pages:
        drawn(asked.first, asked.pages)
    without(asked.lookalikes, asked.written, asked.clean)


if __name__ == "__main__":
    main()
