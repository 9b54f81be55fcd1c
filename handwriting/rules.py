"""Find the printed rules of the paper, fit them jointly, and lift them off the picture without breaking letters.

All rules of one direction share one slope and one pitch: the row of rule `k` at column `x` is

    y_k(x) = offset_k + slope * x + bend * x**2 + turn * k * x

with ``offset_k = first + pitch * position_k`` wherever the paper allows (Chen & Lopresti 2011, joint least squares for
all rules, is the idea; the estimator here is ours). The fit, not the pixels, is what distances are measured from.

Method. A thin dark line answers the ridge filter ``d(y) - max(d(y-w), d(y+w))``. The answer is clipped (so that pen
strokes cannot outvote a faint rule), averaged in narrow vertical strips, and the strips are correlated with each
other: rules agree from strip to strip at one lag, handwriting does not. Rows where most strips agree are rules.

What it does not see: hand-drawn guide lines that are neither straight nor parallel, and rules fainter than about twice
the paper's noise averaged over 3 mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray

ByteImage = NDArray[np.uint8]

# The ridge answer is cut here (of 255): a rule of this darkness counts in full, a pen stroke no more than a rule.
_CLIP = 28
_STRIPS = 64
_MAX_TILT = 0.12  # about 7 degrees


@dataclass(frozen=True, slots=True, eq=False)
class Ruling:
    """One family of parallel printed rules in frame pixels.

    Attributes
    ----------
    kind : str
        ``single``, ``double``, ``four-line``, ``squared`` or ``other``.
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
    thickness, darkness : float
        Of a rule: width in px, and depth below paper, 0-255.
    left, right : float
        Columns between which rules were seen.
    """

    kind: str
    offsets: FloatArray
    slope: float
    bend: float
    turn: float
    pitch: float
    pitch_error: float
    residual_rms: float
    thickness: float
    darkness: float
    left: float
    right: float
    writing: tuple[int, ...] = ()

    def at(self, index: int, x: float | FloatArray) -> FloatArray:
        """Return the row of rule `index` at column `x`, px."""
        x = np.asarray(x, dtype=np.float64)
        return self.offsets[index] + (self.slope + self.turn * index) * x + self.bend * x * x


@dataclass(frozen=True, slots=True, eq=False)
class Rules:
    """Everything printed in straight lines on the paper: rules across, rules down (squares) and the margin line."""

    across: Ruling | None
    down: Ruling | None
    margins: tuple[Ruling, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Family:
    """Rules of one direction before they are understood: rows at the middle column, and the strip evidence."""

    offsets: FloatArray
    slope: float
    bend: float
    turn: float
    residual: float
    darkness: FloatArray
    left: float
    right: float


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
    across = _family(_strips(dark, reach, down=False), dark.shape[1], px_per_mm)
    down = _family(_strips(dark, reach, down=True), dark.shape[0], px_per_mm, few=True)
    ruling = _understand(across, px_per_mm) if across is not None else None
    squares, margins = None, ()
    if down is not None:
        regular = _understand(down, px_per_mm)
        if regular is not None and ruling is not None and abs(regular.pitch / ruling.pitch - 1) < 0.05 and len(regular.offsets) >= 8:
            squares = _named(regular, "squared")
            ruling = _named(ruling, "squared")
        elif len(down.offsets) <= 3:
            margins = tuple(_lone(down, i) for i in range(len(down.offsets)))
    if ruling is None and across is not None and len(across.offsets) == 1:
        ruling = None
    return Rules(ruling, squares, margins)


def _strips(dark: ByteImage, reach: int, *, down: bool) -> NDArray[np.float32]:
    """Return the clipped ridge answer averaged in strips, shape (length along which rules repeat, strips)."""
    height, width = dark.shape
    ridge = np.zeros_like(dark)
    if down:
        middle, low, high = dark[:, reach:-reach], dark[:, : -2 * reach], dark[:, 2 * reach :]
        ridge[:, reach:-reach] = cv2.subtract(middle, cv2.max(low, high))
        ridge = cv2.min(ridge, _CLIP)
        return np.ascontiguousarray(cv2.resize(ridge, (width, _STRIPS), interpolation=cv2.INTER_AREA).T).astype(np.float32)
    middle, low, high = dark[reach:-reach], dark[: -2 * reach], dark[2 * reach :]
    ridge[reach:-reach] = cv2.subtract(middle, cv2.max(low, high))
    ridge = cv2.min(ridge, _CLIP)
    return cv2.resize(ridge, (_STRIPS, height), interpolation=cv2.INTER_AREA).astype(np.float32)


def _tilt(strips: NDArray[np.float32], step: float) -> float:
    """Return the shared slope (px per px) by correlating strips at growing distances."""
    length = len(strips)
    size = 1 << int(np.ceil(np.log2(2 * length)))
    spectrum = np.fft.rfft(strips - strips.mean(0), size, axis=0)
    slope = 0.0
    spread = _MAX_TILT
    for apart in (1, 2, 4, 8, 16, 32):
        cross = (spectrum[:, apart:] * np.conj(spectrum[:, :-apart])).sum(1)
        answer = np.fft.irfft(cross, size)
        reach = max(2, int(np.ceil(spread * apart * step)))
        centre = slope * apart * step
        lags = np.arange(int(np.floor(centre)) - reach, int(np.ceil(centre)) + reach + 1)
        values = answer[lags % size]
        best = int(np.argmax(values))
        shift = float(lags[best])
        if 0 < best < len(lags) - 1:
            a, b, c = values[best - 1 : best + 2]
            bend = a - 2 * b + c
            shift += 0.5 * (a - c) / bend if bend < 0 else 0.0
        slope = shift / (apart * step)
        spread = 1.5 / (apart * step)
    return slope


def _aligned(strips: NDArray[np.float32], slope: float, step: float) -> NDArray[np.float32]:
    """Shift every strip so that rules of this slope lie level, rows counted at the middle column."""
    length, count = strips.shape
    level = np.empty_like(strips)
    rows = np.arange(length, dtype=np.float64)
    for s in range(count):
        shift = slope * (s + 0.5 - count / 2) * step
        level[:, s] = np.interp(rows + shift, rows, strips[:, s], left=0, right=0)
    return level


def _family(strips: NDArray[np.float32], width: int, px_per_mm: float, *, few: bool = False) -> _Family | None:
    """Find the rows where most strips agree, and fit all of them at once."""
    step = width / strips.shape[1]
    slope = _tilt(strips, step)
    level = cv2.GaussianBlur(_aligned(strips, slope, step), (1, 5), sigmaX=0.1, sigmaY=0.8)
    noise = np.median(level, axis=0)
    spread = 1.4826 * np.median(np.abs(level - noise), axis=0) + 0.25
    strong = level > np.maximum(noise + 5 * spread, 0.12 * _CLIP)
    support = strong.mean(1)
    strength = np.minimum(level, _CLIP).mean(1)
    floor = 0.75 if few else 0.42
    rows = _peaks(np.where(support >= floor, strength, 0), reach=max(3, round(0.9 * px_per_mm)))
    rows = np.array([r for r in rows if _thin(strength, r, px_per_mm)])
    if len(rows) == 0:
        return None
    return _fit(level, strong, rows, slope, step)


def _peaks(profile: FloatArray, reach: int) -> list[int]:
    """Return rows that are the highest within `reach` rows."""
    kernel = np.ones((2 * reach + 1, 1), np.uint8)
    top = cv2.dilate(profile.astype(np.float32)[:, None], kernel)[:, 0]
    found = np.flatnonzero((profile >= top) & (profile > 0))
    keep: list[int] = []
    for r in found:
        if not keep or r - keep[-1] > reach:
            keep.append(int(r))
    return keep


def _thin(strength: FloatArray, row: int, px_per_mm: float) -> bool:
    """Tell whether the peak at `row` is as narrow as a printed rule: it falls by half within 0.6 mm."""
    reach = max(3, round(0.6 * px_per_mm))
    above, below = strength[max(0, row - reach)], strength[min(len(strength) - 1, row + reach)]
    return bool(max(above, below) < 0.5 * strength[row])


def _fit(level: NDArray[np.float32], strong: NDArray[np.bool_], rows: NDArray[np.int64], slope: float, step: float) -> _Family | None:
    """Fit offset of each rule with one slope, bend and turn to the centres of the strips, robustly."""
    count = level.shape[1]
    window = np.arange(-4, 5)
    xs, ys, ks = [], [], []
    for k, row in enumerate(rows):
        lo, hi = row - 4, row + 5
        if lo < 0 or hi > len(level):
            continue
        patch = level[lo:hi]
        weight = np.maximum(patch - patch.min(0), 0) ** 2
        total = weight.sum(0)
        near = strong[max(0, row - 2) : row + 3].any(0) & (total > 0)
        centre = (window[:, None] * weight).sum(0) / np.maximum(total, 1e-9)
        x = (np.arange(count) + 0.5) * step
        xs.append(x[near])
        ys.append(row + centre[near] + slope * (x[near] - count * step / 2))
        ks.append(np.full(int(near.sum()), k))
    if not xs:
        return None
    x, y, k = np.concatenate(xs), np.concatenate(ys), np.concatenate(ks)
    scale = count * step
    n = len(rows)

    def design(terms: int) -> FloatArray:
        base = np.zeros((len(x), n + terms))
        base[np.arange(len(x)), k] = 1
        base[:, n] = x / scale
        if terms > 1:
            base[:, n + 1] = (x / scale) ** 2
        if terms > 2:
            base[:, n + 2] = (k / max(n, 1)) * x / scale
        return base

    best: tuple[FloatArray, float] | None = None
    for terms in (1, 2, 3) if n >= 4 else (1,):
        coefficients, rms = _robust(design(terms), y)
        # More terms must pay: a scanner's bow or a photo's perspective, not the noise of a few strips.
        if best is None or rms < 0.8 * best[1] - 0.02:
            best = (coefficients, rms)
    if best is None:
        return None
    coefficients, rms = best
    extra = len(coefficients) - n
    darkness = np.array([np.median(level[r][strong[max(0, r - 1) : r + 2].any(0)]) if strong[max(0, r - 1) : r + 2].any() else 0 for r in rows])
    seen = strong[rows].mean(0) > 0.3
    columns = np.flatnonzero(seen)
    left, right = (columns[0] * step, (columns[-1] + 1) * step) if len(columns) else (0.0, scale)
    return _Family(
        coefficients[:n],
        float(coefficients[n] / scale),
        float(coefficients[n + 1] / scale**2) if extra > 1 else 0.0,
        float(coefficients[n + 2] / scale / max(n, 1)) if extra > 2 else 0.0,
        rms,
        darkness,
        float(left),
        float(right),
    )


def _robust(design: FloatArray, y: FloatArray) -> tuple[FloatArray, float]:
    """Least squares with Tukey weights on the residuals."""
    weight = np.ones(len(y))
    coefficients = np.zeros(design.shape[1])
    tiny = 1e-9 * np.eye(design.shape[1])
    for _ in range(6):
        weighted = design * weight[:, None]
        # The columns are of order one, so the normal equations are safe and far quicker than a decomposition.
        coefficients = np.linalg.solve(design.T @ weighted + tiny, weighted.T @ y)
        residual = y - design @ coefficients
        scale = 1.4826 * np.median(np.abs(residual)) + 0.05
        weight = np.clip(1 - (residual / (4.5 * scale)) ** 2, 0, None) ** 2 + 1e-6
    good = weight > 0.05
    return coefficients, float(np.sqrt(np.mean(residual[good] ** 2)))


def _understand(family: _Family, px_per_mm: float) -> Ruling | None:
    """Tell the pattern of the rules (single, double, four-line) and fit one pitch; None when they are irregular."""
    offsets = family.offsets
    order = np.argsort(offsets)
    offsets = offsets[order]
    if len(offsets) < 3:
        return None
    gaps = np.diff(offsets)
    tolerance = max(1.5, 0.2 * px_per_mm)
    for kind, cycle in (("single", 1), ("double", 2), ("four-line", 4)):
        fitted = _pattern(offsets, gaps, cycle, tolerance)
        if fitted is not None:
            pitch, error, places = fitted
            square = pitch / np.hypot(1, family.slope)
            return Ruling(
                kind if cycle != 4 or len(offsets) >= 8 else "other",
                places,
                family.slope,
                family.bend,
                family.turn,
                float(square),
                float(error / np.hypot(1, family.slope)),
                family.residual,
                0.0,
                float(np.median(family.darkness)),
                family.left,
                family.right,
                _writing_rules(len(places), cycle),
            )
    return None


def _writing_rules(count: int, cycle: int) -> tuple[int, ...]:
    """Return which rules carry the writing: every one, the lower of a pair, the third of four."""
    if cycle == 1:
        return tuple(range(count))
    place = 1 if cycle == 2 else 2
    return tuple(range(place, count, cycle))


def _pattern(offsets: FloatArray, gaps: FloatArray, cycle: int, tolerance: float) -> tuple[float, float, FloatArray] | None:
    """Fit ``offset = first_of_class + pitch * row`` for a pattern that repeats every `cycle` rules."""
    if len(offsets) < max(3, 2 * cycle):
        return None
    if cycle == 1:
        unit = float(np.median(gaps))
        # A missing rule leaves a double gap: let the pitch be a whole fraction of the gaps seen.
        steps = np.maximum(1, np.round(gaps / unit))
        if np.any(np.abs(gaps - steps * unit) > tolerance + 0.02 * gaps):
            return None
        place = np.concatenate([[0], np.cumsum(steps)])
        if steps.mean() > 1.8:
            return None
        design = np.stack([np.ones(len(offsets)), place], 1)
        coefficients, rms = _robust(design, offsets)
        if rms > tolerance:
            return None
        error = max(rms, 0.02) / np.sqrt(max(1.0, float(((place - place.mean()) ** 2).sum())))
        fitted = design @ coefficients
        outliers = np.abs(offsets - fitted) > tolerance
        return float(coefficients[1]), float(error), np.where(outliers, offsets, fitted)
    for start in range(cycle):
        used = offsets[start:]
        used = used[: len(used) // cycle * cycle]
        if len(used) < 2 * cycle or len(used) < 0.7 * len(offsets):
            continue
        rows = used.reshape(-1, cycle)
        inner = np.diff(rows, axis=1)
        outer = np.diff(rows[:, 0])
        if np.any(np.abs(inner - np.median(inner, axis=0)) > tolerance) or np.any(np.abs(outer - np.median(outer)) > 2 * tolerance):
            continue
        if cycle == 2 and not 0.15 < float(np.median(inner)) / float(np.median(outer)) < 0.5:
            continue
        if cycle == 4 and np.ptp(np.median(inner, axis=0)) > 0.8 * float(np.median(inner)):
            continue
        design = np.zeros((len(used), cycle + 1))
        design[np.arange(len(used)), np.arange(len(used)) % cycle] = 1
        design[:, cycle] = np.arange(len(used)) // cycle
        coefficients, rms = _robust(design, used)
        centred = design[:, cycle] - design[:, cycle].mean()
        return float(coefficients[cycle]), float(max(rms, 0.02) / np.sqrt((centred**2).sum())), design @ coefficients
    return None


def _named(ruling: Ruling, kind: str) -> Ruling:
    return Ruling(kind, *(getattr(ruling, f) for f in Ruling.__slots__[1:]))


def _lone(family: _Family, index: int) -> Ruling:
    """Return one line of a family as a ruling of its own (a margin line)."""
    return Ruling(
        "other",
        family.offsets[index : index + 1],
        family.slope,
        family.bend,
        0.0,
        0.0,
        0.0,
        family.residual,
        0.0,
        float(family.darkness[index]),
        family.left,
        family.right,
    )
