"""Find the one copying sheet in a picture and fit its page, or say why that cannot be done."""

from __future__ import annotations

import cv2
import numpy as np

from handwriting.errors import SheetError
from handwriting.geometry import FloatArray
from handwriting.sheet.layout import FIDUCIAL_MM, Hand, Paper, kind_of_id, page_size
from handwriting.sheet.layout import fiducials as fiducials_of
from handwriting.sheet.marks import Grey, Marks, find_marks
from handwriting.sheet.optics import PageFit, fit_page

ADVICE = "lay the sheet flat, light it from the side, and fill the frame"

_FEWEST = 4
_OFF_MARK_MM = 0.35
_STRAY_MM = 12.0


def find_sheet(grey: Grey, where: str) -> tuple[tuple[Paper, Hand], PageFit, Marks] | None:
    """Return the kind of sheet in a picture, its fitted page and the marks used; None when there is no sheet.

    Raises
    ------
    SheetError
        Two sheets, a sheet of a newer version, too little of a sheet in view, or a mirrored picture.
    """
    marks = find_marks(grey)
    if marks.mirrored:
        raise SheetError(
            "the picture shows a copying sheet mirrored, as front cameras do",
            where=where,
            fix="Turn mirroring off, or take the picture with the camera at the back",
        )
    if len(marks) < _FEWEST:
        return None
    kind, marks = _one_sheet(marks, where)
    fit, marks = _fit(grey, kind, marks, where)
    return kind, fit, marks


def _one_sheet(marks: Marks, where: str) -> tuple[tuple[Paper, Hand], Marks]:
    """Return the kind of the one sheet in view and its marks, each once."""
    keep = np.ones(len(marks), dtype=bool)
    twice = 0
    middles = marks.corners.mean(axis=1)
    sides = np.linalg.norm(marks.corners - np.roll(marks.corners, 1, axis=1), axis=-1).mean(axis=1)
    for i in range(len(marks)):
        for j in range(i):
            if marks.ids[i] == marks.ids[j] and keep[j]:
                if np.linalg.norm(middles[i] - middles[j]) > sides[i]:
                    twice += 1
                keep[i] = False
    kinds = [kind_of_id(int(identity)) for identity in marks.ids]
    counts = {kind: kinds.count(kind) for kind in set(kinds)}
    if None in counts and counts[None] >= max(_FEWEST, *counts.values()):
        raise SheetError(
            "this is a sheet of a newer version than this program knows",
            where=where,
            fix="Update the program, or print a fresh sheet with this one",
        )
    ours: dict[tuple[Paper, Hand], int] = {k: v for k, v in counts.items() if k is not None}
    best = max(ours, key=lambda kind: ours[kind])
    if twice >= 2 or sum(count >= 3 for count in ours.values()) > 1:
        raise _two_sheets(where)
    return best, marks.only(keep & np.array([kind == best for kind in kinds]))


def _two_sheets(where: str) -> SheetError:
    return SheetError("two sheets are in one picture", where=where, fix="Scan or photograph each page by itself")


def _fit(grey: Grey, kind: tuple[Paper, Hand], marks: Marks, where: str) -> tuple[PageFit, Marks]:
    """Fit the page, leaving out marks whose own shape is wrong (half covered) and strays."""
    places = {mark.id: mark.corners() for mark in fiducials_of(*kind)}
    page = np.stack([places[int(identity)] for identity in marks.ids])
    size = (grey.shape[1], grey.shape[0])
    width, height = page_size(*kind)
    spots = np.array([(x, y) for x in np.linspace(25, width - 25, 4) for y in np.linspace(48, height - 30, 4)])
    if len(marks) < _FEWEST:
        raise _too_little(where)
    _, inlier = cv2.findHomography(
        page.mean(axis=1), marks.corners.mean(axis=1), cv2.RANSAC, _STRAY_MM * _mm_px(marks), maxIters=500
    )
    if inlier is None or inlier.sum() < _FEWEST:
        raise _too_little(where)
    stray = ~inlier.ravel().astype(bool)
    if stray.sum() >= 3:
        raise SheetError(
            "the square marks do not lie on one flat sheet: it is curled, or two sheets overlap",
            where=where,
            fix=f"Take the picture again, of one sheet by itself: {ADVICE}",
        )
    marks, page = marks.only(~stray), page[~stray]
    fit = fit_page(page, marks.corners, size, spots)
    # A curled page moves a mark as a whole; a fingertip over a mark spoils its shape. Only the latter is left out.
    own = fit.residuals_mm - np.median(fit.residuals_mm, axis=1, keepdims=True)
    sound = np.linalg.norm(own, axis=-1).max(axis=1) <= _OFF_MARK_MM
    if (~sound).sum() > max(
        3, len(marks) // 3
    ):  # so many are no fingertips: the page is bent, and the fit shall say so
        sound[:] = True
    if sound.sum() < _FEWEST or _spread_of(page[sound].mean(axis=1)) < 20.0:
        raise _too_little(where)
    seen = fit.mapping.to_image(spots)
    inside = ((seen >= 0) & (seen <= np.array(size))).all(axis=-1)
    if inside.any():  # how well the scale is known where there is nothing to measure is beside the point
        spots = spots[inside]
    return fit_page(page[sound], marks.corners[sound], size, spots, after=fit), marks.only(sound)


def _too_little(where: str) -> SheetError:
    return SheetError(
        "too little of the copying sheet can be seen",
        where=where,
        fix="Keep all its square marks in view and uncovered",
    )


def _mm_px(marks: Marks) -> float:
    sides = np.linalg.norm(marks.corners - np.roll(marks.corners, 1, axis=1), axis=-1)
    return float(np.median(sides)) / FIDUCIAL_MM


def _spread_of(places: FloatArray) -> float:
    """Return the smaller standard deviation of places, mm: near 0 when they lie on one line."""
    return float(np.sqrt(max(np.linalg.eigvalsh(np.cov(places.T))[0], 0.0)))
