"""The pattern of printed rules: which of them repeat at one pitch, and which of them carry the writing.

A pattern is a template of one to four rules that repeats down the page,

    offset(row, class) = first_class + pitch * row

fitted to all rules at once. Rules may be missing (hidden, faint) and others may stand outside the pattern (a heading's
line, a frame); the pattern that explains most rules with fewest empty places wins.

What it does not see: patterns of other than 1, 2 or 4 rules, and a pattern whose rows stand exactly as far apart as the
rules within a row, unless one rule in four is printed heavier.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.rule_strips import medians

# A ruling needs most rules to follow it, and most of its places to be filled.
_FOLLOW, _FILLED = 0.7, 0.55
# A larger template must explain the rules this much better than single rules with some missing.
_PAYS = 0.08
# Heavier printed rules carry at least this much more ink than the finer ones between them.
_HEAVIER = 1.35


@dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """What repeats.

    Attributes
    ----------
    kind : str
        ``single``, ``double``, ``four-line`` or ``other`` (finer rules between heavier ones).
    offsets : ndarray, shape (n,)
        Every rule given, moved onto the fit where it follows the pattern.
    follows : ndarray of bool, shape (n,)
        Which rules follow the pattern.
    pitch, error : float
        Distance between writing rules and its standard error, in the unit of the offsets.
    writing : tuple of int
        Indices of the rules that carry writing.
    """

    kind: str
    offsets: FloatArray
    follows: NDArray[np.bool_]
    pitch: float
    error: float
    writing: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    offsets: FloatArray
    follows: NDArray[np.bool_]
    pitch: float
    error: float
    place: NDArray[np.int64]
    row: NDArray[np.int64]
    score: float


def find_pattern(offsets: FloatArray, weight: FloatArray, tolerance: float) -> Pattern | None:
    """Tell the pattern of the rules, or None when they are irregular.

    Parameters
    ----------
    offsets : ndarray, shape (n,)
        Where the rules stand along one column, ascending.
    weight : ndarray, shape (n,)
        Ink of each rule per length (width times darkness): tells heavier rules from finer ones.
    tolerance : float
        How far a rule may stand from its place, in the unit of `offsets`.
    """
    if len(offsets) < 3:
        return None
    often, second = _two_gaps(np.diff(offsets), tolerance)
    single = _fit(offsets, np.zeros(1), often, tolerance)
    best, kind = single, "single"
    if second is not None:
        small, large = sorted((often, second))
        shapes = [("four-line", often * np.arange(4.0), 3 * often + second)]
        if 0.15 < small / (small + large) < 0.45:
            shapes.append(("double", np.array([0.0, small]), small + large))
        for name, template, pitch in shapes:
            fit = _fit(offsets, template, pitch, tolerance)
            if fit is not None and (best is None or fit.score > best.score + _PAYS):
                best, kind = fit, name
    if best is None:
        return None
    if kind == "single":
        # Letters between finer rules are small: wider rules whose ink seems to differ are plain, written on or not.
        fine = best.pitch <= 18 * tolerance
        return (_heavier(best, weight) if fine else None) or Pattern(
            kind, best.offsets, best.follows, best.pitch, best.error, tuple(np.flatnonzero(best.follows).tolist())
        )
    # The lower rule of a pair, and the third of four, is the one that letters stand on.
    base = 1 if kind == "double" else 2
    writing = np.flatnonzero(best.follows & (best.place == base))
    return Pattern(kind, best.offsets, best.follows, best.pitch, best.error, tuple(writing.tolist()))


def _two_gaps(gaps: FloatArray, tolerance: float) -> tuple[float, float | None]:
    """Return the commonest gap between neighbours and the next commonest that differs from it."""
    near = np.abs(gaps[:, None] - gaps[None, :]) <= tolerance
    first = int(np.argmax(near.sum(1)))
    often = float(np.median(gaps[near[first]]))
    rest = np.abs(gaps - often) > 2 * tolerance
    if rest.sum() < max(1, 0.1 * len(gaps)):
        return often, None
    counts = np.where(rest, (near & rest[None, :]).sum(1), 0)
    second = int(np.argmax(counts))
    return often, float(np.median(gaps[near[second] & rest]))


def _fit(offsets: FloatArray, template: FloatArray, pitch: float, tolerance: float) -> _Fit | None:
    """Place the rules on a repeating template and fit its offsets and pitch; None when too few follow it."""
    size = len(template)
    best: list[tuple[int, int, int]] = []
    for start in range(min(len(offsets), 4)):
        for first in range(size):
            chain = _chain(offsets, template, pitch, tolerance, start, first)
            if len(chain) > len(best):
                best = chain
    index, row, place = (np.array(v, np.int64) for v in zip(*best, strict=True))
    # A template of several needs more rules than it has places and a pitch: any three are a pair and a half.
    if len(index) < max(3, _FOLLOW * len(offsets)) or len(index) < (2 * size + 1 if size == 2 else 2 * size - 1):
        return None
    design = np.zeros((len(index), size + 1))
    design[np.arange(len(index)), place] = 1
    design[:, size] = row
    if np.linalg.matrix_rank(design) <= size:
        return None
    fitted, rms = _solve(design, offsets[index])
    if rms > tolerance:
        return None
    span = (row[-1] - row[0]) * size + place[-1] - place[0] + 1
    filled = len(index) / max(span, 1)
    if filled < _FILLED:
        return None
    follows = np.zeros(len(offsets), bool)
    follows[index] = True
    moved = offsets.copy()
    moved[index] = design @ fitted
    centred = row - row.mean()
    places, rows = np.full(len(offsets), -1), np.full(len(offsets), -1)
    places[index], rows[index] = place, row
    error = max(rms, 0.02) / float(np.sqrt((centred**2).sum()))
    return _Fit(moved, follows, float(fitted[size]), error, places, rows, filled * len(index) / len(offsets))


def _chain(
    offsets: FloatArray, template: FloatArray, pitch: float, tolerance: float, start: int, place: int
) -> list[tuple[int, int, int]]:
    """Follow the template from one rule on; return (rule, row, place) of every rule that continues it."""
    chain = [(start, 0, place)]
    for j in range(start + 1, len(offsets)):
        last, row, at = chain[-1]
        gap = float(offsets[j] - offsets[last])
        apart = gap - (template - template[at])
        turns = np.rint(apart / pitch)
        miss = np.abs(apart - turns * pitch)
        k = int(np.argmin(miss))
        # The pitch is only known from single gaps yet: a little slack for long gaps.
        if miss[k] <= tolerance + 0.01 * gap and (turns[k] > 0 or (turns[k] == 0 and k > at)):
            chain.append((j, row + int(turns[k]), k))
    return chain


def _solve(design: FloatArray, y: FloatArray) -> tuple[FloatArray, float]:
    """Least squares with Tukey weights on the residuals."""
    weight = np.ones(len(y))
    for _ in range(6):
        root = np.sqrt(weight)
        fitted = np.asarray(np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0], dtype=np.float64)
        residual = y - design @ fitted
        scale = 1.4826 * np.median(np.abs(residual)) + 0.05
        weight = np.clip(1 - (residual / (4.5 * scale)) ** 2, 0, None) ** 2 + 1e-6
    good = weight > 0.05
    return fitted, float(np.sqrt(np.mean(residual[good] ** 2)))


def _heavier(fit: _Fit, weight: FloatArray) -> Pattern | None:
    """Return the pattern of a heavier rule and three finer ones, when one rule in four carries clearly more ink."""
    if fit.follows.sum() < 8:
        return None
    phase = fit.row % 4
    ink = np.array(
        [np.median(weight[fit.follows & (phase == p)]) if (fit.follows & (phase == p)).any() else 0 for p in range(4)]
    )
    strong = int(np.argmax(ink))
    others = np.delete(ink, strong)
    if ink[strong] < _HEAVIER * others.max() or others.min() <= 0:
        return None
    writing = np.flatnonzero(fit.follows & (phase == strong))
    return Pattern("other", fit.offsets, fit.follows, 4 * fit.pitch, 4 * fit.error, tuple(writing.tolist()))


def robust(terms: FloatArray, y: FloatArray, group: NDArray[np.int64], n: int) -> tuple[FloatArray, FloatArray, float]:
    """Least squares with Tukey weights: one offset a group, and terms shared by all.

    The offsets are eliminated first (each group is taken about its own weighted mean), so that the system solved is
    as small as the number of shared terms.
    """
    weight = np.ones(len(y))
    tiny = 1e-9 * np.eye(terms.shape[1])
    for _ in range(6):
        total = np.maximum(np.bincount(group, weight, n), 1e-12)
        mean_y = np.bincount(group, weight * y, n) / total
        mean_t = np.stack([np.bincount(group, weight * t, n) / total for t in terms.T], 1)
        centred = terms - mean_t[group]
        weighted = centred * weight[:, None]
        shared = np.asarray(
            np.linalg.solve(centred.T @ weighted + tiny, weighted.T @ (y - mean_y[group])), dtype=np.float64
        )
        offsets = mean_y - mean_t @ shared
        residual = y - offsets[group] - terms @ shared
        scale = 1.4826 * medians(np.abs(residual)) + 0.05
        weight = np.clip(1 - (residual / (4.5 * scale)) ** 2, 0, None) ** 2 + 1e-6
    good = weight > 0.05
    return offsets, shared, float(np.sqrt(np.mean(residual[good] ** 2)))
