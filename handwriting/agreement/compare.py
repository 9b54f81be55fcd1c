"""Agreement measure by measure: raters with each other, each rater with themself, the tool with the raters.

What is computed and where it comes from stands in `reliability`. Only samples that everyone in a comparison has read
take part; the others are counted. A rater's first reading is compared with others, later ones with the first.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from handwriting.agreement.read import Readings
from handwriting.errors import UsageError
from handwriting.quantity import NotMeasured
from handwriting.reliability import (
    Agreement,
    Estimate,
    Icc,
    MeasurementError,
    icc,
    kappa,
    limits_of_agreement,
    measurement_error,
    ratio_limits,
)

#: From how many samples on limits of agreement are given; fewer leave their ends wider than the limits.
LEAST = 3
_GROWS = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """Readings of the same samples by several: all ICC forms and the measurement error, or why not.

    `title` says whose readings; columns of `table` are `columns`, rows `samples`; `left_out` samples were not read by
    all.
    """

    title: str
    columns: tuple[str, ...]
    samples: tuple[str, ...]
    left_out: int
    table: NDArray[np.float64]
    icc: tuple[Icc, ...] | NotMeasured
    error: MeasurementError | None


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """Two columns of readings: limits of agreement (first minus second), and as ratios where the spread grows."""

    first: str
    second: str
    group: Group
    limits: Agreement | NotMeasured
    ratio: tuple[Estimate, ...] | NotMeasured | None


@dataclass(frozen=True, slots=True)
class Ordinal:
    """Weighted kappa of two raters' ratings."""

    first: str
    second: str
    n: int
    weights: str
    value: Estimate | NotMeasured


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """All that was found about one measure."""

    measure: str
    unit: str
    groups: tuple[Group, ...]
    pairs: tuple[Pair, ...]
    ordinal: tuple[Ordinal, ...]


def compare(tool: Readings, raters: Readings, *, ratings: tuple[str, ...] = ()) -> tuple[Comparison, ...]:
    """Compare every measure the raters have read.

    Parameters
    ----------
    tool, raters : Readings
        From `read_tool` and `read_raters`.
    ratings : tuple of str
        Measures that are ratings on an ordinal scale.

    Raises
    ------
    UsageError
        A rating is not in the raters' table, or nothing can be compared.
    """
    unknown = [name for name in ratings if name not in raters.values]
    if unknown:
        fix = f"The measures found are: {', '.join(raters.values)}"
        raise UsageError(f"the raters' table has no {unknown[0]}", where="--ratings", fix=fix)
    done = [_one(name, tool, raters, ordinal=name in ratings) for name in raters.values]
    if not any(c.groups or c.ordinal for c in done):
        fix = "Give readings of at least two pages by two raters, or of pages and measures that the tool's table has."
        raise UsageError("the two tables have nothing in common to compare", fix=fix)
    return tuple(done)


def _one(name: str, tool: Readings, raters: Readings, *, ordinal: bool) -> Comparison:
    read = raters.values[name]
    own = tool.values.get(name, {})
    who = sorted({rater for _, rater, _ in read})
    first = {rater: {s: v for (s, r, reading), v in read.items() if r == rater and reading == 1} for rater in who}
    unit = tool.units.get(name, "")
    if ordinal:
        with_tool = {**first, **({"tool": {s: v for (s, _, _), v in own.items()}} if own else {})}
        return Comparison(name, unit, (), (), tuple(_kappas(with_tool)))
    groups = []
    between = _group("raters with each other", first)
    if between is not None:
        groups.append(between)
    pairs = [_pair(a, b, {a: first[a], b: first[b]}) for a, b in combinations(who, 2)]
    for rater in who:
        numbers = sorted({reading for _, r, reading in read if r == rater})
        again = {f"{rater} {i}": {s: v for (s, r, j), v in read.items() if r == rater and j == i} for i in numbers}
        group = _group(f"{rater} with themself", again)
        if group is not None:
            groups.append(group)
    if own:
        other = who[0] if len(who) == 1 else "mean of raters"
        columns = {"tool": {s: v for (s, _, _), v in own.items()}, other: _mean(first)}
        group = _group(f"tool with {'the ' if len(who) > 1 else ''}{other}", columns)
        if group is not None:
            groups.append(group)
        pairs.append(_pair("tool", other, columns))
        if len(who) > 1:
            pairs += [_pair("tool", r, {"tool": columns["tool"], r: first[r]}) for r in who]
            every = _group("tool as one more rater", {"tool": columns["tool"], **first})
            groups += [every] if every is not None else []
    return Comparison(name, unit, tuple(groups), tuple(p for p in pairs if p is not None), ())


def _mean(first: dict[str, dict[str, float]]) -> dict[str, float]:
    """Return the mean over the raters, for samples all of them read."""
    everyone = list(first.values())
    shared = [s for s in everyone[0] if all(s in other for other in everyone)]
    return {s: float(np.mean([readings[s] for readings in everyone])) for s in shared}


def _group(title: str, columns: dict[str, dict[str, float]]) -> Group | None:
    """Return the group, None when fewer than two columns or two samples have readings in all."""
    if len(columns) < 2:
        return None
    everyone = list(columns.values())
    seen = list(dict.fromkeys(s for readings in everyone for s in readings))
    shared = tuple(s for s in seen if all(s in readings for readings in everyone))
    if len(shared) < 2:
        return None
    table = np.array([[readings[s] for readings in everyone] for s in shared])
    return Group(title, tuple(columns), shared, len(seen) - len(shared), table, icc(table), measurement_error(table))


def _pair(first: str, second: str, columns: dict[str, dict[str, float]]) -> Pair | None:
    group = _group(f"{first} and {second}", columns)
    if group is None or len(group.samples) < LEAST:
        return None
    a, b = group.table[:, 0], group.table[:, 1]
    limits = limits_of_agreement(a, b)
    grows = isinstance(limits, Agreement) and limits.spread_slope > 0 and limits.spread_p < _GROWS
    ratio = ratio_limits(a, b) if grows and bool((group.table > 0).all()) else None
    return Pair(first, second, group, limits, ratio)


def _kappas(columns: dict[str, dict[str, float]]) -> list[Ordinal]:
    found = []
    for first, second in combinations(columns, 2):
        shared = [s for s in columns[first] if s in columns[second]]
        if len(shared) < 2:
            continue
        a, b = ([columns[who][s] for s in shared] for who in (first, second))
        found += [
            Ordinal(first, second, len(shared), "linear", kappa(a, b, weights="linear")),
            Ordinal(first, second, len(shared), "quadratic", kappa(a, b, weights="quadratic")),
        ]
    return found
