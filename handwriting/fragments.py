"""Stretches of text lines in the reduced picture, and which of them make one line.

A fragment is a connected region where the picture, smoothed along the lines, answers like the bodies of words.
Fragments that share most of their ink through tall letters are one; the tops and tails of tall letters are none; what
continues along a common course is joined, the surest pair first.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.components import ranges
from handwriting.geometry import FloatArray
from handwriting.ink import Pieces

# Along the line, in bodies: how far off a fragment's course is still felt; its slope carries on for a part of that.
_REACH, _CARRY = 14.0, 0.3
# How far off the course of its line a word may stand, in distances from line to line: lines stand a whole one apart.
_STRAY = 0.42
# A group of so much ink, in those of the fullest line, counts where the distance from line to line is told.
_COUNTS = 0.05
# Nearer than this nothing is a line of its own. Beyond, a group is one where it is more than so much of a usual line
# and writes in columns of the other's: so much of its ink stands there, and is no less than a share of the ink there.
_WITHIN, _LITTLE, _SHARED, _RIVAL = 0.25, 0.1, 0.35, 0.5
# So many pieces as tall as two lines are tall letters; fewer may be lines that touch.
_LETTERS = 3
# Nor where more than so much of its ink is in pieces that go on in the other: halves of tall letters.
_GOES_ON = 0.3


@dataclass(frozen=True, slots=True)
class Fragment:
    """A stretch of one line in the reduced picture: where it runs and how much ink it has."""

    x0: float
    x1: float
    slope: float
    y_mid: float
    ink: float

    def y(self, x: float) -> float:
        """Return the row at column `x`, cells."""
        return self.y_mid + self.slope * (x - 0.5 * (self.x0 + self.x1))


def find_fragments(
    regions: NDArray[np.int32], level: NDArray[np.float32]
) -> tuple[list[Fragment], NDArray[np.int32], FloatArray]:
    """Describe each region by a straight course weighted by its ink; regions without ink vanish.

    Returns
    -------
    fragments : list of Fragment
    region_of : ndarray of int32
        For every cell its fragment, or -1.
    profile : ndarray, shape (fragments, columns)
        Ink of each fragment in each column.
    """
    n, width = int(regions.max()) + 1, level.shape[1]
    inked = np.flatnonzero((regions > 0) & (level > 0))
    y, x = np.divmod(inked, width)
    label, weight = regions.reshape(-1)[inked], level.reshape(-1)[inked].astype(np.float64)
    profile = np.bincount(label * width + x, weight, n * width).reshape(n, width)
    total = profile.sum(1)
    some = np.maximum(total, 1e-12)
    mean_x, mean_y = (np.bincount(label, weight * v, n) / some for v in (x, y))
    off_x, off_y = x - mean_x[label], y - mean_y[label]
    spread = np.bincount(label, weight * off_x**2, n) / some
    slopes = np.bincount(label, weight * off_x * off_y, n) / some / np.maximum(spread, 1e-12)
    number = np.zeros(n, np.int32)
    fragments: list[Fragment] = []
    for r in np.flatnonzero(total > 0.5):
        columns = np.flatnonzero(profile[r])
        x0, x1 = float(columns[0]), float(columns[-1] + 1)
        # A short word says little about its slope.
        slope = float(slopes[r]) * min(1.0, ((x1 - x0) / 60.0) ** 2) if spread[r] > 4 else 0.0
        slope = min(max(slope, -0.15), 0.15)
        y_mid = float(mean_y[r]) + slope * (0.5 * (x0 + x1) - float(mean_x[r]))
        fragments.append(Fragment(x0, x1, slope, y_mid, float(total[r])))
        number[r] = len(fragments)
    return fragments, (number - 1).take(regions), np.asarray(profile[number > 0], np.float64)


def link(
    fragments: list[Fragment], profile: FloatArray, shares: FloatArray, tall: NDArray[np.bool_], body: float
) -> list[list[int]]:
    """Group fragments into lines: drop the tops and tails of tall letters, join along the line, and look once more.

    Parameters
    ----------
    fragments : list of Fragment
    profile : ndarray, shape (fragments, columns)
        Ink of each fragment in each column.
    shares : ndarray, shape (pieces, fragments)
        Ink pixels of each piece in each fragment.
    tall : ndarray of bool, shape (pieces,)
        Pieces as tall as two lines that touch.
    body : float
        Height of the letter bodies, cells.
    """
    tied = _tied(fragments, shares, tall, body)
    single = _without_ghosts(tied, fragments, profile, shares, tall, body, None)
    lines = _join_along(single, fragments, body)
    for again in (False, True):
        pitch = _pitch(lines, fragments, body)
        if not again and pitch is not None and _near(body, pitch) < _near(body, None):
            # Where lines stand close, what was dropped may be a word or two between them.
            kept = {id(group) for group in single}
            lines += [group for group in tied if id(group) not in kept]
        lines = _without_ghosts(lines, fragments, profile, shares, tall, body, pitch)
        # Once the distance from line to line is known, a word may stand off its line's course by a good part of it.
        lines = _join_along(lines, fragments, body, 0.0 if pitch is None else _STRAY * pitch)
    return _united(lines, fragments, profile, shares, body)


def _tied(fragments: list[Fragment], shares: FloatArray, tall: NDArray[np.bool_], body: float) -> list[list[int]]:
    """Unite fragments one above the other that are the upper and lower halves of the same letters."""
    n = len(fragments)
    parent = list(range(n))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    solid = (shares > np.maximum(0.12 * shares.sum(1, keepdims=True), 1)).astype(np.float64)
    both = solid.T @ solid
    share = (shares * solid).T @ solid / np.maximum(shares.sum(0)[:, None], 1)
    # One tall piece may be two lines that touch; several are tall letters.
    letters = (both >= _LETTERS) | (solid[~tall].T @ solid[~tall] > 0)
    alike = letters & (np.maximum(share, share.T) > 0.6) & (np.minimum(share, share.T) > 0.3)
    for i, j in np.argwhere(np.triu(alike, 1)).tolist():
        a, b = fragments[i], fragments[j]
        left, right = max(a.x0, b.x0), min(a.x1, b.x1)
        middle = 0.5 * (left + right)
        if right > left and abs(a.y(middle) - b.y(middle)) <= 3.4 * body:
            parent[root(i)] = root(j)
    groups: dict[int, list[int]] = {}
    for i in range(n):
        groups.setdefault(root(i), []).append(i)
    return [sorted(g, key=lambda i: fragments[i].x0) for g in groups.values()]


def _pitch(lines: list[list[int]], fragments: list[Fragment], body: float) -> float | None:
    """Return the usual distance from one well-filled line to the next, cells; None when there are fewer than three."""
    ink = np.array([sum(fragments[i].ink for i in g) for g in lines])
    strong = [g for g, k in zip(lines, ink, strict=True) if k > _COUNTS * ink.max()]
    if len(strong) < 3:
        return None
    x0, x1 = np.array([_ends(g, fragments) for g in strong]).T
    reach = _REACH * body
    rows = _courses(strong, fragments, np.arange(len(strong)), 0.5 * (x0 + x1), reach)
    # The next line is the nearest below of those that run in the same columns, and is as far as it is there.
    left, right = np.maximum(x0[:, None], x0), np.minimum(x1[:, None], x1)
    below = (right - left > 0.3 * np.minimum((x1 - x0)[:, None], x1 - x0)) & (rows > rows[:, None])
    one = np.flatnonzero(below.any(1))
    if not len(one):
        return None
    other = np.where(below, rows, np.inf)[one].argmin(1)
    middle = 0.5 * (left + right)[one, other]
    apart = _courses(strong, fragments, other, middle, reach) - _courses(strong, fragments, one, middle, reach)
    return float(np.median(np.abs(apart)))


def shares_of(
    fragments: list[Fragment], pieces: Pieces, region_of: NDArray[np.int32], place: NDArray[np.int32]
) -> FloatArray:
    """Return how many ink pixels each piece has in each fragment, shape (pieces, fragments).

    `place` is where each ink pixel stands in the flat view of `region_of`.
    """
    n = max(len(fragments), 1) + 1
    key = np.multiply(pieces.piece, n, dtype=np.int64)
    # The first column is ink in none.
    key += (region_of + 1).reshape(-1).take(place)
    return np.bincount(key, minlength=len(pieces.boxes) * n).reshape(-1, n)[:, 1:].astype(np.float64)


@dataclass(frozen=True, slots=True)
class _Run:
    """Fragments joined along a line: its ends, and the rows between which its course stays, cells."""

    members: list[int]
    x0: float
    x1: float
    top: float
    foot: float


def _run(members: list[int], fragments: list[Fragment], carry: float) -> _Run:
    mine = [fragments[i] for i in members]
    ends = [(f.y(f.x0 - carry), f.y(f.x1 + carry)) for f in mine]
    return _Run(
        sorted(members, key=lambda i: fragments[i].x0),
        min(f.x0 for f in mine),
        max(f.x1 for f in mine),
        min(map(min, ends)),
        max(map(max, ends)),
    )


def _join_along(
    lines: list[list[int]], fragments: list[Fragment], body: float, tolerance: float = 0.0
) -> list[list[int]]:
    """Join groups that continue each other along the line, the surest pair first."""
    carry = _CARRY * _REACH * body
    alive = {k: _run(group, fragments, carry) for k, group in enumerate(lines)}
    costs: dict[tuple[int, int], float] = {}
    farthest = max(body, min(tolerance, 2.2 * body))

    def weigh(a: int, b: int) -> None:
        one, other = alive[a], alive[b]
        if one.top - other.foot > farthest or other.top - one.foot > farthest:
            return
        cost = _continuation(one, other, fragments, body, tolerance)
        if cost is not None:
            costs[a, b] = cost

    tops, feet = np.array([(run.top, run.foot) for run in alive.values()]).reshape(-1, 2).T
    for a, b in np.argwhere(tops[:, None] - feet <= farthest).tolist():
        if a != b:
            weigh(a, b)
    fresh = len(lines)
    while costs:
        a, b = min(costs, key=lambda pair: (costs[pair], pair))
        merged = _run(alive.pop(a).members + alive.pop(b).members, fragments, carry)
        costs = {pair: c for pair, c in costs.items() if a not in pair and b not in pair}
        alive[fresh] = merged
        for other in list(alive):
            if other != fresh:
                weigh(fresh, other)
                weigh(other, fresh)
        fresh += 1
    return [run.members for run in alive.values()]


def _without_ghosts(
    groups: list[list[int]],
    fragments: list[Fragment],
    profile: FloatArray,
    shares: FloatArray,
    tall: NDArray[np.bool_],
    body: float,
    pitch: float | None,
) -> list[list[int]]:
    """Drop groups made of the tops of tall letters, of tails or of dots, beside a line that has far more ink there.

    A line of writing, however short, has about as much ink over its own length as its neighbours have there, and
    little of it in letters that stand mainly in a neighbour.
    """
    member = np.zeros((len(groups), len(fragments)))
    for k, group in enumerate(groups):
        member[k, group] = 1
    profile = member @ profile
    covered = cv2.blur(profile, (2 * round((1.2 if pitch is None else 2.2) * body) + 1, 1)) > 1e-6
    ink = profile.sum(1)
    rival = covered.astype(np.float64) @ profile.T
    in_group = shares @ member.T
    common = in_group > 0.09 * np.maximum(shares.sum(1, keepdims=True), 1)
    total = np.maximum(in_group.sum(0)[:, None], 1)
    tied = in_group.T @ common / total
    # A tall piece or two may be lines that touch, where the other is a line without them.
    few = common[tall].astype(np.float64)
    touching = (few.T @ few < _LETTERS) & (tied.T < 0.5)
    tied -= np.where(touching, in_group[tall].T @ common[tall] / total, 0.0)
    ghost = ink[:, None] < (0.33 if pitch is None else 0.5) * rival
    close_ghost = ink[:, None] < 0.75 * rival
    held = ink[:, None] < 1.3 * rival
    if pitch is not None:
        # The arms of one large letter, closer than lines stand: part of the line that holds its foot.
        held |= ink[:, None] < 0.25 * ink[None, :]
    held &= tied > 0.5
    # Tops and tails of the longest letters reach as far as the next line.
    far = held & (ink[:, None] < 0.33 * rival)
    larger = ink[None, :] > ink[:, None]
    ends = np.array([_ends(g, fragments) for g in groups])
    x0, x1 = ends.T
    overlap = np.minimum(x1[:, None], x1 + body) - np.maximum(x0[:, None], x0 - body)
    beside = larger & (overlap >= 0.5 * (x1 - x0)[:, None]) & (ghost | close_ghost | held)
    # Of groups beside one another the rows in the middle of where both run.
    one, other = np.nonzero(beside)
    middle = 0.5 * (np.maximum(x0[one], x0[other]) + np.minimum(x1[one], x1[other]))
    rows = [_courses(groups, fragments, which, middle, _REACH * body) for which in (one, other)]
    apart = np.full(beside.shape, np.inf)
    apart[one, other] = np.abs(rows[0] - rows[1])
    gone = (apart <= _near(body, pitch)) & (held | np.where(apart < 1.1 * body, close_ghost, ghost))
    gone |= (apart <= _near(body, None)) & far
    alive = np.ones(len(groups), bool)
    for least in np.argsort(ink, kind="stable"):
        alive[least] = not (gone[least] & alive).any()
    return [group for group, kept in zip(groups, alive, strict=True) if kept]


def _near(body: float, pitch: float | None) -> float:
    """Return how far from a line the tops and tails of its letters may lie, cells."""
    return 2.9 * body if pitch is None else float(np.clip(0.72 * pitch, 1.6 * body, 4.2 * body))


def _united(
    lines: list[list[int]], fragments: list[Fragment], profile: FloatArray, shares: FloatArray, body: float
) -> list[list[int]]:
    """Join what stands closer to the course of a line than lines stand apart, unless both write in the same columns.

    A row of accents or bars that has a few tall letters (figures, capitals) joined to it is such a group, and so is a
    word that bounces: the rest of its line lies to both sides of it. The upper halves of figures and capitals write in
    the columns of their lower halves, but are of the same pieces.
    """
    carry = _CARRY * _REACH * body
    runs = [_run(group, fragments, carry) for group in lines]
    while (pitch := _pitch([run.members for run in runs], fragments, body)) is not None:
        ink = np.stack([profile[run.members].sum(0) for run in runs])
        # The smallest first: it has least of a course of its own.
        order = np.argsort(ink.sum(1), kind="stable").tolist()
        pair = next(
            (
                (k, host)
                for n, k in enumerate(order)
                if (host := _host(k, order[n + 1 :], runs, fragments, ink, shares, body, _STRAY * pitch)) is not None
            ),
            None,
        )
        if pair is None:
            break
        k, host = pair
        runs[host] = _run(runs[host].members + runs[k].members, fragments, carry)
        del runs[k]
    return [run.members for run in runs]


def _host(
    k: int,
    others: list[int],
    runs: list[_Run],
    fragments: list[Fragment],
    ink: FloatArray,
    shares: FloatArray,
    body: float,
    farthest: float,
) -> int | None:
    """Return the line on whose course group `k` stands, the nearest of `others`, or None.

    `ink` is that of each group in each column, `shares` that of each piece in each fragment, `farthest` how far off the
    course it may stand, cells.
    """
    reach = _REACH * body
    total = ink.sum(1)
    usual = float(np.median(total[total > 0.3 * total.max()]))
    best, nearest_by = None, farthest
    mine_of = [fragments[i] for i in runs[k].members]
    for host in others:
        run = runs[host]
        if run.top - runs[k].foot > farthest or runs[k].top - run.foot > farthest:
            continue
        weight = off = 0.0
        for f in mine_of:
            if f.x0 < run.x1 + 9 * body and f.x1 > run.x0 - 9 * body:
                off += f.ink * abs(f.y_mid - _course(run.members, fragments, 0.5 * (f.x0 + f.x1), reach))
                weight += f.ink
        if weight < 0.5 * sum(f.ink for f in mine_of) or off >= nearest_by * weight:
            continue
        both = (ink[k] > 0) & (ink[host] > 0)
        mine, theirs = float(ink[k, both].sum()), float(ink[host, both].sum())
        parted = mine > max(_SHARED * total[k], _RIVAL * theirs) and total[k] > _LITTLE * usual
        parted = parted and not _of_one_stroke(runs[k].members, run.members, shares)
        if not parted or off < _WITHIN / _STRAY * farthest * weight:
            best, nearest_by = host, off / weight
    return best


def _of_one_stroke(group: list[int], host: list[int], shares: FloatArray) -> bool:
    """Tell whether much of a group's ink is in pieces that go on in the host."""
    mine, theirs = shares[:, group].sum(1), shares[:, host].sum(1)
    return float(mine[theirs > 0.09 * shares.sum(1)].sum()) > _GOES_ON * float(mine.sum())


def _ends(group: list[int], fragments: list[Fragment]) -> tuple[float, float]:
    return min(fragments[i].x0 for i in group), max(fragments[i].x1 for i in group)


def _course(group: list[int], fragments: list[Fragment], x: float, reach: float) -> float:
    """Return the row of a group near `x`: from its nearest fragments, the farther the less."""
    # Plain floats: a group has a handful of fragments, and this is asked thousands of times.
    total = weighted = 0.0
    carry = _CARRY * reach
    for i in group:
        f = fragments[i]
        nearest = min(max(x, f.x0), f.x1)
        # Slopes carry a little way beyond the end, then the level holds.
        carried = nearest + min(max(x - nearest, -carry), carry)
        weight = f.ink * exp(-abs(x - nearest) / reach) + 1e-9
        total += weight
        weighted += weight * f.y(carried)
    return weighted / total


def _courses(
    groups: list[list[int]], fragments: list[Fragment], which: NDArray[np.intp], x: FloatArray, reach: float
) -> FloatArray:
    """Return the rows of many groups, each near its own `x`, as `_course` does for one."""
    if not len(which):
        return np.empty(0)
    count = np.array([len(group) for group in groups])
    every = np.array([i for group in groups for i in group])
    asked = ranges((np.cumsum(count) - count)[which], count[which])
    table = np.array([(f.x0, f.x1, f.slope, f.y_mid, f.ink) for f in fragments])
    x0, x1, slope, y_mid, ink = table[every[asked]].T
    x = np.repeat(x, count[which])
    nearest, carry = np.clip(x, x0, x1), _CARRY * reach
    rows = y_mid + slope * (nearest + np.clip(x - nearest, -carry, carry) - 0.5 * (x0 + x1))
    weight = ink * np.exp(-np.abs(x - nearest) / reach) + 1e-9
    starts = np.cumsum(count[which]) - count[which]
    return np.asarray(np.add.reduceat(weight * rows, starts) / np.add.reduceat(weight, starts))


def _continuation(a: _Run, b: _Run, fragments: list[Fragment], body: float, tolerance: float) -> float | None:
    """Return the cost of `b` continuing `a` to the right, None when it does not."""
    a0, a1, b0, b1 = a.x0, a.x1, b.x0, b.x1
    if (b0 + b1) < (a0 + a1):
        return None
    overlap = min(a1, b1) - max(b0, a0)
    reach = _REACH * body
    if overlap > 0.35 * min(a1 - a0, b1 - b0) + body:
        middle = 0.5 * (max(b0, a0) + min(a1, b1))
        apart = abs(_course(a.members, fragments, middle, reach) - _course(b.members, fragments, middle, reach))
        return 1.0 + apart / body if apart < 0.5 * body else None
    gap = max(0.0, -overlap)
    at_a = _course(a.members, fragments, a1, reach)
    at_b = _course(b.members, fragments, b0, reach)
    drop_at_b = abs(_course(a.members, fragments, b0, reach) - at_b)
    drop_at_a = abs(_course(b.members, fragments, a1, reach) - at_a)
    miss = min(max(drop_at_a, drop_at_b), 0.5 * (drop_at_a + drop_at_b) + 0.1 * body)
    # A mark far aside and off the line's course is not part of it.
    extra = min(tolerance, 2.2 * body) if gap < 9 * body else 0.0
    allowed = max((0.85 if gap < 6 * body else 1.0) * body, extra)
    if miss > allowed:
        return None
    return miss / body + 0.04 * gap / body
