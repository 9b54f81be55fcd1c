"""One correction: what it is about, where on the page, what it says, who made it and when.

Places are frame pixels (axes as in `geometry`), never numbers of words or lines: those change when a word is parted or
a line is set aside, the ink does not. `value` depends on the kind:

    kind          at                       value
    ----          --                       -----
    letters       -                        letters written, counted by hand
    last-word     -                        number of the last word reached in the text, from 1
    left-out      -                        number of a word of the text that is not on the page, from 1
    state         in the word              one of STATES
    reads         in the word              what the word says
    split         where the word parts     -
    join          in the left word         -  (it is joined with the next on its line)
    baseline      on the line              [x, y]: the baseline shall pass here
    set-aside     in the word              -  (the mark is not writing)
    set-line      in a word of the line    -  (the line is not writing)
    minute        in the word              the minute that ended with it, from 1
    blank         -                        [left, top, right, bottom] to paint over, such as a name
    scale         -                        [x0, y0, x1, y1, mm] of a length known on the page
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from handwriting.errors import UsageError

STATES = ("written", "repeated", "added", "crossed-out", "unreadable")

Value = int | str | tuple[float, ...] | None


def _whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def _place(count: int) -> Callable[[object], bool]:
    return lambda value: (
        isinstance(value, (tuple, list)) and len(value) == count and all(isinstance(v, (int, float)) for v in value)
    )


def _nothing(value: object) -> bool:
    return value is None


def _words(value: object) -> bool:
    return isinstance(value, str) and 0 < len(value) <= 200


# For every kind whether it has a place on the page, what its value must be, and how that is said.
KINDS: Mapping[str, tuple[bool, Callable[[object], bool], str]] = {
    "letters": (False, _whole, "a whole number"),
    "last-word": (False, _whole, "the number of a word of the text"),
    "left-out": (False, _whole, "the number of a word of the text"),
    "state": (True, lambda v: v in STATES, f"one of {', '.join(STATES)}"),
    "reads": (True, _words, "the word as it is written"),
    "split": (True, _nothing, "nothing"),
    "join": (True, _nothing, "nothing"),
    "baseline": (True, _place(2), "a place: x and y"),
    "set-aside": (True, _nothing, "nothing"),
    "set-line": (True, _nothing, "nothing"),
    "minute": (True, _whole, "the number of the minute"),
    "blank": (False, _place(4), "left, top, right and bottom"),
    "scale": (False, _place(5), "two places and the mm between them"),
}


@dataclass(frozen=True, slots=True)
class Correction:
    """One thing put right; see the table above.

    Raises
    ------
    UsageError
        The kind is unknown, or place or value do not fit it.
    """

    kind: str
    at: tuple[float, float] | None = None
    value: Value = None
    who: str = ""
    when: str = ""

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise UsageError(f"{self.kind!r} is no correction", fix=f"Use one of: {', '.join(KINDS)}")
        placed, fits, wanted = KINDS[self.kind]
        if placed and not _place(2)(self.at):
            raise UsageError(f"the correction {self.kind!r} needs a place on the page", fix="Say which word or line")
        if not fits(self.value):
            raise UsageError(f"{self.value!r} does not fit the correction {self.kind!r}", fix=f"It takes {wanted}")
        if isinstance(self.value, list):
            object.__setattr__(self, "value", tuple(float(v) for v in self.value))
        if self.at is not None:
            object.__setattr__(self, "at", (float(self.at[0]), float(self.at[1])))

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        value = list(self.value) if isinstance(self.value, tuple) else self.value
        at = None if self.at is None else list(self.at)
        return {"kind": self.kind, "at": at, "value": value, "who": self.who, "when": self.when}

    @classmethod
    def from_dict(cls, fields: Mapping[str, Any]) -> Correction:
        """Read a correction back from plain values."""
        at, value = fields.get("at"), fields.get("value")
        if at is not None and not _place(2)(at):
            raise UsageError("a correction's place is two numbers: x and y", fix="Write it as [x, y]")
        return cls(
            str(fields.get("kind", "")),
            None if at is None else (at[0], at[1]),
            tuple(value) if isinstance(value, list) else value,
            str(fields.get("who", "")),
            str(fields.get("when", "")),
        )
