"""A child process that keeps samples as fast as it can and says each number once it is kept; it is killed meanwhile."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from handwriting.record import load
from handwriting.store import open_store

store, record, first = Path(sys.argv[1]), load(Path(sys.argv[2]).read_text("utf-8")), int(sys.argv[3])
picture = np.full((record.page.frame_height_px, record.page.frame_width_px), 240, np.uint8)
with open_store(store, create=True) as held:
    sys.stdout.write("open\n")
    sys.stdout.flush()
    for number in range(first, first + 100_000):
        one = replace(record, page=replace(record.page, sha256=f"{number:064x}"))
        kept = held.keep(one, picture)
        sys.stdout.write(f"{kept} {number}\n")
        sys.stdout.flush()
