"""The catalogue of all wording in the outputs, read from one file a language (`words.<language>.toml`)."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from handwriting.errors import UsageError
from handwriting.flags import FLAGS, Flag


@dataclass(frozen=True, slots=True)
class MeasureWords:
    """The words for one measure.

    Parameters
    ----------
    name, term : str
        Its plain name and the trade's term.
    plain : str
        Sentence with places for ``{value}`` (with its unit), ``{number}`` (without), ``{low}`` and ``{high}``; empty
        when the plain part leaves the measure out.
    alone : str
        Sentence used when the measure before it in its topic is missing; empty means `plain`.
    above, below, across : str
        Sentences for a value above or below `zero`, and for an interval that holds it.
    zero : float or None
        Where the sign turns, in the measure's unit; None when the sign has no meaning in words.
    percent : bool
        A ratio that readers know as per cent.
    spread, spread_term : str
        Key of the measure that is this one's spread, shown in the same row, and what kind of spread it is.
    known : str
        Key of the measure that tells it better where the letters are known; then the plain part says that one only.
    """

    name: str
    term: str
    plain: str = ""
    alone: str = ""
    above: str = ""
    below: str = ""
    across: str = ""
    zero: float | None = None
    percent: bool = False
    spread: str = ""
    spread_term: str = ""
    known: str = ""


@dataclass(frozen=True, slots=True)
class Topic:
    """A heading of the plain part and the measures it speaks of, in order."""

    key: str
    title: str
    measures: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All wording in one language; groups are the tables of the file."""

    language: str
    text: Mapping[str, str]
    purpose: str
    cautions: tuple[str, ...]
    facts: Mapping[str, str]
    fact_values: Mapping[str, str]
    units: Mapping[str, str]
    legend: Mapping[str, str]
    rulings: Mapping[str, str]
    kinds: Mapping[str, str]
    obtained: Mapping[str, str]
    measures: Mapping[str, MeasureWords]
    topics: tuple[Topic, ...]
    decimal: str
    flags: Mapping[str, Flag]

    def say(self, key: str, **places: object) -> str:
        """Return the wording of `key` with its places filled, figures written as the language writes them."""
        figures = {name: self.figure(v) for name, v in places.items() if isinstance(v, str)}
        return self.text[key].format(**{**places, **figures})

    def figure(self, text: str) -> str:
        """Return a figure already rounded with the language's decimal sign; any other text as it is."""
        return text.replace(".", self.decimal) if self.decimal != "." and _FIGURE.fullmatch(text) else text

    def english(self, text: str) -> str:
        """Return a sentence of the record or of a published table, which are in English, and say so elsewhere."""
        return f"{self.text['in_english']} {text}" if self.language[:2] != "en" and text else text

    def reason(self, flag: str, why: str) -> str:
        """Return why a measure was not made: the reason itself, in other languages what its flag means."""
        return self.flags[flag].meaning if self.language[:2] != "en" and flag in self.flags else why

    def measure(self, key: str) -> MeasureWords:
        """Return the words of a measure; one the catalogue does not know is named by its key."""
        known = self.measures.get(key)
        return known or MeasureWords(name=spelled(key), term=key)


#: A figure: sign, digits, decimals. A version number has two points and is none.
_FIGURE = re.compile(r"[-−]?\d+\.\d+")


def spelled(key: str) -> str:
    """Return a key as words: ``left_margin`` becomes ``Left margin``."""
    bare = key.replace("_", " ").replace("-", " ").strip()
    return bare[:1].upper() + bare[1:]


#: Languages with a whole catalogue.
LANGUAGES = ("en", "fr")


def find_catalogue(language: str) -> Catalogue:
    """Return the catalogue of a language as a person typed it.

    Raises
    ------
    UsageError
        There is none.
    """
    if language not in LANGUAGES:
        raise UsageError(
            f"there are no words in '{language}'", where="--report-language", fix=f"Choose {' or '.join(LANGUAGES)}."
        )
    return catalogue(language)


@cache
def catalogue(language: str = "en") -> Catalogue:
    """Return the catalogue of a language.

    Raises
    ------
    FileNotFoundError
        No catalogue of that language is shipped: a mistake in the program, not in the data.
    """
    text = resources.files("handwriting.report").joinpath(f"words.{language}.toml").read_text("utf-8")
    document: dict[str, Any] = tomllib.loads(text)
    return Catalogue(
        language=document["language"],
        text=document["text"],
        purpose=document["purpose"]["text"],
        cautions=tuple(document["cautions"].values()),
        facts=document["facts"],
        fact_values=document["fact_values"],
        units=document["units"],
        legend=document["legend"],
        rulings=document["rulings"],
        kinds=document["kinds"],
        obtained=document["obtained"],
        measures={key: MeasureWords(**words) for key, words in document["measures"].items()},
        decimal=document["decimal"],
        flags={code: Flag(code, **told) for code, told in document["flags"].items()} if "flags" in document else FLAGS,
        topics=tuple(Topic(t["key"], t["title"], tuple(t["measures"])) for t in document["topics"]),
    )
