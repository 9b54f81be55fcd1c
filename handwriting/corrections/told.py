"""Corrections of what the words say: a word's state, its reading, and words of the text that are not on the page."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from handwriting.alignment import match_words
from handwriting.alignment.expected import Expected, expect
from handwriting.alignment.result import Alignment, WrittenWord
from handwriting.alignment.spelling import plain_letters
from handwriting.alignment.tally import tally
from handwriting.corrections.geometry import Point, word_at
from handwriting.errors import UsageError
from handwriting.pipeline import Found
from handwriting.task import count_letters


def tell_state(found: Found, text: str, at: Point, state: str) -> Found:
    """Say what a word is: written, repeated, added, crossed-out or unreadable."""
    alignment, expected, j = _owned(found, text, at)
    word = alignment.words[j]
    if state == "written" and word.text is None:
        raise UsageError("it is not known which word of the text that is", fix='Say what it reads: word N reads "..."')
    changed = replace(word, state=state, confidence=1.0)
    if state in ("added", "crossed-out", "unreadable"):
        changed = replace(changed, text=None, index=None)
    return _with(found, expected, alignment, j, changed)


def tell_reading(found: Found, text: str, at: Point, reads: str) -> Found:
    """Say what a word reads: a missing word of the text that reads so, the one it stood for, or one added."""
    alignment, expected, j = _owned(found, text, at)
    word = alignment.words[j]
    said = plain_letters(reads)
    index, state = _place(alignment, expected, j, said)
    of_text = expected.words[index].text if index is not None else None
    changed = replace(
        word,
        state=state,
        text=of_text,
        index=index,
        seen=said,
        letters_written=count_letters(reads).letters,
        confidence=1.0,
    )
    return _with(found, expected, alignment, j, changed)


def tell_left_out(found: Found, text: str, number: int) -> Found:
    """Say that a word of the text, counted from 1, is not on the page: what was taken for it is an added word."""
    expected = _expect(text)
    if not 1 <= number <= len(expected.words):
        raise UsageError(f"the text has no word {number}", fix=f"Its {len(expected.words)} words are numbered from 1")
    alignment = found.alignment or _none(found, expected)
    words = [
        replace(w, state="added", text=None, index=None, confidence=1.0) if w.index == number - 1 else w
        for w in alignment.words
    ]
    return replace(found, alignment=tally(words, expected, alignment.word, alignment.fit))


def forget_gone(found: Found, text: str) -> Found:
    """Drop the words whose ink was set aside from what was laid against the text."""
    alignment = found.alignment
    if alignment is None:
        return found
    left = np.unique(alignment.word[found.words.word >= 0])
    kept = [i for i in range(len(alignment.words)) if i in set(left.tolist())]
    if len(kept) == len(alignment.words):
        return found
    place = np.full(len(alignment.words) + 1, -1, np.int32)
    place[kept] = np.arange(len(kept), dtype=np.int32)
    words = [alignment.words[i] for i in kept]
    return replace(found, alignment=tally(words, _expect(text), place[alignment.word], alignment.fit))


def _expect(text: str) -> Expected:
    if not text:
        raise UsageError("the text that was copied is not known", fix="Measure the page with --text first")
    return expect(text)


def _none(found: Found, expected: Expected) -> Alignment:
    return tally([], expected, np.full(len(found.words.word), -1, np.int32), 0.0)


def _owned(found: Found, text: str, at: Point) -> tuple[Alignment, Expected, int]:
    """Return the alignment with the index of its word at a place; a word whose ink a person changed is made anew."""
    expected = _expect(text)
    alignment = found.alignment or _none(found, expected)
    number = word_at(found.words, at)
    known = match_words(found.words, alignment)
    if number in known:
        return alignment, expected, known[number]
    mine = found.words.word == number
    held = np.unique(alignment.word[mine & (alignment.word >= 0)])
    kept = [i for i in range(len(alignment.words)) if i not in held]
    place = np.full(len(alignment.words) + 1, -1, np.int32)
    place[kept] = np.arange(len(kept), dtype=np.int32)
    word = place[alignment.word]
    word[mine] = len(kept)
    line, box = found.words.words[number].line, found.words.words[number].box
    made = WrittenWord(line, box, "added", None, None, "", 0, (), 1.0)
    words = [*(alignment.words[i] for i in kept), made]
    return tally(words, expected, word, alignment.fit), expected, len(kept)


def _place(alignment: Alignment, expected: Expected, j: int, said: str) -> tuple[int | None, str]:
    """Return which word of the text was meant, if any, and what that makes of the writing."""
    word = alignment.words[j]
    if word.index is not None and plain_letters(expected.words[word.index].text) == said:
        return word.index, "repeated" if word.state == "repeated" else "written"
    done = {w.index for i, w in enumerate(alignment.words) if i != j}
    alike = [i for i, w in enumerate(expected.words) if plain_letters(w.text) == said]
    near = _expected_place(alignment, j)
    free = [i for i in alike if i not in done]
    if free:
        return min(free, key=lambda i: abs(i - near)), "written"
    if word.index is not None:
        return word.index, "misspelt"
    if alike:
        return min(alike, key=lambda i: abs(i - near)), "repeated"
    return None, "added"


def _expected_place(alignment: Alignment, j: int) -> float:
    """Return about where in the text the word stands, by the word before it on the page."""
    me = alignment.words[j]
    before = [
        w
        for w in alignment.words
        if w.index is not None and (w.line, w.box.left) < (me.line, me.box.left) and w is not me
    ]
    if not before:
        return 0.0
    last = max(before, key=lambda w: (w.line, w.box.left))
    return float((last.index or 0) + 1)


def _with(found: Found, expected: Expected, alignment: Alignment, j: int, changed: WrittenWord) -> Found:
    words = [changed if i == j else w for i, w in enumerate(alignment.words)]
    return replace(found, alignment=tally(words, expected, alignment.word, alignment.fit))
