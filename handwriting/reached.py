"""Which letter each coloured tick tells as reached: the one below it, or the last one left of it on its line.

A tick that stands in the writing of a line belongs to that line, any other to the line below its foot, and to the last
line when there is none below. In the margin it tells the line alone; the middle word of the line stands for it then,
known to half a line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from itertools import pairwise

from handwriting.alignment import Alignment, WrittenLetter, match_words
from handwriting.errors import UsageError
from handwriting.geometry import Box
from handwriting.lines import Lines, TextLine
from handwriting.task import Task
from handwriting.ticks import Tick
from handwriting.words import Words

# How far beyond either end of a line a tick still points at its first or last letter, in x-heights.
_BESIDE = 1.5
# What share of the small letters' height a tick covers that stands in the writing.
_INSIDE = 0.5


@dataclass(frozen=True, slots=True)
class Reached:
    """The place reached at the end of one minute.

    Attributes
    ----------
    minute : int
        From 1.
    line, word : int
        Its line and word on the page, from 1.
    letters : int
        Letters of the word up to and with the one reached; 0 stands for the whole word.
    text, letter : str
        The word as it is in the text and the letter reached, empty where they are not known.
    in_margin : bool
        The tick tells the line alone.
    box : Box
        The tick, frame px.
    """

    minute: int
    line: int
    word: int
    letters: int
    text: str
    letter: str
    in_margin: bool
    box: Box

    def as_dict(self, k: float) -> dict[str, object]:
        """Return plain values for the record, lengths in its units, `k` to a frame pixel."""
        return {**asdict(self), "box": asdict(self.box.scaled(k))}


def places_reached(
    ticks: Sequence[Tick], lines: Lines, words: Words, alignment: Alignment | None
) -> tuple[Reached, ...]:
    """Return the places the ticks tell, in the order of the writing."""
    known = {} if alignment is None else match_words(words, alignment)
    found = []
    for tick in ticks:
        number = _line_of(tick, lines)
        mine = [i for i, word in enumerate(words.words) if word.line == number]
        if not mine:
            continue
        x = _pointing(tick, lines.lines[number])
        room = _BESIDE * lines.lines[number].x_height
        first, last = words.words[mine[0]].box.left, max(words.words[i].box.right for i in mine)
        margin = not first - room <= x <= last + room
        word = mine[(len(mine) - 1) // 2] if margin else mine[_at([words.words[i].box for i in mine], x)]
        seen = alignment.words[known[word]] if alignment is not None and word in known else None
        letters, sign = (0, "") if margin or seen is None else _letter(seen.letters, x)
        text = "" if seen is None else seen.text or ""
        found.append((number, word, x, Reached(0, number + 1, word + 1, letters, text, sign, margin, tick.box)))
    found.sort(key=lambda row: row[:3])
    return tuple(replace(place, minute=i) for i, (*_, place) in enumerate(found, 1))


def _line_of(tick: Tick, lines: Lines) -> int:
    """Return the line a tick belongs to, from 0."""
    x = 0.5 * (tick.box.left + tick.box.right)
    base = [float(line.baseline.at(x)) for line in lines.lines]
    inside = [
        max(0.0, min(y, tick.box.bottom) - max(y - line.x_height, tick.box.top)) / line.x_height
        for y, line in zip(base, lines.lines, strict=True)
    ]
    best = max(range(len(base)), key=lambda i: inside[i])
    if inside[best] >= _INSIDE:
        return best
    below = [i for i, y in enumerate(base) if y >= tick.box.bottom]
    return min(below, key=lambda i: base[i]) if below else max(range(len(base)), key=lambda i: base[i])


def _pointing(tick: Tick, line: TextLine) -> float:
    """Return the place along the line that a tick points at: its end next to the writing, or where it runs through."""
    middle = 0.5 * (tick.foot[0] + tick.top[0])
    base = float(line.baseline.at(middle))
    if tick.box.top >= base:
        return tick.top[0]
    if tick.box.bottom <= base - _INSIDE * line.x_height:
        return tick.foot[0]
    # Along the stroke at half the height of small letters.
    share = (base - 0.5 * line.x_height - tick.top[1]) / max(tick.foot[1] - tick.top[1], 1.0)
    return tick.top[0] + min(max(share, 0.0), 1.0) * (tick.foot[0] - tick.top[0])


def _at(boxes: Sequence[Box], x: float) -> int:
    """Return which box holds x, of several the one with the nearest middle; else the last left of it, or the first."""
    holding = [i for i, box in enumerate(boxes) if box.left <= x < box.right]
    if holding:
        return min(holding, key=lambda i: abs(boxes[i].left + boxes[i].right - 2 * x))
    left = [i for i, box in enumerate(boxes) if box.right <= x]
    return max(left, key=lambda i: boxes[i].right) if left else 0


def _letter(letters: Sequence[WrittenLetter], x: float) -> tuple[int, str]:
    """Return how many letters of the word were reached, 0 for all of them, and the last one."""
    signs = [letter for letter in letters if letter.text.isalpha()]
    if not signs:
        return 0, ""
    at = _at([letter.box for letter in signs], x)
    return (0 if at == len(signs) - 1 else at + 1), signs[at].text


def check_minutes(minutes: Sequence[int], seconds: float | None, words: int, where: str) -> None:
    """Refuse words said to end the minutes that are not on the page, or more minutes than the task lasted.

    Raises
    ------
    UsageError
    """
    if minutes and max(minutes) > words:
        raise UsageError(
            f"word {max(minutes)} was given for a minute, but {words} words were found",
            where=where,
            fix="Count the words on the page picture (overlay.png), and give their numbers with --minute",
        )
    if seconds is not None and len(minutes) > math.ceil(seconds / 60):
        raise UsageError(
            f"places for {len(minutes)} minutes were given, but the task lasted {seconds:g} seconds",
            where=where,
            fix="Give the time in seconds, or fewer minutes",
        )


def check_places(places: Sequence[Reached], seconds: float | None, where: str) -> None:
    """Refuse ticks that cannot be one for each minute of the task.

    Raises
    ------
    UsageError
        Fewer or more ticks than minutes (the last minute may go without, as the task ended with it), or two for one
        word.
    """
    fix = "Look at the page, and say the words reached with --minute"
    if seconds is not None:
        whole = int(seconds // 60)
        fitting = (whole - 1, whole) if seconds % 60 == 0 else (whole,)
        if len(places) not in fitting:
            wanted = " or ".join(str(n) for n in fitting if n > 0)
            marks = "1 tick was" if len(places) == 1 else f"{len(places)} ticks were"
            raise UsageError(
                f"{marks} found, and a task of {seconds:g} seconds has {wanted or 'no'} full minutes to mark",
                where=where,
                fix=fix,
            )
    for one, other in pairwise(places):
        if one.word >= other.word:
            raise UsageError(
                f"the ticks of minutes {one.minute} and {other.minute} tell the same word of line {one.line}",
                where=where,
                fix=fix,
            )


def with_ticks(task: Task, places: Sequence[Reached]) -> Task:
    """Return the task with the places reached at each minute."""
    return replace(task, minutes=tuple(p.word for p in places), minute_letters=tuple(p.letters for p in places))


def confirmed(task: Task, places: Sequence[Reached]) -> bool:
    """Tell whether the task's minutes are those of the ticks."""
    return task.minutes == tuple(place.word for place in places)


def tick_facts(ticks: Sequence[Tick], places: Sequence[Reached], task: Task, k: float) -> dict[str, object]:
    """Return what the record says of the ticks, lengths in its units, `k` to a frame pixel."""
    marks = [place.as_dict(k) for place in places]
    return {"colour": ticks[0].colour, "confirmed": confirmed(task, places), "marks": marks}
