"""The network: convolutions and one look along the whole line, so that a line of any width runs in OpenCV's dnn module.

Input (N, 1, 64, W), ink 1 on paper 0. Two outputs, each (N, CLASSES, W / 4): scores for reading (connectionist
temporal classification) and scores of the letter each column belongs to. What is said of the writer as a whole enters
in two ways: every channel is weighted by what the line holds on average (squeeze and excitation, Hu et al. 2018), and
every frame looks at the frames most like it (attention without place, Vaswani et al. 2017).
"""

from __future__ import annotations

import torch
from torch import Tensor, nn

from handwriting.reader.alphabet import CLASSES

WIDTHS = (24, 64, 128, 224)
BLOCKS = (1, 2, 3, 2)
CONTEXT = 256
DILATIONS = (1, 2, 3)
STRIDE_PX = 4
HEADS = 4
HEAD_WIDTH = 16
_MIXED_LINES = 0.5


def _conv(
    c_in: int, c_out: int, size: int | tuple[int, int], stride: int | tuple[int, int] = 1, pad: int = 0
) -> nn.Sequential:
    return nn.Sequential(nn.Conv2d(c_in, c_out, size, stride, pad, bias=False), nn.BatchNorm2d(c_out))


class Weigh(nn.Module):
    """Weigh each channel by the line's average; neutral at the start."""

    def __init__(self, channels: int, narrow: int) -> None:
        super().__init__()
        self.down = nn.Conv2d(channels, narrow, 1)
        self.up = nn.Conv2d(narrow, channels, 1)
        nn.init.zeros_(self.up.weight)
        nn.init.zeros_(self.up.bias)

    def forward(self, x: Tensor) -> Tensor:  # noqa: D102
        average = nn.functional.adaptive_avg_pool2d(x, 1)
        return x * (2 * torch.sigmoid(self.up(torch.relu(self.down(average)))))


class Residual(nn.Module):
    """Two 3 x 3 convolutions with a way round them."""

    def __init__(self, channels: int, narrow: int = 0) -> None:
        super().__init__()
        self.first = _conv(channels, channels, 3, pad=1)
        self.second = _conv(channels, channels, 3, pad=1)
        self.weigh = Weigh(channels, narrow) if narrow else nn.Identity()

    def forward(self, x: Tensor) -> Tensor:  # noqa: D102
        return torch.relu(x + self.weigh(self.second(torch.relu(self.first(x)))))


class Context(nn.Module):
    """A wide look along the line, one channel at a time, then mixed."""

    def __init__(self, channels: int, dilation: int, dropout: float) -> None:
        super().__init__()
        self.along = nn.Sequential(
            nn.Conv2d(
                channels,
                channels,
                (1, 7),
                padding=(0, 3 * dilation),
                dilation=(1, dilation),
                groups=channels,
                bias=False,
            ),
            nn.BatchNorm2d(channels),
        )
        self.weigh = Weigh(channels, 48)
        self.wider = nn.Conv2d(channels, 3 * channels, 1)
        self.back = nn.Conv2d(3 * channels, channels, 1)
        self.drop = nn.Dropout(dropout)

    def forward(self, x: Tensor) -> Tensor:  # noqa: D102
        return x + self.drop(self.back(torch.relu(self.wider(self.weigh(self.along(x))))))


class Likeness(nn.Module):
    """Attention of every frame to every other, by likeness alone; adds nothing at the start."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        width = HEADS * HEAD_WIDTH
        self.ask = nn.Conv2d(channels, width, 1)
        self.offer = nn.Conv2d(channels, width, 1)
        self.give = nn.Conv2d(channels, width, 1)
        self.back = nn.Conv2d(width, channels, 1)
        nn.init.zeros_(self.back.weight)
        nn.init.zeros_(self.back.bias)

    def forward(self, x: Tensor) -> Tensor:  # noqa: D102
        ask, offer, give = (part(x).squeeze(2) for part in (self.ask, self.offer, self.give))
        found = []
        # Head by head: reshaping into heads would put the line's length into the exported file.
        for i in range(HEADS):
            one = slice(i * HEAD_WIDTH, (i + 1) * HEAD_WIDTH)
            likeness = torch.matmul(ask[:, one].transpose(1, 2), offer[:, one]) * HEAD_WIDTH**-0.5
            found.append(torch.matmul(torch.softmax(likeness, 2), give[:, one].transpose(1, 2)).transpose(1, 2))
        return x + self.back(torch.cat(found, 1).unsqueeze(2))


def mix_styles(x: Tensor) -> Tensor:
    """Give some lines part of another line's channel means and spreads (Zhou et al. 2021): writers in between."""
    with torch.no_grad():
        mean = nn.functional.adaptive_avg_pool2d(x, 1).float()
        spread = (nn.functional.adaptive_avg_pool2d(x * x, 1).float() - mean**2).clamp(min=1e-5).sqrt()
        other = torch.randperm(len(x), device=x.device)
        share = 0.6 * torch.rand(len(x), 1, 1, 1, device=x.device)
        share = share * (torch.rand(len(x), 1, 1, 1, device=x.device) < _MIXED_LINES)
        gain = 1 + share * (spread[other] / spread - 1).clamp(-0.7, 2)
        shift = mean + share * (mean[other] - mean) - gain * mean
    return x * gain.to(x.dtype) + shift.to(x.dtype)


class ReaderNet(nn.Module):
    """See the module's text."""

    def __init__(self, dropout: float = 0.15) -> None:
        super().__init__()
        c1, c2, c3, c4 = WIDTHS
        n1, n2, n3, n4 = BLOCKS
        self.trunk = nn.Sequential(
            _conv(1, c1, 5, 2, 2), nn.ReLU(), *(Residual(c1) for _ in range(n1)),
            _conv(c1, c2, 3, 2, 1), nn.ReLU(), *(Residual(c2) for _ in range(n2)),
            _conv(c2, c3, 3, (2, 1), 1), nn.ReLU(), *(Residual(c3, 16) for _ in range(n3)),
            _conv(c3, c4, 3, (2, 1), 1), nn.ReLU(), *(Residual(c4, 28) for _ in range(n4)),
            nn.Dropout2d(dropout),
            _conv(c4, CONTEXT, (4, 1)), nn.ReLU(), *(Context(CONTEXT, d, dropout) for d in DILATIONS),
            nn.Dropout(dropout),
        )  # fmt: skip
        self.likeness = Likeness(CONTEXT)
        self.read = nn.Conv2d(CONTEXT, CLASSES, 1)
        self.place = nn.Conv2d(CONTEXT, CLASSES, 1)
        # For training alone: reads before any wide look, so that shapes are told by themselves, not by their company.
        self.near = nn.Conv2d(CONTEXT, CLASSES, (1, 3), padding=(0, 1))
        # After the first two stages, where channels still say how the pen wrote rather than what.
        self._mix_after = (n1 + 1, n1 + n2 + 3)
        self._look_after = len(self.trunk) - 3
        self._near_after = self._look_after - len(DILATIONS) + 1

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:  # noqa: D102
        read, place, _ = self.scores(x)
        return read, place

    def scores(self, x: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Scores for reading, of the letter each column belongs to, and for reading without the wide looks."""
        near = x
        for i, layer in enumerate(self.trunk):
            x = layer(x)
            if self.training and i in self._mix_after:
                x = mix_styles(x)
            if i == self._near_after:
                near = x
            if i == self._look_after:
                x = self.likeness(x)
        return self.read(x).squeeze(2), self.place(x).squeeze(2), self.near(near).squeeze(2)
