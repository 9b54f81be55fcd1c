"""What was copied of the text: how far, what is missing or doubled, and pictures of the words to look at."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from handwriting.record import Record, WordFacts
from handwriting.report.facts import bare
from handwriting.report.overlay import Picture
from handwriting.report.rounding import number
from handwriting.report.words import Catalogue

# States whose words are shown, with the key of what is said of them.
_SHOWN = {
    "misspelt?": "copied_misspelt",
    "crossed-out?": "copied_crossed_out",
    "repeated": "copied_repeated",
    "added": "copied_added",
}
_MOST_SHOWN = 24


@dataclass(frozen=True, slots=True)
class Slip:
    """One word to look at: its piece of the picture and what is said of it."""

    picture: Picture
    said: str


def sentences(record: Record, words: Catalogue) -> list[str]:
    """Return what was copied, in sentences; none when the page was not laid against a text."""
    count = record.letters.get("counted_by_tool")
    if not isinstance(count, Mapping):
        return []
    said = []
    if count.get("last_word"):
        share = number(100 * float(count["share_of_text_reached"]), 0)
        said.append(
            words.say("copied_reached", word=bare(str(count["last_word"])), n=count["last_word_number"], share=share)
        )
    low, high = count["interval"]
    said.append(words.say("copied_count", n=count["written"], low=low, high=high, matching=count["matching"]))
    apart = [
        words.say(f"copied_{key}_letters", n=count[key]) for key in ("repeated", "added", "crossed_out") if count[key]
    ]
    if apart:
        said.append(words.say("copied_apart", letters="; ".join(apart)))
    runs = count.get("left_out_runs", [])
    missing = "; ".join(f"“{run['words']}”" for run in runs)
    said.append(words.say("copied_left_out", words=missing) if runs else words.say("copied_nothing_left_out"))
    return said


def slips(record: Record, picture: Picture, words: Catalogue) -> list[Slip]:
    """Return the words a person should look at, in the order of the page, each cut out of the upright picture."""
    per_unit = 1.0 if record.scale.unit == "px" or not record.scale.mm_per_px else 1.0 / record.scale.mm_per_px
    found = [(line.x_height, word) for line in record.lines for word in line.words if word.state in _SHOWN]
    return [Slip(_cut(picture, word, size, per_unit), _said(word, words)) for size, word in found[:_MOST_SHOWN]]


def _said(word: WordFacts, words: Catalogue) -> str:
    if word.state == "crossed-out?":
        return words.say("copied_crossed_out")
    return words.say(_SHOWN[word.state], text=word.text or "")


def _cut(picture: Picture, word: WordFacts, x_height: float, per_unit: float) -> Picture:
    room = 0.4 * x_height
    rows, columns = picture.shape[:2]
    box = word.box
    top, bottom = math.floor((box.top - room) * per_unit), math.ceil((box.bottom + room) * per_unit)
    left, right = math.floor((box.left - room) * per_unit), math.ceil((box.right + room) * per_unit)
    return np.ascontiguousarray(picture[max(0, top) : min(rows, bottom), max(0, left) : min(columns, right)])
