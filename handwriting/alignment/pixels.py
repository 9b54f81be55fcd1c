"""Which letter of a word each of its ink pixels belongs to."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import Box

_WHOLE = 0.9


def owners(x: NDArray[np.int32], y: NDArray[np.int32], piece: NDArray[np.int32], boxes: list[Box]) -> NDArray[np.int64]:
    """Return for every pixel of a word the letter it belongs to, -1 for none.

    The boxes of slanted letters overlap. A piece of ink that lies in one letter's box goes to that letter whole; only a
    piece that runs through several letters is cut at their boxes.
    """
    owner = np.full(len(x), -1, np.int64)
    if not boxes:
        return owner
    inside = np.stack([(x >= b.left) & (x < b.right) & (y >= b.top) & (y < b.bottom) for b in boxes])
    for own in np.unique(piece):
        mine = piece == own
        share = inside[:, mine].mean(1)
        whole = np.flatnonzero(share > _WHOLE)
        if len(whole):
            here = Box(float(x[mine].min()), float(y[mine].min()), float(x[mine].max() + 1), float(y[mine].max() + 1))
            owner[mine] = max(whole, key=lambda k: here.overlap(boxes[k]))
        else:
            held = inside[:, mine]
            owner[mine] = np.where(held.any(0), held.argmax(0), -1)
    return owner
