"""Frames as a reader without doubts would give them for a string: a sign a frame, a blank between, `|` a line's end."""

import numpy as np

from handwriting.alignment.evidence import Evidence, LineView
from handwriting.reader.alphabet import BLANK, CLASSES, INDEX

_SURE, _REST = np.log(0.98), np.log(0.02 / (CLASSES - 1))


def frames(read: str, doubt: dict[int, str] | None = None) -> Evidence:
    """Return evidence for `read`; `doubt` gives for a place in it another sign seen as likely."""
    rows, parting, crossing, views = [], [], [], []
    start = 0
    for line in read.split("|"):
        for place, sign in enumerate(line):
            row = np.full(CLASSES, _REST, np.float32)
            row[INDEX[sign]] = _SURE
            other = (doubt or {}).get(place)
            if other:
                row[[INDEX[sign], INDEX[other]]] = np.log(0.49)
            blank = np.full(CLASSES, _REST, np.float32)
            blank[BLANK] = _SURE
            rows += [row, blank]
            parting += [0.95, 0.95] if sign == " " else [0.004, 0.004]
            crossing += [sign == " ", False]
        end = np.full(CLASSES, -20.0, np.float32)
        end[BLANK] = 0.0
        rows.append(end)
        parting.append(0.97)
        crossing.append(True)
        stop = start + 2 * len(line)
        empty = np.empty(0)
        edges = 10.0 * np.arange(stop - start + 1)
        views.append(LineView(len(views), start, stop, edges, empty.astype(np.int64), empty, empty, 0.0))
        start = stop + 1
    signs = np.array(rows)
    bare, quiet = np.array(parting) > 0.9, np.where(signs.argmax(1) == BLANK, 0.0, -2.2)
    return Evidence(signs, signs, np.array(parting), np.array(crossing), bare, quiet, tuple(views), 18.0)
