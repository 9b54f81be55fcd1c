"""The letter recogniser: what signs a line of ink looks like, frame by frame, without a word list."""

from handwriting.reader.alphabet import ALPHABET, BLANK, CLASSES, CROSSED_OUT, INDEX, canonical
from handwriting.reader.recogniser import Line, Reading, Recogniser, normalise

__all__ = [
    "ALPHABET",
    "BLANK",
    "CLASSES",
    "CROSSED_OUT",
    "INDEX",
    "Line",
    "Reading",
    "Recogniser",
    "canonical",
    "normalise",
]
