"""Photographs of a flat or curled sheet as a phone takes them, simulated, seeded, with the exact place of every mm.

The camera is a pinhole with radial distortion (x, y) -> (x, y)(1 + k1 r^2), r in focal lengths, as is usual in
calibration; the focal length is 0.62 of the image diagonal, that of a common phone. Truth is `PhotoTruth.to_image`.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.sheet.optics import dense_map

Picture = NDArray[np.uint8]

_FOCAL = 0.62


@dataclass(frozen=True, slots=True)
class View:
    """How a photograph is taken.

    Parameters
    ----------
    width, height : int
        Of the photograph, px.
    tilt_deg : float
        Angle between the camera's axis and the page's normal.
    tilt_towards_deg, roll_deg : float
        The side the camera leans to, and the turn of the page in the picture; any angle.
    k1 : float
        Radial distortion, r in focal lengths.
    fill : float
        Share of the frame that the page takes, along the tighter side.
    centre : tuple of float
        Optical centre off the middle, as a share of the diagonal.
    blur_px, noise : float
        Gaussian blur (sd, px) and noise (sd, grey levels).
    gradient, shadow : float
        Share of light lost across the page, and in a soft-edged shadow; 0 to 1.
    warmth : float
        Colour cast of the light, -1 to 1.
    jpeg : int
        Quality 1 to 100; 0 leaves the picture uncompressed.
    covered : int
        How many fiducial-sized things (fingertips, clips) lie on the page's edge.
    curl_mm : float
        Height of a curl along the page's height; 0 is flat.
    glare : float
        Strength of a flash's reflection, 0 to 1.
    light : float
        Grey level of white paper in full light.
    seed : int
        For all that is left to chance.
    """

    width: int = 4000
    height: int = 3000
    tilt_deg: float = 0.0
    tilt_towards_deg: float = 0.0
    roll_deg: float = 0.0
    k1: float = 0.0
    fill: float = 0.9
    centre: tuple[float, float] = (0.0, 0.0)
    blur_px: float = 0.8
    noise: float = 3.0
    gradient: float = 0.0
    shadow: float = 0.0
    warmth: float = 0.0
    jpeg: int = 85
    covered: int = 0
    curl_mm: float = 0.0
    glare: float = 0.0
    light: float = 225.0
    seed: int = 0


def random_view(seed: int) -> View:
    """Return a view as a teacher in a hurry might take it; equal seeds give equal views."""
    rng = np.random.default_rng(seed)
    width, height = ((4000, 3000), (3264, 2448), (4032, 3024))[rng.integers(3)]
    return View(
        width,
        height,
        tilt_deg=float(rng.uniform(0, 35)),
        tilt_towards_deg=float(rng.uniform(0, 360)),
        roll_deg=float(rng.uniform(0, 360)),
        k1=float(rng.uniform(-0.15, 0.15)),
        fill=float(rng.uniform(0.7, 0.97)),
        centre=(float(rng.normal(0, 0.006)), float(rng.normal(0, 0.006))),
        blur_px=float(rng.uniform(0.4, 2.0)),
        noise=float(rng.uniform(1, 8)),
        gradient=float(rng.uniform(0, 0.5)),
        shadow=float(rng.choice([0.0, rng.uniform(0.1, 0.45)])),
        warmth=float(rng.uniform(-0.5, 1.0)),
        jpeg=int(rng.integers(50, 96)),
        covered=int(rng.integers(0, 4)),
        light=float(rng.uniform(180, 240)),
        seed=seed,
    )


@dataclass(frozen=True, slots=True, eq=False)
class PhotoTruth:
    """Where each place of the page lies in the photograph, exactly."""

    view: View
    turn: FloatArray
    shift: FloatArray
    size_mm: tuple[float, float]

    @property
    def focal(self) -> float:
        """Focal length, px."""
        return _FOCAL * float(np.hypot(self.view.width, self.view.height))

    @property
    def centre(self) -> FloatArray:
        """Optical centre, px."""
        diagonal = float(np.hypot(self.view.width, self.view.height))
        middle = np.array([self.view.width, self.view.height], dtype=np.float64) / 2 - 0.5
        centre: FloatArray = middle + diagonal * np.array(self.view.centre)
        return centre

    def surface(self, page: FloatArray) -> FloatArray:
        """Return the place in space, mm, of places on the paper, mm along the paper: (..., 2) -> (..., 3)."""
        height = self.size_mm[1]
        along = np.linspace(0, height, 2001)
        wave = self.view.curl_mm * np.pi / height
        dip = np.cos(np.pi * along / height) * wave
        advance = np.concatenate([[0.0], np.cumsum(np.sqrt(np.maximum(1 - dip[1:] ** 2, 0.0)) * np.diff(along))])
        y = page[..., 1]
        inside = np.interp(y, along, advance) + np.where(y < 0, y, 0) + np.where(y > height, y - height, 0)
        lift = self.view.curl_mm * np.sin(np.pi * np.clip(y, 0, height) / height)
        return np.stack([page[..., 0] - self.size_mm[0] / 2, inside - height / 2, -lift], axis=-1)

    def to_image(self, page: FloatArray) -> FloatArray:
        """Return image px of places on the paper, mm: (..., 2) -> (..., 2)."""
        seen = self.surface(np.asarray(page, dtype=np.float64)) @ self.turn.T + self.shift
        flat = seen[..., :2] / seen[..., 2:]
        r2 = (flat**2).sum(axis=-1, keepdims=True)
        bent: FloatArray = self.centre + self.focal * flat * (1.0 + self.view.k1 * r2)
        return bent

    def to_page(self, image: FloatArray) -> FloatArray:
        """Return mm along the paper of image px; off the page the plane goes on."""
        bent = (np.asarray(image, dtype=np.float64) - self.centre) / self.focal
        reach = np.sqrt((bent**2).sum(axis=-1, keepdims=True))
        r = reach.copy()
        for _ in range(20):
            r = r - (r + self.view.k1 * r**3 - reach) / np.maximum(1 + 3 * self.view.k1 * r**2, 0.3)
        ray = np.concatenate(
            [bent * np.divide(r, reach, out=np.ones_like(r), where=reach > 0), np.ones_like(r)], axis=-1
        )
        ray, eye = ray @ self.turn, -self.shift @ self.turn
        page = np.zeros_like(bent)
        lift = np.zeros(bent.shape[:-1])
        for _ in range(1 if self.view.curl_mm == 0 else 12):
            reach_z = (-lift - eye[2]) / ray[..., 2]
            page = eye[:2] + ray[..., :2] * reach_z[..., None] + np.array(self.size_mm) / 2
            if self.view.curl_mm:
                page = page + (page - self._flat(page))
                lift = -self.surface(page)[..., 2]
        return page

    def _flat(self, page: FloatArray) -> FloatArray:
        surface = self.surface(page)
        return surface[..., :2] + np.array(self.size_mm) / 2


def photograph(sheet: Picture, px_per_mm: float, view: View) -> tuple[Picture, PhotoTruth]:
    """Take a photograph of a sheet.

    Parameters
    ----------
    sheet : array (height, width, 3) or (height, width)
        The page seen straight on.
    px_per_mm : float
        Its resolution.
    view : View
        How the photograph is taken.

    Returns
    -------
    picture : array (view.height, view.width[, 3])
    truth : PhotoTruth
    """
    rng = np.random.default_rng((view.seed, 1))
    size = (sheet.shape[1] / px_per_mm, sheet.shape[0] / px_per_mm)
    truth = _aim(view, size)
    sheet = _cover(sheet, px_per_mm, view, rng)
    fine = dense_map(lambda px: truth.to_page(px) * px_per_mm - 0.5, view.width, view.height)
    inner = cv2.remap(sheet, fine, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(0, 0, 0))
    page = np.full(sheet.shape[:2], 255, dtype=np.uint8)
    cover = cv2.remap(page, fine, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    mix = cover.astype(np.float32) / 255
    desk = _desk(view, rng)
    if sheet.ndim == 3:
        mix, desk = mix[..., None], desk[..., None] * np.array([0.75, 0.9, 1.05], dtype=np.float32)
    scene = inner.astype(np.float32) * (view.light / 255) + (1 - mix) * desk
    lit = _light(scene, view, rng)
    if view.blur_px > 0:
        lit = cv2.GaussianBlur(lit, (0, 0), view.blur_px)
    if view.noise > 0:
        grain = rng.standard_normal(lit.shape, dtype=np.float32)
        lit = lit + view.noise * grain
    picture = np.clip(lit + 0.5, 0, 255).astype(np.uint8)
    if view.jpeg:
        _, packed = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, view.jpeg])
        picture = np.asarray(cv2.imdecode(packed, cv2.IMREAD_UNCHANGED), dtype=np.uint8)
    return picture, truth


def _aim(view: View, size_mm: tuple[float, float]) -> PhotoTruth:
    """Turn the page before the camera and step back until it fills the asked share of the frame."""
    tilt, towards, roll = np.radians([view.tilt_deg, view.tilt_towards_deg, view.roll_deg])
    axis = np.array([np.cos(towards), np.sin(towards), 0.0]) * tilt
    turn = cv2.Rodrigues(axis)[0] @ cv2.Rodrigues(np.array([0, 0, roll]))[0]
    w, h = size_mm
    edge = np.array([(x, y) for x in np.linspace(0, w, 5) for y in np.linspace(0, h, 5)])

    def reach(distance: float) -> tuple[float, PhotoTruth]:
        truth = PhotoTruth(view, turn, np.array([0.0, 0.0, distance]), size_mm)
        seen = truth.to_image(edge)
        middle = (seen.max(axis=0) + seen.min(axis=0)) / 2
        frame = np.array([view.width, view.height])
        slide = (truth.centre - middle) / truth.focal * distance
        truth = PhotoTruth(view, turn, np.array([slide[0], slide[1], distance]), size_mm)
        spread = np.abs(truth.to_image(edge) - (frame - 1) / 2).max(axis=0) * 2 / frame
        return float(spread.max()), truth

    near, far = 150.0, 5000.0
    for _ in range(40):
        distance = (near + far) / 2
        near, far = (distance, far) if reach(distance)[0] > view.fill else (near, distance)
    return reach(far)[1]


def _cover(sheet: Picture, px_per_mm: float, view: View, rng: np.random.Generator) -> Picture:
    """Lay fingertip-like blobs over the page's edge, where the fiducials are, each hiding one wholly or in part."""
    if not view.covered:
        return sheet
    sheet = sheet.copy()
    h, w = sheet.shape[:2]
    for _ in range(view.covered):
        edge, along = rng.integers(4), rng.uniform(0.05, 0.95)
        x, y = ((along * w, 0), (along * w, h), (0, along * h), (w, along * h))[edge]
        tone = int(rng.integers(70, 200))
        colour = (tone * 0.7, tone * 0.8, tone) if sheet.ndim == 3 else tone
        axes = (int(rng.uniform(8, 16) * px_per_mm), int(rng.uniform(10, 20) * px_per_mm))
        cv2.ellipse(sheet, (int(x), int(y)), axes, float(rng.uniform(0, 180)), 0, 360, colour, -1, cv2.LINE_AA)
    return sheet


def _desk(view: View, rng: np.random.Generator) -> NDArray[np.float32]:
    """Return a wood-like background, (height, width)."""
    tone = rng.uniform(40, 190)
    grain = rng.standard_normal((view.height // 40 + 2, view.width // 4 + 2)).astype(np.float32)
    field = cv2.resize(cv2.GaussianBlur(grain, (0, 0), 1.0), (view.width, view.height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(tone + 12 * field, dtype=np.float32)


def _light(scene: NDArray[np.float32], view: View, rng: np.random.Generator) -> NDArray[np.float32]:
    y, x = np.mgrid[0 : view.height : 16, 0 : view.width : 16].astype(np.float32)
    angle = rng.uniform(0, 2 * np.pi)
    across = ((x / view.width - 0.5) * np.cos(angle) + (y / view.height - 0.5) * np.sin(angle)) / 1.42 + 0.5
    light = 1.0 - view.gradient * across
    if view.shadow:
        turn = rng.uniform(0, 2 * np.pi)
        side = (x - view.width / 2) * np.cos(turn) + (y - view.height / 2) * np.sin(turn)
        soft = rng.uniform(0.02, 0.15) * view.width
        edge = side + rng.uniform(-0.2, 0.2) * view.width + 0.03 * view.width * np.sin(y / view.height * 9)
        light = light * (1.0 - view.shadow / (1 + np.exp(np.clip(-edge / soft * 4, -50, 50))))
    light = cv2.resize(light.astype(np.float32), (view.width, view.height), interpolation=cv2.INTER_LINEAR)
    extra = np.zeros((1, 1), dtype=np.float32)
    if view.glare:
        cx, cy = view.width * rng.uniform(0.3, 0.7), view.height * rng.uniform(0.3, 0.7)
        far = ((x - cx) ** 2 + (y - cy) ** 2) / (0.14 * view.width) ** 2
        spot = cv2.resize(np.exp(-(far**2)).astype(np.float32), (view.width, view.height))
        extra = (255 * view.glare * 1.6 * spot).astype(np.float32)
    if scene.ndim == 3:
        cast = np.array([1 - 0.12 * view.warmth, 1.0, 1 + 0.06 * view.warmth], dtype=np.float32)
        lit = scene * light[..., None] * cast
        return np.asarray(lit + extra[..., None], dtype=np.float32)
    return np.asarray(scene * light + extra, dtype=np.float32)
