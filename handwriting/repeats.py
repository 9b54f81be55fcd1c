"""Measurement error from the user's own repeats.

New pages: pages by one writer within days, asked for alike. Same page: one page scanned again. For each measure

    SEM = sqrt(sum over groups of (x - mean of its group)^2 / df),   df = sum of (pages - 1)

which is the within-subject SD of Bland & Altman (1996, BMJ 313, 744) for groups of any size, and for pairs the square
root of the one-way error mean square. It holds a shift between the occasions too, so it is an error of agreement.
SDC = 1.96 sqrt(2) SEM (Weir 2005, J Strength Cond Res 19, 231). ICC(1,1) (one way, absolute agreement: Shrout & Fleiss
1979, Psychological Bulletin 86, 420) and the limits of agreement (Bland & Altman 1986, Lancet i, 307; 1999, Stat
Methods Med Res 8, 135) use the first two pages of each group.

Heights, gaps and spreads stray the more the larger they are. For measures that cannot be nought or less (`RELATIVE`
units, not in `SIGNED`, every value above zero) each group is divided by its mean first, and the error is a share of the
value: the within-subject coefficient of variation (Bland & Altman 1996, BMJ 313, 106; recalled).

What it does not see: whether the days between were alike, or that one text was practised.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from handwriting.change import ErrorOf, Sample
from handwriting.quantity import Measured
from handwriting.reliability import Agreement, Estimate, Icc, icc, limits_of_agreement, ratio_limits

Groups = Sequence[Sequence[Sample]]

RELATIVE = frozenset({"mm", "1", "letters/min"})
SIGNED = frozenset({"rule_distance", "baseline_drift", "left_margin_drift", "right_margin_drift", "slant"})


@dataclass(frozen=True, slots=True)
class RepeatsOf:
    """What the repeats say of one measure; a part that needs more pairs, or some spread, is None.

    `sem` and `sdc` are in the measure's unit, over all values alike; `error` is what comparisons use, for many measures
    a share of the value. `low` and `high` are the 95 % interval of `sem`; `ratios` are bias and limits as ratios of the
    first page to the second, given where differences grow with size.
    """

    key: str
    unit: str
    pupils: int
    groups: int
    pages: int
    df: int
    sem: float
    low: float
    high: float
    sdc: float
    error: ErrorOf
    icc: Icc | None
    agreement: Agreement | None
    ratios: tuple[Estimate, ...] | None


def like(groups: Groups, sample: Sample) -> tuple[Sequence[Sample], ...]:
    """Return the groups that were asked for as `sample` was: same task, instruction, tool, hand and ruling."""
    return tuple(group for group in groups if group[0].asked_alike(sample))


def by_condition(groups: Groups) -> list[tuple[dict[str, str], list[Sequence[Sample]]]]:
    """Sort groups by what was asked: task, instruction, tool, hand and ruling; the largest set first."""
    sets: list[list[Sequence[Sample]]] = []
    for group in groups:
        own = next((s for s in sets if s[0][0].asked_alike(group[0])), None)
        if own is None:
            sets.append([group])
        else:
            own.append(group)
    named = []
    for own in sorted(sets, key=len, reverse=True):
        one = own[0][0]
        ruling = one.ruled.kind if one.ruled.pitch_mm is None else f"{one.ruled.kind} {one.ruled.pitch_mm:.1f} mm"
        asked = {"task": one.task, "instruction": one.instruction, "tool": one.tool, "hand": one.hand, "ruling": ruling}
        named.append((asked, own))
    return named


def scanned_again(samples: Iterable[Sample]) -> tuple[tuple[Sample, ...], ...]:
    """Gather the pages that were scanned more than once."""
    pages: dict[int, list[Sample]] = {}
    for sample in sorted(samples, key=lambda s: s.number or 0):
        origin = sample.rescan_of if sample.rescan_of is not None else sample.number
        if origin is not None:
            pages.setdefault(origin, []).append(sample)
    return tuple(tuple(group) for group in pages.values() if len(group) > 1)


def _values(groups: Groups) -> dict[str, tuple[str, list[tuple[str, list[float]]]]]:
    """Return for each measure its unit and, for each group with two pages that have it, the code and the values."""
    found: dict[str, tuple[str, list[tuple[str, list[float]]]]] = {}
    for group in groups:
        held: dict[tuple[str, str], list[float]] = {}
        for sample in group:
            for key, quantity in sample.measures.items():
                if isinstance(quantity, Measured):
                    held.setdefault((key, quantity.unit), []).append(quantity.value)
        for (key, unit), values in held.items():
            if len(values) > 1 and found.setdefault(key, (unit, []))[0] == unit:
                found[key][1].append((group[0].code, values))
    return found


def errors(groups: Groups) -> dict[str, ErrorOf]:
    """Return the standard error of measurement of each measure, with its degrees of freedom.

    A measure without any spread among its repeats is left out: nothing can be set against it.
    """
    found = {}
    for key, (unit, held) in _values(groups).items():
        error = _error(key, unit, [values for _, values in held])
        if error.sd > 0:
            found[key] = error
    return found


def _error(key: str, unit: str, groups: Sequence[Sequence[float]]) -> ErrorOf:
    relative = unit in RELATIVE and key not in SIGNED and min(v for g in groups for v in g) > 0
    if relative:
        groups = [[v * len(g) / math.fsum(g) for v in g] for g in groups]
    sd, df = _pooled(groups)
    return ErrorOf(sd, df, relative)


def _pooled(groups: Sequence[Sequence[float]]) -> tuple[float, int]:
    squares = math.fsum(math.fsum((v - math.fsum(g) / len(g)) ** 2 for v in g) for g in groups)
    df = sum(len(g) - 1 for g in groups)
    return math.sqrt(squares / df), df


def repeats_of(groups: Groups, *, level: float = 0.95) -> dict[str, RepeatsOf]:
    """Return everything the repeats say, measure by measure."""
    found = {}
    for key, (unit, held) in _values(groups).items():
        sem, df = _pooled([values for _, values in held])
        low_q, high_q = stats.chi2.ppf([(1 - level) / 2, (1 + level) / 2], df)
        pairs = np.array([values[:2] for _, values in held])
        first, second = pairs[:, 0], pairs[:, 1]
        agreement = limits_of_agreement(first, second) if len(pairs) > 2 else None
        forms = icc(pairs) if len(pairs) > 1 else None
        agreed = agreement if isinstance(agreement, Agreement) else None
        ratios = None
        if agreed is not None and agreed.spread_p < 0.05 and agreed.spread_slope > 0 and (pairs > 0).all():
            limits = ratio_limits(first, second)
            ratios = limits if isinstance(limits, tuple) else None
        found[key] = RepeatsOf(
            key=key,
            unit=unit,
            pupils=len({code for code, _ in held}),
            groups=len(held),
            pages=sum(len(values) for _, values in held),
            df=df,
            sem=sem,
            low=sem * math.sqrt(df / float(high_q)),
            high=sem * math.sqrt(df / float(low_q)),
            sdc=ErrorOf(sem, df).sdc(),
            error=_error(key, unit, [values for _, values in held]),
            icc=forms[0] if isinstance(forms, tuple) else None,
            agreement=agreed,
            ratios=ratios,
        )
    return found
