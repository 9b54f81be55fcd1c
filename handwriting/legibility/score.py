"""Score what readers made of a reading sheet.

    words read   = items whose answer is the word / items                    (Wilson interval)
    letters read = letters of the words that the answers hold in order / letters   (longest common subsequence)

An answer is the word as the reader read it, or a tick (``x``, ``yes``, ``+``) for "I can read it", which is the
reader's own word for it and is counted apart. Capitals, accents and punctuation make no difference. A word the writer
misspelt counts as read when the answer is the word of the text. Agreement of two readers is the share of items on which
both read or both do not, and Cohen's kappa of that.

What it does not see: how long reading took, and whether the sentence would have helped.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from handwriting.alignment.spelling import plain_letters
from handwriting.errors import UsageError
from handwriting.legibility.pictures import Key
from handwriting.quantity import Measured, NotMeasured
from handwriting.reliability import kappa
from handwriting.statistics import wilson

TICKS = frozenset({"x", "yes", "y", "+", "1", "✓", "✔", "read"})
BLANKS = frozenset({"", "-", "no", "n", "0", "?"})


@dataclass(frozen=True, slots=True)
class ReaderScore:
    """What one reader could read: shares of words and letters, and how many of the words are ticks."""

    reader: str
    machine: bool
    words: Measured
    letters: Measured
    ticked: int


@dataclass(frozen=True, slots=True)
class Together:
    """How two readers agree, item by item."""

    first: str
    second: str
    agree: Measured
    kappa: Measured | NotMeasured


def read_answers(text: str, key: Key, *, where: str) -> dict[int, str]:
    """Read a table of answers: columns item and answer.

    Raises
    ------
    UsageError
        The table has other columns, an item twice, or an item that is not on the sheet.
    """
    try:
        dialect: type[csv.Dialect] | csv.Dialect = csv.Sniffer().sniff(text.split("\n", 1)[0], ",;\t")
    except csv.Error:
        dialect = csv.excel
    rows = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")), dialect=dialect)
    names = {(name or "").strip().lower() for name in rows.fieldnames or ()}
    if not {"item", "answer"} <= names:
        raise UsageError(
            "the table needs the columns item and answer", where=where, fix="Fill in the table made with the sheet"
        )
    known = {item.item for item in key.items}
    answers: dict[int, str] = {}
    for number, row in enumerate(rows, 2):
        fields = {(name or "").strip().lower(): (value or "") for name, value in row.items() if isinstance(value, str)}
        said = fields.get("item", "").strip()
        if not said and not fields.get("answer", "").strip():
            continue
        if not said.isdigit() or int(said) not in known:
            raise UsageError(
                f"item {said!r} is not on the sheet", where=f"{where} line {number}", fix="Keep the items' numbers"
            )
        if int(said) in answers:
            raise UsageError(f"item {said} stands twice", where=f"{where} line {number}", fix="Give one answer an item")
        answers[int(said)] = fields.get("answer", "").strip()
    return answers


def score(reader: str, answers: Mapping[int, str], key: Key, *, machine: bool = False) -> ReaderScore:
    """Return what a reader could read; items without an answer were not read."""
    right = [_is_read(answers.get(item.item, ""), item.text) for item in key.items]
    held = [_letters_held(answers.get(item.item, ""), item.text) for item in key.items]
    total = [len(plain_letters(item.text)) for item in key.items]
    ticked = sum(_is_tick(answers.get(item.item, "")) for item in key.items)
    return ReaderScore(reader, machine, _share(sum(right), len(right)), _share(sum(held), sum(total)), ticked)


def together(readers: Mapping[str, Mapping[int, str]], key: Key) -> tuple[Together, ...]:
    """Return the agreement of every two readers."""
    read = {
        name: [int(_is_read(answers.get(item.item, ""), item.text)) for item in key.items]
        for name, answers in readers.items()
    }
    found = []
    for first, second in combinations(read, 2):
        same = sum(a == b for a, b in zip(read[first], read[second], strict=True))
        value = kappa(read[first], read[second], weights="none")
        chance: Measured | NotMeasured
        if isinstance(value, NotMeasured):
            chance = value
        else:
            chance = Measured(value.value, "1", value.low, value.high, len(key.items))
        found.append(Together(first, second, _share(same, len(key.items)), chance))
    return tuple(found)


def _share(count: int, of: int) -> Measured:
    interval = wilson(count, of)
    return Measured(100.0 * count / of, "%", 100.0 * interval.low, 100.0 * interval.high, of)


def _is_tick(answer: str) -> bool:
    return answer.casefold() in TICKS


def _is_read(answer: str, text: str) -> bool:
    if plain_letters(answer) == plain_letters(text) and plain_letters(text):
        return True
    return _is_tick(answer)


def _letters_held(answer: str, text: str) -> int:
    """Return how many letters of the word the answer holds, in order."""
    wanted = plain_letters(text)
    if _is_read(answer, text):
        return len(wanted)
    if answer.casefold() in BLANKS:
        return 0
    return _common(plain_letters(answer), wanted)


def _common(a: Sequence[str], b: Sequence[str]) -> int:
    """Return the length of the longest common subsequence."""
    row = [0] * (len(b) + 1)
    for x in a:
        before = row[:]
        for j, y in enumerate(b, 1):
            row[j] = before[j - 1] + 1 if x == y else max(before[j], row[j - 1])
    return row[-1]
