"""Coloured ticks that tell the place reached at the end of each minute: found by hue, set aside from the writing.

A = 1 - light / paper's light, by channel, printed rules lifted. Where ink covers a pixel in part, A keeps its
direction, so blurred edges have the colour of the middle. With w the direction of the writing's ink and g that of grey,
which its strokes come nearer to where they cross,

    r = A - (nearest of p w + q g; p, q >= 0)        what of a pixel's colour the writing cannot have made

and a mark is a compact patch where r is strong and of one hue. In its place the pixel's density is shared out between
mark and writing (non-negative least squares of log light), and the mark's share taken away: ink under a mark stays.

What it does not see: ticks in the colour of the writing itself, and whether a mark of the right colour was a tick.
"""

from __future__ import annotations

import colorsys
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.errors import UsageError
from handwriting.frame import Frame
from handwriting.geometry import Box, FloatArray
from handwriting.ink import ByteImage
from handwriting.lifting import PAPER, flatten, lift_rules
from handwriting.rules import Rules, Ruling

ANY = "any"
# From which hue on (degrees, red at 0) a colour has its name.
_HUES = ((0, "red"), (18, "orange"), (48, "yellow"), (72, "green"), (175, "blue"), (255, "purple"), (335, "red"))
COLOURS = ("red", "orange", "yellow", "green", "blue", "purple")
_LEAST = 0.1
_LEAST_SINE = 0.18
_DARK = 0.12
_ONE_HUE = 0.85
_SMALLEST_MM, _LARGEST_MM = 0.7, 25.0
_LEAST_MM2 = 0.15
_ALONE = 0.5
_SPATTER = 0.15
# Parts of one mark: nearer than the places reached at two minutes; or one above the other, cut by a stem that a slash
# runs along, and together no larger than this share of other marks. Distances in mm.
_PARTS = ((1.6, np.inf), (3.5, 1.3), (7.0, 1.0))
_ABOVE_MM = 1.2
# A pen whose channels differ by less is grey or black, and any hue is unlike it.
_GREY_PEN = 0.12
_HUE_STEP = 28.0


@dataclass(frozen=True, slots=True)
class Tick:
    """One coloured mark, frame px: its box, where its upper and lower ends point, and its hue in degrees."""

    box: Box
    top: tuple[float, float]
    foot: tuple[float, float]
    hue_deg: float

    @property
    def colour(self) -> str:
        """Name of its hue, one of `COLOURS`."""
        return _name(self.hue_deg)

    def turned(self, shape: tuple[int, ...]) -> Tick:
        """Return the tick in a frame of height and width `shape` turned upside down."""
        height, width = shape[:2]
        box = Box(width - self.box.right, height - self.box.bottom, width - self.box.left, height - self.box.top)
        foot, top = ((width - x, height - y) for x, y in (self.top, self.foot))
        return Tick(box, top, foot, self.hue_deg)


@dataclass(frozen=True, slots=True, eq=False)
class _Patch:
    tick: Tick
    labels: tuple[int, ...]
    area: int


def set_ticks_aside(frame: Frame, rules: Rules, colour: str, where: str) -> tuple[Frame, tuple[Tick, ...]]:
    """Return the frame without the ticks, and the ticks, of one hue, from the top down.

    Parameters
    ----------
    frame : Frame
        Upright, with colour.
    rules : Rules
        Printed rules of the frame; they and the margin line are no ticks, whatever their colour.
    colour : str
        One of `COLOURS`, or `ANY`: whichever colour the marks have.
    where : str
        Name of the page, for refusals.

    Raises
    ------
    UsageError
        The page has no colour, no such marks, or marks of more than one colour and none was named.
    """
    if frame.colour is None:
        raise UsageError(
            "ticks can only be found by their colour, and this picture is grey",
            where=where,
            fix="Scan the page in colour, or say the words reached with --minute",
        )
    k = frame.px_per_mm
    channels = [flatten(np.ascontiguousarray(frame.colour[..., c]), k) for c in range(3)]
    lifted = [lift_rules(channel, rules, k)[0] for channel in channels]
    writing = _writing(lifted)
    coloured, place = _coloured(lifted, writing, k)
    labels, patches = _patches(lifted, writing, coloured, place, rules, k)
    kept = _of_one_colour(patches, colour, k, where)
    mask = np.isin(labels, [label for p in kept for label in p.labels]).astype(np.uint8)
    reach = max(1, round(0.25 * k))
    mask = cv2.dilate(mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1)))
    grey = _without(frame.grey, lifted, mask, coloured, rules, k)
    return replace(frame, grey=grey), tuple(sorted((p.tick for p in kept), key=lambda t: (t.foot[1], t.foot[0])))


def _absorbed(lifted: Sequence[ByteImage], y: NDArray[np.intp], x: NDArray[np.intp]) -> FloatArray:
    """Return the share of light taken away at pixels, shape (pixels, 3)."""
    light = np.stack([channel[y, x] for channel in lifted], 1).astype(np.float64) / PAPER
    return np.asarray(np.clip(1.0 - light, 0.0, 1.0))


def _writing(lifted: Sequence[ByteImage]) -> FloatArray:
    """Return the direction of colour of most of the ink, of length 1."""
    dark = cv2.min(cv2.min(lifted[0], lifted[1]), lifted[2]) < PAPER * (1 - 2 * _DARK)
    y, x = np.nonzero(dark)
    if not len(y):
        return np.full(3, 3**-0.5)
    a = _absorbed(lifted, y, x)
    size = np.linalg.norm(a, axis=1)
    deep = size >= np.median(size)
    middle = np.median(a[deep] / size[deep, None], axis=0)
    return np.asarray(middle / np.linalg.norm(middle))


def _rest(a: FloatArray, writing: FloatArray) -> FloatArray:
    """Return what is left of absorbed light beyond any mixture of the writing's colour and grey, shape (pixels, 3)."""
    grey = np.full(3, 3**-0.5)
    side = grey - (grey @ writing) * writing
    length = float(np.linalg.norm(side))
    along = a @ writing
    if length < 1e-3:
        return np.asarray(a - np.outer(along, writing))
    side = side / length
    # In the plane of both: beyond grey the nearest mixture is grey, beyond the writing's colour the writing's.
    across = np.clip(a @ side, 0.0, None)
    beyond = across * (grey @ writing) > along * (grey @ side)
    mixture = np.outer(along, writing) + np.outer(across, side)
    mixture[beyond] = np.outer(a[beyond] @ grey, grey)
    return np.asarray(a - mixture)


def _coloured(
    lifted: Sequence[ByteImage], writing: FloatArray, k: float
) -> tuple[ByteImage, tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Return the picture of pixels the writing cannot have coloured (1 on 0), and where they are, rows and columns."""
    # Chroma is noisier than light, in scans and after compression: looked at a little blurred.
    soft = [cv2.GaussianBlur(channel, (0, 0), max(0.6, 0.06 * k)) for channel in lifted]
    y, x = np.nonzero(cv2.min(cv2.min(soft[0], soft[1]), soft[2]) < PAPER * (1 - _DARK))
    a = _absorbed(soft, y, x)
    rest = np.linalg.norm(_rest(a, writing), axis=1)
    ok = (rest > _LEAST) & (rest > _LEAST_SINE * np.linalg.norm(a, axis=1))
    image = np.zeros(lifted[0].shape, np.uint8)
    image[y[ok], x[ok]] = 1
    return image, (y[ok], x[ok])


def _patches(
    lifted: Sequence[ByteImage],
    writing: FloatArray,
    coloured: ByteImage,
    place: tuple[NDArray[np.intp], NDArray[np.intp]],
    rules: Rules,
    k: float,
) -> tuple[NDArray[np.int32], list[_Patch]]:
    """Return the labels of coloured patches, and those that may be ticks by size, hue and place."""
    reach = max(1, round(0.5 * k))
    closed = cv2.morphologyEx(
        coloured, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    )
    count, labels, stats, _ = cv2.connectedComponentsWithStats(closed, None, 8, cv2.CV_32S)
    y, x = place
    label = labels[y, x]
    a = _absorbed(lifted, y, x)
    rest = _rest(a, writing)
    pixels = np.bincount(label, minlength=count)
    sums = np.stack([np.bincount(label, rest[:, c], count) for c in range(3)], 1)
    one_hue = np.linalg.norm(sums, axis=1) / np.maximum(np.bincount(label, np.linalg.norm(rest, axis=1), count), 1e-9)
    dark = closed * (cv2.min(cv2.min(lifted[0], lifted[1]), lifted[2]) < PAPER * (1 - _DARK))
    dy, dx = np.nonzero(dark)
    alone = pixels / np.maximum(np.bincount(labels[dy, dx], minlength=count), 1)
    on_rule = np.bincount(label, _on_rules(rules, y, x, 0.4 * k), count) / np.maximum(pixels, 1)
    long = np.maximum(stats[:, 2], stats[:, 3]) / k
    ok = (long >= _SMALLEST_MM) & (long <= _LARGEST_MM) & (pixels >= _LEAST_MM2 * k * k)
    ok &= (one_hue > _ONE_HUE) & (alone > _ALONE) & (on_rule < 0.8)
    ok[0] = False
    pen = _pen_hue(lifted, coloured)
    patches = []
    for number in np.flatnonzero(ok):
        mine = label == number
        tick = _tick(y[mine], x[mine], a[mine])
        # A coloured pen's own strokes are brighter in hue where they are thin.
        if pen is None or abs((tick.hue_deg - pen + 180) % 360 - 180) > _HUE_STEP:
            patches.append(_Patch(tick, (int(number),), int(pixels[number])))
    return np.asarray(labels, np.int32), patches


def _pen_hue(lifted: Sequence[ByteImage], coloured: ByteImage) -> float | None:
    """Return the hue of the writing's own pen, degrees; None for grey and black."""
    dark = cv2.min(cv2.min(lifted[0], lifted[1]), lifted[2]) < PAPER * (1 - 2 * _DARK)
    light = np.exp(-_core(_density(lifted, dark & (coloured == 0))))
    return None if np.ptp(light) < _GREY_PEN else 360.0 * colorsys.rgb_to_hsv(*light)[0]


def _tick(y: NDArray[np.intp], x: NDArray[np.intp], a: FloatArray) -> Tick:
    strong = a.sum(1) >= np.median(a.sum(1))
    red, green, blue = 1.0 - np.median(a[strong], axis=0)
    low, high = np.percentile(y, (15, 85))
    foot, top = y >= high, y <= low
    return Tick(
        Box(float(x.min()), float(y.min()), float(x.max() + 1), float(y.max() + 1)),
        (float(x[top].mean()) + 0.5, float(y.min())),
        (float(x[foot].mean()) + 0.5, float(y.max() + 1)),
        360.0 * colorsys.rgb_to_hsv(red, green, blue)[0],
    )


def _on_rules(rules: Rules, y: NDArray[np.intp], x: NDArray[np.intp], reach: float) -> NDArray[np.bool_]:
    """Tell which pixels lie along a printed rule or margin line."""
    near = np.zeros(len(y), np.bool_)
    families: list[tuple[Ruling | None, NDArray[np.intp], NDArray[np.intp]]] = [(rules.across, x, y)]
    families += [(family, y, x) for family in (rules.down, *rules.margins)]
    for family, along, across in families:
        if family is not None:
            for index in range(len(family.offsets)):
                near |= np.abs(family.at(index, along.astype(np.float64)) - across) < reach
    return near


def _name(hue_deg: float) -> str:
    return next(name for start, name in reversed(_HUES) if hue_deg % 360 >= start)


def _of_one_colour(patches: list[_Patch], colour: str, k: float, where: str) -> list[_Patch]:
    """Return the patches of the colour wanted, those much smaller than the others left out."""
    groups = _by_hue(patches)
    if colour != ANY:
        groups = [g for g in groups if any(p.tick.colour == colour for p in g)]
    groups = sorted((_whole(g, k) for g in groups), key=len, reverse=True)
    if not groups:
        named = "coloured" if colour == ANY else colour
        raise UsageError(
            f"no {named} ticks were found beside the writing",
            where=where,
            fix="Make ticks in a colour unlike the pen's, or say the words reached with --minute",
        )
    if len(groups) > 1 and colour == ANY and 2 * len(groups[1]) >= len(groups[0]):
        told = " and ".join(f"{len(g)} {g[0].tick.colour}" for g in groups[:2])
        raise UsageError(
            f"marks of more than one colour were found ({told})",
            where=where,
            fix=f"Say which are the ticks: --minute-ticks {groups[0][0].tick.colour}",
        )
    return groups[0]


def _whole(group: list[_Patch], k: float) -> list[_Patch]:
    """Put the parts of a mark that writing cuts in two together again, and leave spatter out."""
    usual = 1.0
    for reach, share in _PARTS:
        whole: list[_Patch] = []
        for part in sorted(group, key=lambda p: -p.area):
            patch = part
            while near := [p for p in whole if _parts_of_one(p, patch, (reach * k, _ABOVE_MM * k), share * usual)]:
                whole.remove(near[0])
                patch = _together(near[0], patch)
            whole.append(patch)
        group, usual = whole, float(np.percentile([p.area for p in whole], 75))
    return [p for p in group if p.area >= _SPATTER * usual]


def _parts_of_one(one: _Patch, other: _Patch, reach: tuple[float, float], most: float) -> bool:
    """Tell whether two patches are parts of one mark; with a limit to their area one must stand above the other."""
    across = max(one.tick.box.left, other.tick.box.left) - min(one.tick.box.right, other.tick.box.right)
    near = _apart(one.tick.box, other.tick.box) < reach[0]
    return near and one.area + other.area < most and (np.isinf(most) or across < reach[1])


def _apart(one: Box, other: Box) -> float:
    across = max(one.left, other.left) - min(one.right, other.right)
    down = max(one.top, other.top) - min(one.bottom, other.bottom)
    return float(np.hypot(max(across, 0.0), max(down, 0.0)))


def _together(one: _Patch, other: _Patch) -> _Patch:
    high, low = sorted((one.tick, other.tick), key=lambda t: t.box.top)
    foot = max(one.tick, other.tick, key=lambda t: t.box.bottom).foot
    tick = Tick(high.box.joined(low.box), high.top, foot, one.tick.hue_deg)
    return _Patch(tick, (*one.labels, *other.labels), one.area + other.area)


def _by_hue(patches: list[_Patch]) -> list[list[_Patch]]:
    """Put patches together whose hues follow one another closely round the circle."""
    order = sorted(patches, key=lambda p: p.tick.hue_deg)
    groups: list[list[_Patch]] = []
    for patch in order:
        if groups and patch.tick.hue_deg - groups[-1][-1].tick.hue_deg <= _HUE_STEP:
            groups[-1].append(patch)
        else:
            groups.append([patch])
    if len(groups) > 1 and groups[0][0].tick.hue_deg + 360 - groups[-1][-1].tick.hue_deg <= _HUE_STEP:
        groups[0] = groups.pop() + groups[0]
    return groups


def _without(
    grey: ByteImage, lifted: Sequence[ByteImage], mask: ByteImage, coloured: ByteImage, rules: Rules, k: float
) -> ByteImage:
    """Return the grey picture with the marks' share of its darkness taken away inside the mask."""
    y, x = np.nonzero(mask)
    density = _density(lifted, mask > 0)
    mark = _core(_density(lifted, (mask & coloured) > 0))
    dark = cv2.min(cv2.min(lifted[0], lifted[1]), lifted[2]) < PAPER * (1 - 2 * _DARK)
    ink = _core(_density(lifted, dark & (mask == 0) & (coloured == 0)))
    mixing = np.stack([mark, ink])
    share = density @ np.linalg.pinv(mixing)
    only_ink = density @ ink / (ink @ ink)
    written = np.where(share[:, 1] < 0, 0.0, np.where(share[:, 0] < 0, only_ink, share[:, 1]))
    luma = np.array([0.299, 0.587, 0.114])
    left = np.exp(-written[:, None] * ink) @ luma
    plain = lift_rules(flatten(grey, k), rules, k)[0][y, x].astype(np.float64)
    cleaned = grey.copy()
    # The page's own light there, rules and all, is what it shows over what flattening and lifting make of it.
    paper = grey[y, x].astype(np.float64) * PAPER / np.maximum(plain, 1.0)
    cleaned[y, x] = np.clip(np.rint(paper * left), 0, 255).astype(np.uint8)
    return cleaned


def _density(lifted: Sequence[ByteImage], where: NDArray[np.bool_]) -> FloatArray:
    """Return the log of paper's light over each pixel's, by channel, where the picture is True."""
    return np.asarray(-np.log(np.maximum(1.0 - _absorbed(lifted, *np.nonzero(where)), 0.02)))


def _core(density: FloatArray) -> FloatArray:
    """Return the density by channel of the darker half of pixels."""
    if not len(density):
        return np.full(3, 1.0)
    total = density.sum(1)
    return np.asarray(np.median(density[total >= np.median(total)], axis=0))
