"""A rule with millimetres lying in the picture: where it is, and how many pixels its millimetres are.

Bands of even ticks are found, straightened, numbered and fitted (`bands`, `strip`, `ticks`); only ticks whose lengths
go 1-5-10 or 1-10 count as millimetres (`divisions`). An inch scale, a comb, squared paper or a barcode gives nothing.

What it tells holds along the rule. Whether the rest of the page is seen at the same scale it tells too: pixels to the
millimetre change along the rule, or its ticks fan out, when the camera leans.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.ruler.bands import ByteImage, find_courses
from handwriting.ruler.divisions import Divisions, Kind, tell_divisions
from handwriting.ruler.strip import Strip, straighten
from handwriting.ruler.ticks import Ticks, find_ticks, fit_divisions

# Rules in use are true to about this share (common practice, no source).
RULER_SD = 0.001
# How far the scale may change from the rule to a corner of the picture for the rule to stand for the page.
_EVEN = 0.01
_MOST_LOOKS = 14
_SAME = 0.02
_BODY = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class Ruler:
    """A rule found.

    Attributes
    ----------
    places : ndarray, shape (n, 2)
        Where ticks cross the middle of their band, px of the picture.
    mm : ndarray of int, shape (n,)
        The millimetre of each, counted from any centimetre tick.
    tips : ndarray, shape (m, 2, 2)
        Foot and tip of every centimetre tick, px.
    corners : ndarray, shape (4, 2)
        Outline of the ticks, their figures and what was seen of the body, px.
    px_per_mm, relative_sd : float
        At the middle tick, along the rule; standard uncertainty as a share, the rule's own included.
    change, change_sd : float
        Greatest relative change of scale from the rule to a corner of the picture, and its standard error.
    """

    places: FloatArray
    mm: NDArray[np.int64]
    tips: FloatArray
    corners: FloatArray
    px_per_mm: float
    relative_sd: float
    change: float
    change_sd: float

    @property
    def slanted(self) -> bool:
        """Whether the scale clearly changes by more than 1 % between the rule and a corner of the picture."""
        return self.change - 2 * self.change_sd > _EVEN

    def through(self, matrix: FloatArray, size: tuple[int, int]) -> Ruler:
        """Return the rule as seen in another picture of the page.

        Parameters
        ----------
        matrix : ndarray, shape (3, 3)
            From places in this picture to places in the other, px.
        size : tuple of int
            Width and height of the other picture, px.
        """

        def moved(points: FloatArray) -> FloatArray:
            flat = cv2.perspectiveTransform(points.reshape(-1, 1, 2).astype(np.float64), matrix)
            return np.asarray(flat.reshape(points.shape))

        places, tips = moved(self.places), moved(self.tips)
        centre = places[len(places) // 2]
        along = (places[-1] - places[0]) / np.linalg.norm(places[-1] - places[0])
        across = np.array([-along[1], along[0]])
        u = (places - centre) @ along
        fit = fit_divisions(self.mm, u, float(np.median(np.diff(u) / np.diff(self.mm))))
        change, change_sd = self.change, self.change_sd
        px_per_mm = float((u[-1] - u[0]) / (self.mm[-1] - self.mm[0]))
        if fit is not None:
            px_per_mm = fit.pitch
            step = tips[:, 1] - tips[:, 0]
            fan = float(np.polyfit((tips.mean(1) - centre) @ along, (step @ along) / (step @ across), 1)[0])
            change = _greatest(np.array([fit.along, fan]), along, across, centre, size)
        return replace(
            self,
            places=places,
            tips=tips,
            corners=moved(self.corners),
            px_per_mm=px_per_mm,
            change=change,
            change_sd=change_sd,
        )


@dataclass(frozen=True, slots=True)
class NoRuler:
    """Why there is no rule: what the nearest thing to one was."""

    kind: Kind | None


def find_ruler(grey: ByteImage) -> Ruler | NoRuler:
    """Find the rule with millimetres in a grey picture, shape (H, W).

    Where several edges with millimetres agree, that with most ticks counts; where they do not, there is none.
    """
    found: list[Ruler] = []
    seen: list[Kind] = []
    for course in find_courses(grey)[:_MOST_LOOKS]:
        strip = straighten(grey, course)
        ticks = None if strip is None else find_ticks(strip)
        if strip is None or ticks is None:
            continue
        divisions = tell_divisions(strip, ticks)
        if divisions.kind in {"1-5-10", "1-10"}:
            found.append(_ruler(grey, strip, ticks, divisions))
        else:
            seen.append(divisions.kind)
    if found:
        best = max(found, key=lambda r: len(r.mm))
        if all(abs(r.px_per_mm / best.px_per_mm - 1) < _SAME + best.change for r in found):
            return best
        return NoRuler("unclear")
    order: tuple[Kind, ...] = ("inch", "short", "unclear", "loose", "even")
    return NoRuler(min(seen, key=order.index) if seen else None)


def _ruler(grey: ByteImage, strip: Strip, ticks: Ticks, divisions: Divisions) -> Ruler:
    middle = 0.5 * sum(strip.band)
    mm = ticks.number - divisions.zero
    cm = np.arange(-(-mm[0] // 10) * 10, mm[-1] + 1, 10)
    at, half = ticks.at(cm + divisions.zero), float(ticks.at(np.array(0.5 * (ticks.number[0] + ticks.number[-1]))))
    ends = []
    for v in (divisions.root, divisions.tip):
        lean = ticks.fan * (at - half) * (v - middle)
        ends.append(strip.place(at + lean, np.array(v)))
    centre = strip.place(np.array(half), np.array(middle))
    across = np.array([-strip.along[1], strip.along[0]])
    size = (grey.shape[1], grey.shape[0])
    errors = np.array([ticks.fit.along_error, ticks.fan_error])
    return Ruler(
        places=strip.place(ticks.u, np.array(middle)),
        mm=mm,
        tips=np.stack(ends, 1),
        corners=_corners(grey, strip, ticks, divisions),
        px_per_mm=ticks.fit.pitch,
        relative_sd=float(np.hypot(ticks.fit.pitch_error / ticks.fit.pitch, RULER_SD)),
        change=_greatest(np.array([ticks.fit.along, ticks.fan]), strip.along, across, centre, size),
        change_sd=_greatest(errors, strip.along, across, centre, size, apart=True),
    )


def _greatest(
    rates: FloatArray,
    along: FloatArray,
    across: FloatArray,
    centre: FloatArray,
    size: tuple[int, int],
    *,
    apart: bool = False,
) -> float:
    """Return the greatest change from a place to a corner of the picture, of rates along and across, a px.

    `apart` adds the two in quadrature, as for errors.
    """
    width, height = size
    away = (np.array([[0, 0], [width, 0], [width, height], [0, height]]) - centre) @ np.column_stack([along, across])
    parts = away * rates
    return float(np.max(np.sqrt((parts**2).sum(1)) if apart else np.abs(parts.sum(1))))


def _corners(grey: ByteImage, strip: Strip, ticks: Ticks, divisions: Divisions) -> FloatArray:
    """Return the outline of the rule: its edge, its ends a little beyond the ticks, and its far side.

    The far side is the furthest clear straight step parallel to the edge, within 60 mm; without one, 14 mm are taken,
    which holds ticks and figures.
    """
    pitch = ticks.fit.pitch
    first, last = float(ticks.u[0]), float(ticks.u[-1])
    way = 1.0 if divisions.tip > divisions.root else -1.0
    u = np.linspace(first, last, 200)
    depth = np.arange(0.0, _BODY * pitch, max(0.5, pitch / 12))
    points = strip.place(u[None, :], (divisions.root + way * depth)[:, None])
    x, y = (points[..., i].astype(np.float32) for i in (0, 1))
    tones = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(np.float64)
    inside = ((x >= 0) & (y >= 0) & (x <= grey.shape[1] - 1) & (y <= grey.shape[0] - 1)).mean(1)
    reach = max(1, round(0.5 * pitch / (depth[1] - depth[0])))
    step = np.zeros(len(depth))
    jump = tones[2 * reach :] - tones[: -2 * reach]
    # A straight edge steps one way all along; writing and figures do not.
    step[reach:-reach] = np.abs(np.median(jump, axis=1)) * (np.abs(np.sign(jump).mean(1)) > 0.75)
    tip = abs(divisions.tip - divisions.root)
    far = (depth > tip + 4 * pitch) & (inside > 0.5)
    strong = far & (step > 6)
    wide = 14.0 * pitch
    if strong.any():
        wide = max(wide, float(depth[strong][np.argmax(step[strong])]) + pitch)
    elif inside[-1] < 0.5 and (depth[inside < 0.5][0] < 40 * pitch):
        wide = float(depth[inside < 0.5][0]) + pitch
    ends = np.array([first - 8 * pitch, last + 8 * pitch])
    near, beyond = divisions.root - way * pitch, divisions.root + way * wide
    return strip.place(np.array([ends[0], ends[1], ends[1], ends[0]]), np.array([near, near, beyond, beyond]))
