"""Reading sheets: words to read one by one, out of their sentence.

Each picture holds its word's own ink alone. The order is drawn from a seed, so that the sentence helps no reader.
Words crossed out are left out. Words of one or two letters stay: they are read or not like any other.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import Any

import cv2
import jsonschema
import numpy as np
from numpy.typing import NDArray

from handwriting.errors import RecordError, UsageError
from handwriting.lifting import PAPER
from handwriting.pipeline import Found
from handwriting.record import Record

Picture = NDArray[np.uint8]
FEWEST = 5
_MARGIN = 0.35
_HALO = 3
_BARE = PAPER - 12
_LEFT_OUT = ("crossed-out", "crossed-out?", "unreadable?")
VERSION = 1


@dataclass(frozen=True, slots=True)
class Item:
    """One word picture: its number on the sheet, the word's number on the page, and what the text says it is."""

    item: int
    word: int
    text: str
    state: str


@dataclass(frozen=True, slots=True)
class Key:
    """Which picture of a reading sheet is which word; never shown to a reader."""

    page_sha256: str
    code: str
    seed: int
    items: tuple[Item, ...]
    version: int = field(default=VERSION)

    def to_json(self) -> str:
        """Return the key as JSON text."""
        return json.dumps(asdict(self), ensure_ascii=False, indent=1) + "\n"


_SCHEMA: dict[str, Any] = {
    "type": "object",
    "required": ["page_sha256", "code", "seed", "items", "version"],
    "properties": {
        "page_sha256": {"type": "string"},
        "code": {"type": "string"},
        "seed": {"type": "integer"},
        "version": {"type": "integer"},
        "items": {
            "type": "array",
            "minItems": 1,
            "items": {
                "type": "object",
                "required": ["item", "word", "text", "state"],
                "properties": {
                    "item": {"type": "integer"},
                    "word": {"type": "integer"},
                    "text": {"type": "string", "minLength": 1},
                    "state": {"type": "string"},
                },
            },
        },
    },
}


def read_key(text: str, *, where: str) -> Key:
    """Read a key back.

    Raises
    ------
    RecordError
        It is no key, or one of a newer version.
    """
    fix = "Name the reading-key.json made with the sheet"
    try:
        document = json.loads(text)
    except json.JSONDecodeError as error:
        raise RecordError("this is not the key of a reading sheet", where=where, fix=fix) from error
    if not jsonschema.Draft202012Validator(_SCHEMA).is_valid(document):
        raise RecordError("this is not the key of a reading sheet", where=where, fix=fix)
    if document["version"] > VERSION:
        raise RecordError("the key is of a newer version than this program", where=where, fix="Update the program")
    items = tuple(Item(**item) for item in document["items"])
    return Key(document["page_sha256"], document["code"], document["seed"], items)


def shuffled(record: Record, seed: int, most: int | None) -> Key:
    """Return the key of a reading sheet: words whose text is known, in an order drawn from the seed.

    Raises
    ------
    UsageError
        Fewer than five words of the page are known.
    """
    words = [w for line in record.lines for w in line.words if w.text and w.state not in _LEFT_OUT]
    if len(words) < FEWEST:
        raise UsageError(
            f"only {len(words)} words of the page are known from its text",
            fix="Measure the page with --text, so that its words are known",
        )
    order = np.random.default_rng(seed).permutation(len(words))[: most or len(words)]
    items = tuple(Item(i, words[k].number, words[k].text or "", words[k].state) for i, k in enumerate(order, 1))
    return Key(record.page.sha256, str(record.task.get("code") or ""), seed, items)


def word_pictures(found: Found, key: Key) -> tuple[Picture, ...]:
    """Return the grey picture of each word of the key, without rules and without its neighbours' ink.

    Parameters
    ----------
    found : Found
        The page the key was made from.
    """
    pieces = found.lines.pieces
    flat = found.ink.flat
    shape = flat.shape
    owner = np.full(shape, -1, np.int32)
    owner[pieces.y, pieces.x] = found.words.word
    pictures = []
    for item in key.items:
        number = item.word - 1
        word = found.words.words[number]
        margin = _MARGIN * found.lines.lines[word.line].x_height
        rows = slice(max(0, int(word.box.top - margin)), min(shape[0], int(word.box.bottom + margin) + 1))
        columns = slice(max(0, int(word.box.left - margin)), min(shape[1], int(word.box.right + margin) + 1))
        here = owner[rows, columns]
        mine = (here == number).astype(np.uint8)
        other = ((here >= 0) & (here != number)).astype(np.uint8)
        halo = np.ones((2 * _HALO + 1, 2 * _HALO + 1), np.uint8)
        # Grey rims belong to the ink they surround; where both reach, the word itself has the right of way.
        wiped = (cv2.dilate(other, halo) > 0) & (cv2.dilate(mine, halo) == 0)
        picture = flat[rows, columns].copy()
        picture[wiped | (other > 0) | (picture > _BARE)] = 255
        pictures.append(picture)
    return tuple(pictures)
