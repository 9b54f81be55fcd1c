"""The likeliest text of a line's frames, all ways of writing it down in frames taken together.

The best class of each frame gives the one likeliest path; many paths spell the same text, and another text may be
likelier than that path's (prefix search, Graves et al. 2006). Nothing is known here of words or of a language.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from handwriting.reader.alphabet import BLANK

# A sign less likely than about 1 in 1,100 in a frame is not tried there; the text is never that far from the best path.
_LEAST: Final = -7.0
_KEPT: Final = 8
_NEVER: Final = -1e9


def likeliest(log_probs: npt.NDArray[np.float32]) -> list[int]:
    """Find the classes of the likeliest text.

    Parameters
    ----------
    log_probs : ndarray of float, shape (T, CLASSES)
        Natural log of the probability of each class in each frame, the blank first.

    Returns
    -------
    list of int
        Classes without blanks. The eight likeliest beginnings are followed, so a likelier text may now and then be
        missed; the one found is hardly ever less likely than the best path's.
    """
    # For each beginning: log probability of its paths that end in a blank, and of those that end in its last sign.
    beginnings: dict[tuple[int, ...], tuple[float, float]] = {(): (0.0, _NEVER)}
    tried = log_probs > _LEAST
    for row, signs in zip(log_probs.tolist(), tried, strict=True):
        found: dict[tuple[int, ...], tuple[float, float]] = {}
        wanted = [c for c in np.flatnonzero(signs).tolist() if c != BLANK]
        for said, (blank, sign) in beginnings.items():
            both = _sum(blank, sign)
            last = said[-1] if said else BLANK
            _add(found, said, both + row[BLANK], sign + row[last] if said else _NEVER)
            for c in wanted:
                # A like sign follows only over a blank.
                _add(found, (*said, c), _NEVER, (blank if c == last else both) + row[c])
        if len(found) > _KEPT:
            found = dict(sorted(found.items(), key=lambda item: _sum(*item[1]), reverse=True)[:_KEPT])
        beginnings = found
    return list(max(beginnings.items(), key=lambda item: _sum(*item[1]))[0])


def _sum(a: float, b: float) -> float:
    """Log of the sum of two probabilities given as logs."""
    if a < b:
        a, b = b, a
    return a + math.log1p(math.exp(b - a)) if b > _NEVER / 2 else a


def _add(found: dict[tuple[int, ...], tuple[float, float]], said: tuple[int, ...], blank: float, sign: float) -> None:
    before = found.get(said)
    found[said] = (blank, sign) if before is None else (_sum(before[0], blank), _sum(before[1], sign))
