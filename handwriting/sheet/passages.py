"""The passages that come with the tool, and the fingerprint that tells one copied text from another."""

from __future__ import annotations

import hashlib
import re
import tomllib
import unicodedata
from dataclasses import dataclass
from functools import cache
from importlib import resources

from handwriting.errors import UsageError
from handwriting.task import count_letters


@dataclass(frozen=True, slots=True)
class Passage:
    """A text to copy: its short name, its title, its words."""

    name: str
    title: str
    text: str

    @property
    def letters(self) -> int:
        """How many letters copying it once takes, by the counting rule of the whole tool."""
        return count_letters(self.text).letters

    @property
    def words(self) -> tuple[str, ...]:
        """The words, each a run of letters that may hold apostrophes and hyphens."""
        return tuple(re.findall(r"[^\W\d_]+(?:['’-][^\W\d_]+)*", self.text))

    @property
    def letters_per_word(self) -> float:
        """Mean letters per word, which is what the passages are graded by."""
        return self.letters / len(self.words)

    @property
    def fingerprint(self) -> str:
        """What a sheet's code stores of the text: eight hex digits."""
        return fingerprint(self.text)


def fingerprint(text: str) -> str:
    """Return eight hex digits of a text, blind to spacing and to how accents are stored."""
    plain = " ".join(unicodedata.normalize("NFC", text).split())
    return hashlib.sha256(plain.encode()).hexdigest()[:8].upper()


@cache
def list_passages() -> tuple[Passage, ...]:
    """Return the passages that come with the tool, shortest words first."""
    source = resources.files("handwriting.sheet").joinpath("passages.toml").read_text(encoding="utf-8")
    return tuple(
        Passage(item["name"], item["title"], " ".join(item["text"].split()))
        for item in tomllib.loads(source)["passage"]
    )


def find_passage(name: str) -> Passage:
    """Return the passage of that name.

    Raises
    ------
    UsageError
        When there is none; the message lists those there are.
    """
    for passage in list_passages():
        if passage.name == name.strip().lower():
            return passage
    names = ", ".join(passage.name for passage in list_passages())
    raise UsageError(f"there is no passage '{name}'", fix=f"Choose one of: {names}")
