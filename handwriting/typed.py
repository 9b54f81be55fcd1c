"""Checking what a person typed: each reader returns the value, or refuses it in one sentence naming the option."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from itertools import pairwise

from handwriting.errors import UsageError

_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
_NAME_LIKE = re.compile(r"[A-Z][a-z]+[-_]?[A-Z][a-z]+")
_AGE = re.compile(r"(\d{1,3}):(\d{1,2})")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_NAMED = re.compile(r"\b(Mr|Mrs|Ms|Miss|Mx|Dr|Prof|Sir|Mme|Mlle|Herr|Frau)\b|\b[A-Z][a-z]+[ -][A-Z][a-z]+")
_FREE = re.compile(r"[^\W_][\w .,;:()/'+×-]*")


def read_age(given: str) -> int:
    """Return the age in completed months from ``years:months``.

    ``9:4`` is nine years and four months. ``9.4`` is refused, because it could mean that or 9.4 years; so is a month
    above 11.
    """
    where, fix = "--age", "Write years:months, for example 9:4 for nine years and four months."
    match = _AGE.fullmatch(given.strip())
    if match is None:
        tenths = re.fullmatch(r"(\d+)[.,](\d+)", given.strip())
        years = re.fullmatch(r"\d{1,3}", given.strip())
        if tenths:
            fix = f"Write {tenths[1]}:{int(tenths[2]) % 100} if you mean years and months; {fix[0].lower()}{fix[1:]}"
        elif years:
            fix = f"Add the months: {given.strip()}:0 if the birthday was this month."
        raise UsageError(f"'{given}' is not an age", where=where, fix=fix)
    years_old, months = int(match[1]), int(match[2])
    if months > 11:
        fix = f"Months run from 0 to 11; twelve months make {years_old + 1}:0."
        raise UsageError(f"'{given}' has {months} months", where=where, fix=fix)
    if not 3 <= years_old <= 110:
        raise UsageError(f"'{given}' is outside 3 to 110 years", where=where, fix=fix)
    return years_old * 12 + months


def read_grade(given: str) -> int:
    """Return the school grade; ``K`` or 0 is the year before grade 1."""
    bare = given.strip().upper()
    if bare == "K":
        return 0
    if not re.fullmatch(r"\d{1,2}", bare) or int(bare) > 13:
        fix = "Give a whole number from 1 to 13, or 0 (or K) for the year before grade 1."
        raise UsageError(f"'{given}' is not a school grade", where="--grade", fix=fix)
    return int(bare)


def read_code(given: str) -> str:
    """Return the pupil's code; anything that looks like a name is refused."""
    bare = given.strip()
    fix = "Use a code such as P07 and keep the list of names elsewhere."
    if _NAME_LIKE.fullmatch(bare) or re.search(r"[^\W\d_][\s,]+[^\W\d_]", bare):
        raise UsageError("this looks like a name, and records keep no names", where="--code", fix=fix)
    if not _CODE.fullmatch(bare):
        fix = "Use 1 to 32 letters, digits, - or _, starting with a letter or digit, such as P07."
        raise UsageError(f"'{given}' is not a pupil code", where="--code", fix=fix)
    return bare


def read_date(given: str, *, today: dt.date | None = None) -> dt.date:
    """Return the day from ``YYYY-MM-DD``; a day still to come, or before 1900, is refused."""
    fix = "Write year-month-day, for example 2026-03-09."
    bare = given.strip()
    try:
        day = dt.date.fromisoformat(bare) if _DATE.fullmatch(bare) else None
    except ValueError:
        day = None
    if day is None:
        raise UsageError(f"'{given}' is not a date", where="--date", fix=fix)
    # A day of grace: the date line may put the writer a day ahead of the machine's clock.
    latest = (today or dt.datetime.now(tz=dt.UTC).date()) + dt.timedelta(days=1)
    if not dt.date(1900, 1, 1) <= day <= latest:
        raise UsageError(f"'{given}' is not a day a sample can have been written", where="--date", fix=fix)
    return day


def read_number(given: str | float, where: str, low: float, high: float, unit: str) -> float:
    """Return `given` as a number within `low` and `high`, or refuse it in one sentence."""
    fix = f"Give a number from {low:g} to {high:g}{' ' + unit if unit else ''}."
    if isinstance(given, str) and not re.fullmatch(r"\s*[+-]?(\d+(\.\d*)?|\.\d+)\s*", given, re.ASCII):
        clock = re.fullmatch(r"(\d{1,3}):([0-5]\d)", given.strip(), re.ASCII)
        if clock and unit == "seconds":
            fix = f"Write {60 * int(clock[1]) + int(clock[2])} for {clock[1]} minutes and {int(clock[2])} seconds."
        raise UsageError(f"'{given}' is not a number", where=where, fix=fix)
    value = float(given)
    if not low <= value <= high:  # also catches nan
        raise UsageError(f"{given} is out of range", where=where, fix=fix)
    return value


def read_whole(given: str | float, where: str, low: int, high: int, unit: str) -> int:
    """Return a whole number from `low` to `high`."""
    if (value := read_number(given, where, low, high, unit)) != int(value):
        raise UsageError(f"{value:g} is not a whole number", where=where, fix=f"Give a whole number of {unit}.")
    return int(value)


def read_choice(given: str, where: str, choices: tuple[str, ...]) -> str:
    """Return one of `choices`, as given."""
    bare = given.strip().lower()
    if bare not in choices:
        raise UsageError(f"'{given}' is not one of its values", where=where, fix=f"Choose {', '.join(choices)}.")
    return bare


def read_free(given: str, where: str) -> str:
    """Return short free text: up to 60 letters, digits and plain punctuation."""
    bare = unicodedata.normalize("NFC", " ".join(given.split()))
    if len(bare) <= 60 and _FREE.fullmatch(bare):
        return bare
    fix = "Use up to 60 letters, digits and plain punctuation, starting with a letter or digit."
    raise UsageError(f"'{given[:70]}' cannot be used here", where=where, fix=fix)


def read_role(given: str, where: str = "--supervised") -> str:
    """Return a person's role, such as ``class teacher``; anything that looks like a name is refused."""
    role, fix = read_free(given, where), "Give a role in small letters, such as class teacher, or initials."
    if _NAMED.search(role):
        raise UsageError("this looks like a name, and records keep no names", where=where, fix=fix)
    return role


def read_minutes(given: str, where: str = "--minute") -> tuple[int, ...]:
    """Return the numbers of the words that ended each minute, from ``word 14, word 29`` or ``14, 29``."""
    parts = [part.strip() for part in given.split(",")]
    found = [re.fullmatch(r"(?:word )?(\d{1,5})", part) for part in parts]
    numbers = tuple(int(match[1]) for match in found if match)
    if len(numbers) != len(parts) or any(b <= a for a, b in pairwise((0, *numbers))):
        raise UsageError(
            f"'{given[:70]}' does not say which word ended each minute",
            where=where,
            fix='Give the words\' numbers on the page in order, such as "word 14, word 29".',
        )
    return numbers


def read_spoken(given: str, where: str) -> str:
    """Return a writer's own words, without control characters."""
    bare = unicodedata.normalize("NFC", " ".join(given.split()))
    if len(bare) > 400 or any(unicodedata.category(c)[0] == "C" for c in bare):
        raise UsageError("these words cannot be used", where=where, fix="Write up to 400 characters of plain text.")
    return bare
