"""Find the printed rules of the paper, fit them jointly, and lift them off the picture without breaking letters.

All rules of one direction share one slope and one pitch: the row of rule `k` at column `x` is

    y_k(x) = offset_k + slope * x + bend * x**2 + turn * k * x

with ``offset_k = first + pitch * position_k`` wherever the paper allows (Chen & Lopresti 2011, joint least squares for
all rules, is the idea; the estimator here is ours). The fit, not the pixels, is what distances are measured from.

Method. A thin dark line answers the ridge filter ``d(y) - max(d(y-w), d(y+w))``. The answer is clipped (so that pen
strokes cannot outvote a faint rule), averaged in narrow vertical strips, and the strips are correlated with each
other: rules agree from strip to strip at one lag, handwriting does not. Rows where most strips agree are rules.

Straight lines that follow no pattern are looked for one by one (`lone_rules`).

What it does not see: hand-drawn guide lines that are not straight, and rules fainter than about twice the paper's noise
averaged over 3 mm.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.lone_rules import Lone, find_lone
from handwriting.rule_pattern import find_pattern, robust
from handwriting.rule_strips import CLIP, STRIPS, aligned, medians, peaks, strips_of, thin, tilt

ByteImage = NDArray[np.uint8]

# Depth (of 255) that a printed line must have in most places, averaged over three rows.
_FAINTEST = 1.5
# A ruling of fewer rules may come of chance; how true to their pitch and to one slope printed ones stand, RMS.
_MANY, _TRUE_MM = 8, 0.06
# So much of a rule must be in the picture to be looked at.
_FEW_MM = 3.0
# Darkness (of 255) below which nothing is printed or written at a place.
_BARE = 30


@dataclass(frozen=True, slots=True, eq=False)
class Ruling:
    """One family of parallel printed rules in frame pixels.

    Attributes
    ----------
    kind : str
        ``single``, ``double``, ``four-line``, ``squared`` or ``other`` (finer rules between heavier ones, as on Seyes
        paper; a margin line).
    offsets : ndarray, shape (n,)
        Row of each rule at column 0, ascending, px.
    slope : float
        Rows per column; positive where rules go *down* to the right (image sense, unlike `geometry`'s slope).
    bend, turn : float
        Shared curvature (px per px squared) and change of slope from rule to rule (photos), zero when not needed.
    pitch : float
        Distance from one writing line to the next, px, measured square to the rules.
    residual_rms : float
        Root mean square distance of the strip centres to the fit, px.
    darkness : float
        Of the middle rule by depth: how far its centre lies below the paper, 0-255, as scanned.
    left, right : float
        Columns between which rules were seen.
    writing : tuple of int
        Indices of the rules that carry writing.
    outside : tuple of int
        Indices of printed lines that run along with the rules outside their pattern: a frame's edge, a heading's line.
    thickness : float
        Width of a lone line, px; 0 for families.
    dashed : bool
        Whether a lone line is one of dashes or dots.
    """

    kind: str
    offsets: FloatArray
    slope: float
    bend: float
    turn: float
    pitch: float
    pitch_error: float
    residual_rms: float
    darkness: float
    left: float
    right: float
    writing: tuple[int, ...] = ()
    outside: tuple[int, ...] = ()
    thickness: float = 0.0
    dashed: bool = False

    @property
    def pattern(self) -> tuple[int, ...]:
        """Indices of the rules proper, without those outside the pattern."""
        return tuple(i for i in range(len(self.offsets)) if i not in self.outside)

    def at(self, index: int, x: float | FloatArray) -> FloatArray:
        """Return the row of rule `index` at column `x`, px."""
        x = np.asarray(x, dtype=np.float64)
        row: FloatArray = self.offsets[index] + (self.slope + self.turn * index) * x + self.bend * x * x
        return row


@dataclass(frozen=True, slots=True, eq=False)
class Rules:
    """Everything in straight lines on the paper: rules across, rules down (squares), the margin line and lone lines.

    Lone lines belong to no pattern: under a title, round a box, or rules drawn by hand; each is a ruling of one rule.
    """

    across: Ruling | None
    down: Ruling | None
    margins: tuple[Ruling, ...] = ()
    lone_across: tuple[Ruling, ...] = ()
    lone_down: tuple[Ruling, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Family:
    """Rules of one direction before they are understood: offsets at column 0 and the rows they were seen at."""

    rows: tuple[int, ...]
    offsets: FloatArray
    slope: float
    bend: float
    turn: float
    residual: float
    left: float
    right: float
    thickness: FloatArray = field(default_factory=lambda: np.empty(0))
    darkness: FloatArray = field(default_factory=lambda: np.empty(0))


def find_rules(flat: ByteImage, px_per_mm: float) -> Rules:
    """Find rules across, rules down and the margin.

    Parameters
    ----------
    flat : ndarray of uint8, shape (H, W)
        The page with light evened out: paper 255, darker is ink.
    px_per_mm : float
        A rough scale, good to a factor of two; it only sets window sizes.
    """
    dark = cv2.bitwise_not(flat)
    reach = max(4, round(0.75 * px_per_mm))
    strips = strips_of(dark, reach, down=False), strips_of(dark, reach, down=True)
    across = _family(dark, strips[0], px_per_mm, down=False)
    down = _family(dark, strips[1], px_per_mm, down=True)
    ruling = _understand(across, dark.shape[1] / 2, px_per_mm)[0] if across is not None else None
    upright, margins = _understand_down(down, dark.shape[0] / 2, px_per_mm)
    ruling = _to_the_edge(_to_the_edge(ruling, dark, px_per_mm, -1), dark, px_per_mm, 1)
    upright = _to_the_edge(_to_the_edge(upright, dark.T, px_per_mm, -1), dark.T, px_per_mm, 1)
    square = upright is not None and ruling is not None and abs(upright.pitch / ruling.pitch - 1) < 0.05
    if upright is not None and ruling is not None and square and ruling.kind == "single":
        ruling, upright = replace(ruling, kind="squared"), replace(upright, kind="squared")
    level = find_lone(dark, strips[0], _taken(dark.shape[1], ruling), px_per_mm)
    if ruling is not None and _by_chance(ruling, across, level, px_per_mm):
        ruling, level = None, find_lone(dark, strips[0], [], px_per_mm)
    steep = find_lone(dark.T, strips[1], _taken(dark.shape[0], upright, *margins), px_per_mm)
    return Rules(ruling, upright, margins, tuple(map(_of_one, level)), tuple(map(_of_one, steep)))


def _understand_down(
    family: _Family | None, middle: float, px_per_mm: float
) -> tuple[Ruling | None, tuple[Ruling, ...]]:
    """Tell what the lines down the page are: squares, or a margin line or two."""
    if family is None:
        return None, ()
    upright, follows = _understand(family, middle, px_per_mm)
    if upright is None or len(upright.offsets) < 8:
        # More than a few that are irregular are the frame or table of a printed form.
        few = range(len(family.offsets)) if len(family.offsets) <= 3 else ()
        return None, tuple(_lone(family, i) for i in few)
    return upright, tuple(_lone(family, int(i)) for i in np.flatnonzero(~follows))


def _by_chance(ruling: Ruling, family: _Family | None, lone: tuple[Lone, ...], px_per_mm: float) -> bool:
    """Tell whether a few uneven rules of many seem to stand at one pitch: others as long do not follow it.

    Printed rules stand true to their pitch, whatever else is drawn on the page.
    """
    others = sum(line.right - line.left > 0.5 * (ruling.right - ruling.left) for line in lone)
    if family is None or len(ruling.pattern) >= _MANY or others < 0.25 * len(ruling.pattern):
        return False
    places = ruling.offsets[list(ruling.pattern)]
    off = np.abs(places[:, None] - family.offsets).min(1)
    away = np.hypot(np.sqrt(np.mean(off[off < 0.5 * px_per_mm] ** 2)), family.residual)
    return float(away) > _TRUE_MM * px_per_mm


def _taken(length: int, *rulings: Ruling | None) -> list[tuple[float, float, FloatArray]]:
    """Return where rules already known run: first and last column, and rows at the middles of the strips."""
    middles: FloatArray = (np.arange(STRIPS, dtype=np.float64) + 0.5) * (length // STRIPS)
    return [
        (ruling.left, ruling.right, ruling.at(i, middles))
        for ruling in rulings
        if ruling is not None
        for i in range(len(ruling.offsets))
    ]


def _of_one(line: Lone) -> Ruling:
    """Return a lone line as a ruling of its own."""
    at = np.array([line.offset]), line.slope, line.bend
    seen = line.residual, line.darkness, line.left, line.right
    return Ruling("other", *at, 0.0, 0.0, 0.0, *seen, thickness=line.thickness, dashed=line.dashed)


def _family(dark: ByteImage, strips: NDArray[np.float32], px_per_mm: float, *, down: bool) -> _Family | None:
    """Find the rows where most strips agree, fit all of them at once, and keep those that are printed lines."""
    step = float((dark.shape[0] if down else dark.shape[1]) // STRIPS)
    slope = tilt(strips, step)
    level = cv2.GaussianBlur(aligned(strips, slope, step), (1, 5), sigmaX=0.1, sigmaY=0.8)
    laid = np.ascontiguousarray(level.T)
    noise = medians(laid)
    spread = 1.4826 * medians(np.abs(laid - noise[:, None])) + 0.25
    strong = level > np.maximum(noise + 5 * spread, 0.12 * CLIP)
    support = strong.mean(1)
    strength = np.minimum(level, CLIP).mean(1)
    floor = 0.75 if down else 0.42
    rows = peaks(np.where(support >= floor, strength, 0), reach=max(3, round(0.9 * px_per_mm)))
    rows = [r for r in rows if thin(strength, r, px_per_mm)]
    family = _fit(level, strong, rows, slope, step)
    if family is None:
        return None
    printed, thickness, darkness = _cross_sections(dark, family, px_per_mm, down=down)
    if not printed.all():
        family = _fit(level, strong, [r for r, keep in zip(family.rows, printed, strict=True) if keep], slope, step)
    if family is None:
        return None
    # Rules seen as far as the strips go run on to the edge, across the columns left out there.
    length = float(dark.shape[0] if down else dark.shape[1])
    right = length if family.right > step * (STRIPS - 2) else family.right
    return replace(family, right=right, thickness=thickness[printed], darkness=darkness[printed])


def _cross_sections(
    dark: ByteImage, family: _Family, px_per_mm: float, *, down: bool
) -> tuple[NDArray[np.bool_], FloatArray, FloatArray]:
    """Look at each rule square to its course: is it a printed line, and how wide and dark.

    A row of letters' tops answers in every strip too, but only where there is ink. A printed line is there between
    the letters: in at least 10 of 12 stretches two columns in five are darker on the line than half a millimetre off.
    In rows of print so are half of the columns that are bare on both sides; a rule is there in all of them, a dotted
    one in half, with most of its columns bare.
    """
    blocks, each = 12, 40
    reach = max(4, round(0.5 * px_per_mm))
    x = family.left + (np.arange(blocks * each) + 0.5) / (blocks * each) * (family.right - family.left)
    k = np.arange(len(family.offsets))[:, None]
    course = family.offsets[:, None] + (family.slope + family.turn * k) * x + family.bend * x * x
    y = (course[:, None, :] + np.arange(-reach, reach + 1)[None, :, None]).reshape(-1, len(x)).astype(np.float32)
    along = np.broadcast_to(x.astype(np.float32), y.shape)
    columns, lines = (y, np.ascontiguousarray(along)) if down else (np.ascontiguousarray(along), y)
    section = cv2.remap(dark, columns, lines, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    section = section.reshape(len(k), 2 * reach + 1, len(x)).astype(np.float32)
    beside = np.maximum(section[:, :2].mean(1), section[:, -2:].mean(1))
    ridge = section[:, reach - 1 : reach + 2].mean(1) - beside
    stretch = np.percentile(ridge.reshape(len(k), blocks, each), 60, axis=2)
    printed = ((stretch > _FAINTEST).mean(1) >= 0.8) & _unbroken(ridge, beside)
    clear = (ridge > 0.5 * np.maximum(np.median(stretch, axis=1), _FAINTEST)[:, None])[:, None, :]
    profile = (section * clear).sum(2) / np.maximum(clear.sum(2), 1)
    profile = np.maximum(profile - np.minimum(profile[:, :1], profile[:, -1:]), 0)
    darkness = profile.max(1)
    return printed, profile.sum(1) / np.maximum(darkness, 1e-6), darkness


def _unbroken(ridge: FloatArray, beside: FloatArray) -> NDArray[np.bool_]:
    """Tell which rules are there wherever nothing is written beside them, or are dotted and mostly bare."""
    bare = beside < _BARE
    dark = bare & (ridge > _FAINTEST)
    typical = (ridge * dark).sum(1) / np.maximum(dark.sum(1), 1)
    share = (bare & (ridge > 0.3 * typical[:, None])).sum(1) / np.maximum(bare.sum(1), 1)
    mostly_bare = bare.mean(1) > 0.7
    return np.asarray((share > 0.7) | ((share > 0.4) & mostly_bare) | (bare.mean(1) < 0.1))


def _fit(
    level: NDArray[np.float32], strong: NDArray[np.bool_], rows: list[int], slope: float, step: float
) -> _Family | None:
    """Fit offset of each rule with one slope, bend and turn to the centres of the strips, robustly."""
    count = level.shape[1]
    rows = [r for r in rows if 4 <= r < len(level) - 4]
    if not rows:
        return None
    window = np.arange(-4, 5)
    x_strip = (np.arange(count) + 0.5) * step
    place = np.array(rows)[:, None] + window
    patch = level[place]
    weight = np.maximum(patch - patch.min(1, keepdims=True), 0) ** 2
    total = weight.sum(1)
    near = strong[place[:, 2:7]].any(1) & (total > 0)
    centre = (window[:, None] * weight).sum(1) / np.maximum(total, 1e-9)
    k_of, strip = np.nonzero(near)
    x = x_strip[strip]
    y = place[k_of, 4] + centre[k_of, strip] + slope * (x - count * step / 2)
    scale, n = count * step, len(rows)
    terms = np.stack([x / scale, (x / scale) ** 2, k_of / n * x / scale], 1)
    offsets, course, rms = robust(terms[:, :1], y, k_of, n)
    for used in (2, 3) if n >= 4 else ():
        more, longer, smaller = robust(terms[:, :used], y, k_of, n)
        # More terms must pay: a scanner's bow or a photo's perspective, not the noise of a few strips.
        if smaller < 0.8 * rms - 0.02:
            offsets, course, rms = more, longer, smaller
    course = np.pad(course, (0, 3 - len(course)))
    columns = np.flatnonzero(strong[rows].mean(0) > 0.3)
    left, right = (columns[0] * step, (columns[-1] + 1) * step) if len(columns) else (0.0, scale)
    return _Family(
        tuple(rows),
        offsets,
        float(course[0] / scale),
        float(course[1] / scale**2),
        float(course[2] / scale / n),
        rms,
        float(left),
        float(right),
    )


def _understand(family: _Family, middle: float, px_per_mm: float) -> tuple[Ruling | None, NDArray[np.bool_]]:
    """Tell the pattern of the rules and fit one pitch to it; also which rules follow it."""
    # The pattern is fitted along the middle column, where the pitch is that of the page as a whole.
    course = (family.slope + family.turn * np.arange(len(family.offsets))) * middle + family.bend * middle**2
    pattern = find_pattern(family.offsets + course, family.thickness * family.darkness, max(1.5, 0.2 * px_per_mm))
    if pattern is None:
        return None, np.zeros(len(family.offsets), bool)
    square = 1 / np.hypot(1, family.slope)
    ruling = Ruling(
        pattern.kind,
        pattern.offsets - course,
        family.slope,
        family.bend,
        family.turn,
        float(pattern.pitch * square),
        float(pattern.error * square),
        family.residual,
        float(np.median(family.darkness)),
        family.left,
        family.right,
        pattern.writing,
        tuple(np.flatnonzero(~pattern.follows).tolist()),
    )
    return _completed(ruling, px_per_mm), pattern.follows


def _completed(ruling: Ruling, px_per_mm: float) -> Ruling:
    """Put back the rules that writing hid: rows missing between two others of the same place in the pattern."""
    pitch = ruling.pitch * np.hypot(1, ruling.slope)
    tolerance = max(1.5, 0.25 * px_per_mm)
    rows = [(float(o), i in ruling.writing, i in ruling.outside) for i, o in enumerate(ruling.offsets)]
    added: list[tuple[float, bool, bool]] = []
    for i, (row, carries, alien) in enumerate(rows):
        if alien:
            continue
        # The next rule of the same place: a whole number of pitches on; one pitch on means nothing is missing. Up to
        # four rules a pitch and four pitches on: 16 rules to look at, and a few outside the pattern.
        steps = [(other - row) / pitch for other, _, outside in rows[i + 1 : i + 21] if not outside]
        whole = [round(n) for n in steps if round(n) >= 1 and abs(n - round(n)) * pitch < tolerance]
        if whole and 2 <= whole[0] <= 4:
            places = [row + pitch * n for n in range(1, whole[0])]
            # Where another line stands close by, it is the rule there, off its place: nothing is hidden.
            near = [other for other, _, outside in rows if outside]
            added += [(place, carries, False) for place in places if all(abs(place - o) > 0.15 * pitch for o in near)]
    if not added:
        return ruling
    every = sorted(rows + added)
    return replace(
        ruling,
        offsets=np.array([row for row, _, _ in every]),
        turn=ruling.turn * (len(rows) - 1) / (len(every) - 1),
        writing=tuple(i for i, (_, carries, _) in enumerate(every) if carries),
        outside=tuple(i for i, (_, _, outside) in enumerate(every) if outside),
    )


def _to_the_edge(ruling: Ruling | None, dark: ByteImage, px_per_mm: float, way: int) -> Ruling | None:
    """Add the rules that a page turned a little shows in part only: the pattern goes on, and a line runs there.

    `way` is -1 for the picture's upper edge, 1 for the lower one.
    """
    height, width = dark.shape
    reach, middle = max(4, round(0.5 * px_per_mm)), width / 2
    while ruling is not None:
        x = np.arange(ruling.left, min(ruling.right, width), 0.25 * px_per_mm)
        pattern = np.array(ruling.pattern)
        places = ruling.offsets[pattern] + (ruling.slope + ruling.turn * pattern) * middle
        # A pitch on from a rule of the same place in the pattern, the nearest beyond the last.
        beyond = way * (places - places[0 if way < 0 else -1]) + ruling.pitch * np.hypot(1, ruling.slope)
        nearest = int(np.argmin(np.where(beyond > 0.01 * ruling.pitch, beyond, np.inf)))
        last, carries = len(ruling.offsets), int(pattern[nearest]) in ruling.writing
        slope = ruling.slope + ruling.turn * (-1 if way < 0 else last)
        offset = places[0 if way < 0 else -1] + way * beyond[nearest] - slope * middle
        row = np.rint(offset + slope * x + ruling.bend * x * x).astype(np.int64)
        inside = (row >= reach) & (row < height - reach)
        # Of those that run through the whole picture none is missing.
        if not _FEW_MM / 0.25 <= inside.sum() < 0.95 * len(x):
            break
        row, column = row[inside], x[inside].astype(np.int64)
        beside = np.maximum(dark[row - reach, column], dark[row + reach, column]).astype(np.int64)
        ridge = np.stack([dark[row + k, column] for k in (-1, 0, 1)]).max(0) - beside
        bare = beside < _BARE
        if bare.mean() < 0.3 or (ridge > 0.35 * ruling.darkness)[bare].mean() < 0.85:
            break
        shift = 1 if way < 0 else 0
        ruling = replace(
            ruling,
            offsets=np.insert(ruling.offsets, 0 if way < 0 else last, offset),
            slope=ruling.slope - shift * ruling.turn,
            writing=tuple(sorted([i + shift for i in ruling.writing] + [last * (way > 0)] * carries)),
            outside=tuple(i + shift for i in ruling.outside),
        )
    return ruling


def _lone(family: _Family, index: int) -> Ruling:
    """Return one line of a family as a ruling of its own (a margin line)."""
    return Ruling(
        "other",
        family.offsets[index : index + 1],
        family.slope + family.turn * index,
        family.bend,
        0.0,
        0.0,
        0.0,
        family.residual,
        float(family.darkness[index]),
        family.left,
        family.right,
    )
