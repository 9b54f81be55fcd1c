"""Ruled papers: a pick list from published paper standards, any pitch besides, and the standard nearest to a pitch.

A ruling is a row of lines repeated down the page at one pitch, the distance from one base line to the next. The base
line is the line that letters sit on. Lines of a row are given by their height above its base line, in mm.

Each listed paper carries where its figures come from. ``secondary`` means the figures were read in a text that quotes
the standard, named in `source`; ``memory`` means they were not looked up and must not be quoted as fact.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from handwriting.errors import UsageError

Kind = Literal["blank", "single", "two-line", "four-line", "seyes", "squared"]
Role = Literal["base", "body", "ascender", "descender", "light", "upright"]

NEAR = 0.01
"""A found pitch supports the scale when it lies within this share of a standard pitch."""

FIT_TO_LETTER = 279.4 / 297.0
"""An A4 page printed "fit to page" on Letter paper shrinks by this factor (heights of the two papers)."""

_SMALLEST_MM, _LARGEST_MM = 2.0, 60.0


@dataclass(frozen=True, slots=True)
class RowLine:
    """One line of a row: its height above the row's base line in mm (negative below) and what it is for."""

    above_mm: float
    role: Role


@dataclass(frozen=True, slots=True)
class Ruling:
    """A way of ruling paper.

    Parameters
    ----------
    name : str
        What the pick list and the command line call it.
    title : str
        A line for people.
    kind : str
        ``blank``, ``single``, ``two-line``, ``four-line``, ``seyes`` or ``squared``.
    pitch_mm : float
        Base line to base line; 0 on blank paper.
    body_mm : float or None
        Height of the zone ruled for small letters; None where the paper leaves it free.
    gap_mm : float
        Unruled distance between two rows (two- and four-line papers), already contained in `pitch_mm`.
    provenance : str
        ``secondary``, ``memory`` or ``own``.
    source : str
        Where the figures were read.
    """

    name: str
    title: str
    kind: Kind
    pitch_mm: float
    body_mm: float | None = None
    gap_mm: float = 0.0
    provenance: Literal["secondary", "memory", "own"] = "own"
    source: str = "any pitch the user asks for"

    def row(self) -> tuple[RowLine, ...]:
        """Return the lines of one row, base line first."""
        base = RowLine(0.0, "base")
        if self.kind == "blank":
            return ()
        body = self.body_mm or 0.0
        if self.kind == "two-line":
            return (base, RowLine(body, "body"))
        if self.kind == "four-line":
            return (base, RowLine(body, "body"), RowLine(2 * body, "ascender"), RowLine(-body, "descender"))
        if self.kind == "seyes":
            return (base, *(RowLine(body * step, "light") for step in (1, 2, 3)))
        return (base,)

    @property
    def upright_pitch_mm(self) -> float:
        """Distance between the upright lines of squared and Seyes paper; 0 where there are none."""
        return self.pitch_mm if self.kind in {"seyes", "squared"} else 0.0

    @property
    def reach_above_mm(self) -> float:
        """How far writing on a row may reach above its base line, mm."""
        if self.kind in {"two-line", "four-line"}:
            return 2 * (self.body_mm or 0.0)
        return self.pitch_mm

    @property
    def reach_below_mm(self) -> float:
        """How far writing on a row may reach below its base line, mm."""
        if self.kind in {"two-line", "four-line"}:
            return self.body_mm or 0.0
        return 0.35 * self.pitch_mm


_DIN = "a shop's listing of the papers of DIN 16552-1"
_SEYES = "a French handwriting teacher's page on Seyes paper"

RULINGS: tuple[Ruling, ...] = (
    Ruling("blank", "Plain paper", "blank", 0.0, source="no lines"),
    Ruling("uk-8", "UK school books, 8 mm feint", "single", 8.0, None, 0.0, "memory", "not looked up"),
    Ruling("uk-10", "UK primary books, 10 mm", "single", 10.0, None, 0.0, "secondary", "a school supplier's catalogue"),
    Ruling("uk-12", "UK primary books, 12 mm", "single", 12.0, None, 0.0, "memory", "not looked up"),
    Ruling("uk-15", "UK primary books, 15 mm", "single", 15.0, None, 0.0, "secondary", "a school supplier's catalogue"),
    Ruling("us-wide", "US wide rule", "single", 8.7, None, 0.0, "secondary", "a stationer's page on ruled paper"),
    Ruling("us-medium", "US medium rule", "single", 7.1, None, 0.0, "secondary", "a stationer's page on ruled paper"),
    Ruling("us-narrow", "US narrow rule", "single", 6.35, None, 0.0, "secondary", "a stationer's page on ruled paper"),
    # The zones of the German school papers are published; the free gap between two rows is ours, one and a half
    # zones, so that rows are told apart; the 8 mm gap of paper 3 is published with it.
    Ruling("de-0", "Germany 0, before school: four lines, 6 mm", "four-line", 27.0, 6.0, 9.0, "secondary", _DIN),
    Ruling("de-1", "Germany 1, school year 1: four lines, 5 mm", "four-line", 22.5, 5.0, 7.5, "secondary", _DIN),
    Ruling("de-2", "Germany 2, school year 2: four lines, 4 mm", "four-line", 18.0, 4.0, 6.0, "secondary", _DIN),
    Ruling("de-3", "Germany 3, school year 3: two lines, 3.5 mm", "two-line", 11.5, 3.5, 8.0, "secondary", _DIN),
    Ruling("de-4", "Germany 4, school year 4: single, 10 mm", "single", 10.0, None, 0.0, "secondary", _DIN),
    Ruling("de-25", "Germany 21 to 37, later years: single, 9 mm", "single", 9.0, None, 0.0, "secondary", _DIN),
    Ruling("fr-seyes", "France, Seyes: 8 mm with 2 mm lines", "seyes", 8.0, 2.0, 0.0, "secondary", _SEYES),
    Ruling(
        "fr-seyes-2.5", "France, enlarged Seyes: 10 mm with 2.5 mm lines", "seyes", 10.0, 2.5, 0.0, "secondary", _SEYES
    ),
    Ruling("fr-seyes-3", "France, enlarged Seyes: 12 mm with 3 mm lines", "seyes", 12.0, 3.0, 0.0, "secondary", _SEYES),
    Ruling(
        "cz-1", "Czech and Slovak, code ending 1: 20 mm", "single", 20.0, None, 0.0, "secondary", "an encyclopaedia"
    ),
    Ruling(
        "cz-2", "Czech and Slovak, code ending 2: 16 mm", "single", 16.0, None, 0.0, "secondary", "an encyclopaedia"
    ),
    Ruling("cz-3", "Czech and Slovak, code ending 3: 12 mm", "single", 12.0, None, 0.0, "memory", "not looked up"),
    Ruling("cz-4", "Czech and Slovak, code ending 4: 8 mm", "single", 8.0, None, 0.0, "memory", "not looked up"),
    Ruling("squared-5", "Squared, 5 mm", "squared", 5.0, None, 0.0, "memory", "common school paper, not looked up"),
    Ruling("squared-10", "Squared, 10 mm", "squared", 10.0, None, 0.0, "memory", "common school paper, not looked up"),
)

_BY_NAME = {ruling.name: ruling for ruling in RULINGS}
_PLAIN = re.compile(r"(\d+(?:\.\d+)?)\s*(?:mm)?")
_ZONED = re.compile(r"(two|four|seyes|squared):(\d+(?:\.\d+)?)(?:/(\d+(?:\.\d+)?))?(?:mm)?")
_HOW = (
    "Use a name from the pick list (uk-8, us-wide, de-1, fr-seyes ...), a pitch such as 8mm, 'two:4/12' "
    "(body 4 mm, rows 12 mm apart), 'four:5/20', 'seyes:2', 'squared:5' or 'blank'"
)


def find_ruling(text: str) -> Ruling:
    """Return the ruling that a name from the pick list or a description stands for.

    Parameters
    ----------
    text : str
        A listed name; a pitch such as ``8mm``; ``two:BODY/PITCH``, ``four:ZONE/PITCH`` (pitch optional: body times
        three, zone times 4.5); ``seyes:LINE``; ``squared:SIDE``; all in mm, with a decimal point or comma.

    Raises
    ------
    UsageError
        When the text is none of these or a size lies outside 2 to 60 mm.
    """
    asked = re.sub(r"(?<=\d),(?=\d)", ".", text.strip().lower())
    if asked in _BY_NAME:
        return _BY_NAME[asked]
    if match := _PLAIN.fullmatch(asked):
        pitch = _sized(float(match[1]), text)
        return Ruling(f"{pitch:g}mm", f"Single lines, {pitch:g} mm", "single", pitch)
    match = _ZONED.fullmatch(asked)
    if match is None:
        raise UsageError(f"there is no ruling '{text}'", fix=_HOW)
    kind, size = match[1], _sized(float(match[2]), text)
    if kind in {"two", "four"}:
        zones = 3.0 if kind == "two" else 4.5
        pitch = _sized(float(match[3]), text) if match[3] else _sized(zones * size, text)
        if pitch < (2 if kind == "two" else 3) * size:
            raise UsageError(f"the rows of '{text}' would run into each other", fix="Give a larger row pitch")
        name, gap = f"{kind}:{size:g}/{pitch:g}", pitch - (1 if kind == "two" else 3) * size
        return Ruling(name, f"{kind.title()}-line, {size:g} mm", f"{kind}-line", pitch, size, gap)  # type: ignore[arg-type]
    if match[3]:
        raise UsageError(f"there is no ruling '{text}'", fix=_HOW)
    if kind == "seyes":
        return Ruling(f"seyes:{size:g}", f"Seyes with {size:g} mm lines", "seyes", _sized(4 * size, text), size)
    return Ruling(f"squared:{size:g}", f"Squared, {size:g} mm", "squared", size)


def _sized(size_mm: float, text: str) -> float:
    if not _SMALLEST_MM <= size_mm <= _LARGEST_MM:
        raise UsageError(
            f"the ruling '{text}' has a distance of {size_mm:g} mm",
            fix=f"Distances lie between {_SMALLEST_MM:g} and {_LARGEST_MM:g} mm",
        )
    return round(size_mm, 2)


@dataclass(frozen=True, slots=True)
class StandardPitch:
    """A standard pitch that a found one agrees with.

    Parameters
    ----------
    pitch_mm : float
        The standard's pitch.
    names : tuple of str
        Listed rulings that have it, as a row pitch or as a zone.
    ratio : float
        Found pitch over standard pitch.
    printed_small : bool
        True when the found pitch is not the standard itself but the standard shrunk by `FIT_TO_LETTER`.
    """

    pitch_mm: float
    names: tuple[str, ...]
    ratio: float
    printed_small: bool


def _standard_pitches() -> dict[float, tuple[str, ...]]:
    pitches: dict[float, tuple[str, ...]] = {}
    for ruling in RULINGS:
        if ruling.kind == "blank":
            continue
        found = {ruling.pitch_mm}
        if ruling.body_mm is not None:
            found.add(ruling.body_mm)
        if ruling.kind == "four-line":
            found.remove(ruling.pitch_mm)  # our own gap is in it
        for pitch in found:
            pitches[pitch] = (*pitches.get(pitch, ()), ruling.name)
    return pitches


STANDARD_PITCHES: dict[float, tuple[str, ...]] = _standard_pitches()
"""Every distance between neighbouring lines or rows that a listed paper has, mm, with the papers' names."""


def nearest_standard(pitch_mm: float) -> StandardPitch | None:
    """Return the standard pitch within 1 % of a found one, or the one it would be if printed "fit to Letter".

    The plain reading is tried first. None when neither is near: the found pitch then says nothing about the scale.
    """
    for shrink in (1.0, FIT_TO_LETTER):
        pitch, names = min(STANDARD_PITCHES.items(), key=lambda item: abs(pitch_mm / (item[0] * shrink) - 1.0))
        if abs(pitch_mm / (pitch * shrink) - 1.0) <= NEAR:
            return StandardPitch(pitch, names, pitch_mm / pitch, printed_small=shrink != 1.0)
    return None
