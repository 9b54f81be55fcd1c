"""Terms by places: which measures stay as they are wherever and whenever a pupil writes, and which do not.

A *place* is a setting together with a task (home, near copy); a *cell* is the mean over the pages of one term in one
place. With SEM from the user's own repeats and df' as in `change.py`, two means over m1 and m2 pages differ beyond
error when

    |x1 - x2| > t(1 - 0.05 / (2 k), df') SEM sqrt(1/m1 + 1/m2)

where k is how many pairs are looked at for that measure (Bonferroni), so that a measure that never changes is called
changing in at most 5 % of grids. From fewer than `change.LEAST_DF` degrees of freedom nothing is said.

Places are compared over the terms they have in common, so that time is not taken for place. Pages that differ in
instruction, tool, hand or ruling are shown and not told apart by place: the difference may come from that.

What it does not see: why a place differs. Nothing here says what is good.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from scipy import stats

from handwriting.change import LEAST_DF, ErrorOf, Sample, means, term_of, terms, uncertainty
from handwriting.quantity import Measured, Quantity

#: Over places: alike in all; one place apart from all the others, which are alike; apart in another way; not told.
Places = Literal["alike", "one-place", "apart", "untold"]
#: Over terms, in each place: holds; moves in one place or more; not told.
Terms = Literal["holds", "moves", "untold"]
#: Why nothing is told: lengths across rulings; pages that were not asked for alike; too few repeats.
Reason = Literal["", "ruling", "unlike", "few"]
Place = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Cell:
    """The mean of a measure over the pages of one term in one place; `pages` counts those it was made on."""

    term: str
    place: Place
    quantity: Quantity
    pages: int


@dataclass(frozen=True, slots=True)
class GridRow:
    """One measure over the grid.

    `where` names the place that stands apart, or those in which the measure moves between terms. `largest` is the
    largest difference between cells in standard errors of that difference; where the error is not known well enough,
    in the cells' own standard uncertainties. `reason` says why nothing is told.
    """

    key: str
    unit: str
    cells: tuple[Cell, ...]
    places: Places
    terms: Terms
    where: tuple[Place, ...]
    moving: tuple[Place, ...]
    largest: float
    reason: Reason = ""

    @property
    def steady(self) -> bool:
        """Tell whether the measure is alike in all places and holds over the terms, as far as both were told."""
        return self.places in ("alike", "untold") and self.terms in ("holds", "untold")


@dataclass(frozen=True, slots=True)
class Grid:
    """Terms in order of date, places in order of their first page, and a row a measure, steadier ones first."""

    terms: tuple[str, ...]
    places: tuple[Place, ...]
    rows: tuple[GridRow, ...]


def grid(samples: Iterable[Sample], error: Mapping[str, ErrorOf] | None = None) -> Grid:
    """Return a pupil's samples as a grid of terms by places.

    Parameters
    ----------
    samples : iterable of Sample
        One pupil's; pages scanned again are left out.
    error : mapping of measure to ErrorOf, optional
        From all the user's repeats, of any task: what is asked here is how tasks and settings differ.
    """
    held = sorted((s for s in samples if s.rescan_of is None), key=lambda s: (s.date, s.number or 0))
    named, places = terms(held), tuple(dict.fromkeys((s.setting, s.task) for s in held))
    cells: dict[tuple[str, Place], list[Sample]] = {}
    for sample in held:
        cells.setdefault((term_of(sample), (sample.setting, sample.task)), []).append(sample)
    unlike: Reason = "" if all(_alike(held[0], s) for s in held) else "unlike"
    one_ruling = all(s.ruled.same(held[0].ruled) for s in held)
    keys = dict.fromkeys(key for s in held for key in s.measures)
    rows = (_row(key, cells, (error or {}).get(key), unlike if one_ruling else "ruling") for key in keys)
    kept = [row for row in rows if sum(isinstance(c.quantity, Measured) for c in row.cells) > 1]
    return Grid(named, places, tuple(sorted(kept, key=lambda row: (not row.steady, row.largest))))


def _alike(one: Sample, other: Sample) -> bool:
    """Tell whether two pages were asked for alike in all but setting and task, which are what the grid is about."""
    return one.ruled.same(other.ruled) and (one.instruction, one.tool, one.hand) == (
        other.instruction,
        other.tool,
        other.hand,
    )


def _row(key: str, cells: Mapping[tuple[str, Place], Sequence[Sample]], error: ErrorOf | None, bar: Reason) -> GridRow:
    found = []
    for (term, place), samples in cells.items():
        quantity = means(samples).get(key)
        if quantity is not None:
            pages = sum(isinstance(s.measures.get(key), Measured) for s in samples)
            found.append(Cell(term, place, quantity, pages))
    made = [c for c in found if isinstance(c.quantity, Measured)]
    unit = next((c.quantity.unit for c in made if isinstance(c.quantity, Measured)), "")
    reason: Reason = "unlike" if bar == "ruling" and "mm" not in unit else bar
    if not reason and (error is None or error.df < LEAST_DF):
        reason = "few"
    if reason or error is None:
        return GridRow(key, unit, tuple(found), "untold", "untold", (), (), _own_largest(made), reason)
    over, apart = _places(made, error)
    moving, told = _moving(made, error)
    said: Terms = "untold" if not told else "moves" if moving else "holds"
    return GridRow(key, unit, tuple(found), over, said, apart, moving, _largest(made, error))


def _value(cell: Cell) -> float:
    return cell.quantity.value if isinstance(cell.quantity, Measured) else math.nan


def _over(cells: Sequence[Cell]) -> tuple[float, int]:
    """Return the mean over cells, by pages, and how many pages."""
    pages = sum(c.pages for c in cells)
    return math.fsum(_value(c) * c.pages for c in cells) / pages, pages


def _apart(one: tuple[float, int], other: tuple[float, int], error: ErrorOf, pairs: int) -> bool:
    limit = float(stats.t.ppf(1 - 0.05 / (2 * pairs), error.freedom))
    return abs(one[0] - other[0]) > limit * _standard_error(one, other, error)


def _standard_error(one: tuple[float, int], other: tuple[float, int], error: ErrorOf) -> float:
    return error.at((one[0] + other[0]) / 2) * math.sqrt(1 / one[1] + 1 / other[1])


def _places(cells: Sequence[Cell], error: ErrorOf) -> tuple[Places, tuple[Place, ...]]:
    """Compare places two by two over the terms they have in common."""
    places = tuple(dict.fromkeys(c.place for c in cells))
    pairs = {}
    for a, b in combinations(places, 2):
        shared = {c.term for c in cells if c.place == a} & {c.term for c in cells if c.place == b}
        if shared:
            pairs[a, b] = [_over([c for c in cells if c.place == p and c.term in shared]) for p in (a, b)]
    if not pairs:
        return "untold", ()
    apart = [{a, b} for (a, b), (one, other) in pairs.items() if _apart(one, other, error, len(pairs))]
    if not apart:
        return "alike", ()
    alone = set.intersection(*apart)
    if len(alone) == 1 and len(apart) == len(places) - 1 > 1:
        return "one-place", tuple(alone)
    return "apart", tuple(p for p in places if any(p in pair for pair in apart))


def _moving(cells: Sequence[Cell], error: ErrorOf) -> tuple[tuple[Place, ...], bool]:
    """Return the places in which a measure differs between terms, and whether any place has two terms."""
    pairs = [(a, b) for a, b in combinations(cells, 2) if a.place == b.place]
    moved = {a.place for a, b in pairs if _apart((_value(a), a.pages), (_value(b), b.pages), error, len(pairs))}
    return tuple(p for p in dict.fromkeys(c.place for c in cells) if p in moved), bool(pairs)


def _largest(cells: Sequence[Cell], error: ErrorOf) -> float:
    found = 0.0
    for a, b in combinations(cells, 2):
        one, other = (_value(a), a.pages), (_value(b), b.pages)
        se = _standard_error(one, other, error)
        found = max(found, abs(one[0] - other[0]) / se if se else 0.0)
    return found


def _own_largest(cells: Sequence[Cell]) -> float:
    found = 0.0
    for a, b in combinations(cells, 2):
        if isinstance(a.quantity, Measured) and isinstance(b.quantity, Measured):
            own = math.hypot(uncertainty(a.quantity), uncertainty(b.quantity))
            found = max(found, abs(_value(a) - _value(b)) / own if own else 0.0)
    return found
