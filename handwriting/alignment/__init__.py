"""The ink of a page laid against the text that was to be copied: what was written of it, by words and letters."""

from handwriting.alignment.align import LEAST_FIT, align, check_fit, own_reader
from handwriting.alignment.result import STATES, Alignment, LetterTotals, WrittenLetter, WrittenWord

__all__ = [
    "LEAST_FIT",
    "STATES",
    "Alignment",
    "LetterTotals",
    "WrittenLetter",
    "WrittenWord",
    "align",
    "check_fit",
    "own_reader",
]
