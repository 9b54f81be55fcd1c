"""What was asked of the writer: the text, the time, and everything a comparison has to know.

`Task` holds only checked values. `read_task` makes one from what a person typed and answers anything it cannot use
with one sentence. The counting rule of the whole project lives here (`COUNTING_RULE`, `count_letters`), because the
rate, the alignment with the text and the published figures must all count alike.

What it does not see: whether the copying was supervised, what was left out or written twice (alignment's work).
"""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from dataclasses import asdict, dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from handwriting.errors import FileNotReadableError, UsageError
from handwriting.typed import (
    read_age,
    read_choice,
    read_code,
    read_date,
    read_free,
    read_grade,
    read_minutes,
    read_number,
    read_role,
    read_spoken,
    read_whole,
)

TASKS = ("near-copy", "board-copy", "memory", "own-words", "dictation")
INSTRUCTIONS = ("usual", "best", "fast")
SETTINGS = ("home", "school", "clinic")
SEXES = ("girl", "boy", "woman", "man", "unstated")
HANDS = ("right", "left", "both", "unstated")
SCRIPTS = ("joined", "unjoined", "mixed", "unstated")

COUNTING_RULE = (
    "Letters of the text up to the last word reached: capitals and small letters, a letter with an accent as one. "
    "Digits, punctuation marks and spaces are not letters and are counted apart; crossed-out letters, words left out "
    "and words written twice are not taken into account."
)

_TEXT_LIMIT = 200_000
_SECONDS_LIMIT = 4 * 3600.0
# Letters a minute that no hand reaches; common practice, no source. Adults who hurry write some 200.
_FASTEST = 600


@dataclass(frozen=True, slots=True)
class LetterCount:
    """Characters of a text by kind; `letters` includes `capitals`, the other kinds stand apart."""

    letters: int
    capitals: int
    digits: int
    punctuation: int
    symbols: int
    spaces: int
    words: int


@dataclass(frozen=True, slots=True)
class Word:
    """One word of the text: what is written, where it starts and ends (`end` exclusive), and its number from 1."""

    text: str
    start: int
    end: int
    number: int


@dataclass(frozen=True, slots=True)
class Task:
    """What was asked, checked. Empty text, None and ``unstated`` mean that it was not given.

    Parameters
    ----------
    text : str
        The passage, Unicode NFC.
    seconds : float or None
        Time from the first letter to the stop, s.
    letters : int or None
        Letters written, counted by hand.
    reached : Word or None
        The last word written, as found in `text`.
    age_months : int or None
        Age in completed months.
    grade : int or None
        School grade, 0 for the year before grade 1.
    code : str
        The pupil's code; never a name.
    date : datetime.date or None
        The day the sample was written.
    task, instruction, setting, sex, hand, script : str
        From the lists above; `setting` may be any other short word.
    paper, tool, term, country : str
        Short free text.
    effort : int or None
        The writer's own rating of effort, 0 (none) to 10.
    supervised, said : str
        Who sat by, a role and never a name; what the writer said about it, word for word.
    minutes : tuple of int
        Word reached at the end of each minute, by its number on the page.
    minute_letters : tuple of int
        Letters of each of those words that had been reached, 0 for all of them; empty when only words are known.
    """

    text: str = ""
    seconds: float | None = None
    letters: int | None = None
    reached: Word | None = None
    age_months: int | None = None
    grade: int | None = None
    sex: str = "unstated"
    code: str = ""
    date: dt.date | None = None
    setting: str = ""
    task: str = ""
    instruction: str = ""
    paper: str = ""
    tool: str = ""
    hand: str = "unstated"
    script: str = "unstated"
    country: str = ""
    term: str = ""
    effort: int | None = None
    supervised: str = ""
    said: str = ""
    minutes: tuple[int, ...] = ()
    minute_letters: tuple[int, ...] = ()

    @property
    def age(self) -> str:
        """Age as ``years:months``, empty when not given."""
        return "" if self.age_months is None else f"{self.age_months // 12}:{self.age_months % 12}"

    @property
    def reached_count(self) -> LetterCount | None:
        """Characters from the start of the text to the end of the last word reached, None when it was not given."""
        return None if self.reached is None else count_letters(self.text[: self.reached.end])

    def as_dict(self) -> dict[str, Any]:
        """Return the fields for the record: plain values, the date as ``YYYY-MM-DD``, the age also in words."""
        day = None if self.date is None else self.date.isoformat()
        marks = {"minutes": list(self.minutes), "minute_letters": list(self.minute_letters)}
        return {**asdict(self), "date": day, "age": self.age, **marks}

    @classmethod
    def from_dict(cls, fields: dict[str, Any]) -> Task:
        """Return the task that a record holds: the reverse of `as_dict`."""
        known = {name: fields[name] for name in cls.__dataclass_fields__ if name in fields}
        reached, day = known.get("reached"), known.get("date")
        known |= {"reached": reached and Word(**reached), "date": day and dt.date.fromisoformat(day)}
        known |= {name: tuple(known.get(name, ())) for name in ("minutes", "minute_letters")}
        return cls(**known)


def count_letters(text: str) -> LetterCount:
    """Count the characters of `text` by kind, by the project's counting rule.

    The Unicode general category decides: L* letters (Lu and Lt capitals), N* digits, P* punctuation, S* symbols,
    Z* and line ends spaces. Marks (M*) belong to the letter before them, so ``é`` counts one however it is stored.
    """
    kinds = [unicodedata.category(character) for character in unicodedata.normalize("NFC", text)]
    initials = [kind[0] for kind in kinds]
    return LetterCount(
        letters=initials.count("L"),
        capitals=kinds.count("Lu") + kinds.count("Lt"),
        digits=initials.count("N"),
        punctuation=initials.count("P"),
        symbols=initials.count("S"),
        spaces=initials.count("Z") + sum(character in "\t\n\r" for character in text),
        words=len(split_words(text)),
    )


def split_words(text: str) -> tuple[Word, ...]:
    """Split `text` at white space; a piece without any letter or digit (a lone dash) is not a word."""
    found = (m for m in re.finditer(r"\S+", text) if any(character.isalnum() for character in m.group()))
    return tuple(Word(m.group(), m.start(), m.end(), number) for number, m in enumerate(found, start=1))


def find_reached(text: str, reached: str) -> Word:
    """Find the last word reached.

    Parameters
    ----------
    text : str
        The passage.
    reached : str
        A word, a few words in a row (the last of them was reached), or ``word#2`` for its second place in the text.
        Capitals and the punctuation around a word do not matter.

    Raises
    ------
    UsageError
        When the text has no such word, or has it more than once and the place was not given.
    """
    where = "--reached"
    words = split_words(text)
    if not words:
        raise UsageError("the last word reached needs the text", where=where, fix="Give the passage with --text.")
    wanted, _, place = reached.strip().partition("#")
    keys = [_bare(word.text) for word in words]
    sought = [_bare(piece.text) for piece in split_words(unicodedata.normalize("NFC", wanted))]
    if not sought or (place and not place.isdecimal()) or reached.rstrip().endswith("#"):
        fix = "Give a word of the text, or word#2 for the second time it comes."
        raise UsageError(f"'{reached}' is not a word and its place", where=where, fix=fix)
    ends = [i + len(sought) - 1 for i in range(len(keys)) if keys[i : i + len(sought)] == sought]
    if not ends:
        near = get_close_matches(sought[-1], list(dict.fromkeys(keys)), n=3, cutoff=0.6)
        fix = f"Did you mean {' or '.join(near)}?" if near else "Copy the word as it stands in the text."
        raise UsageError(f"'{wanted}' is not in the text", where=where, fix=fix)
    if place:
        if not 1 <= int(place) <= len(ends):
            times = "once" if len(ends) == 1 else f"{len(ends)} times"
            raise UsageError(f"'{wanted}' comes {times}, so there is no #{place}", where=where, fix="Count again.")
        return words[ends[int(place) - 1]]
    if len(ends) > 1:
        raise UsageError(
            f"'{wanted}' comes {len(ends)} times in the text", where=where, fix=_choices(text, words, wanted, ends)
        )
    return words[ends[0]]


def _choices(text: str, words: tuple[Word, ...], wanted: str, ends: list[int]) -> str:
    shown = []
    for place, index in enumerate(ends[:8], start=1):
        before = f"after '{words[index - 1].text}'" if index else "the first word"
        shown.append(f"{wanted}#{place} ({before}, {count_letters(text[: words[index].end]).letters} letters)")
    more = f" or up to #{len(ends)}" if len(ends) > 8 else ""
    return f"Say which: {', '.join(shown)}{more}."


def _bare(word: str) -> str:
    """Return `word` without the punctuation around it, for comparing."""
    kept = [i for i, character in enumerate(word) if character.isalnum()]
    return word[kept[0] : kept[-1] + 1].casefold().replace("’", "'")


def read_text(given: str) -> str:
    """Return the passage: the content of the file `given` names, or `given` itself; Unicode NFC.

    Raises
    ------
    FileNotReadableError
        When `given` is plainly a file name and the file cannot be read.
    UsageError
        When the content is not text, has no letters, or is longer than a passage can be.
    """
    content = given
    if given and "\n" not in given and len(given) <= 255:
        path = Path(given)
        try:
            named = path.is_file()
        except (OSError, ValueError):
            named = False
        if named:
            content = _decode(path)
        elif re.fullmatch(r"\S*\.(txt|text|md)|\S*[/\\]\S*", given):
            raise FileNotReadableError("there is no such text file", where=given, fix="Check the name and the folder.")
    text = unicodedata.normalize("NFC", content.replace("\r\n", "\n").replace("\r", "\n"))
    if len(text) > _TEXT_LIMIT:
        raise UsageError(
            f"the text has {len(text)} characters", where="--text", fix=f"Give at most {_TEXT_LIMIT} characters."
        )
    if any(unicodedata.category(character) in {"Cc", "Cs"} and character not in "\t\n" for character in text):
        raise UsageError("the text holds control characters", where="--text", fix="Save the passage as plain text.")
    if not count_letters(text).letters:
        raise UsageError("the text has no letters", where="--text", fix="Give the passage that was copied.")
    return text


def _decode(path: Path) -> str:
    fix = "Save the passage as plain text, UTF-8."
    try:
        if path.stat().st_size > 4 * _TEXT_LIMIT:
            raise UsageError(
                "the text file is too large", where=str(path), fix=f"Keep it under {4 * _TEXT_LIMIT} bytes."
            )
        raw = path.read_bytes()
    except OSError as error:
        raise FileNotReadableError(f"cannot read it ({error.strerror})", where=str(path), fix="Check it.") from error
    try:
        return raw.decode("utf-16" if raw[:2] in {b"\xff\xfe", b"\xfe\xff"} else "utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileNotReadableError("the file is not UTF-8 text", where=str(path), fix=fix) from error


def read_task(
    *,
    text: str | None = None,
    seconds: str | float | None = None,
    letters: str | int | None = None,
    reached: str | None = None,
    age: str | None = None,
    grade: str | int | None = None,
    sex: str | None = None,
    code: str | None = None,
    date: str | None = None,
    setting: str | None = None,
    task: str | None = None,
    instruction: str | None = None,
    paper: str | None = None,
    tool: str | None = None,
    hand: str | None = None,
    script: str | None = None,
    country: str | None = None,
    term: str | None = None,
    effort: str | int | None = None,
    supervised: str | None = None,
    said: str | None = None,
    minutes: str | None = None,
    today: dt.date | None = None,
) -> Task:
    """Check everything that was typed and return it as a `Task`; None means not given.

    Parameters are those of `Task`, as typed: `age` as ``9:4``, `date` as ``2026-03-09``, `text` a passage or the name
    of a text file. `today` stands in for the clock in tests.

    Raises
    ------
    UsageError
        For the first value that cannot be used, naming the option and how to mend it.
    FileNotReadableError
        When the text file cannot be read.
    """
    passage = "" if text is None else read_text(text)
    asked = Task(
        text=passage,
        seconds=None if seconds is None else read_number(seconds, "--seconds", 1.0, _SECONDS_LIMIT, "seconds"),
        letters=None if letters is None else read_whole(letters, "--letters", 1, 100_000, "letters"),
        reached=None if reached is None else find_reached(passage, reached),
        age_months=None if age is None else read_age(age),
        grade=None if grade is None else read_grade(str(grade)),
        sex="unstated" if sex is None else read_choice(sex, "--sex", SEXES),
        code="" if code is None else read_code(code),
        date=None if date is None else read_date(date, today=today),
        setting="" if setting is None else read_free(setting, "--setting").lower(),
        task="" if task is None else read_choice(task, "--task", TASKS),
        instruction="" if instruction is None else read_choice(instruction, "--instruction", INSTRUCTIONS),
        paper="" if paper is None else read_free(paper, "--paper"),
        tool="" if tool is None else read_free(tool, "--tool"),
        hand="unstated" if hand is None else read_choice(hand, "--hand", HANDS),
        script="unstated" if script is None else read_choice(script, "--script", SCRIPTS),
        country="" if country is None else read_free(country, "--country"),
        term="" if term is None else read_free(term, "--term"),
        effort=None if effort is None else read_whole(effort, "--effort", 0, 10, "points"),
        supervised="" if supervised is None else read_role(supervised),
        said="" if said is None else read_spoken(said, "--said"),
        minutes=() if minutes is None else read_minutes(minutes),
    )
    _check_rate(asked)
    return asked


def _check_rate(asked: Task) -> None:
    """Refuse a time in which nobody writes so many letters: most likely it was given in minutes."""
    count = asked.letters or (asked.reached_count.letters if asked.reached_count else None)
    if count is None or asked.seconds is None or 60 * count <= _FASTEST * asked.seconds:
        return
    raise UsageError(
        f"nobody writes {count} letters in {asked.seconds:g} seconds",
        where="--seconds",
        fix="Give the time in seconds (300 for five minutes), or count the letters again.",
    )
