"""How sure the alignment may be of a word, from the evidence for it; set so that what is said comes true as often."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Doubt:
    """What speaks for and against a word.

    Attributes
    ----------
    lack : float
        How much likelier its ink is freely read than as the expected word, nats a letter.
    spelt : float
        Chance of the expected spelling.
    parted : float
        The less certain of the gaps at its two ends, chance that it parts words.
    crossed : float
        Share of its signs that look struck out.
    letters : int
    """

    lack: float = 0.0
    spelt: float = 1.0
    parted: float = 1.0
    crossed: float = 0.0
    letters: int = 0


def confidence(state: str, doubt: Doubt) -> float:
    """Return the chance that a word and its state are right."""
    if state == "written":
        return float(np.clip(doubt.spelt, 0.02, 0.99))
    if state == "misspelt?":
        return float(np.clip(1 - doubt.spelt, 0.02, 0.99))
    return 0.8
