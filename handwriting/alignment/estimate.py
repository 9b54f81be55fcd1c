"""How many letters stand on a page whose text is not known: an estimate by the reader alone, never a transcript."""

from __future__ import annotations

import numpy as np

from handwriting.alignment.evidence import Evidence, gather
from handwriting.alignment.expected import is_letter
from handwriting.alignment.result import LetterEstimate
from handwriting.ink import Ink
from handwriting.lines import Lines
from handwriting.reader.alphabet import ALPHABET
from handwriting.reader.recogniser import Recogniser

# Of n letters the reader's count was off with a standard deviation of sqrt((0.02 n)^2 + 0.08 n): 2.6 % on drawn pages
# of 330 letters, 7 % on a sentence of 20 by children (Drotar & Dobes 2020), under 1 % on copied pages of 680 and more.
_SHARE, _EACH = 0.02, 0.08


def estimate_letters(ink: Ink, lines: Lines, reader: Recogniser) -> LetterEstimate:
    """Estimate how many letters stand on a page; crossed-out runs, digits and marks are left aside."""
    return estimated(gather(ink, lines, reader))


def estimated(evidence: Evidence) -> LetterEstimate:
    """Estimate from evidence gathered before: how often a letter is begun, weighed by how sure the reader is of it."""
    letters = [1 + i for i, sign in enumerate(ALPHABET) if is_letter(sign)]
    chance = np.exp(evidence.signs[:, letters].astype(np.float64))
    before = np.vstack([np.zeros((1, len(letters))), chance[:-1]])
    count = float((chance * (1 - before)).sum())
    half = 1.96 * np.sqrt((_SHARE * count) ** 2 + _EACH * count)
    return LetterEstimate(round(count), max(0, int(np.floor(count - half))), int(np.ceil(count + half)))
