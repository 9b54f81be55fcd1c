"""The stroke alphabet: centre lines of every letter, in units of the writer's x-height, y *up* from the baseline.

A stroke is written as points ``x,y``. A plain point is passed smoothly; ``!`` makes it a corner; ``|`` joins a straight
part and a curve without a kink. Two neighbouring corners are joined by a straight line. ``<`` marks where a join from
the letter before arrives, ``>`` where the join to the next letter leaves.

Heights
    Small letters: body 0 to 1, ascenders reach 2, descenders -1; the writer's ratios stretch the parts above 1 and
    below 0. Capitals and digits: 0 to 2, stretched as a whole. i, t and letters with marks reach heights of their own.
Upright strokes
    Every straight part whose two ends have the same x is truly upright and is drawn at the slant set: the stems of
    a b d f g h i j k l m n p q r t u, of y in its first form, and of their joined forms; of
    B D E F H I J K L M N P R T U Y; and of 1 4. The curves of c e o s, and the strokes of v w x z A V W X Z, lean both
    ways and carry no slant of their own.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise

import numpy as np

from handwriting.geometry import FloatArray

BODY = "acemnorsuvwxz"
ASCENDERS = "bdfhkl"
DESCENDERS = "gjpqy"

_BOWL = ".67,.8 .52,.96 .34,1 .1,.82 0,.48 .1,.13 .32,0 .54,.13 .68,.46! "
_JOIN_BOWL = ".67,.8 .52,.96 .34,1 .12,.85< 0,.48 .1,.13 .32,0 .54,.13 .68,.46! "

# Several forms of a letter are told apart by ";". Strokes of one form are told apart by "/".
_PRINT = {
    "a": _BOWL + ".68,1! .68,0;" + _BOWL + ".68,1! .68,.22| .73,.04 .84,.03;"
    ".06,.8 .16,.95 .32,1 .54,.9 .6,.66| .6,0! / .6,.56 .28,.56 .04,.4 .02,.16 .18,.0 .4,.06 .6,.3",
    "b": "0,2! 0,0! 0,.55 .15,.9 .36,1 .6,.82 .68,.48 .58,.14 .34,0 .12,.1 0,.32;"
    "0,2! 0,.4| .08,.1 .32,0 .58,.14 .68,.48 .58,.84 .36,1 .14,.9 0,.6",
    "c": ".6,.8 .36,1 .1,.82 0,.48 .1,.14 .36,0 .62,.2",
    "d": _BOWL + ".68,2! .68,0;" + _BOWL + ".68,2! .68,.22| .73,.04 .84,.03",
    "e": "0,.5! .64,.52! .58,.84 .36,1 .1,.84 0,.48 .1,.14 .36,0 .62,.18;"
    ".04,.4! .6,.6! .56,.88 .36,1 .1,.84 0,.46 .1,.12 .36,0 .62,.2",
    "f": ".58,1.82 .42,2 .26,1.9 .2,1.55| .2,0! / 0,1! .48,1",
    "g": _BOWL + ".68,1! .68,-.5| .6,-.87 .34,-1 .02,-.8;" + _BOWL + ".68,1! .68,-.7| .6,-.95 .34,-1 .16,-.92",
    "h": "0,2! 0,0! 0,.5 .14,.88 .36,1 .56,.86 .61,.56| .61,0",
    "i": "0,1! 0,0! / 0,1.42 .03,1.47",
    "j": ".3,1! .3,-.5| .22,-.88 .02,-1 -.14,-.84 / .3,1.42 .33,1.47",
    "k": "0,2! 0,0! / .56,1! .02,.42! .6,0",
    "l": "0,2! 0,0;0,2! 0,.25| .06,.05 .2,0 .32,.08",
    "m": "0,1! 0,0! 0,.55 .11,.9 .26,1 .42,.88 .46,.58| .46,0! .46,.55 .57,.9 .72,1 .88,.88 .92,.58| .92,0",
    "n": "0,1! 0,0! 0,.5 .14,.88 .34,1 .55,.86 .6,.56| .6,0",
    "o": ".36,1 .1,.84 0,.5 .1,.15 .36,0 .6,.15 .7,.5 .6,.85 .34,1;.4,1 .12,.88 0,.5 .12,.12 .38,0 .62,.17 "
    ".7,.52 .58,.86 .3,.98",
    "p": "0,1! 0,-1! / 0,.58 .14,.92 .36,1 .6,.84 .68,.5 .58,.14 .34,0 .1,.12 0,.34",
    "q": _BOWL + ".68,1! .68,-1! .86,-.8;" + _BOWL + ".68,1! .68,-1",
    "r": "0,1! 0,0! 0,.5 .1,.84 .28,1 .48,.93",
    "s": ".56,.84 .34,1 .1,.9 .06,.68 .3,.52 .54,.36 .56,.14 .32,0 .02,.14",
    "t": ".2,1.6! .2,.26| .26,.06 .38,0 .52,.08 / 0,1! .46,1;.2,1.6! .2,0! / 0,1.05! .44,1.05",
    "u": "0,1! 0,.42| .08,.1 .28,0 .5,.13 .6,.44! .6,1! .6,0;0,1! 0,.42| .08,.1 .28,0 .5,.13 .6,.44! .6,1! "
    ".6,.2| .65,.04 .76,.03",
    "v": "0,1! .3,0! .6,1",
    "w": "0,1! .22,0! .43,.92! .65,0! .86,1;0,1! 0,.35| .08,.06 .22,0 .38,.1 .43,.4! .43,.85! .43,.4| .5,.06 "
    ".64,0 .8,.1 .86,.4| .86,1",
    "x": "0,1! .56,0! / .56,1! 0,0",
    "y": "0,1! 0,.42| .08,.1 .28,0 .5,.13 .6,.44! .6,1! .6,-.5| .52,-.87 .28,-1 0,-.8;0,1! .31,.04! / .6,1! .06,-1",
    "z": "0,1! .56,1! 0,0! .58,0",
}

_JOINED = {
    "a": _JOIN_BOWL + ".68,1! .68,.26| .74,.05 .84,.03 .94,.16>",
    "b": "0,1.05< .3,1.5 .32,1.85 .2,2 .06,1.8 0,1.45| 0,.36| .09,.06 .32,0 .56,.16 .6,.55 .44,.84! .58,.7 .82,.78>;"
    "0,1.1<! 0,2! 0,.36| .09,.06 .32,0 .56,.16 .6,.55 .44,.84! .58,.7 .82,.78>",
    "c": ".58,.82 .36,1 .12,.85< 0,.48 .1,.14 .36,0 .56,.06 .7,.24>",
    "d": _JOIN_BOWL + ".68,2! .68,.26| .74,.05 .84,.03 .94,.16>",
    "e": ".06,.36< .4,.52 .58,.76 .4,1 .12,.86 0,.46 .1,.12 .36,0 .56,.06 .7,.24>",
    "f": ".58,1.82 .42,2 .26,1.9 .2,1.55| .2,0! / -.06,.98! .5,.98>;"
    "0,.95< .4,1.5 .46,1.86 .28,2 .1,1.8 .06,1.45| .06,0! / -.16,.95! .4,.95>",
    "g": _JOIN_BOWL
    + ".68,1! .68,-.6| .58,-.94 .36,-1 .26,-.78 .5,-.3 .88,.1>;"
    + _JOIN_BOWL
    + ".68,1! .68,-.5| .6,-.87 .34,-1 .02,-.8",
    "h": "0,1.05< .3,1.5 .32,1.85 .2,2 .06,1.8 0,1.45| 0,0! 0,.5 .14,.88 .36,1 .56,.86 .61,.56| .61,.26| .67,.05 "
    ".77,.03 .88,.16>;"
    "0,1.1<! 0,2! 0,0! 0,.5 .14,.88 .36,1 .56,.86 .61,.56| .61,.26| .67,.05 .77,.03 .88,.16>",
    "i": "0,1<! 0,.26| .06,.05 .16,.03 .27,.16> / .02,1.45 .05,1.5",
    "j": ".3,1<! .3,-.6| .22,-.92 .02,-1 -.08,-.78 .16,-.3 .5,.1> / .32,1.45 .35,1.5;.3,1<! .3,-.5| .22,-.88 "
    ".02,-1 -.14,-.84 / .32,1.45 .35,1.5",
    "k": "0,1.05< .3,1.5 .32,1.85 .2,2 .06,1.8 0,1.45| 0,0! 0,.5 .16,.9 .4,1 .54,.8 .36,.56 .1,.5! .32,.4 .5,.1 "
    ".66,0 .8,.14>",
    "l": "0,1.05< .3,1.5 .32,1.85 .2,2 .06,1.8 0,1.45| 0,.26| .06,.05 .16,.03 .27,.16>;0,1.1<! 0,2! 0,.26| "
    ".06,.05 .16,.03 .27,.16>",
    "m": "0,1<! 0,0! 0,.55 .11,.9 .26,1 .42,.88 .46,.58| .46,0! .46,.55 .57,.9 .72,1 .88,.88 .92,.58| .92,.26| "
    ".98,.05 1.08,.03 1.19,.16>",
    "n": "0,1<! 0,0! 0,.5 .14,.88 .34,1 .55,.86 .6,.56| .6,.26| .66,.05 .76,.03 .87,.16>",
    "o": ".4,1 .14,.88< 0,.5 .1,.15 .36,0 .6,.15 .68,.5 .58,.84 .38,.98! .52,.84 .72,.8 .9,.88>",
    "p": "0,1<! 0,-1! / 0,.58 .14,.92 .36,1 .6,.84 .66,.5 .56,.12 .36,.0 .12,.1 .05,.2! .3,0 .6,.02 .8,.16>",
    "q": _JOIN_BOWL + ".68,1! .68,-1! .72,-.9 .9,-.4 1.0,.1>",
    "r": "0,1<! 0,0! 0,.5 .1,.84 .26,1 .44,.92 .6,.84 .74,.9>",
    "s": ".56,.84 .36,1 .14,.9< .06,.7 .3,.52 .54,.34 .5,.1 .3,0 .1,.08! .3,0 .56,.03 .76,.18>",
    "t": "0,1<! 0,1.6! 0,.26| .06,.05 .16,.03 .27,.16> / -.2,1.06! .26,1.06",
    "u": "0,1<! 0,.42| .08,.1 .28,0 .5,.13 .6,.44! .6,1! .6,.26| .66,.05 .76,.03 .87,.16>",
    "v": "0,1<! .3,0! .58,.96! .7,.84 .86,.88>",
    "w": "0,1<! 0,.35| .08,.06 .22,0 .38,.1 .43,.4! .43,.85! .43,.4| .5,.06 .64,0 .8,.1 .86,.4| .86,.98! .96,.86 "
    "1.1,.9>",
    "x": "0,.86< .14,1 .26,.8 .36,.2 .5,0 .66,.16> / .56,1! 0,0",
    "y": "0,1<! 0,.42| .08,.1 .28,0 .5,.13 .6,.44! .6,1! .6,-.6| .5,-.94 .28,-1 .18,-.78 .42,-.3 .8,.1>;"
    "0,1<! 0,.42| .08,.1 .28,0 .5,.13 .6,.44! .6,1! .6,-.5| .52,-.87 .28,-1 0,-.8",
    "z": "0,1<! .56,1! 0,0! .4,0 .62,.02 .76,.16>",
}

_CAPITALS = {
    "A": "0,0! .5,2! 1,0! / .2,.74! .8,.74",
    "B": "0,2! 0,0! / 0,2! .44,1.96 .74,1.74 .72,1.3 .44,1.08 .02,1.05! .5,1.02 .86,.8 .88,.36 .56,.05 0,0",
    "C": ".94,1.62 .58,2 .18,1.76 0,1 .18,.24 .58,0 .94,.36",
    "D": "0,2! 0,0! / 0,2! .46,1.94 .86,1.6 .98,1 .86,.4 .46,.06 0,0",
    "E": "0,2! 0,0! .76,0! / 0,2! .74,2! / 0,1.06! .58,1.06",
    "F": "0,2! 0,0! / 0,2! .74,2! / 0,1.08! .56,1.08",
    "G": ".94,1.62 .58,2 .18,1.76 0,1 .18,.24 .58,0 .9,.24 .98,.82! .54,.82",
    "H": "0,2! 0,0! / .88,2! .88,0! / 0,1.05! .88,1.05",
    "I": "0,2! 0,0;.28,2! .28,0! / 0,2! .56,2! / 0,0! .56,0",
    "J": ".62,2! .62,.55| .52,.12 .28,0 0,.34;.62,2! .62,.55| .52,.12 .28,0 0,.34 / .26,2! .98,2",
    "K": "0,2! 0,0! / .84,2! .03,.95! .88,0",
    "L": "0,2! 0,0! .74,0",
    "M": "0,0! 0,2! .52,.62! 1.04,2! 1.04,0;0,0! .16,2! .56,.4! .96,2! 1.12,0",
    "N": "0,0! 0,2! .86,0! .86,2",
    "O": ".5,2 .14,1.7 0,1 .14,.3 .5,0 .86,.3 1,1 .86,1.7 .46,2",
    "P": "0,2! 0,0! / 0,2! .48,1.95 .8,1.7 .76,1.22 .46,.98 0,.94",
    "Q": ".5,2 .14,1.7 0,1 .14,.3 .5,0 .86,.3 1,1 .86,1.7 .46,2 / .62,.5! 1.06,0",
    "R": "0,2! 0,0! / 0,2! .48,1.95 .8,1.7 .76,1.26 .46,1.04 .04,1! .86,0",
    "S": ".84,1.64 .5,2 .12,1.8 .08,1.36 .46,1.04 .82,.7 .82,.26 .44,0 0,.32",
    "T": ".48,2! .48,0! / 0,2! .96,2",
    "U": "0,2! 0,.7| .12,.18 .44,0 .76,.18 .88,.7| .88,2",
    "V": "0,2! .48,0! .96,2",
    "W": "0,2! .32,0! .64,1.7! .96,0! 1.28,2",
    "X": "0,2! .88,0! / .88,2! 0,0",
    "Y": "0,2! .44,.98! / .88,2! .44,.98! .44,0",
    "Z": "0,2! .86,2! 0,0! .9,0",
}

_OTHERS = {
    "0": ".4,2 .1,1.7 0,1 .1,.3 .4,0 .7,.3 .8,1 .7,1.7 .36,2",
    "1": ".3,2! .3,0;0,1.6! .3,2! .3,0",
    "2": ".04,1.6 .16,1.9 .42,2 .7,1.8 .7,1.3 .4,.6 0,0! .78,0",
    "3": ".06,1.76 .36,2 .68,1.78 .6,1.26 .26,1.08! .64,.94 .76,.42 .4,0 0,.28",
    "4": ".46,2! 0,.7! .8,.7! / .56,1.3! .56,0",
    "5": ".1,2! .06,1.12! .4,1.24 .72,.98 .72,.36 .38,0 0,.2 / .1,2! .68,2",
    "6": ".6,2 .2,1.5 .02,.7 .16,.12 .42,0 .7,.24 .7,.78 .42,1 .1,.72",
    "7": "0,2! .74,2! .22,0;0,2! .74,2! .22,0! / .22,1! .64,1",
    "8": ".66,1.7 .4,2 .1,1.78 .14,1.36 .46,1.06 .74,.66 .66,.14 .38,0 .06,.2 .08,.7 .42,1.08 .66,1.44 .64,1.72",
    "9": ".7,1.62 .42,2 .1,1.82 .04,1.32 .32,1.02 .62,1.2 .7,1.62! .7,0",
    ".": "0,.04 .02,.08",
    ",": ".1,.12 .08,-.1 0,-.3",
    ";": ".1,.12 .08,-.1 0,-.3 / .1,.78 .12,.82",
    ":": "0,.08 .02,.12 / 0,.78 .02,.82",
    "'": ".04,1.9! 0,1.5",
    '"': ".04,1.9! 0,1.5! / .26,1.9! .22,1.5",
    "!": "0,2! 0,.5! / 0,.04 .02,.08",
    "?": ".02,1.6 .16,1.92 .4,2 .64,1.78 .6,1.36 .34,1.02 .3,.5 / .3,.04 .32,.08",
    "-": "0,.55! .5,.55",
    "(": ".3,2.05 .06,1.5 0,.9 .08,.3 .3,-.25",
    "/": "0,-.2! .6,2.05",
    "&": ".8,.3 .5,.04 .2,0 0,.3 .1,.75 .5,1.2 .56,1.7 .34,2 .14,1.7 .3,1.2 .9,0",
    "+": "0,.9! .7,.9! / .35,1.3! .35,.5",
    "=": "0,1.1! .6,1.1! / 0,.7! .6,.7",
    "%": ".2,2 0,1.75 .2,1.5 .4,1.75 .18,2 / .86,2! 0,0! / .7,.5 .5,.25 .7,0 .9,.25 .68,.5",
    "\N{RIGHT SINGLE QUOTATION MARK}": ".1,1.95 .1,1.75 0,1.55",
    "\N{LEFT SINGLE QUOTATION MARK}": ".1,1.95 0,1.75 .02,1.55",
    "\N{LEFT DOUBLE QUOTATION MARK}": ".1,1.95 0,1.75 .02,1.55 / .34,1.95 .24,1.75 .26,1.55",
    "\N{RIGHT DOUBLE QUOTATION MARK}": ".1,1.95 .1,1.75 0,1.55 / .34,1.95 .34,1.75 .24,1.55",
    "\N{DOUBLE LOW-9 QUOTATION MARK}": ".1,.12 .08,-.1 0,-.3 / .34,.12 .32,-.1 .24,-.3",
    "\N{EN DASH}": "0,.55! .7,.55",
    "\N{EM DASH}": "0,.55! 1.1,.55",
    "\N{HORIZONTAL ELLIPSIS}": "0,.04 .02,.08 / .4,.04 .42,.08 / .8,.04 .82,.08",
    ")": "0,2.05 .24,1.5 .3,.9 .22,.3 0,-.25",
}

# Marks above (or below) a letter, x about the letter's middle, y about the top of a body letter (cedilla, ogonek: 0).
_MARKS = {
    "beside": ".14,0! .1,-.4",
    "\N{COMBINING ACUTE ACCENT}": "-.1,.28! .16,.62",
    "\N{COMBINING GRAVE ACCENT}": "-.16,.62! .1,.28",
    "\N{COMBINING CIRCUMFLEX ACCENT}": "-.22,.28! 0,.56! .22,.28",
    "\N{COMBINING CARON}": "-.22,.58! 0,.3! .22,.58",
    "\N{COMBINING DIAERESIS}": "-.18,.42 -.16,.46 / .16,.42 .18,.46",
    "\N{COMBINING TILDE}": "-.26,.36 -.12,.5 .1,.38 .26,.52",
    "\N{COMBINING RING ABOVE}": "0,.62 -.14,.48 0,.32 .14,.48 -.02,.62",
    "\N{COMBINING CEDILLA}": "0,0! .02,-.14! .14,-.24 .06,-.4 -.12,-.38",
    "\N{COMBINING OGONEK}": ".2,0 .06,-.18 .12,-.34 .3,-.32",
    "\N{COMBINING DOT ABOVE}": "0,.42 .02,.46",
    "\N{COMBINING DOUBLE ACUTE ACCENT}": "-.2,.3! -.02,.6! / .08,.3! .26,.6",
}

_BELOW = "\N{COMBINING CEDILLA}\N{COMBINING OGONEK}"

_SPECIAL = {
    "ß": "0,0! 0,1.5| .1,1.9 .36,2 .58,1.78 .5,1.3 .32,1.06! .6,.86 .66,.34 .44,0 .2,.06",
    "ł": "0,2! 0,0! / -.2,.8! .22,1.2",
    "ı": "0,1! 0,0",
    "æ": ".06,.8 .16,.95 .32,1 .5,.9 .54,.66| .54,.3| .4,.04 .2,0 .02,.16 .04,.4 .28,.56 .54,.54! 1.1,.54! 1.04,.86 "
    ".82,1 .6,.82 .54,.46 .64,.12 .86,0 1.1,.18",
    "œ": ".36,1 .1,.84 0,.5 .1,.15 .36,0 .56,.15 .62,.5 .56,.85 .34,1 / .62,.5! 1.2,.52! 1.14,.86 .94,1 .7,.84 .62,.48 "
    ".72,.12 .94,0 1.2,.18",
    "ø": ".36,1 .1,.84 0,.5 .1,.15 .36,0 .6,.15 .7,.5 .6,.85 .34,1 / .02,-.08! .68,1.08",
    "đ": _BOWL + ".68,2! .68,0! / .4,1.5! .9,1.5",
}


# The heights the centre line reaches, by class or letter; letters that are as tall as a plain one.
_SPANS: dict[str, tuple[float | None, float | None]] = {
    "body": (0.0, 1.0),
    "ascender": (0.0, 2.0),
    "descender": (-1.0, 1.0),
    "capital": (0.0, 2.0),
    "digit": (0.0, 2.0),
    "i": (0.0, 1.0),
    "t": (0.0, 1.6),
}
_LIKE = {"ł": "l", "đ": "d", "ß": "b", "æ": "a", "œ": "o", "ı": "i"}


@dataclass(frozen=True, slots=True, eq=False)
class Stroke:
    """Points of one stroke and how the pen passes them (corner or smooth-to-straight); read-only."""

    points: FloatArray
    marks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Glyph:
    """One form of one letter.

    `klass` is body, ascender, descender, capital, digit, punctuation, or mixed for letters whose height belongs to no
    class (i, t, letters with marks). `bottom` and `top` are the heights the centre line reaches exactly, before the
    writer's ratios; None where nothing is promised. `core` strokes give the height: a mark above does not.
    """

    char: str
    klass: str
    strokes: tuple[Stroke, ...]
    core: int
    bottom: float | None
    top: float | None
    whole: bool = field(default=False)


def letter_class(char: str) -> str:
    """Return the class of `char`: body, ascender, descender, capital, digit, mixed or punctuation."""
    for chars, name in ((BODY, "body"), (ASCENDERS, "ascender"), (DESCENDERS, "descender")):
        if char in chars:
            return name
    if char.isdigit():
        return "digit"
    if char.isascii() and char.isupper():
        return "capital"
    return "mixed" if char.isalpha() else "punctuation"


@lru_cache(maxsize=512)
def glyphs(char: str, *, joined: bool) -> tuple[Glyph, ...]:
    """Return every form of `char` in the unjoined or the joined hand; empty when the alphabet has none."""
    table = {**_PRINT, **_CAPITALS, **_OTHERS, **_SPECIAL, **(_JOINED if joined else {})}
    if char in table:
        return (
            tuple(_glyph(char, form, "") for form in table[char].split(";") if form)
            if char != ";"
            else (_glyph(char, table[char], ""),)
        )
    parts = unicodedata.normalize("NFD", char)
    if len(parts) == 2 and parts[1] in _MARKS and parts[0] in table:
        form = table[parts[0]].split(";")[0]
        return (_glyph(char, form.split("/")[0] if parts[0] in "ij" else form, parts[1]),)
    return ()


def missing_letters(text: str) -> str:
    """Return the letters and signs of `text` that the alphabet lacks, each once, in order; spaces do not count."""
    return "".join(dict.fromkeys(c for c in text if not c.isspace() and not glyphs(c, joined=False)))


def char_base(char: str) -> str:
    """Return the plain letter under the marks of `char`."""
    return unicodedata.normalize("NFD", char)[0]


def _glyph(char: str, form: str, mark: str) -> Glyph:
    strokes = [_stroke(part) for part in form.split("/")]
    klass = letter_class(char)
    core = 1 if char in "ij" else len(strokes)
    middle = float(np.mean([strokes[0].points[:, 0].min(), strokes[0].points[:, 0].max()]))
    if mark:
        rise = 0.0 if mark in _BELOW else 1.0 if char.islower() and letter_class(char_base(char)) != "ascender" else 2.0
        if char in "ďťľ":  # printed and written with a small stroke beside the stem
            mark, middle, rise = "beside", float(max(s.points[:, 0].max() for s in strokes)), 2.0
        for part in _MARKS[mark].split("/"):
            stroke = _stroke(part)
            strokes.append(Stroke(stroke.points + np.array([middle, rise]), stroke.marks))
    base = _LIKE.get(char, char_base(char))
    bottom, top = _SPANS.get(base, _SPANS.get(letter_class(base), (None, None)))
    return Glyph(char, klass, tuple(strokes), core, bottom, top, whole=klass == "digit" or char.isupper())


def _stroke(text: str) -> Stroke:
    points, marks = [], []
    for token in text.split():
        bare = token.rstrip("!|<>")
        x, y = bare.split(",")
        points.append((float(x), float(y)))
        marks.append(token[len(bare) :])
    array = np.array(points)
    array.flags.writeable = False
    return Stroke(array, tuple(marks))


def trace(points: FloatArray, marks: tuple[str, ...], step: float) -> tuple[FloatArray, list[int]]:
    """Return the curve through `points` sampled about every `step`, and the index of each given point in it."""
    breaks = [0, *(i for i in range(1, len(points) - 1) if marks[i].strip("<>")), len(points) - 1]
    curve: list[FloatArray] = [points[:1]]
    index = [0]
    for first, last in pairwise(breaks):
        knots = points[first : last + 1]
        if len(knots) == 2:
            pieces = [_straight(knots, step)]
        else:
            start = points[first] - points[first - 1] if "|" in marks[first] and first > 0 else None
            end = points[last + 1] - points[last] if "|" in marks[last] and last + 1 < len(points) else None
            pieces = _smooth(knots, step, start, end)
        for piece in pieces:
            curve.append(piece)
            index.append(index[-1] + len(piece))
    return np.concatenate(curve), index


def _straight(knots: FloatArray, step: float) -> FloatArray:
    n = max(1, int(np.ceil(np.hypot(*(knots[1] - knots[0])) / step)))
    t = np.linspace(0, 1, n + 1)[1:, None]
    return np.asarray(knots[0] + t * (knots[1] - knots[0]))


def _smooth(knots: FloatArray, step: float, start: FloatArray | None, end: FloatArray | None) -> list[FloatArray]:
    """Cubic Hermite pieces with Catmull-Rom tangents over chord length."""
    chord = np.hypot(*np.diff(knots, axis=0).T)
    chord = np.maximum(chord, 1e-6)
    slope = np.diff(knots, axis=0) / chord[:, None]
    tangent = np.empty_like(knots)
    weight = (chord[1:] / (chord[:-1] + chord[1:]))[:, None]
    tangent[1:-1] = weight * slope[:-1] + (1 - weight) * slope[1:]
    tangent[0] = 1.5 * slope[0] - 0.5 * tangent[1] if start is None else start / max(float(np.hypot(*start)), 1e-6)
    tangent[-1] = 1.5 * slope[-1] - 0.5 * tangent[-2] if end is None else end / max(float(np.hypot(*end)), 1e-6)
    pieces = []
    for i, length in enumerate(chord):
        n = max(2, int(np.ceil(length / step)))
        pieces.append(hermite(knots[i], knots[i + 1], tangent[i] * length, tangent[i + 1] * length, n)[1:])
    return pieces


def hermite(start: FloatArray, end: FloatArray, leave: FloatArray, arrive: FloatArray, n: int) -> FloatArray:
    """Return ``n + 1`` points of the cubic from `start` to `end` with end velocities `leave` and `arrive`."""
    from_start, leaving, to_end, arriving = _weights(n)
    return np.asarray(from_start * start + leaving * leave + to_end * end + arriving * arrive)


@lru_cache(maxsize=64)
def _weights(n: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    t = np.linspace(0, 1, n + 1)[:, None]
    return 2 * t**3 - 3 * t**2 + 1, t**3 - 2 * t**2 + t, 3 * t**2 - 2 * t**3, t**3 - t**2
