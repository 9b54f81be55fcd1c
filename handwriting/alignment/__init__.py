"""The ink of a page laid against the text that was to be copied: what was written of it, by words and letters."""

from handwriting.alignment.align import LEAST_FIT, align, check_fit, own_reader
from handwriting.alignment.estimate import estimate_letters
from handwriting.alignment.match import match_words
from handwriting.alignment.result import STATES, Alignment, LetterEstimate, LetterTotals, WrittenLetter, WrittenWord
from handwriting.alignment.tally import OF_TEXT

__all__ = [
    "LEAST_FIT",
    "OF_TEXT",
    "STATES",
    "Alignment",
    "LetterEstimate",
    "LetterTotals",
    "WrittenLetter",
    "WrittenWord",
    "align",
    "check_fit",
    "estimate_letters",
    "match_words",
    "own_reader",
]
