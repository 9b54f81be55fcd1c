"""Corrections as a small text file, one to a line, `#` for remarks; numbers are those of the record being corrected.

letters 143                     letters written, counted by hand
last word 31                    the 31st word of the text is the last one reached
left out 12                     the 12th word of the text is not on the page
word 14 crossed-out             or written, repeated, added, unreadable
word 15 reads "boat"
word 17 split at 84.5           where along the page, in the record's own unit
word 18 join                    with the next word on its line
word 4 set aside                not writing
line 3 set aside
line 2 baseline 40.0 63.2       the baseline passes here
minute 1 word 14                the first minute ended with word 14
blank 10 5 80 20                left, top, right, bottom to paint over
scale 20 30 120 30 is 100       from one place to another, and the mm between them
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from handwriting.corrections.model import STATES, Correction, Value
from handwriting.errors import UsageError
from handwriting.geometry import Box
from handwriting.record import LineFacts, Record, WordFacts

_N = r"(-?\d+(?:\.\d+)?)"
_FIX = "See 'handwriting correct --help' for what a line may say"


@dataclass(frozen=True, slots=True)
class _Places:
    """The record's words and lines by number, and frame px to one of its units."""

    words: dict[int, WordFacts]
    lines: dict[int, LineFacts]
    px: float

    def word(self, number: str) -> tuple[float, float]:
        found = self.words.get(int(number))
        if found is None:
            raise UsageError(f"the record has no word {number}", fix=f"Its words go from 1 to {max(self.words)}")
        return self.middle(found.box)

    def line(self, number: str) -> tuple[float, float]:
        found = self.lines.get(int(number))
        if found is None or not found.words:
            raise UsageError(f"the record has no line {number}", fix=f"Its lines go from 1 to {max(self.lines)}")
        return self.middle(found.words[0].box)

    def middle(self, box: Box) -> tuple[float, float]:
        return 0.5 * (box.left + box.right) * self.px, 0.5 * (box.top + box.bottom) * self.px


@dataclass(frozen=True, slots=True)
class _Said:
    """What one line of the file says, without who and when."""

    kind: str
    at: tuple[float, float] | None = None
    value: Value = None


def _split(places: _Places, number: str, x: str) -> _Said:
    return _Said("split", (float(x) * places.px, places.word(number)[1]))


def _baseline(places: _Places, number: str, x: str, y: str) -> _Said:
    found = places.lines.get(int(number))
    if found is None:
        raise UsageError(f"the record has no line {number}", fix=f"Its lines go from 1 to {max(places.lines)}")
    middle = found.stands_on()[len(found.baseline) // 2]
    at = (middle[0] * places.px, middle[1] * places.px)
    # A correction names the lowest row of the ink, whose lower edge is one pixel down from the row's number.
    return _Said("baseline", at, (float(x) * places.px, (float(y) + found.half_stroke) * places.px - 1.0))


def _scale(places: _Places, *said: str) -> _Said:
    return _Said("scale", value=(*(float(v) * places.px for v in said[:4]), float(said[4])))


_FORMS: tuple[tuple[str, Callable[..., _Said]], ...] = (
    (r"letters (\d+)", lambda p, n: _Said("letters", value=int(n))),
    (r"last word (\d+)", lambda p, n: _Said("last-word", value=int(n))),
    (r"left out (\d+)", lambda p, n: _Said("left-out", value=int(n))),
    (rf"word (\d+) ({'|'.join(STATES)})", lambda p, n, state: _Said("state", p.word(n), state)),
    (r'word (\d+) reads "([^"]+)"', lambda p, n, text: _Said("reads", p.word(n), text)),
    (rf"word (\d+) split at {_N}", _split),
    (r"word (\d+) join", lambda p, n: _Said("join", p.word(n))),
    (r"word (\d+) set aside", lambda p, n: _Said("set-aside", p.word(n))),
    (r"line (\d+) set aside", lambda p, n: _Said("set-line", p.line(n))),
    (rf"line (\d+) baseline {_N} {_N}", _baseline),
    (r"minute (\d+) word (\d+)", lambda p, m, n: _Said("minute", p.word(n), int(m))),
    (
        rf"blank {_N} {_N} {_N} {_N}",
        lambda p, *edges: _Said("blank", value=tuple(float(v) * p.px for v in edges)),
    ),
    (rf"scale {_N} {_N} {_N} {_N} is {_N}", _scale),
)


def read_corrections(text: str, record: Record, *, who: str, when: str, where: str = "") -> tuple[Correction, ...]:
    """Read a file of corrections to a record.

    Parameters
    ----------
    text : str
        The file.
    record : Record
        The record they refer to.
    who, when : str
        Initials or role of the person, and the ISO 8601 time.
    where : str
        Name of the file, for what is refused.

    Raises
    ------
    UsageError
        A line is not understood, or names a word or line that the record does not have; the line's number is given.
    """
    px = 1.0 if record.scale.mm_per_px is None else 1.0 / record.scale.mm_per_px
    words = {word.number: word for line in record.lines for word in line.words}
    places = _Places(words, {line.number: line for line in record.lines}, px)
    found = []
    for number, row in enumerate(text.splitlines(), 1):
        said = row.split("#")[0] if '"' not in row else row
        said = " ".join(said.split())
        if not said or said.startswith("#"):
            continue
        try:
            meant = _understand(said, places)
            found.append(Correction(meant.kind, meant.at, meant.value, who, when))
        except UsageError as error:
            raise UsageError(error.what, where=f"{where} line {number}".strip(), fix=error.fix) from None
    return tuple(found)


def _understand(said: str, places: _Places) -> _Said:
    for form, make in _FORMS:
        match = re.fullmatch(form, said)
        if match:
            return make(places, *match.groups())
    raise UsageError(f"{said!r} is not understood", fix=_FIX)
