"""The network: convolutions only, so that it runs on a line of any width in OpenCV's dnn module.

Input (N, 1, 64, W), ink 1 on paper 0. Two outputs, each (N, CLASSES, W / 4): scores for reading (connectionist
temporal classification) and scores of the letter each column belongs to.
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


def _conv(
    c_in: int, c_out: int, size: int | tuple[int, int], stride: int | tuple[int, int] = 1, pad: int = 0
) -> nn.Sequential:
    return nn.Sequential(nn.Conv2d(c_in, c_out, size, stride, pad, bias=False), nn.BatchNorm2d(c_out))


class Residual(nn.Module):
    """Two 3 x 3 convolutions with a way round them."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        self.first = _conv(channels, channels, 3, pad=1)
        self.second = _conv(channels, channels, 3, pad=1)

    def forward(self, x: Tensor) -> Tensor:  # noqa: D102
        return torch.relu(x + self.second(torch.relu(self.first(x))))


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
        self.wider = nn.Conv2d(channels, 3 * channels, 1)
        self.back = nn.Conv2d(3 * channels, channels, 1)
        self.drop = nn.Dropout(dropout)

    def forward(self, x: Tensor) -> Tensor:  # noqa: D102
        return x + self.drop(self.back(torch.relu(self.wider(self.along(x)))))


class ReaderNet(nn.Module):
    """See the module's text."""

    def __init__(self, dropout: float = 0.1) -> None:
        super().__init__()
        c1, c2, c3, c4 = WIDTHS
        n1, n2, n3, n4 = BLOCKS
        self.trunk = nn.Sequential(
            _conv(1, c1, 5, 2, 2), nn.ReLU(), *(Residual(c1) for _ in range(n1)),
            _conv(c1, c2, 3, 2, 1), nn.ReLU(), *(Residual(c2) for _ in range(n2)),
            _conv(c2, c3, 3, (2, 1), 1), nn.ReLU(), *(Residual(c3) for _ in range(n3)),
            _conv(c3, c4, 3, (2, 1), 1), nn.ReLU(), *(Residual(c4) for _ in range(n4)),
            nn.Dropout2d(dropout),
            _conv(c4, CONTEXT, (4, 1)), nn.ReLU(), *(Context(CONTEXT, d, dropout) for d in DILATIONS),
            nn.Dropout(dropout),
        )  # fmt: skip
        self.read = nn.Conv2d(CONTEXT, CLASSES, 1)
        self.place = nn.Conv2d(CONTEXT, CLASSES, 1)

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:  # noqa: D102
        x = self.trunk(x)
        return self.read(x).squeeze(2), self.place(x).squeeze(2)
