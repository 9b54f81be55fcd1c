"""A study looked over before its numbers are used: what does not fit together, for a person to judge.

Nothing is taken out and nothing is changed. Limits are common practice, no source, unless named: robust distances are
those of the orthogonalised estimate of Gnanadesikan and Kettenring (Maronna & Zamar 2002, Technometrics 44, 307-317),
held to what the farthest of a normal cloud exceeds in 5 % of studies; drift is Kendall's tau with p below 0.001 and a
change of over 1 % (Sen's slope) from the first page to the last.
"""

from __future__ import annotations

import csv
import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from itertools import combinations
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from handwriting.batch.methods import counted
from handwriting.errors import StudyError
from handwriting.statistics import MAD_TO_SD

Row = dict[str, str]
Floats = NDArray[np.float64]

#: What robust distance is taken over: one measure of each kind, so that no kind counts twice.
KINDS = ("x_height", "height_cv", "slant", "word_space_ratio", "baseline_wander_ratio", "letters_per_minute")
#: What may drift with the scanner, and what drifts with the writers as well.
DRIFTING = ("rule_pitch_mm", "mm_per_px", "stroke_width", "x_height", "slant", "letters_per_minute")
_FEWEST_WORDS = 12
_ALIKE_MM = 0.4
_BLOCKS = 400
_LONE_SHARE = 0.1


class Finding(NamedTuple):
    """Something to look at: its kind, the samples, what was seen, what to do."""

    kind: str
    samples: str
    what: str
    advice: str


def check_study(study: Path, *, order: str | None = None) -> tuple[Finding, ...]:
    """Look over a study that has been run.

    Parameters
    ----------
    study : Path
        Its folder, with ``samples.csv`` and ``words.csv``.
    order : str, optional
        The column that gives the order of scanning; the order of the manifest when left out.

    Raises
    ------
    StudyError
        The tables are not there, or the column of the order is not one of numbers.
    """
    rows = _rows(study, "samples")
    measured = [row for row in rows if row["outcome"] == "measured"]
    if order is not None:
        measured.sort(key=lambda row: _order(row, order))
    return (
        *_same_files(measured),
        *_same_writing(measured, study),
        *_mixed(measured),
        *_dates(measured),
        *_far_out(measured),
        *_scanner(measured),
        *_drift(measured),
    )


def _rows(study: Path, name: str) -> list[Row]:
    try:
        with (study / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))
    except OSError as error:
        fix = "Name the folder of a study that handwriting batch has finished."
        raise StudyError(f"there is no {name}.csv", where=str(study), fix=fix) from error


def _order(row: Row, column: str) -> float:
    try:
        return float(row[column])
    except (KeyError, ValueError) as error:
        fix = "Name a column of the manifest that holds a number in every row."
        raise StudyError(f"the column {column} does not give an order", where="--order", fix=fix) from error


def _number(row: Row, column: str) -> float:
    return float(row[column]) if row.get(column) else float("nan")


def _list(names: Sequence[str]) -> str:
    return " ".join(names)


# --- twice the same ------------------------------------------------------------------------------------------------


def _same_files(rows: list[Row]) -> Iterator[Finding]:
    groups: dict[tuple[str, str], list[str]] = defaultdict(list)
    for row in rows:
        groups[row["sha256"], row["page"]].append(row["sample"])
    for names in groups.values():
        if len(names) > 1:
            yield Finding("same file", _list(names), "the very same file", "Take all but one out of the manifest.")


def _same_writing(rows: list[Row], study: Path) -> Iterator[Finding]:
    """Find pages whose words stand at the same places: one page scanned twice."""
    mm = {row["sample"]: row["sha256"] for row in rows if row["mm_per_px"]}
    pages: dict[str, list[tuple[int, float, float]]] = defaultdict(list)
    with (study / "words.csv").open(encoding="utf-8", newline="") as file:
        for word in csv.DictReader(file):
            if word["sample"] in mm:
                pages[word["sample"]].append((int(word["line"]), float(word["left"]), float(word["right"])))
    alike: dict[tuple[int, ...], list[str]] = defaultdict(list)
    for name, words in pages.items():
        if len(words) >= _FEWEST_WORDS:
            lines = Counter(line for line, _, _ in words)
            alike[tuple(lines[line] for line in sorted(lines))].append(name)
    for names in alike.values():
        shapes = {name: _shape(pages[name]) for name in names}
        for one, other in combinations(names, 2):
            if mm[one] != mm[other] and float(np.median(np.abs(shapes[one] - shapes[other]))) < _ALIKE_MM:
                what = "words stand at the same places on both pages"
                yield Finding("same writing", _list([one, other]), what, "Is it one page scanned twice? Keep one scan.")


def _shape(words: list[tuple[int, float, float]]) -> Floats:
    """Return left and right ends of words along their lines, from the page's middle word, in mm."""
    ends = np.array([(left, right) for _, left, right in words]).ravel()
    placed: Floats = ends - np.median(ends)
    return placed


# --- what differs and may not ----------------------------------------------------------------------------------------


def _mixed(rows: list[Row]) -> Iterator[Finding]:
    rulings = {
        r["sample"]: f"{r['ruling'] or 'no'} rules"
        + (f", {_number(r, 'rule_pitch_mm'):.1f} mm" if r["rule_pitch_mm"] else "")
        for r in rows
    }
    yield from _split(
        "mixed rulings", rulings, "Sizes and line keeping on different rulings do not compare as they are."
    )
    texts = {r["sample"]: f"text {r['text_sha256'][:8]}" if r["text_sha256"] else "no text" for r in rows}
    yield from _split("mixed texts", texts, "Rates and letter measures depend on the text: compare like with like.")
    for column in ("task", "instruction", "tool"):
        yield from _split(
            f"mixed {column}", {r["sample"]: r[column] or "not said" for r in rows}, "Compare like with like."
        )


def _split(kind: str, by: dict[str, str], advice: str) -> Iterator[Finding]:
    numbers = Counter(by.values())
    if len(numbers) < 2:
        return
    most = numbers.most_common()
    what = "; ".join(f"{value}: {counted(n, 'page')}" for value, n in most[:6]) + ("; ..." if len(most) > 6 else "")
    lone = [name for name, value in by.items() if numbers[value] <= _LONE_SHARE * len(by)]
    yield Finding(kind, _list(lone), what, advice)


def _dates(rows: list[Row]) -> Iterator[Finding]:
    people: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        people[row["participant"]].append(row)
    for mine in people.values():
        dated = [(dt.date.fromisoformat(r["date"]), r) for r in mine if r["date"]]
        for (day1, one), (day2, other) in combinations(sorted(dated, key=lambda d: d[0]), 2):
            names = _list([one["sample"], other["sample"]])
            first, second = one["occasion"], other["occasion"]
            if first.isdecimal() and second.isdecimal() and int(first) > int(second) and day1 < day2:
                what = f"occasion {first} is dated {day1}, occasion {second} {day2}"
                yield Finding("dates", names, what, "Check dates and occasions.")
            if first != second and day1 == day2:
                yield Finding("dates", names, f"two occasions on one day, {day1}", "Check dates and occasions.")
            if one["age_months"] and other["age_months"]:
                grown = int(other["age_months"]) - int(one["age_months"])
                months = (day2 - day1).days / 30.4369
                # Ages are completed months: a true difference shows as up to one month more or less.
                if not months - 1 <= grown <= months + 1:
                    what = f"{grown} months of age between pages {months:.1f} months apart"
                    yield Finding("dates", names, what, "Check ages and dates.")


# --- what lies far out or moves --------------------------------------------------------------------------------------


def _far_out(rows: list[Row]) -> Iterator[Finding]:
    kinds = [k for k in KINDS if sum(bool(r.get(k)) for r in rows) >= 0.8 * len(rows)]
    full = [r for r in rows if all(r[k] for k in kinds)]
    if not kinds or len(full) < 5 * len(kinds):
        return
    table = np.array([[float(r[k]) for k in kinds] for r in full])
    for k in reversed(range(len(kinds))):
        if np.ptp(table[:, k]) == 0 or _scale(table[:, k]) == 0:
            table, kinds = np.delete(table, k, axis=1), kinds[:k] + kinds[k + 1 :]
    if not kinds:
        return
    distance = robust_distance(table)
    limit = _farthest(len(full), len(kinds))
    middle, spread = np.median(table, axis=0), np.array([_scale(table[:, k]) for k in range(len(kinds))])
    for i in np.argsort(-distance, kind="stable"):
        if distance[i] <= limit:
            return
        k = int(np.abs((table[i] - middle) / spread).argmax())
        most = f"most in {kinds[k]}: {table[i, k]:.4g}, middle {middle[k]:.4g}"
        what = f"robust distance {distance[i]:.1f} (beyond {limit:.1f} by chance in 5 % of studies); {most}"
        yield Finding(
            "far from the others", full[i]["sample"], what, "Look at its overlay; keep it if it was measured rightly."
        )


def _farthest(n: int, p: int) -> float:
    """Return the distance that the farthest of n normal points exceeds with a chance of 5 %.

    Distances follow F, not chi squared, because the covariance is estimated; as if from half of the points, which the
    robust estimate is worth at its least: simulated clouds of 40 to 1,500 points in 2 to 6 dimensions exceed it in
    1 to 6 % of cases.
    """
    core = 0.5 * n
    chance = 0.95 ** (1 / n)
    return float(np.sqrt(p * (core**2 - 1) / (core * (core - p)) * stats.f.ppf(chance, p, core - p)))


def robust_distance(table: Floats) -> Floats:
    """Return each row's distance from the middle, in robust standard deviations that know how columns go together.

    The orthogonalised Gnanadesikan-Kettenring estimate with median and MAD, twice, then one reweighting.

    Parameters
    ----------
    table : array, (n, p)
        No gaps, every column with some spread.
    """
    centre, spread = np.median(table, axis=0), np.array([_scale(c) for c in table.T])
    scores = (table - centre) / spread
    turned = scores
    for _ in range(2):
        p = turned.shape[1]
        local = np.array([_scale(c) for c in turned.T])
        y = turned / np.where(local > 0, local, 1.0)
        u = np.eye(p)
        for j, k in combinations(range(p), 2):
            u[j, k] = u[k, j] = (_scale(y[:, j] + y[:, k]) ** 2 - _scale(y[:, j] - y[:, k]) ** 2) / 4
        turned = y @ np.linalg.eigh(u)[1]
    local = np.array([_scale(c) for c in turned.T])
    raw = np.sqrt((((turned - np.median(turned, axis=0)) / np.where(local > 0, local, 1.0)) ** 2).sum(axis=1))
    p = table.shape[1]
    # Scaled so that the middle distance is what it is for a normal cloud; the far tenth then has no say.
    raw *= np.sqrt(stats.chi2.ppf(0.5, p)) / np.median(raw)
    core = scores[raw <= np.sqrt(stats.chi2.ppf(0.9, p))]
    away = scores - core.mean(axis=0)
    # Cutting a normal cloud at its 90 % point takes spread from it; this puts it back.
    covariance = np.cov(core, rowvar=False).reshape(p, p) * (0.9 / stats.chi2.cdf(stats.chi2.ppf(0.9, p), p + 2))
    solved: Floats = np.sqrt((away * np.linalg.solve(covariance, away.T).T).sum(axis=1))
    return solved


def _scale(values: Floats) -> float:
    return MAD_TO_SD * float(np.median(np.abs(values - np.median(values))))


def _scanner(rows: list[Row]) -> Iterator[Finding]:
    """Tell where resolution, kind of file or picture size change along the order of scanning."""
    for what, columns in (
        ("resolution and kind of file", ("claimed_dpi", "format")),
        ("scale found by", ("scale_source",)),
    ):
        seen = [" ".join(r[c] or "none" for c in columns) for r in rows]
        if len(set(seen)) < 2:
            continue
        changes = [(rows[i]["sample"], seen[i - 1], seen[i]) for i in range(1, len(seen)) if seen[i] != seen[i - 1]]
        shown = "; ".join(f"from {name} on {after} instead of {before}" for name, before, after in changes[:5])
        more = f"; {counted(len(changes) - 5, 'more change')}" if len(changes) > 5 else ""
        names = _list([name for name, _, _ in changes[:5]])
        yield Finding("scanner", names, f"{what}: {shown}{more}", "Check that size and slant do not change with it.")


def _drift(rows: list[Row]) -> Iterator[Finding]:
    for column in DRIFTING:
        pairs = [(i, _number(r, column)) for i, r in enumerate(rows) if r.get(column)]
        if len(pairs) < 20:
            continue
        place, value = np.array(pairs).T
        if np.ptp(value) == 0:
            continue
        # Blocks of pages keep Sen's slope, which looks at all pairs, from growing with the square of the study.
        blocks = [b for b in np.array_split(np.arange(len(value)), min(len(value), _BLOCKS)) if len(b)]
        x, y = (np.array([np.median(v[b]) for b in blocks]) for v in (place, value))
        tau = stats.kendalltau(x, y)
        slope = float(stats.theilslopes(y, x).slope)
        change, middle = slope * (x[-1] - x[0]), float(np.median(value))
        if tau.pvalue < 0.001 and abs(change) > 0.01 * abs(middle):
            what = f"{column} moves by {change:+.3g} from the first page to the last"
            what += f" (middle {middle:.4g}, tau {tau.statistic:.2f})"
            advice = "Is it the scanner, the order of classes, or the paper? Scan a ruler or the first pages again."
            yield Finding("drift", "", what, advice)
