"""Pages of exactly known geometry: an alphabet of our own, drawn in mm, seeded.

`draw` puts a text on a `Paper` as a `Writer` would and takes its picture with a `Capture`; the `Phantom` holds the
picture and the `Truth` of every rule, line, word and letter, the values set for the writer and those realised on the
page. `random_page` gives everything `draw` needs, spanning sizes, hands, papers and captures. `WRITERS` names
ready-made writers; `missing_letters` tells what of a text the alphabet cannot write.

>>> from handwriting.phantoms import ABLE, Capture, Paper, draw
>>> page = draw("a small red boat", ABLE, Paper(), Capture(dpi=150), seed=1)
>>> page.image.shape, len(page.truth.words)
((1754, 1240), 4)
"""

from handwriting.phantoms.alphabet import missing_letters
from handwriting.phantoms.capture import INKS, Capture
from handwriting.phantoms.drawing import Phantom, draw
from handwriting.phantoms.paper import A4_MM, LETTER_MM, Paper
from handwriting.phantoms.passages import PASSAGES
from handwriting.phantoms.random_pages import random_page
from handwriting.phantoms.straights import Straight
from handwriting.phantoms.ticks import TICK_INKS, Ticks, TickTruth
from handwriting.phantoms.truth import LetterTruth, LineTruth, RuleTruth, Truth, WordTruth
from handwriting.phantoms.writer import ABLE, VARIABLE, VERY_VARIABLE, WRITERS, Habits, Slips, Writer

__all__ = [
    "A4_MM",
    "ABLE",
    "INKS",
    "LETTER_MM",
    "PASSAGES",
    "TICK_INKS",
    "VARIABLE",
    "VERY_VARIABLE",
    "WRITERS",
    "Capture",
    "Habits",
    "LetterTruth",
    "LineTruth",
    "Paper",
    "Phantom",
    "RuleTruth",
    "Slips",
    "Straight",
    "TickTruth",
    "Ticks",
    "Truth",
    "WordTruth",
    "Writer",
    "draw",
    "missing_letters",
    "random_page",
]
