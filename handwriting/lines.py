"""Split the pen's ink into lines of writing, each with its baseline and x-height.

Method, in a picture reduced to about 3 cells a millimetre and sheared level:

1. The height of the letter bodies is the scale at which the ink, smoothed along the line, answers a second-derivative
   filter across the line best (scale selection).
2. Where that answer is positive lie the bodies of the words; connected regions are fragments of lines. Fragments that
   share most of their ink through tall letters are one; fragments that continue each other are linked into lines, the
   surest links first, whatever the gap, as long as they neither overlap along the line nor leave its course.
3. Every connected piece of ink goes to the line that holds most of it; a piece with substantial ink in two lines
   (touching descenders) is cut along the valley between them; dots and accents go to the nearest ink, first below.
4. The baseline is a robust smooth curve through the turning points at the feet of the strokes, starting from the most
   crowded level; x-height is the most crowded level of the turning points at the tops.

What it does not see: lines at angles more than about 8 degrees apart on one page, and writing across writing.

Sources: scale-space smoothing with assignment of pieces, Cohen, Dinstein, El-Sana & Kedem 2014 (idea).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray, Polyline
from handwriting.ink import Ink, Pieces
from handwriting.rules import Ruling

_SLOPES = np.deg2rad(np.arange(-8, 8.01, 0.5))


@dataclass(frozen=True, slots=True, eq=False)
class TextLine:
    """One line of writing, frame px.

    Attributes
    ----------
    baseline : Polyline
        The course of the writing's feet.
    x_height : float
        Ink height of the bodies above the baseline, px.
    rule : int or None
        Index of the printed rule the line stands on.
    """

    baseline: Polyline
    x_height: float
    rule: int | None


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """All lines of a page, from the top, and which ink pixel belongs to which.

    Attributes
    ----------
    lines : tuple of TextLine
    line : ndarray of int32, shape (pixels,)
        For every ink pixel of `pieces` its line number from 0, or -1.
    body_px : float
        Height of the letter bodies chosen for the page, px.
    slope : float
        Mean slope of the writing, rows per column (down to the right positive).
    """

    lines: tuple[TextLine, ...]
    line: NDArray[np.int32]
    pieces: Pieces
    body_px: float
    slope: float


@dataclass(slots=True)
class _Fragment:
    """A stretch of one line in the reduced picture: where it runs and how much ink it has."""

    x0: float
    x1: float
    slope: float
    y_mid: float
    ink: float
    members: list[int] = field(default_factory=list)

    def y(self, x: float) -> float:
        return self.y_mid + self.slope * (x - 0.5 * (self.x0 + self.x1))


def find_lines(ink: Ink, ruling: Ruling | None, px_per_mm: float) -> Lines:
    """Find the lines of writing.

    Parameters
    ----------
    ink : Ink
    ruling : Ruling or None
        The printed rules, when there are any: they give the slope of the page and the number of each line's rule.
    px_per_mm : float
        A rough scale; letters from about 1 to 12 mm tall are looked for.
    """
    pieces = ink.pieces
    if len(pieces.boxes) == 0:
        return Lines((), np.empty(0, np.int32), pieces, 0.0, 0.0)
    cell = max(1, round(px_per_mm / 3.2))
    slope = ruling.slope if ruling is not None else _writing_slope(pieces, cell)
    level = _reduced(pieces, slope, cell)
    body = _body_height(_filled(pieces, slope, cell, level.shape))
    answer, smooth = _answer(level, body)
    regions = _regions(answer, smooth, body)
    fragments, region_of = _fragments(regions, level)
    groups = _link(fragments, _shares(fragments, pieces, region_of, slope, cell), pieces, region_of, level, body, cell)
    line = _assign(groups, region_of, pieces, slope, cell, body, level, answer)
    line = _reattach(line, pieces, body * cell)
    return _finish(line, pieces, ruling, slope, body * cell)


def _writing_slope(pieces: Pieces, cell: int) -> float:
    """Return the slope that makes the rows of ink most distinct (rows per column)."""
    every = max(1, len(pieces.x) // 60000)
    x, y = pieces.x[::every] / cell, pieces.y[::every] / cell
    best, best_score = 0.0, -1.0
    candidates = np.tan(_SLOPES)
    for step in (1.0, 0.25):
        for s in candidates:
            rows = np.rint(y - s * (x - x.mean())).astype(int)
            histogram = np.bincount(rows - rows.min()).astype(float)
            score = float((np.diff(histogram) ** 2).sum())
            if score > best_score:
                best, best_score = float(s), score
        candidates = best + np.linspace(-0.009, 0.009, 9) * step
    return best


def _level_rows(pieces: Pieces, slope: float, cell: int) -> tuple[NDArray[np.int64], NDArray[np.int64], float]:
    """Return the cells (column, row) of every ink pixel once the page is sheared level, and the row shift."""
    x = pieces.x / cell
    y = pieces.y / cell - slope * x
    shift = -min(0.0, float(-slope * pieces.shape[1] / cell)) + 2
    return x.astype(np.int64), (y + shift).astype(np.int64), shift


def _reduced(pieces: Pieces, slope: float, cell: int) -> NDArray[np.float32]:
    """Return the share of ink in each cell of the level picture."""
    x, y, shift = _level_rows(pieces, slope, cell)
    height = int(pieces.shape[0] / cell + abs(slope) * pieces.shape[1] / cell + shift + 4)
    width = pieces.shape[1] // cell + 2
    counts = np.bincount(y * width + x, minlength=height * width).reshape(height, width)
    return np.minimum(counts / cell**2, 1.0).astype(np.float32)


def _filled(pieces: Pieces, slope: float, cell: int, shape: tuple[int, ...]) -> NDArray[np.float32]:
    """Return the level picture with every column of every piece filled from its top to its foot, 4 cells to a column.

    Round letters become solid; large ones would else look like two rows of strokes, their tops and their feet.
    """
    boxes = pieces.boxes
    start = np.concatenate([[0], np.cumsum(boxes[:, 2])])
    key = start[pieces.piece] + pieces.x - boxes[pieces.piece, 0]
    top = np.full(int(start[-1]), np.iinfo(np.int32).max, np.int64)
    foot = np.full(int(start[-1]), -1, np.int64)
    np.minimum.at(top, key, pieces.y)
    np.maximum.at(foot, key, pieces.y)
    x = np.arange(int(start[-1])) - np.repeat(start[:-1] - boxes[:, 0], boxes[:, 2])
    inked = foot >= 0
    x, top, foot = x[inked], top[inked], foot[inked]
    shift = -min(0.0, float(-slope * pieces.shape[1] / cell)) + 2
    width = shape[1] // 4 + 2
    column = x // (4 * cell)
    first = (top / cell - slope * x / cell + shift).astype(np.int64)
    last = (foot / cell - slope * x / cell + shift).astype(np.int64) + 1
    size = (shape[0] + 2) * width
    edges = np.bincount(first * width + column, minlength=size) - np.bincount(last * width + column, minlength=size)
    filled = np.cumsum(edges.reshape(shape[0] + 2, width), axis=0)[: shape[0]]
    return np.minimum(filled / (4.0 * cell), 1.0).astype(np.float32)


def _body_height(filled: NDArray[np.float32]) -> float:
    """Return the height of the letter bodies, cells, by scale selection on the filled picture (4 cells to a column)."""
    heights = np.geomspace(2.6, 40, 15)
    scores = []
    for h in heights:
        sigma = h / 2.2
        # Smoothing along the line leaves the profile of the bodies rather than of single letters.
        smooth = cv2.GaussianBlur(filled, (0, 0), sigmaX=max(4.0, 0.8 * h), sigmaY=sigma)
        curve = -(sigma**2) * cv2.sepFilter2D(smooth, cv2.CV_32F, np.array([1.0]), np.array([1.0, -2.0, 1.0]))
        scores.append(float((np.maximum(curve, 0) ** 2).sum() / sigma))
    best = int(np.argmax(scores))
    return float(heights[best])


def _answer(level: NDArray[np.float32], body: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Smooth along the lines and answer where the curvature across is that of a line's body."""
    sigma = body / 2.2
    smooth = cv2.GaussianBlur(level, (0, 0), sigmaX=1.9 * body, sigmaY=sigma)
    curve = -(sigma**2) * cv2.sepFilter2D(smooth, cv2.CV_32F, np.array([1.0]), np.array([1.0, -2.0, 1.0]))
    return curve, smooth


def _regions(answer: NDArray[np.float32], smooth: NDArray[np.float32], body: float) -> NDArray[np.int32]:
    """Return the numbered connected regions where the answer says body."""
    strong = np.percentile(answer[answer > 0], 90) if (answer > 0).any() else 0.0
    mask = ((answer > 0.10 * strong) & (answer > 0.06 * smooth)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4, ltype=cv2.CV_32S)
    keep = np.arange(count)
    keep[stats[:, cv2.CC_STAT_AREA] < 0.5 * body**2] = 0
    keep[0] = 0
    out: NDArray[np.int32] = keep.astype(np.int32)[labels]
    return out


def _fragments(regions: NDArray[np.int32], level: NDArray[np.float32]) -> tuple[list[_Fragment], NDArray[np.int32]]:
    """Describe each region by a straight course weighted by its ink; regions without ink vanish."""
    y, x = np.nonzero(regions)
    label = regions[y, x]
    weight = level[y, x].astype(np.float64)
    n = int(label.max()) + 1 if len(label) else 1
    total = np.bincount(label, weight, n)
    number = np.zeros(n, np.int32)
    fragments: list[_Fragment] = []
    order = np.argsort(label, kind="stable")
    bounds = np.searchsorted(label[order], np.arange(n + 1))
    for r in range(1, n):
        if total[r] <= 0.5:
            continue
        index = order[bounds[r] : bounds[r + 1]]
        inked = index[weight[index] > 0]
        xs, ys, ws = x[inked].astype(float), y[inked].astype(float), weight[inked]
        mx, my = np.average(xs, weights=ws), np.average(ys, weights=ws)
        spread = float(np.average((xs - mx) ** 2, weights=ws))
        slope = float(np.average((xs - mx) * (ys - my), weights=ws)) / spread if spread > 4 else 0.0
        x0, x1 = float(xs.min()), float(xs.max() + 1)
        # A short word says little about its slope.
        slope *= min(1.0, ((x1 - x0) / 60.0) ** 2)
        slope = float(np.clip(slope, -0.15, 0.15))
        middle = 0.5 * (x0 + x1)
        fragments.append(_Fragment(x0, x1, slope, float(my + slope * (middle - mx)), float(total[r]), [r]))
        number[r] = len(fragments)
    return fragments, number[regions] - 1


def _link(
    fragments: list[_Fragment],
    shares: FloatArray,
    pieces: Pieces,
    region_of: NDArray[np.int32],
    level: NDArray[np.float32],
    body: float,
    cell: int,
) -> list[list[int]]:
    """Group fragments into lines: drop the tops and tails of tall letters, join along the line, and look once more."""
    tied = _tied(fragments, shares, pieces, body, cell)
    single = _without_ghosts(tied, fragments, shares, region_of, level, body, None)
    lines = _join_along(single, fragments, body)
    for _ in range(2):
        pitch = _pitch(lines, fragments, body)
        lines = _without_ghosts(lines, fragments, shares, region_of, level, body, pitch)
        # Once the distance from line to line is known, a word may stand off its line's course by a good part of it.
        lines = _join_along(lines, fragments, body, 0.0 if pitch is None else 0.42 * pitch)
    return lines


def _tied(fragments: list[_Fragment], shares: FloatArray, pieces: Pieces, body: float, cell: int) -> list[list[int]]:
    """Unite fragments one above the other that are the upper and lower halves of the same letters."""
    n = len(fragments)
    parent = list(range(n))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    total = shares.sum(0)
    tall = pieces.boxes[:, 3] > 3.4 * body * cell
    solid = shares > np.maximum(0.12 * shares.sum(1, keepdims=True), 1)
    for i in range(n):
        for j in range(i + 1, n):
            a, b = fragments[i], fragments[j]
            overlap = min(a.x1, b.x1) - max(a.x0, b.x0)
            middle = 0.5 * (max(a.x0, b.x0) + min(a.x1, b.x1))
            if overlap <= 0 or abs(a.y(middle) - b.y(middle)) > 3.4 * body:
                continue
            both = solid[:, i] & solid[:, j]
            # One tall piece may be two lines that touch; several are tall letters.
            if not both.any() or (both.sum() < 3 and tall[both].all()):
                continue
            share_i = shares[both, i].sum() / max(total[i], 1)
            share_j = shares[both, j].sum() / max(total[j], 1)
            if max(share_i, share_j) > 0.6 and min(share_i, share_j) > 0.3:
                parent[root(i)] = root(j)
    groups: dict[int, list[int]] = {}
    for i in range(n):
        groups.setdefault(root(i), []).append(i)
    return [sorted(g, key=lambda i: fragments[i].x0) for g in groups.values()]


def _pitch(lines: list[list[int]], fragments: list[_Fragment], body: float) -> float | None:
    """Return the usual distance from one well-filled line to the next, cells; None when there are fewer than three."""
    ink = np.array([sum(fragments[i].ink for i in g) for g in lines])
    strong = [g for g, k in zip(lines, ink, strict=True) if k > 0.3 * ink.max()]
    if len(strong) < 3:
        return None
    middle = [0.5 * sum(_ends(g, fragments)) for g in strong]
    rows = np.sort([_course(g, fragments, m, 14 * body) for g, m in zip(strong, middle, strict=True)])
    return float(np.median(np.diff(rows)))


def _shares(
    fragments: list[_Fragment], pieces: Pieces, region_of: NDArray[np.int32], slope: float, cell: int
) -> FloatArray:
    """Return how many ink pixels each piece has in each fragment, shape (pieces, fragments)."""
    x, y, _ = _level_rows(pieces, slope, cell)
    region = region_of[np.minimum(y, region_of.shape[0] - 1), np.minimum(x, region_of.shape[1] - 1)]
    inside = region >= 0
    n = max(len(fragments), 1)
    flat = np.bincount(pieces.piece[inside].astype(np.int64) * n + region[inside], minlength=len(pieces.boxes) * n)
    return flat.reshape(len(pieces.boxes), n).astype(np.float64)


def _join_along(
    lines: list[list[int]], fragments: list[_Fragment], body: float, tolerance: float = 0.0
) -> list[list[int]]:
    """Join groups that continue each other along the line, the surest pair first."""
    alive = dict(enumerate(lines))
    costs: dict[tuple[int, int], float] = {}

    def weigh(a: int, b: int) -> None:
        cost = _continuation(alive[a], alive[b], fragments, body, tolerance)
        if cost is not None:
            costs[a, b] = cost

    for a in alive:
        for b in alive:
            if a != b:
                weigh(a, b)
    fresh = len(lines)
    while costs:
        a, b = min(costs, key=lambda pair: (costs[pair], pair))
        merged = sorted(alive.pop(a) + alive.pop(b), key=lambda i: fragments[i].x0)
        costs = {pair: c for pair, c in costs.items() if a not in pair and b not in pair}
        alive[fresh] = merged
        for other in list(alive):
            if other != fresh:
                weigh(fresh, other)
                weigh(other, fresh)
        fresh += 1
    return list(alive.values())


def _without_ghosts(
    groups: list[list[int]],
    fragments: list[_Fragment],
    shares: FloatArray,
    region_of: NDArray[np.int32],
    level: NDArray[np.float32],
    body: float,
    pitch: float | None,
) -> list[list[int]]:
    """Drop groups made of the tops of tall letters, of tails or of dots, beside a line that has far more ink there.

    A line of writing, however short, has about as much ink over its own length as its neighbours have there, and
    little of it in letters that stand mainly in a neighbour.
    """
    width = level.shape[1]
    owner = np.full(len(fragments), -1, np.int64)
    for k, group in enumerate(groups):
        owner[group] = k
    y, x = np.nonzero(region_of >= 0)
    mine = owner[region_of[y, x]]
    y, x, mine = y[mine >= 0], x[mine >= 0], mine[mine >= 0]
    profile = np.bincount(mine * width + x, level[y, x], len(groups) * width).reshape(len(groups), width)
    covered = cv2.blur(profile, (2 * round((1.2 if pitch is None else 2.2) * body) + 1, 1)) > 1e-6
    ink = profile.sum(1)
    in_group = np.stack([shares[:, g].sum(1) for g in groups], 1)
    piece_ink = np.maximum(shares.sum(1), 1)
    alive = [int(k) for k in np.argsort(-ink)]
    reach = 14 * body
    near = 2.9 * body if pitch is None else float(np.clip(0.72 * pitch, 1.6 * body, 4.2 * body))
    for k in sorted(alive, key=lambda k: ink[k]):
        x0, x1 = _ends(groups[k], fragments)
        for other in alive:
            if other == k or ink[other] <= ink[k]:
                continue
            o0, o1 = _ends(groups[other], fragments)
            if min(x1, o1 + body) - max(x0, o0 - body) < 0.5 * (x1 - x0):
                continue
            middle = 0.5 * (max(x0, o0) + min(x1, o1))
            apart = abs(_course(groups[k], fragments, middle, reach) - _course(groups[other], fragments, middle, reach))
            if apart > near:
                continue
            rival = float(profile[other, covered[k]].sum())
            common = in_group[:, other] > 0.09 * piece_ink
            tied = float(in_group[common, k].sum() / max(in_group[:, k].sum(), 1))
            ghost = ink[k] < (0.75 if apart < 1.1 * body else 0.33 if pitch is None else 0.5) * rival
            # The arms of one large letter, closer than lines stand: part of the line that holds its foot.
            arm = pitch is not None and ink[k] < 0.25 * ink[other]
            if ghost or (tied > 0.5 and (ink[k] < 1.3 * rival or arm)):
                alive.remove(k)
                break
    return [groups[k] for k in sorted(alive)]


def _ends(group: list[int], fragments: list[_Fragment]) -> tuple[float, float]:
    return min(fragments[i].x0 for i in group), max(fragments[i].x1 for i in group)


def _course(group: list[int], fragments: list[_Fragment], x: float, reach: float) -> float:
    """Return the row of a group near `x`: from its nearest fragments, the farther the less."""
    weights, rows = [], []
    for i in group:
        f = fragments[i]
        gap = max(0.0, f.x0 - x, x - f.x1)
        nearest = min(max(x, f.x0), f.x1)
        # Slopes carry a little way beyond the end, then the level holds.
        carried = nearest + np.clip(x - nearest, -0.3 * reach, 0.3 * reach)
        weights.append(f.ink * np.exp(-gap / reach) + 1e-9)
        rows.append(f.y(float(carried)))
    return float(np.average(rows, weights=weights))


def _continuation(
    a: list[int], b: list[int], fragments: list[_Fragment], body: float, tolerance: float
) -> float | None:
    """Return the cost of `b` continuing `a` to the right, None when it does not."""
    a0, a1 = _ends(a, fragments)
    b0, b1 = _ends(b, fragments)
    if (b0 + b1) < (a0 + a1):
        return None
    overlap = min(a1, b1) - max(b0, a0)
    if overlap > 0.35 * min(a1 - a0, b1 - b0) + body:
        middle = 0.5 * (max(b0, a0) + min(a1, b1))
        apart = abs(_course(a, fragments, middle, 14 * body) - _course(b, fragments, middle, 14 * body))
        return 1.0 + apart / body if apart < 0.5 * body else None
    gap = max(0.0, -overlap)
    reach = 14 * body
    at_a = _course(a, fragments, a1, reach)
    at_b = _course(b, fragments, b0, reach)
    drop_at_b = abs(_course(a, fragments, b0, reach) - at_b)
    drop_at_a = abs(_course(b, fragments, a1, reach) - at_a)
    miss = min(max(drop_at_a, drop_at_b), 0.5 * (drop_at_a + drop_at_b) + 0.1 * body)
    # A mark far aside and off the line's course is not part of it.
    extra = min(tolerance, 2.2 * body) if gap < 9 * body else 0.0
    allowed = max((0.85 if gap < 6 * body else 1.0) * body, extra)
    if miss > allowed:
        return None
    return miss / body + 0.04 * gap / body


def _assign(
    groups: list[list[int]],
    region_of: NDArray[np.int32],
    pieces: Pieces,
    slope: float,
    cell: int,
    body: float,
    level: NDArray[np.float32],
    answer: NDArray[np.float32],
) -> NDArray[np.int32]:
    """Give every ink pixel a line: by its piece, cut along the valley where a piece has much ink in two lines."""
    line_of_region = np.full(int(region_of.max()) + 2, -1, np.int32)
    for k, group in enumerate(groups):
        line_of_region[group] = k
    zone = line_of_region[region_of]
    zone[region_of < 0] = -1
    x, y, _ = _level_rows(pieces, slope, cell)
    x, y = np.minimum(x, zone.shape[1] - 1), np.minimum(y, zone.shape[0] - 1)
    here = zone[y, x]
    table = np.zeros((len(pieces.boxes), len(groups)), np.float64)
    inside = here >= 0
    np.add.at(table, (pieces.piece[inside], here[inside]), 1.0)
    owner = np.where(table.sum(1) > 0, table.argmax(1), -1).astype(np.int32)
    line: NDArray[np.int32] = owner[pieces.piece]
    # A piece shared by two lines: both have more in it than a tail (about half a body's worth of stroke).
    substantial = 0.55 * body * cell * max(2.0, 0.12 * body * cell)
    order = np.sort(table, axis=1)
    shared = (
        np.flatnonzero(order[:, -2] > np.maximum(substantial, 0.12 * order[:, -1]))
        if len(groups) > 1
        else np.empty(0, int)
    )
    if len(shared):
        nearest = _nearest_zone(zone, len(groups))
        for p in shared:
            mine = pieces.piece == p
            candidates = np.flatnonzero(table[p] > np.maximum(substantial, 0.12 * order[p, -1]))
            got = nearest[y[mine], x[mine]]
            ok = np.isin(got, candidates)
            line[mine] = np.where(ok, got, owner[p])
    return line


def _nearest_zone(zone: NDArray[np.int32], count: int) -> NDArray[np.int32]:
    """Return for each cell the line whose zone is nearest."""
    _, index = cv2.distanceTransformWithLabels(
        (zone < 0).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    lookup = np.full(int(index.max()) + 1, -1, np.int32)
    inside = zone >= 0
    lookup[index[inside]] = zone[inside]
    out: NDArray[np.int32] = lookup[index]
    return out


def _reattach(line: NDArray[np.int32], pieces: Pieces, body_px: float) -> NDArray[np.int32]:
    """Give pieces outside every body zone (dots, accents, commas) to the nearest ink, first of all below them."""
    loose = np.unique(pieces.piece[line < 0])
    if len(loose) == 0 or (line >= 0).sum() == 0:
        return line
    owned = line >= 0
    step = max(1, int(body_px / 10))
    small = np.full((pieces.shape[0] // step + 1, pieces.shape[1] // step + 1), -1, np.int32)
    small[pieces.y[owned] // step, pieces.x[owned] // step] = line[owned]
    line = line.copy()
    reach = int(np.ceil(2.6 * body_px / step))
    side = int(np.ceil(0.5 * body_px / step))
    for p in loose:
        left, top, wide, tall, _ = pieces.boxes[p]
        x0, x1 = max(0, left // step - side), (left + wide) // step + side + 1
        y0, y1 = top // step, (top + tall) // step
        window = small[max(0, y0 - reach) : y1 + reach + 1, x0:x1]
        yy, xx = np.nonzero(window >= 0)
        if len(yy) == 0:
            continue
        rows = yy + max(0, y0 - reach)
        below, above = np.maximum(0, rows - y1), np.maximum(0, y0 - rows)
        columns = xx + x0
        aside = np.maximum(0, np.maximum(left // step - columns, columns - (left + wide) // step))
        cost = np.hypot(below + 1.7 * above, 1.5 * aside)
        best = int(np.argmin(cost))
        if cost[best] <= reach:
            line[pieces.piece == p] = window[yy[best], xx[best]]
    return line


def _finish(line: NDArray[np.int32], pieces: Pieces, ruling: Ruling | None, slope: float, body_px: float) -> Lines:
    """Order lines from the top, drop those too small to be writing, and fit baselines and x-heights."""
    count = int(line.max()) + 1 if len(line) else 0
    ink = np.bincount(line[line >= 0], minlength=count)
    order = np.argsort(line, kind="stable")
    bounds = np.searchsorted(line[order], np.arange(count + 1))
    found: list[tuple[float, int, FloatArray, FloatArray, FloatArray, FloatArray]] = []
    for k in range(count):
        index = order[bounds[k] : bounds[k + 1]]
        if ink[k] < 0.9 * body_px * max(2.0, 0.1 * body_px):
            continue
        feet, tops = turning_points(pieces.x[index], pieces.y[index], body_px)
        if np.ptp(pieces.y[index]) < 0.5 * body_px or len(feet[0]) == 0:
            continue
        middle = float(np.median(pieces.y[index] - slope * pieces.x[index]))
        found.append((middle, k, *feet, *tops))
    found.sort(key=lambda f: f[0])
    first = [_baseline(f[2], f[3], slope, body_px) for f in found]
    heights = [b.at(f[4]) - f[5] + 1 for b, f in zip(first, found, strict=True)]
    page = _mode(np.concatenate(heights), 0.45 * body_px, 2.2 * body_px, body_px) if heights else body_px
    lines = []
    number = np.full(count + 1, -1, np.int32)
    for i, (f, b, h) in enumerate(zip(found, first, heights, strict=True)):
        number[f[1]] = i
        x_height = _line_x_height(h, page)
        lines.append(TextLine(b, x_height, _rule_of(b, ruling, page)))
    return Lines(tuple(lines), number[line], pieces, body_px, slope)


def turning_points(
    x: NDArray[np.int32], y: NDArray[np.int32], body_px: float
) -> tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]:
    """Return where the outline of a line turns: its feet (lowest) and tops (highest), as columns and rows, px.

    A foot is a column whose lowest ink is the lowest within a third of a body to either side; flat feet are taken at
    their middle.
    """
    left = int(x.min())
    width = int(x.max()) - left + 1
    low = np.full(width, -1, np.int64)
    high = np.full(width, np.iinfo(np.int32).max, np.int64)
    np.maximum.at(low, x - left, y)
    np.minimum.at(high, x - left, y)
    inked = low >= 0
    reach = max(2, round(body_px / 3))
    feet = _extremes(np.where(inked, low, -(10**6)).astype(np.float64), reach, inked, left)
    tops = _extremes(np.where(inked, -high, -(10**6)).astype(np.float64), reach, inked, left)
    return feet, (tops[0], -tops[1])


def _extremes(profile: FloatArray, reach: int, inked: NDArray[np.bool_], left: int) -> tuple[FloatArray, FloatArray]:
    """Return the middles of the runs where `profile` equals its maximum within `reach`."""
    kernel = np.ones((1, 2 * reach + 1), np.uint8)
    peak = cv2.dilate(profile.astype(np.float32)[None, :], kernel)[0]
    at = inked & (profile >= peak)
    found = np.flatnonzero(at)
    # Columns of one level close together are one turn, however ragged: bits of a rule must not count many times.
    parted = (np.diff(found) > reach) | (np.diff(profile[found]) != 0)
    starts = found[np.concatenate([[True], parted])] if len(found) else found
    ends = found[np.concatenate([parted, [True]])] if len(found) else found
    return left + (starts + ends) / 2, profile[starts]


def _baseline(x: FloatArray, y: FloatArray, slope: float, body_px: float) -> Polyline:
    """Fit the course of the feet: the most crowded level first, then a robust smooth curve."""
    flat = y - slope * x
    level = _mode(flat, float(flat.min()) - 1, float(flat.max()) + 1, body_px)
    if len(x) < 3 or np.ptp(x) < 2 * body_px:
        near = np.abs(flat - level) < 0.35 * body_px
        value = float(np.median(flat[near])) if near.any() else level
        ends = np.array([x.min() - 1, x.max() + 1])
        return Polyline(ends, value + slope * ends)
    ends = np.array([float(x.min()) - 1, float(x.max()) + 1])
    middle = 0.5 * (ends[0] + ends[1])
    span = ends[1] - ends[0]
    u = (x - middle) / span
    coefficients = _crowded_line(u, y, level + slope * middle, slope * span, span, body_px)
    # Bends as the length allows, and only where the feet agree; the weights close in on the crowd.
    terms = 1 if span < 14 * body_px else 3
    coefficients = np.concatenate([coefficients, np.zeros(terms - 1)])
    design = np.polynomial.polynomial.polyvander(u, terms)
    penalty = np.diag([0.0, 0.0, 1.5, 1.5][: terms + 1])
    for width in (0.3, 0.25, 0.22, 0.2):
        residual = y - design @ coefficients
        weight = np.clip(1 - (residual / (width * body_px)) ** 2, 0, None) ** 2
        if (weight > 0).sum() < terms + 2:
            break
        matrix = design.T @ (design * weight[:, None]) + penalty + 1e-6 * np.eye(terms + 1)
        coefficients = np.asarray(np.linalg.solve(matrix, design.T @ (weight * y)), np.float64)
    corners = np.linspace(ends[0], ends[1], 2 if terms == 1 else 9)
    return Polyline(corners, np.polynomial.polynomial.polyval((corners - middle) / span, coefficients))


def _crowded_line(u: FloatArray, y: FloatArray, level: float, rise: float, span: float, body_px: float) -> FloatArray:
    """Return level and rise (px over the span) of the straight line that passes nearest most feet."""
    # The slope of one line differs from the page's by up to 3 degrees; a short line's hardly can be told.
    reach = min(0.055 * span, 2.5 * body_px)
    rises = rise + np.linspace(-reach, reach, 41)
    levels = level + np.linspace(-0.8, 0.8, 49) * body_px
    width = 0.09 * body_px
    flat = y[None, :] - rises[:, None] * u[None, :]
    density = np.exp(-0.5 * ((flat[:, None, :] - levels[None, :, None]) / width) ** 2).sum(2)
    # Of equals the one nearest the page's own slope.
    density = density - 0.15 * np.abs(rises - rise)[:, None] / body_px
    best = np.unravel_index(int(np.argmax(density)), density.shape)
    return np.array([levels[best[1]], rises[best[0]]])


def _mode(values: FloatArray, low: float, high: float, body_px: float) -> float:
    """Return the most crowded value between `low` and `high` (Gaussian kernel a tenth of a body wide)."""
    inside = values[(values >= low) & (values <= high)]
    if len(inside) == 0:
        return float(np.clip(np.median(values), low, high)) if len(values) else 0.5 * (low + high)
    width = max(0.7, 0.1 * body_px)
    grid = np.arange(inside.min(), inside.max() + 0.5 * width, 0.25 * width)
    density = np.exp(-0.5 * ((grid[:, None] - inside[None, :]) / width) ** 2).sum(1)
    return float(grid[int(np.argmax(density))])


def _line_x_height(heights: FloatArray, page: float) -> float:
    """Return the line's own x-height: the middle of the tops near the page's x-height, or the page's when few."""
    near = heights[(heights > 0.6 * page) & (heights < 1.45 * page)]
    return float(np.median(near)) if len(near) >= 5 else page


def _rule_of(baseline: Polyline, ruling: Ruling | None, x_height: float) -> int | None:
    """Return the index of the writing rule nearest the baseline, or None when it is farther than half a pitch."""
    if ruling is None or not ruling.writing:
        return None
    x = np.linspace(baseline.x[0], baseline.x[-1], 9)
    y = baseline.at(x)
    distance = [float(np.abs(np.median(y - ruling.at(k, x)))) for k in ruling.writing]
    best = int(np.argmin(distance))
    return ruling.writing[best] if distance[best] < 0.5 * max(ruling.pitch, x_height) else None
