"""From page millimetres to image pixels and back: a flat page seen through a real lens, fitted to its fiducials.

The model is a homography followed by radial distortion about a free centre::

    (x, y) = H (X, Y),   r2 = x^2 + y^2,   (x, y) -> (x, y) (1 + k1 r2 + k2 r2^2),   px = centre + R (x, y)

with R half the image diagonal. Weak priors hold k1, k2 and the centre where the fiducials cannot (a cropped page).
`spread_mm` is how far every mark's edge lies outside its true place: ink that spreads, blur, an over-exposed picture.
It widens all marks alike and so must not be mistaken for scale.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from handwriting.geometry import FloatArray

_CORNER_SIGNS = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)], dtype=np.float64)
_PRIOR_SD = np.array([0.3, 0.15, 0.04, 0.04, 0.1])  # k1, k2, centre x and y (of R), spread in mm
_CORNER_SD_PX = 0.15
_CORNER_SD_MM = 0.015
_LIMITS = np.array([0.5, 0.3, 0.15, 0.15, 0.5])  # of the same; beyond them no lens or printer lies
_BACK_STEPS = 12
# Columns and rows to a step of the coarse grid, and steps to a band.
_MAP_GRID, _MAP_BAND = 16, 4
_STEP_MM = 0.5
_TYPICAL = np.array([*[0.05] * 8, 0.1, 0.05, 0.02, 0.02, 0.05])


@dataclass(frozen=True, slots=True, eq=False)
class PageMapping:
    """Where each place of the page lies in the image, and back.

    Parameters
    ----------
    homography : array (3, 3)
        From nominal page mm to undistorted coordinates about `centre`, in units of `radius`.
    k1, k2 : float
        Radial distortion.
    centre : array (2,)
        Centre of the distortion, px.
    radius : float
        Half the image diagonal, px.
    """

    homography: FloatArray
    k1: float
    k2: float
    centre: FloatArray
    radius: float

    def __post_init__(self) -> None:
        for name in ("homography", "centre"):
            array = np.array(getattr(self, name), dtype=np.float64)
            array.flags.writeable = False
            object.__setattr__(self, name, array)

    def to_image(self, page: FloatArray) -> FloatArray:
        """Return image px, shape (..., 2), of places on the page in mm, shape (..., 2)."""
        page = np.asarray(page, dtype=np.float64)
        h = self.homography
        depth = page @ h[2, :2] + h[2, 2]
        flat = (page @ h[:2, :2].T + h[:2, 2]) / depth[..., None]
        r2 = (flat**2).sum(axis=-1, keepdims=True)
        bent: FloatArray = self.centre + self.radius * flat * (1.0 + self.k1 * r2 + self.k2 * r2**2)
        return bent

    def to_page(self, image: FloatArray) -> FloatArray:
        """Return page mm, shape (..., 2), of image px, shape (..., 2)."""
        bent = (np.asarray(image, dtype=np.float64) - self.centre) / self.radius
        reach = np.sqrt((bent**2).sum(axis=-1, keepdims=True))
        r = reach.copy()
        for _ in range(_BACK_STEPS):  # Newton on r (1 + k1 r^2 + k2 r^4) = reach
            value = r * (1.0 + self.k1 * r**2 + self.k2 * r**4) - reach
            slope = np.maximum(1.0 + 3.0 * self.k1 * r**2 + 5.0 * self.k2 * r**4, 0.2)
            r = np.clip(r - value / slope, 0.0, 2.0 * reach)
        flat = bent * np.divide(r, reach, out=np.ones_like(r), where=reach > 0)
        back = np.linalg.inv(self.homography)
        depth = flat @ back[2, :2] + back[2, 2]
        result: FloatArray = (flat @ back[:2, :2].T + back[:2, 2]) / depth[..., None]
        return result

    def px_per_mm(self, page: FloatArray) -> FloatArray:
        """Return the local scale, px per mm of the page, as the root of the area scale, shape (...)."""
        page = np.asarray(page, dtype=np.float64)
        across, along = np.array([_STEP_MM, 0.0]), np.array([0.0, _STEP_MM])
        right = self.to_image(page + across) - self.to_image(page - across)
        down = self.to_image(page + along) - self.to_image(page - along)
        area = np.abs(right[..., 0] * down[..., 1] - right[..., 1] * down[..., 0])
        result: FloatArray = np.sqrt(area) / (2 * _STEP_MM)
        return result


@dataclass(frozen=True, slots=True, eq=False)
class PageFit:
    """A fitted mapping with what the fit says about itself.

    Parameters
    ----------
    mapping : PageMapping
        The fitted model.
    residuals_mm : array (marks, 4, 2)
        Where each corner lies minus where the model puts it, on the page, mm.
    spread_mm : float
        How much every mark is widened on each side.
    scale_sd : float
        Relative standard uncertainty of the local scale, the worst over the places asked about.
    """

    mapping: PageMapping
    residuals_mm: FloatArray
    spread_mm: float
    scale_sd: float

    def __post_init__(self) -> None:
        array = np.array(self.residuals_mm, dtype=np.float64)
        array.flags.writeable = False
        object.__setattr__(self, "residuals_mm", array)

    @property
    def rms_mm(self) -> float:
        """Root mean square distance of the corners from the model, mm."""
        return float(np.sqrt((self.residuals_mm**2).sum(axis=-1).mean()))

    @property
    def largest_mm(self) -> float:
        """Largest distance of a corner from the model, mm."""
        return float(np.sqrt((self.residuals_mm**2).sum(axis=-1).max()))

    @property
    def bent_mm(self) -> float:
        """Root mean square shift of whole marks from the model, mm: what a page that is not flat does."""
        return float(np.sqrt((self.residuals_mm.mean(axis=1) ** 2).sum(axis=-1).mean()))


def fit_page(
    page: FloatArray, image: FloatArray, size_px: tuple[int, int], places: FloatArray, *, after: PageFit | None = None
) -> PageFit:
    """Fit the model to fiducial corners.

    Parameters
    ----------
    page, image : array (marks, 4, 2)
        Corners on the page in nominal mm, clockwise from top left, and in the image in px.
    size_px : tuple of int
        Width and height of the image.
    places : array (n, 2)
        Page places, mm, at which the uncertainty of the scale is wanted.
    after : PageFit, optional
        An earlier fit to start from, whose residuals say how far corners lie off a flat page: the worse the page, the
        more the priors hold. Without it a few wrong corners weigh little.
    """
    radius = float(np.hypot(*size_px)) / 2
    middle = np.array(size_px, dtype=np.float64) / 2 - 0.5
    offset, half = page.reshape(-1, 2).mean(axis=0), 100.0
    shift = np.array([[1 / half, 0, -offset[0] / half], [0, 1 / half, -offset[1] / half], [0, 0, 1.0]])
    scaled = (page - offset) / half
    target = (image - middle) / radius
    start, _ = cv2.findHomography(scaled.reshape(-1, 2), target.reshape(-1, 2))
    per_mm = np.sqrt(np.abs(np.linalg.det(start[:2, :2]))) * radius / half
    noise_mm = _CORNER_SD_MM if after is None else float(np.median(np.linalg.norm(after.residuals_mm, axis=-1)))
    sd = max(_CORNER_SD_PX, noise_mm * per_mm) / radius

    def unpack(p: FloatArray) -> PageMapping:
        h = np.append(p[:8], 1.0).reshape(3, 3) @ shift
        return PageMapping(h, float(p[8]), float(p[9]), middle + radius * p[10:12], radius)

    def misfit(p: FloatArray) -> FloatArray:
        h = np.append(p[:8], 1.0).reshape(3, 3)
        marks = scaled + _CORNER_SIGNS * (p[12] / half)
        depth = marks @ h[2, :2] + h[2, 2]
        flat = (marks @ h[:2, :2].T + h[:2, 2]) / depth[..., None]
        r2 = (flat**2).sum(axis=-1, keepdims=True)
        bent = flat * (1.0 + p[8] * r2 + p[9] * r2**2) + p[10:12]
        return np.concatenate([((bent - target) / sd).ravel(), p[8:] / _PRIOR_SD])

    if after is None:
        first = np.concatenate([(start / start[2, 2]).ravel()[:8], np.zeros(5)])
    else:
        earlier = after.mapping.homography @ np.linalg.inv(shift)
        lens = (after.mapping.k1, after.mapping.k2, *(after.mapping.centre - middle) / radius, after.spread_mm)
        first = np.concatenate([(earlier / earlier[2, 2]).ravel()[:8], lens])
    found = least_squares(
        misfit,
        first,
        bounds=(np.append(np.full(8, -np.inf), -_LIMITS), np.append(np.full(8, np.inf), _LIMITS)),
        loss="huber" if after is None else "linear",
        f_scale=3.0,
        x_scale=_TYPICAL,
        max_nfev=100,
    )
    mapping = unpack(found.x)
    seen = mapping.to_page(image)
    residuals = seen - (page + _CORNER_SIGNS * found.x[12])
    scale_sd = _scale_sd(found.x, found.jac, found.fun, unpack, places)
    return PageFit(mapping, residuals, float(found.x[12]), scale_sd)


def _scale_sd(
    p: FloatArray,
    jacobian: FloatArray,
    misfit: FloatArray,
    unpack: Callable[[FloatArray], PageMapping],
    places: FloatArray,
) -> float:
    """Carry the fit's covariance to the local scale. Corners of one mark err together, so each counts for a quarter."""
    corners = len(misfit) - 5
    noise = max(1.0, float((misfit[:corners] ** 2).sum()) / max(corners - len(p), 1))
    weights = np.concatenate([np.full(corners, 1.0 / (4.0 * noise)), np.ones(5)])
    covariance = np.linalg.pinv(jacobian.T @ (jacobian * weights[:, None]))
    steps = np.sqrt(np.maximum(np.diag(covariance), 1e-18)) * 1e-3
    gradient = np.array(
        [
            (np.log(unpack(p + step * unit).px_per_mm(places)) - np.log(unpack(p - step * unit).px_per_mm(places)))
            / (2 * step)
            for step, unit in zip(steps, np.eye(len(p)), strict=True)
        ]
    )
    variance = np.einsum("in,ij,jn->n", gradient, covariance, gradient)
    return float(np.sqrt(max(variance.max(), 0.0)))


def dense_map(source: Callable[[FloatArray], FloatArray], columns: int, rows: int) -> NDArray[np.float32]:
    """Return where each pixel of a picture comes from, shape (rows, columns, 2), for `cv2.remap`.

    `source` is asked on a coarse grid only and interpolated between; grid points lie where resizing by a whole factor
    puts them, so that the interpolation is exact for anything linear.
    """
    return np.concatenate(list(map_bands(source, columns, rows)))


def map_bands(source: Callable[[FloatArray], FloatArray], columns: int, rows: int) -> Iterator[NDArray[np.float32]]:
    """Yield `dense_map` in bands from the top: as a whole, that of a page at 300 dpi takes 70 MB."""
    grid = _MAP_GRID
    x = (np.arange(-1, columns // grid + 2) + 0.5) * grid - 0.5
    y = (np.arange(-1, rows // grid + 2) + 0.5) * grid - 0.5
    coarse = source(np.stack(np.meshgrid(x, y), axis=-1)).astype(np.float32)
    for first in range(0, -(-rows // grid), _MAP_BAND):
        part = coarse[first : first + _MAP_BAND + 2]
        fine = cv2.resize(part, (len(x) * grid, len(part) * grid), interpolation=cv2.INTER_LINEAR)
        height = min(_MAP_BAND * grid, rows - first * grid)
        yield np.asarray(fine[grid : grid + height, grid : grid + columns], np.float32)
