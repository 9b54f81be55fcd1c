"""Lay the ink of a page against the text that was to be copied."""

from __future__ import annotations

from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from functools import cache

import numpy as np
from numpy.typing import NDArray

from handwriting.alignment.confidence import word_confidence
from handwriting.alignment.evidence import Evidence, gather, strike
from handwriting.alignment.expected import Expected, expect, is_letter
from handwriting.alignment.letters import lay, place_letters
from handwriting.alignment.path import Costs, Path, find_path, score_frames
from handwriting.alignment.result import Alignment, WrittenWord
from handwriting.alignment.silhouette import align_silhouette
from handwriting.alignment.spans import LETTER, STRUCK, Span, box_of, middle, part, share_out, spans_of
from handwriting.alignment.spelling import Spelling, chances, fold, plain_letters, weigh
from handwriting.alignment.tally import tally
from handwriting.crossings import find_crossings
from handwriting.errors import TextMismatchError
from handwriting.geometry import Box
from handwriting.ink import Ink
from handwriting.lines import Lines
from handwriting.reader.alphabet import BLANK, CROSSED_OUT, INDEX, collapse, decode
from handwriting.reader.recogniser import Recogniser
from handwriting.words import Words


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """A span with its ink: positions in its view's pixels, and its frames from cut to cut."""

    span: Span
    chosen: NDArray[np.int64]
    start: int
    stop: int


# Pages of fewer frames are read at several sizes: a line or two say little about the x-height.
_SHORT = 700
_SIZES = (1.0, 0.75, 0.6, 0.45)
# Nats a sign that a page of another text loses at least, seen on drawn and copied pages laid against wrong texts.
_CHANCE = 3.5
# Below this fit ink and text are strangers: wrong texts gave at most 0.08 on whole scans, right ones 0.34 and more.
LEAST_FIT = 0.15
# So much of a text is looked for on the shortest page.
_LEAST_ROOM = 600
# A second writing is taken for the word itself when its chance of being spelt right is greater by this.
_PLAINLY = 0.3
# Log odds by which a word is likelier struck out when the same word stands on the page once more.
_TWICE = 3.0
# A word that is not in the text, with this share of its signs struck out, is crossed out.
_CROSSED = 0.5
# A word less likely than this to be the expected one, and less like it, is another word.
_UNLIKELY, _ALIKE = 0.25, 0.45


@cache
def own_reader() -> Recogniser:
    """Return the package's own reader, loaded once a process."""
    return Recogniser.load()


def align(ink: Ink, lines: Lines, text: str, reader: Recogniser | None, words: Words | None = None) -> Alignment:
    """Lay the ink of a page against a text.

    Parameters
    ----------
    ink, lines : Ink, Lines
        What the stages before found; at least one line.
    text : str
        What was to be copied; at least one word.
    reader : Recogniser or None
        Without one the page is laid by its silhouette and gaps alone, see `silhouette`.
    words : Words, optional
        The words found by their gaps: those that look crossed out are evidence.

    Returns
    -------
    Alignment
        Whatever the fit: `Alignment.fit` says how well ink and text agree.
    """
    if reader is None:
        return align_silhouette(lines, text)
    seen = [gather(ink, lines, reader)]
    expected, costs = expect(text, _room(seen[0])), Costs()
    if len(seen[0].signs) < _SHORT:
        seen += [gather(ink, lines, reader, size) for size in _SIZES[1:]]
    if words is not None:
        chance = find_crossings(lines, words).chance
        seen = [strike(evidence, words, chance) for evidence in seen]
    paths = [_path(evidence, expected, costs) for evidence in seen]
    best = max(range(len(paths)), key=lambda i: paths[i].score)
    return _aligned(seen[best], paths[best], expected, ink, lines)


def check_fit(alignment: Alignment, where: str) -> None:
    """Refuse a text that is not what stands on the page.

    Raises
    ------
    TextMismatchError
        The fit is below `LEAST_FIT`.
    """
    if alignment.fit < LEAST_FIT:
        raise TextMismatchError(
            f"the text given is not what is written here, or the writing cannot be read: they agree to "
            f"{100 * alignment.fit:.0f} of 100, at least {100 * LEAST_FIT:.0f} are needed",
            where=where,
            fix="Give the text that was copied, or count by hand and give --letters",
        )


def align_evidence(evidence: Evidence, ink: Ink, lines: Lines, text: str, costs: Costs | None = None) -> Alignment:
    """Lay evidence gathered before against a text; see `align`."""
    expected = expect(text, _room(evidence))
    path = _path(evidence, expected, costs or Costs())
    return _aligned(evidence, path, expected, ink, lines)


def _room(evidence: Evidence) -> int:
    """Return how many signs of the text are looked for: several times what the page can hold, a sign being 5 frames."""
    return max(_LEAST_ROOM, len(evidence.signs))


def _path(evidence: Evidence, expected: Expected, costs: Costs) -> Path:
    scores = score_frames(evidence, expected, costs)
    return find_path(scores, expected, costs)


def _fit(evidence: Evidence, path: Path) -> float:
    """Return how far ink and text agree: 1 when read to the letter, 0 when no better than with another text."""
    read = sum(sign.isalnum() for sign in decode(collapse(evidence.signs.argmax(1))))
    return float(np.clip(1 + path.score / (_CHANCE * max(1, read)), 0.0, 1.0))


def _aligned(evidence: Evidence, path: Path, expected: Expected, ink: Ink, lines: Lines) -> Alignment:
    spans = spans_of(path, evidence, expected)
    folded = fold(evidence.signs)
    cuts = [c for c in _cut_out(spans, evidence, lines) if len(c.chosen)]
    spellings = [_spelling(cut, folded, expected) for cut in cuts]
    known = [s for s in spellings if s is not None]
    chance = iter(chances(known))
    spelt = [1.0 if s is None else next(chance) for s in spellings]
    word = np.full(len(lines.line), -1, np.int32)
    for number, cut in enumerate(cuts):
        word[evidence.views[cut.span.line].pixels[cut.chosen]] = number
    words = [
        _word(cut, evidence, (spelling, sure), expected, lines, ink.stroke_px)
        for cut, spelling, sure in zip(cuts, spellings, spelt, strict=True)
    ]
    struck = [float(evidence.struck[cut.start : cut.stop].sum()) > -_TWICE for cut in cuts]
    words = _once(words, spelt, struck, lines)
    return tally(words, expected, word, _fit(evidence, path))


def _once(words: list[WrittenWord], spelt: list[float], struck: list[bool], lines: Lines) -> list[WrittenWord]:
    """Of several writings of one word of the text let the best be the one: not struck, well spelt, else the first.

    The others are crossed out where they look it, else repeated.
    """
    best: dict[int, int] = {}
    for number, word in enumerate(words):
        if word.index is not None:
            before = best.setdefault(word.index, number)
            better = spelt[number] > spelt[before] + _PLAINLY if struck[number] == struck[before] else struck[before]
            if better:
                best[word.index] = number
    out = []
    for number, word in enumerate(words):
        if word.index is None or best[word.index] == number:
            out.append(word)
        elif struck[number]:
            out.append(_crossed_out(word.line, word.box, lines))
        else:
            out.append(replace(word, state="repeated", confidence=word_confidence("repeated", spelt[number])))
    return out


def _crossed_out(line: int, box: Box, lines: Lines) -> WrittenWord:
    """Return a crossed-out word; a letter with its space takes about an x-height."""
    letters = max(1, round(box.width / lines.lines[line].x_height))
    state = "crossed-out?"
    return WrittenWord(line, box, state, None, None, "", letters, (), word_confidence(state, 1.0))


def _spelling(cut: _Cut, folded: NDArray[np.float64], expected: Expected) -> Spelling | None:
    """Weigh the spelling of a span that is a word of the text."""
    plain = plain_letters(expected.words[cut.span.word].signs) if cut.span.kind == LETTER else ""
    return weigh(folded[cut.start : cut.stop], plain) if plain else None


def _cut_out(spans: list[Span], evidence: Evidence, lines: Lines) -> list[_Cut]:
    """Share out the ink of every line among its spans."""
    out = []
    for number, view in enumerate(evidence.views):
        row = [s for s in spans if s.line == number]
        if not row:
            continue
        lows = np.array([middle(view, s.last) for s in row[:-1]])
        highs = np.array([middle(view, s.first) for s in row[1:]])
        cuts = np.maximum.accumulate(part(view, lows, np.maximum(highs, lows + 1))) if len(row) > 1 else np.empty(0)
        owner = share_out(view, lines, cuts, np.arange(len(view.pixels)))
        frames = view.start + np.clip(np.searchsorted(view.edges, cuts) - 1, 0, view.stop - view.start)
        starts = [view.start, *(int(f) for f in frames)]
        stops = [*(int(f) + 1 for f in frames), view.stop]
        for i, span in enumerate(row):
            start, stop = min(starts[i], span.first), max(stops[i], span.last + 1)
            out.append(_Cut(span, np.flatnonzero(owner == i), start, stop))
    return out


def _word(
    cut: _Cut,
    evidence: Evidence,
    spelt: tuple[Spelling | None, float],
    expected: Expected,
    lines: Lines,
    stroke_px: float,
) -> WrittenWord:
    """Describe one span as a word."""
    span, view = cut.span, evidence.views[cut.span.line]
    box = box_of(lines, view.pixels[cut.chosen])
    if span.kind != LETTER:
        best = evidence.signs[cut.start : cut.stop].argmax(1)
        crossed = float((best == INDEX[CROSSED_OUT]).sum() / max(1, (best != BLANK).sum()))
        if span.kind == STRUCK or crossed > _CROSSED:
            return _crossed_out(view.line, box, lines)
        seen = decode(collapse(best)).strip()
        count = sum(map(is_letter, seen))
        return WrittenWord(view.line, box, "added", None, None, seen, count, (), word_confidence("added", 1.0))
    word = expected.words[span.word]
    spelling, sure = spelt
    state = "written" if sure >= 0.5 or spelling is None else "misspelt?"
    seen = plain_letters(word.signs) if state == "written" or spelling is None else spelling.letters
    if state == "misspelt?" and sure < _UNLIKELY and unlike(plain_letters(word.signs), seen):
        count = sum(map(is_letter, seen))
        return WrittenWord(view.line, box, "added", None, None, seen, count, (), word_confidence("added", 1.0))
    text, at = _signs(cut, evidence, expected, state, seen)
    placed = place_letters(evidence, view, lines, cut.chosen, text, at, stroke_px)
    count = word.letters if state == "written" else sum(map(is_letter, seen))
    return WrittenWord(view.line, box, state, word.text, span.word, seen, count, placed, word_confidence(state, sure))


def _signs(cut: _Cut, evidence: Evidence, expected: Expected, state: str, seen: str) -> tuple[str, list[int]]:
    """Return the signs to be placed in a word's ink and the frames in which they are seen."""
    word = expected.words[cut.span.word]
    if state == "written":
        found = dict(cut.span.signs)
        first = int(expected.first[cut.span.word])
        present = [i for i, sign in enumerate(word.signs) if first + i in found or sign.isalnum()]
        text = "".join(word.signs[i] for i in present)
        if all(first + i in found for i in present):
            return text, [found[first + i] for i in present]
    else:
        text = dressed(seen, word.signs)
    return text, [cut.start + t for t in lay(evidence.signs[cut.start : cut.stop], text)]


def unlike(expected: str, seen: str) -> bool:
    """Tell whether two spellings share so little that one is not the other misspelt, but another word."""
    return SequenceMatcher(None, expected, seen, autojunk=False).ratio() < _ALIKE


def dressed(letters: str, signs: str) -> str:
    """Give plain letters the capitals and marks of the expected signs they agree with."""
    bare = [plain_letters(s) or s for s in signs]
    if any(len(b) != 1 for b in bare):
        return letters
    out = list(letters)
    for a, b, size in SequenceMatcher(None, letters, "".join(bare), autojunk=False).get_matching_blocks():
        out[a : a + size] = signs[b : b + size]
    return "".join(out)
