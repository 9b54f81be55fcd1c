"""Everything a comparison report says of one pupil, from samples and the user's repeats: one call for page and desk."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from handwriting.change import OCCASION_DAYS, Comparison, Occasion, Sample, compare, occasions
from handwriting.context import Grid, grid
from handwriting.errors import UsageError
from handwriting.growth import Growth, growth
from handwriting.repeats import Groups, RepeatsOf, errors, like, repeats_of


@dataclass(frozen=True, slots=True)
class History:
    """One pupil over time.

    `series` are the occasions that are shown along the dates: those asked for alike in one setting, or where there are
    not two of them, all. `comparison` sets the earlier against the later; `grid` is terms by places. `new_page` and
    `same_page` are what the user's repeats say of pages asked for as these were.
    """

    code: str
    series: tuple[Occasion, ...]
    comparison: Comparison
    grid: Grid
    new_page: Mapping[str, RepeatsOf]
    same_page: Mapping[str, RepeatsOf]
    growth: tuple[Growth, ...]
    repeats_of_one_text: bool


def history(
    samples: Iterable[Sample],
    repeats: Groups = (),
    scanned_again: Groups = (),
    *,
    before: dt.date | None = None,
    after: dt.date | None = None,
    days: int = OCCASION_DAYS,
) -> History:
    """Compare one pupil's pages.

    Parameters
    ----------
    samples : iterable of Sample
        Of one pupil, two occasions at least.
    repeats, scanned_again : groups of Sample
        The user's own repeats, of any pupil: new pages within days, and one page scanned more than once.
    before, after : date, optional
        A day of the earlier and of the later occasion; the first and the last of the series when left out.
    days : int
        Pages within so many days, asked for alike, make one occasion.

    Raises
    ------
    UsageError
        The pages are of more than one pupil or of one occasion only, or none was written on a day named.
    """
    held = tuple(samples)
    every = occasions(held, days=days)
    if not every:
        raise UsageError("there are no pages to compare", fix="Name a pupil's code, or two record files and more.")
    series = _series(every)
    first = series[0] if before is None else _on(every, before, "--before")
    last = series[-1] if after is None else _on(every, after, "--after")
    if first is last:
        raise UsageError(
            "all these pages are of one occasion, so there is nothing to compare",
            fix=f"Give pages written more than {days} days apart; pages nearer to each other are repeats.",
        )
    near, again = like(repeats, last.first), like(scanned_again, last.first)
    texts = {s.text for group in near for s in group}
    return History(
        code=first.first.code,
        series=series if first in series and last in series else (first, last),
        comparison=compare(first, last, errors(near), errors(again)),
        grid=grid(held, errors(repeats)),
        new_page=repeats_of(near),
        same_page=repeats_of(again),
        growth=growth(first.first.grade, last.first.grade),
        repeats_of_one_text=len(texts) == 1,
    )


def _series(every: tuple[Occasion, ...]) -> tuple[Occasion, ...]:
    """Return the most occasions asked for alike in one setting, the latest of equals; all when there are not two."""
    groups: list[list[Occasion]] = []
    for one in every:
        for group in groups:
            if group[0].first.asked_alike(one.first) and group[0].first.setting == one.first.setting:
                group.append(one)
                break
        else:
            groups.append([one])
    longest = max(groups, key=lambda g: (len(g), g[-1].first.date), default=[])
    return tuple(longest) if len(longest) > 1 else every


def _on(every: tuple[Occasion, ...], day: dt.date, option: str) -> Occasion:
    for one in every:
        if any(s.date == day for s in one.samples):
            return one
    held = ", ".join(sorted({str(s.date) for one in every for s in one.samples}))
    raise UsageError(f"no page was written on {day}", where=option, fix=f"Choose one of: {held}.")
