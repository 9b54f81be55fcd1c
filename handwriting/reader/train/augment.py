"""Ways a written line can look, made on the accelerator for a whole batch at once.

Geometry first (size, width, slant, wander of the baseline, uneven letters, elastic warp), then the pen (width, breaks,
doubled strokes, fading), then the paper (rules, neighbouring lines, blur, noise).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from handwriting.reader.recogniser import BASELINE_ROW, HEIGHT_PX, X_HEIGHT_PX
from handwriting.reader.train.draw import CANVAS_BASELINE_PX, CANVAS_HEIGHT_PX

SCALE = CANVAS_HEIGHT_PX / HEIGHT_PX


class Augment:
    """Random views of a batch of canvases.

    Parameters
    ----------
    device : torch.device
        Where the batch lives.
    seed : int
        Seed of the generator on that device.
    """

    def __init__(self, device: torch.device, seed: int) -> None:
        self._device = device
        self._g = torch.Generator(device=device).manual_seed(seed)
        self._rng = np.random.default_rng(seed)
        self._spreads: dict[tuple[int, int], Tensor] = {}

    def _uniform(self, low: float, high: float, *shape: int) -> Tensor:
        return low + (high - low) * torch.rand(*shape, generator=self._g, device=self._device)

    def _normal(self, *shape: int) -> Tensor:
        return torch.randn(*shape, generator=self._g, device=self._device)

    def _some(self, share: float, n: int) -> Tensor:
        """1 for a random share of the batch, 0 for the rest, shape (n, 1, 1)."""
        return (torch.rand(n, 1, 1, generator=self._g, device=self._device) < share).float()

    def _spread(self, few: int, many: int) -> Tensor:
        """Cubic interpolation from `few` values to `many`, as a matrix (few, many)."""
        if (few, many) not in self._spreads:
            one = F.interpolate(torch.eye(few).view(1, 1, few, few), (few, many), mode="bicubic", align_corners=True)
            self._spreads[few, many] = one[0, 0].to(self._device)
        return self._spreads[few, many]

    def _smooth(self, n: int, h: int, w: int, cell_h: int, cell_w: int) -> Tensor:
        """Smooth noise of unit size, shape (n, h, w), with about one bump in each cell."""
        # As products: the library's own cubic resize takes one line of the batch after the other.
        across = max(2, w // cell_w + 2)
        if h == 1:
            return self._normal(n, 1, across) @ self._spread(across, w)
        down = max(2, h // cell_h + 2)
        return self._spread(down, h).T @ (self._normal(n, down, across) @ self._spread(across, w))

    def factors(self, n: int) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
        """Width and height factor of each line, shape (n,)."""
        size = np.exp(0.19 * self._rng.standard_normal(n)).clip(0.65, 1.5)
        wide = np.exp(0.22 * self._rng.standard_normal(n)).clip(0.55, 1.6)
        return (size * wide).clip(0.45, 1.6).astype(np.float32), size.astype(np.float32)

    def warp(self, canvas: Tensor, wide: Tensor, tall: Tensor, out_width: int, views: int = 1) -> tuple[Tensor, Tensor]:
        """Sample the canvases onto the net's grid.

        Parameters
        ----------
        canvas : Tensor, shape (n, CANVAS_HEIGHT_PX, Wc)
            Ink in 0..1.
        wide, tall : Tensor, shape (n,)
            Factors from `factors`.
        out_width : int
            Width of the result in px.
        views : int
            How often each line is sampled: views differ up and down, never in where a letter stands along the line.

        Returns
        -------
        Tensor, shape (views * n, HEIGHT_PX, out_width)
            Ink in 0..1; all lines, then all lines once more.
        Tensor, shape (n, out_width // 4)
            Canvas column under the middle of each frame, for the letter each frame belongs to.
        """
        n, hc, wc = canvas.shape
        h, w, m = HEIGHT_PX, out_width, views * n
        v = torch.arange(h, device=self._device).float().view(1, h, 1) - BASELINE_ROW
        u = torch.arange(w, device=self._device).float().view(1, 1, w)
        strong = 1.25 * self._uniform(0, 1, n, 1, 1) ** 1.2
        shear = 0.27 * self._normal(n, 1, 1).clamp(-2.4, 2.4) + strong * 0.12 * self._smooth(n, 1, w, 1, 40)
        x = u / wide.view(n, 1, 1) * SCALE + strong * 2.0 * self._smooth(n, 1, w, 1, 30)
        middle = x[:, 0, 2::4]
        rough = self._some(0.7, n) * strong
        x = x + shear * (v + 9) * SCALE + rough * 1.6 * self._smooth(n, h, w, 10, 12)
        x, strong, rough = (part.repeat(views, 1, 1) for part in (x, strong, rough))
        swell = 1 + strong * (0.12 * self._smooth(m, 1, w, 1, 18) + 0.10 * self._smooth(m, 1, w, 1, 90))
        size = tall.view(n, 1, 1).repeat(views, 1, 1) * swell.clamp(0.55, 1.6)
        y = self._zones(v / size) * SCALE + CANVAS_BASELINE_PX
        y = y + self._uniform(-5, 5, m, 1, 1) + strong * 1.5 * self._smooth(m, 1, w, 1, 24)
        y = y + strong * 2.5 * self._smooth(m, 1, w, 1, 200) + self._uniform(-0.008, 0.008, m, 1, 1) * (u - w / 2)
        y = y + rough * 1.6 * self._smooth(m, h, w, 10, 12)
        grid = torch.stack([(2 * x + 1) / wc - 1, (2 * y + 1) / hc - 1], -1)
        lines = canvas.unsqueeze(1).repeat(views, 1, 1, 1)
        return F.grid_sample(lines, grid, mode="bilinear", padding_mode="zeros", align_corners=False)[:, 0], middle

    def _zones(self, v: Tensor) -> Tensor:
        """Other lengths of what stands above the small letters and hangs below them, from line to line.

        `v`: rows below the baseline, net px of a line of nominal x-height; the same rows after.
        """
        above = torch.exp(0.14 * self._normal(len(v), 1, 1)).clamp(0.7, 1.4)
        below = torch.exp(0.16 * self._normal(len(v), 1, 1)).clamp(0.65, 1.5)
        tall = -X_HEIGHT_PX + (v + X_HEIGHT_PX) / above
        return torch.where(v < -X_HEIGHT_PX, tall, torch.where(v > 0, v / below, v))

    def plain(self, canvas: Tensor, out_width: int) -> Tensor:
        """Put the canvases on the net's grid without any change but the scale."""
        n, hc, wc = canvas.shape
        v = (torch.arange(HEIGHT_PX, device=self._device).float() - BASELINE_ROW) * SCALE + CANVAS_BASELINE_PX
        u = torch.arange(out_width, device=self._device).float() * SCALE
        y, x = torch.meshgrid((2 * v + 1) / hc - 1, (2 * u + 1) / wc - 1, indexing="ij")
        grid = torch.stack([x, y], -1).unsqueeze(0).expand(n, -1, -1, -1)
        return F.grid_sample(canvas.unsqueeze(1), grid, mode="bilinear", padding_mode="zeros", align_corners=False)[
            :, 0
        ]

    def pen(self, ink: Tensor, drawn: Tensor) -> Tensor:
        """Pen width, breaks, doubled strokes, fading.

        `drawn` is 1 for lines from a font, 0 for real ones, which get the milder share, shape (n,).
        """
        n, h, w = ink.shape
        x = ink.unsqueeze(1)
        thick = F.max_pool2d(x, 3, 1, 1)
        thin = -F.max_pool2d(-x, 3, 1, 1)
        width = self._uniform(-1, 1, n, 1, 1, 1)
        width = torch.where(drawn.view(n, 1, 1, 1) > 0, width, 0.9 * width)
        x = torch.where(width > 0, x + width * (thick - x), x - 0.8 * width * (thin - x))
        ink = x[:, 0]
        shift = (int(self._rng.integers(-2, 3)), 2)
        twin = torch.roll(ink, shift, (1, 2)) * self._uniform(0.3, 0.9, n, 1, 1)
        ink = torch.maximum(ink, twin * self._some(0.04, n))
        fade = 0.35 * self._smooth(n, h, w, 32, 60) + 0.15 * self._smooth(n, h, w, 3, 5)
        ink = ink * (1 - (self._some(0.4, n) * fade.abs())).clamp(0.1, 1)
        holes = (self._smooth(n, h, w, 3, 4) > self._uniform(1.2, 2.5, n, 1, 1)).float() * self._some(0.25, n)
        return ink * (1 - 0.9 * holes) * (1 - self._bands(n, w)) * (1 - self._strips(n, h))

    def _strips(self, n: int, h: int) -> Tensor:
        """Wipe out a level strip on one line in eight, shape (n, h, 1)."""
        v = torch.arange(h, device=self._device).float().view(1, h, 1)
        covered = (v - self._uniform(0, h, n, 1, 1)).abs() < self._uniform(0.6, 3, n, 1, 1)
        return covered.float() * self._some(0.125, n)

    def _bands(self, n: int, w: int) -> Tensor:
        """Narrow upright bands wiped out on every other line, at most one to every 120 px or so, shape (n, 1, w)."""
        middles = self._uniform(0, 1, n, 8, 1) * w
        half = self._uniform(1.5, 7, n, 8, 1)
        wanted = (torch.rand(n, 8, 1, generator=self._g, device=self._device) < w / 1000).float()
        u = torch.arange(w, device=self._device).float().view(1, 1, w)
        covered = (((u - middles).abs() < half).float() * wanted).amax(1, keepdim=True)
        return covered * self._some(0.5, n)

    def paper(self, ink: Tensor, drawn: Tensor) -> Tensor:
        """Rules through the letters, neighbours' strokes, blur, contrast, noise; result in 0..1."""
        n, h, w = ink.shape
        v = torch.arange(h, device=self._device).float().view(1, h, 1)
        u = torch.arange(w, device=self._device).float().view(1, 1, w)
        far = torch.where(self._some(0.5, n) > 0, self._uniform(40, 56, n, 1, 1), self._uniform(-56, -40, n, 1, 1))
        rows = (v + far).round().long().expand(n, h, w)
        inside = ((rows >= 0) & (rows < h)).float()
        other = torch.roll(ink, 1, 0).gather(1, rows.clamp(0, h - 1)) * inside
        ink = torch.maximum(ink, other * self._some(0.15, n))
        share = torch.where(drawn.view(n, 1, 1) > 0, self._some(0.4, n), self._some(0.12, n))
        gap = self._uniform(9, 60, n, 1, 1)
        phase = self._uniform(0, 60, n, 1, 1) + self._uniform(-0.012, 0.012, n, 1, 1) * (u - w / 2)
        rule = (self._uniform(0.5, 1.6, n, 1, 1) - ((v - phase) % gap)).clamp(0, 1)
        across = (self._uniform(0.5, 1.4, n, 1, 1) - ((u - phase) % (gap * 1.5))).clamp(0, 1) * self._some(0.15, n)
        rule = torch.maximum(rule, across) * self._uniform(0.08, 0.75, n, 1, 1) * share
        ink = ink + rule * (1 - ink)
        ink = self._blur(ink)
        ink = ink * self._uniform(0.6, 1.15, n, 1, 1)
        gain = self._uniform(0.8, 1.6, n, 1, 1)
        ink = torch.where(self._some(0.4, n) > 0, (ink - 0.35) * gain + 0.35, ink)
        shade = self._some(0.4, n) * (0.05 * self._smooth(n, h, w, 32, 150) + self._uniform(-0.02, 0.06, n, 1, 1))
        grain = self._uniform(0, 1, n, 1, 1) ** 2 * 0.10 * self._normal(n, h, w)
        return (ink + shade + grain).clamp(0, 1)

    def _blur(self, ink: Tensor) -> Tensor:
        """Soft focus and coarse scans: a mix with a blurred or a shrunk copy."""
        n, h, w = ink.shape
        x = ink.unsqueeze(1)
        tap = torch.tensor([1.0, 4.0, 6.0, 4.0, 1.0], device=self._device) / 16
        soft = F.conv2d(F.conv2d(x, tap.view(1, 1, 5, 1), padding=(2, 0)), tap.view(1, 1, 1, 5), padding=(0, 2))
        x = x + self._uniform(0, 1, n, 1, 1, 1) * (soft - x) * self._some(0.6, n).unsqueeze(1)
        coarse = F.interpolate(F.avg_pool2d(x, 2), (h, w), mode="bilinear", align_corners=False)
        return torch.where(self._some(0.12, n).unsqueeze(1) > 0, coarse, x)[:, 0]
