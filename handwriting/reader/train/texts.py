"""Texts for drawn lines: words of many languages in random order, and strings that are no words at all.

Word lists come from the `wordfreq` package (its data: CC BY-SA 4.0) at training time and are not kept here. Words are
drawn almost evenly over each list and never in running order, and a third of the text is random letters, so that the
net has little of a language to lean on: it must read what is there.
"""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import numpy as np

from handwriting.reader.alphabet import ALPHABET, INDEX, canonical, without_marks

LANGUAGES = (
    "en",
    "fr",
    "de",
    "es",
    "it",
    "pt",
    "nl",
    "sv",
    "nb",
    "da",
    "fi",
    "pl",
    "cs",
    "sk",
    "sl",
    "sh",
    "hu",
    "ro",
    "lt",
    "lv",
    "ca",
    "is",
    "tr",
)
WORDS_PER_LANGUAGE = 8000
_LETTERS = "".join(sign for sign in ALPHABET if sign.islower())
_PLAIN = "abcdefghijklmnopqrstuvwxyz"
_VARIANTS: dict[str, str] = {}
for _sign in _LETTERS:
    _VARIANTS[without_marks(_sign)] = _VARIANTS.get(without_marks(_sign), "") + _sign


def write_word_lists(target: Path) -> int:
    """Fetch the lists from `wordfreq` into one gzipped JSON file; returns the number of words."""
    import wordfreq  # wanted on the preparing machine only

    kept = {}
    for language in LANGUAGES:
        words = (canonical(word) for word in wordfreq.top_n_list(language, WORDS_PER_LANGUAGE))
        kept[language] = sorted({w for w in words if w.isalpha() and len(w) <= 16 and set(w) <= INDEX.keys()})
    with gzip.open(target, "wt", encoding="utf-8") as out:
        json.dump(kept, out, ensure_ascii=False)
    return sum(map(len, kept.values()))


class Texts:
    """Random line texts.

    Parameters
    ----------
    lists : Path
        The file `write_word_lists` made.
    seed : int
        Seed of the generator.
    """

    def __init__(self, lists: Path, seed: int) -> None:
        with gzip.open(lists, "rt", encoding="utf-8") as source:
            self._words: dict[str, list[str]] = json.load(source)
        self._names = sorted(self._words)
        self._rng = np.random.default_rng(seed)

    def _pick(self, choices: str | list[str]) -> str:
        return choices[int(self._rng.integers(len(choices)))]

    def _random_word(self) -> str:
        letters = _PLAIN if self._rng.random() < 0.5 else _LETTERS
        return "".join(self._pick(letters) for _ in range(int(self._rng.integers(1, 10))))

    def _number(self) -> str:
        rng = self._rng
        digits = "".join(self._pick("0123456789") for _ in range(int(rng.integers(1, 6))))
        kind = int(rng.integers(8))
        forms = (
            digits, f"{digits[:2]}.{digits[2:] or '0'}", f"{digits}-{digits[::-1]}", f"{digits[:2]}/{digits[-2:]}",
            f"{digits}%", f"{digits},{digits[0]}", f"{digits}e", str(int(rng.integers(1000, 2100))),
        )  # fmt: skip
        return forms[kind]

    def _remark(self, word: str) -> str:
        """Now and then another diacritic than the language's own."""
        at = int(self._rng.integers(len(word)))
        variants = _VARIANTS.get(without_marks(word[at]), "")
        return word[:at] + self._pick(variants) + word[at + 1 :] if variants else word

    def _dress(self, word: str) -> str:
        rng = self._rng
        draw = rng.random()
        if draw < 0.18:
            word = word[:1].upper() + word[1:]
        elif draw < 0.22:
            word = word.upper()
        draw = rng.random()
        if draw < 0.14:
            word += self._pick(",,,..;:!?…")
        elif draw < 0.20:
            word = self._pick(["({})", '"{}"', "«{}»", "« {} »", "'{}'", "[{}]", "-{}", "{}-", "l'{}", "d'{}"]).format(
                word
            )
        elif draw < 0.22:
            word += self._pick("/-'&+=*_°%#@€$£§~^\\{}") + self._pick(_PLAIN)
        return word

    def line(self, words: int, usable: frozenset[str]) -> str:
        """Make a line of `words` words out of the signs in `usable`."""
        language = self._words[self._pick(self._names)]
        nonsense = 1.0 if self._rng.random() < 0.15 else 0.18
        out: list[str] = []
        for _ in range(20 * words):
            if len(out) == words:
                break
            draw = self._rng.random()
            word = (
                self._random_word()
                if draw < nonsense
                else self._number()
                if draw < nonsense + 0.08
                else self._pick(language)
            )
            if self._rng.random() < 0.08:
                word = self._remark(word)
            word = self._dress(word)
            word = canonical(word)
            if set(word) <= usable and set(word) <= INDEX.keys():
                out.append(word)
        return " ".join(out)
