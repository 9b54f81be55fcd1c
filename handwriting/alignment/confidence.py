"""How sure the alignment may be of a word and a letter; set so that what is said comes true as often.

The shares are those found right on drawn pages with known slips (`tests/benchmarks/alignment.py` prints the reliability
error: how far stated confidence and share right differ).
"""

from __future__ import annotations

import numpy as np

# Share of the words of each state that were right, for states not weighed by their spelling.
_RIGHT = {"repeated": 0.85, "added": 0.92, "crossed-out?": 0.97}
# Nothing is surer than this, or less sure than its rest.
_MOST = 0.99
# A letter whose word is known is right this often even where the reader does not see it, and this often where it does.
_UNSEEN, _SEEN = 0.83, 0.98


def word_confidence(state: str, spelt: float) -> float:
    """Return the chance that a word and its state are right.

    Parameters
    ----------
    state : str
        One of `result.STATES`.
    spelt : float
        Chance that it is spelt as expected, see `spelling.chances`.
    """
    if state in _RIGHT:
        return _RIGHT[state]
    return float(np.clip(spelt if state == "written" else 1 - spelt, 1 - _MOST, _MOST))


def letter_confidence(seen: float) -> float:
    """Return the chance that a letter and its place are right, `seen` being the reader's own probability for it."""
    return _UNSEEN + (_SEEN - _UNSEEN) * seen
