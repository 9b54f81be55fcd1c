"""Straight lines of the paper that belong to no ruling: a line under a title, the sides of a box, rules drawn by hand.

Each is looked for by itself, in the same narrow strips that rulings are fitted in (see `rules`):

1. In windows of a few strips the peaks of the ridge answer vote for straight courses; the fullest courses are followed
   strip by strip to both ends, and a line (with a bow, where it is long) is laid through the strips' centres.
2. At full resolution the course must be a drawn line: dark wherever nothing is written beside it, thin, and true to its
   course. A row of letters answers only where there is ink.
3. A line as dark as the strokes, which most of these pass right through, is a crossing-out drawn along a ruler. It is
   the writer's and stays.

A line of dashes is as good, where these repeat truly.

What it does not see: lines shorter than about 18 mm, lines drawn freehand (these wander by more than `_STRAY_MM`), and
of two lines closer than 1.5 mm more than one now and then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.rule_strips import STEEPEST, medians

ByteImage = NDArray[np.uint8]

_LEAST_MM = 18.0
_WINDOW_MM, _FEWEST = 15.0, 6
# Share of a window's strips that a course must pass through, and how much of a line letters may hide at a stretch.
_VOTES, _HIDDEN_MM = 0.8, 12.0
# Root mean square distance of the strips' centres to the course.
_STRAY_MM, _STRAY_PX = 0.08, 1.0
# A strip this far off a course says half as much about it.
_NEAR_PX = 0.4
# Darkness (of 255): below, nothing is written at a place; what a line must have in most places.
_BARE, _FAINTEST = 30, 4.0
# Share of the bare columns in which the line is there, and least share of bare columns.
_THERE, _SEEN = 0.85, 0.25
# A dashed line: share of the bare columns in its dashes, the longest dash with its gap, how true they repeat,
# and how dark they are at least.
_DASHES, _PERIOD_MM, _REPEATS, _PLAIN = 0.25, 4.5, 0.5, 20.0
# Rows of letters repeat too, for a few letters: as true must be the sixth dash, and so long the line.
_SIXTH, _LEAST_DASHED_MM = 6, 40.0
_THICKEST_MM = 0.8
# A crossing-out: share of its length beside strokes; of these, those that go on across it; how even both sides are; and
# its depth in strokes. (Rules written on gave 0.18 at most for the second, 0.78 for the last; bars 0.36 and 0.98.)
_BESIDE, _THROUGH, _EVEN, _AS_DARK = 0.2, 0.25, 0.6, 0.85


@dataclass(frozen=True, slots=True)
class Lone:
    """One straight line: row ``offset + slope x + bend x**2`` from column `left` to `right`, px.

    `residual` is the root mean square distance of the strips to it, px; `darkness` its depth below the paper, 0 to 255;
    `thickness` its width at half that depth, px; `dashed` whether it is one of dashes or dots.
    """

    offset: float
    slope: float
    bend: float
    left: float
    right: float
    residual: float
    darkness: float
    thickness: float
    dashed: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Peaks:
    """Rows where strips answer, strip by strip: `first[s]` to ``first[s + 1]`` are those of strip `s`.

    `near` gives for each whole row and strip the peak within three rows of it, or -1.
    """

    row: FloatArray
    strip: NDArray[np.int64]
    height: FloatArray
    first: NDArray[np.int64]
    near: NDArray[np.int32]


@dataclass(frozen=True, slots=True, eq=False)
class _Course:
    """A candidate: the peaks it passes through, and the polynomial laid through them (in columns, lowest first)."""

    peaks: NDArray[np.int64]
    terms: FloatArray
    residual: float
    left: float
    right: float

    def at(self, x: FloatArray) -> FloatArray:
        """Return the row at column `x`."""
        return np.asarray(self.terms[0] + x * (self.terms[1] + x * self.terms[2]), np.float64)


def find_lone(
    dark: ByteImage, strips: NDArray[np.float32], taken: list[tuple[float, float, FloatArray]], px_per_mm: float
) -> tuple[Lone, ...]:
    """Find the lone lines that run across a picture (turn it to find those that run down).

    Parameters
    ----------
    dark : ndarray of uint8, shape (H, W)
        Darkness: paper 0.
    strips : ndarray of float32, shape (H, n)
        The ridge answer averaged in `n` strips of equal width.
    taken : list of (left, right, rows)
        Lines already known: first and last column, and row at the middle of each strip, shape (n,).
    px_per_mm : float
        A rough scale, good to a factor of two.
    """
    step = float(dark.shape[1] // strips.shape[1])
    window = int(np.clip(np.ceil(_WINDOW_MM * px_per_mm / step), _FEWEST, strips.shape[1] // 2))
    peaks = _peaks(strips, taken, step)
    if len(peaks.row) < window:
        return ()
    free, refused = np.ones(len(peaks.row), bool), np.zeros(len(peaks.row), np.int64)
    found: list[Lone] = []
    hidden = 1 + max(3, round(_HIDDEN_MM * px_per_mm / step))
    seeds = _drawn(dark, _seeds(peaks, window, step), window, step, px_per_mm).tolist()
    for number, (start, slope, row) in enumerate(seeds):
        course = _followed(peaks, free, (int(start), slope, row), window, step, hidden)
        if course is None or course.right - course.left < _LEAST_MM * px_per_mm:
            continue
        # Many seeds lead to one course; once it is no line, it is none.
        again = np.bincount(refused[course.peaks])[1:]
        if again.size and again.max() > 0.8 * len(course.peaks):
            continue
        line = _looked_at(dark, course, px_per_mm)
        if line is None:
            refused[course.peaks] = number + 1
        else:
            found.append(line)
            free[course.peaks] = False
    return tuple(sorted(found, key=lambda line: line.offset))


def _peaks(strips: NDArray[np.float32], taken: list[tuple[float, float, FloatArray]], step: float) -> _Peaks:
    """Return the rows where each strip's answer is the highest of five and stands out from the strip's own noise."""
    some = np.ascontiguousarray(strips[::16].T)
    level = medians(some)
    spread = 1.4826 * medians(np.abs(some - level[:, None])) + 0.25
    centre = strips[2:-2]
    top = centre > np.maximum(level + 5 * spread, _FAINTEST - 1)
    top &= (centre >= strips[1:-3]) & (centre > strips[3:-1]) & (centre >= strips[:-4]) & (centre > strips[4:])
    _forget(top, taken, step)
    strip, row = np.nonzero(top.T)
    row += 2
    around = row[:, None] + np.arange(-2, 3)
    weight = strips[around, strip[:, None]].astype(np.float64)
    weight = (weight - weight.min(1, keepdims=True)) ** 2
    exact = (around * weight).sum(1) / np.maximum(weight.sum(1), 1e-9)
    # A wide line's answer is flat on top, and its middle not where the highest row was taken.
    near, middle_row = np.full(strips.shape, -1, np.int32), np.rint(exact).astype(np.int64)
    for away in (3, -3, 2, -2, 1, -1, 0):
        near[np.clip(middle_row + away, 0, len(near) - 1), strip] = np.arange(len(row))
    first = np.searchsorted(strip, np.arange(strips.shape[1] + 1))
    return _Peaks(exact, strip, strips[row, strip].astype(np.float64), first, near)


def _forget(top: NDArray[np.bool_], taken: list[tuple[float, float, FloatArray]], step: float) -> None:
    """Strike out what answers within three rows of lines already known, in place; the first row of `top` is row 2."""
    if not taken:
        return
    middle = (np.arange(top.shape[1]) + 0.5) * step
    left, right = (np.array([line[i] for line in taken])[:, None] for i in (0, 1))
    known, strip = np.nonzero((middle > left - step) & (middle < right + step))
    row = np.rint(np.stack([line[2] for line in taken])[known, strip]).astype(np.int64) - 2
    for away in range(-3, 4):
        inside = (row + away >= 0) & (row + away < len(top))
        top[row[inside] + away, strip[inside]] = False


def _seeds(peaks: _Peaks, window: int, step: float) -> FloatArray:
    """Return the courses that most strips of a window vote for: first strip, slope and row in its middle, one a row."""
    slopes = np.arange(-STEEPEST, STEEPEST + 1e-9, 4 / (window * step))
    found = [np.empty((0, 3))]
    for start in range(0, len(peaks.first) - window, max(1, 2 * window // 3)):
        here = slice(peaks.first[start], peaks.first[start + window])
        row = peaks.row[here]
        if len(row) < _VOTES * window:
            continue
        off = (peaks.strip[here] + 0.5 - start - window / 2) * step
        low = row.min() - STEEPEST * window * step
        cell = ((row - low - slopes[:, None] * off) / 2).astype(np.int64)
        size = int(cell.max()) + 2
        at = (cell + size * np.arange(len(slopes))[:, None]).ravel()
        votes = np.bincount(at, minlength=size * len(slopes)).reshape(len(slopes), size)
        both = votes[:, :-1] + votes[:, 1:]
        # The best slope at each place, where no neighbour has more votes.
        best = both.max(0)
        wide = np.concatenate([[0, 0], best, [0, 0]])
        peak = (best >= _VOTES * window) & (best >= np.maximum(wide[3:-1], wide[4:])) & (best > wide[1:-3])
        place = np.flatnonzero(peak)
        tied = both[:, place] == best[place]
        slope = (tied * slopes[:, None]).sum(0) / tied.sum(0)
        found.append(np.stack([np.full(len(place), float(start)), slope, low + 2.0 * (place + 1)], 1))
    return np.concatenate(found)


def _drawn(dark: ByteImage, seeds: FloatArray, window: int, step: float, px_per_mm: float) -> FloatArray:
    """Return the seeds along which something dark runs between the letters too, the fullest first."""
    if not len(seeds):
        return seeds
    reach = max(4, round(0.5 * px_per_mm))
    off = np.linspace(-0.5, 0.5, 48, endpoint=False) * window * step
    x = np.rint(seeds[:, :1] * step + window * step / 2 + off).astype(np.int64)
    y = np.rint(seeds[:, 2:] + seeds[:, 1:2] * off).astype(np.int64)
    inside = ((y >= reach) & (y < dark.shape[0] - reach)).all(1)
    seeds, x, y = seeds[inside], np.minimum(x[inside], dark.shape[1] - 1), y[inside]
    beside = np.maximum(dark[y - reach, x], dark[y + reach, x]).astype(np.int64)
    # The seed knows its row to a pixel or two.
    centre = np.stack([dark[y + k, x] for k in (-2, -1, 0, 1, 2)]).max(0).astype(np.int64)
    bare = beside < _BARE
    ridge = centre - beside
    share = (bare & (ridge > _FAINTEST)).sum(1) / np.maximum(bare.sum(1), 1)
    seen = bare.mean(1)
    good = (share > 0.75) & (seen > 0.15)
    # Dashes are printed to be seen, and mostly on bare paper.
    dash = bare & (ridge > _PLAIN)
    some = np.flatnonzero((dash.sum(1) > _DASHES * bare.sum(1)) & ~good & (seen > 0.4))
    good[some] = _repeat(dash[some], bare[some])
    order = np.argsort(-share[good], kind="stable")
    return np.asarray(seeds[good][order])


def _followed(
    peaks: _Peaks, free: NDArray[np.bool_], seed: tuple[int, float, float], window: int, step: float, hidden: int
) -> _Course | None:
    """Collect the peaks along a course, window first and then farther and farther to both sides; lay a line through.

    `hidden` is how many strips on the next one of the same line may be found.
    """
    start, slope, row = seed
    tall, count = peaks.near.shape
    middle = (np.arange(count) + 0.5) * step
    offset = row - slope * (start + window / 2) * step
    first, last = start, start + window
    mine, reach = np.empty(0, np.int64), 3.0
    while True:
        strips = np.arange(first, last)
        rows = np.clip(offset + slope * middle[strips], 0, tall - 1)
        seen = peaks.near[np.rint(rows).astype(np.int64), strips].astype(np.int64)
        seen = seen[(seen >= 0) & free[seen] & (np.abs(peaks.row[seen] - rows) < reach)]
        if len(seen) < _VOTES * window:
            return None
        # Beyond a few strips without an answer nothing is the same line any more.
        held = np.flatnonzero(np.diff(peaks.strip[seen]) > hidden)
        at = np.searchsorted(peaks.strip[seen], start + window // 2)
        low = int(held[held < at].max()) + 1 if (held < at).any() else 0
        high = int(held[held >= at].min()) + 1 if (held >= at).any() else len(seen)
        seen = seen[low:high]
        if len(seen) < _VOTES * window:
            return None
        offset, slope = _straight(middle[peaks.strip[seen]], peaks.row[seen])
        grown = len(seen) > len(mine)
        mine = seen
        if not grown:
            break
        more, reach = max(2, len(seen) // 2), 2.0
        first, last = max(0, int(peaks.strip[seen[0]]) - more), min(count, int(peaks.strip[seen[-1]]) + 1 + more)
    x = middle[peaks.strip[mine]]
    terms, residual = _laid(x, peaks.row[mine], step * window)
    return _Course(mine, terms, residual, float(x[0] - step / 2), float(x[-1] + step / 2))


def _straight(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Return offset and slope of the straight line through most of the points."""
    weight = np.ones(len(x))
    for _ in range(4):
        total = weight.sum()
        mean_x, mean_y = (weight * x).sum() / total, (weight * y).sum() / total
        spread = float((weight * (x - mean_x) ** 2).sum())
        slope = float((weight * (x - mean_x) * (y - mean_y)).sum() / max(spread, 1e-9))
        weight = 1 / (1 + ((y - mean_y - slope * (x - mean_x)) / _NEAR_PX) ** 2)
    return float(mean_y - slope * mean_x), slope


def _laid(x: FloatArray, y: FloatArray, window: float) -> tuple[FloatArray, float]:
    """Lay a straight line, or a bowed one where that pays, through most of the strips' centres."""
    u = (x - x.mean()) / max(float(np.ptp(x)), 1.0)
    best: tuple[FloatArray, float] = (np.zeros(3), np.inf)
    for degree in (1, 2) if np.ptp(x) > 3 * window else (1,):
        design = np.vander(u, degree + 1, increasing=True)
        weight = np.ones(len(x))
        for turn in range(8):
            weighted = design * weight[:, None]
            terms = np.linalg.solve(design.T @ weighted + 1e-9 * np.eye(degree + 1), weighted.T @ y)
            away = y - design @ terms
            scale = 1.4826 * medians(np.abs(away)) + 0.1
            # Letters beside the ends pull: first the course of most strips, then those near it.
            near = away / _NEAR_PX if turn < 4 else away / (4.5 * scale)
            weight = 1 / (1 + near**2) if turn < 4 else np.clip(1 - near**2, 0, None) ** 2 + 1e-6
        good = weight > 0.05
        rms = float(np.sqrt(np.mean(away[good] ** 2))) if good.mean() > 0.7 else np.inf
        if rms < 0.8 * best[1] - 0.02:
            best = np.pad(terms, (0, 2 - degree)), rms
    (level, rise, bow), rms = best
    middle, span = x.mean(), max(float(np.ptp(x)), 1.0)
    slope, bend = rise / span, bow / span**2
    return np.array([level - slope * middle + bend * middle**2, slope - 2 * bend * middle, bend]), rms


def _looked_at(dark: ByteImage, course: _Course, px_per_mm: float) -> Lone | None:
    """Look at a course in the picture itself: return the drawn line along it, or None."""
    reach = max(4, round(0.5 * px_per_mm))
    x = np.arange(int(course.left), min(int(course.right) + 1, dark.shape[1]))
    row = np.rint(course.at(x.astype(np.float64))).astype(np.int64)
    inside = (row >= reach) & (row < dark.shape[0] - reach)
    x, row = x[inside], row[inside]
    least = _LEAST_MM * px_per_mm
    if course.residual > max(_STRAY_PX, _STRAY_MM * px_per_mm) or len(x) < least:
        return None
    section = dark[row[None, :] + np.arange(-reach, reach + 1)[:, None], x[None, :]].astype(np.float32)
    there, bare = _bare_columns(section, reach)
    period = _period(there, bare, _PERIOD_MM * px_per_mm) if there.sum() < _THERE * bare.sum() else 0
    # A line of dashes is there in the gaps between them too.
    drawn = bare & (np.convolve(there, np.ones(period | 1), "same") > 0) if period else there
    first, last = _ends(drawn, bare, max(8, round(1.5 * px_per_mm)))
    section, there, drawn, bare = section[:, first:last], there[first:last], drawn[first:last], bare[first:last]
    if (
        last - first < (_LEAST_DASHED_MM * px_per_mm if period else least)
        or drawn.sum() < _THERE * bare.sum()
        or bare.mean() < _SEEN
    ):
        return None
    profile = np.median(section[:, there], axis=1)
    profile = np.maximum(profile - max(profile[:2].mean(), profile[-2:].mean()), 0)
    darkness = float(profile.max())
    thickness = float(profile.sum()) / max(darkness, 1e-6)
    if darkness < _FAINTEST or thickness > _THICKEST_MM * px_per_mm or _crosses_out(section, darkness, reach):
        return None
    offset, slope, bend = course.terms.tolist()
    ends = float(x[first]), float(x[last - 1] + 1)
    return Lone(offset, slope, bend, *ends, course.residual, darkness, thickness, period > 0)


def _period(there: NDArray[np.bool_], bare: NDArray[np.bool_], longest: float) -> int:
    """Return the length of a dash and its gap, px, of a line whose dashes repeat truly; 0 where none do.

    Told from bare columns only: what repeats there was printed, whatever is written.
    """
    share = there.sum() / max(int(bare.sum()), 1)
    if share < _DASHES:
        return 0
    like = _likeness(there[None], bare[None], int((_SIXTH + 1) * longest))[0]
    # The first lag at which dashes meet gaps, then the one at which they meet dashes again.
    apart = np.flatnonzero(like < 0)
    if not len(apart) or apart[0] >= longest:
        return 0
    once = int(apart[0] + np.argmax(like[apart[0] : int(longest) + 1]))
    period = float(once)
    for times in (2, 3, _SIXTH):
        reach = max(1, once // 5)
        low = max(0, round(times * period) - reach)
        at = low + int(np.argmax(like[low : low + 2 * reach + 1]))
        period = at / times
        if min(like[once], like[at]) < _REPEATS:
            return 0
    return once


def _repeat(there: NDArray[np.bool_], bare: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell which of some rows of samples, shape (rows, samples), may be of dashes: alike after one, two and three."""
    lags = there.shape[1] // 2
    if not len(there):
        return np.zeros(0, np.bool_)
    like = _likeness(there, bare, lags)
    apart = np.where((like < 0).any(1), (like < 0).argmax(1), lags)
    lag = np.arange(like.shape[1])
    once = np.where((lag > apart[:, None]) & (2 * lag < like.shape[1]), like, -1.0).argmax(1)
    every = np.arange(len(like))
    good = (apart < lags) & (like[every, once] > _REPEATS)
    for times in (2, 3):
        at = np.clip(times * once[:, None] + np.arange(1 - times, times), 0, lags)
        good &= (like[every[:, None], at].max(1) > _REPEATS) | (times * once > lags)
    return np.asarray(good)


def _likeness(there: NDArray[np.bool_], bare: NDArray[np.bool_], longest: int) -> FloatArray:
    """Return the correlation of rows of columns with themselves at lags up to `longest`, from bare columns only."""
    count = np.maximum(bare.sum(1, keepdims=True), 1)
    share = there.sum(1, keepdims=True) / count
    size = 1 << int(there.shape[1] + longest).bit_length()
    lags = slice(0, longest + 1)
    both = np.where(bare, there - share, 0.0), bare.astype(np.float64)
    agree, pairs = (np.fft.irfft(np.abs(np.fft.rfft(v, size)) ** 2)[:, lags] for v in both)
    return np.asarray(agree / np.maximum(pairs, 0.1 * count) / (share * (1 - share) + 1e-9))


def _bare_columns(section: NDArray[np.float32], reach: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell the columns with nothing on either side of a course, and those of them in which a line runs along it."""
    beside = np.maximum(section[:2].mean(0), section[-2:].mean(0))
    ridge = section[reach - 1 : reach + 2].mean(0) - beside
    bare = beside < _BARE
    seen = bare & (ridge > _FAINTEST)
    typical = float(np.median(ridge[seen])) if seen.any() else np.inf
    return bare & (ridge > 0.35 * typical), bare


def _ends(there: NDArray[np.bool_], bare: NDArray[np.bool_], width: int) -> tuple[int, int]:
    """Return the first and the last column (exclusive) between which the line is there, by a short running share."""
    kernel = np.ones(width)
    some, all_bare = np.convolve(there, kernel, "same"), np.convolve(bare, kernel, "same")
    good = np.flatnonzero(there & (some > 0.6 * all_bare))
    return (int(good[0]), int(good[-1]) + 1) if good.size else (0, 0)


def _crosses_out(section: NDArray[np.float32], darkness: float, reach: int) -> bool:
    """Tell whether most strokes beside a line go on across it, and the line is as dark as they are."""
    above, below = section[: max(2, reach // 3)].max(0), section[-max(2, reach // 3) :].max(0)
    up, down = above > 2 * _BARE, below > 2 * _BARE
    either = up | down
    if either.mean() < _BESIDE or (up & down).sum() < _THROUGH * either.sum():
        return False
    even = min(up.sum(), down.sum()) > _EVEN * max(up.sum(), down.sum())
    strokes = float(np.median(np.maximum(above, below)[either]))
    return bool(even and darkness > _AS_DARK * strokes)
