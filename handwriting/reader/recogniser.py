"""Reads a line of handwriting letter by letter, without a word list and without knowing what should be there.

A line is first brought to the net's own measure (`normalise`): 64 px high, baseline on row 43, x-height 18 px. The net
then gives, for every 4 px of width, the probability of each sign. It was trained with x-heights of about 12 to 28 px
and the baseline several pixels off, so a line cut without known geometry is still read (`course` finds both).
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from handwriting.errors import DamagedFileError, FileNotReadableError, UsageError
from handwriting.reader.alphabet import CLASSES, decode
from handwriting.reader.course import course
from handwriting.reader.likeliest import likeliest

HEIGHT_PX: Final = 64
BASELINE_ROW: Final = 43
X_HEIGHT_PX: Final = 18
STRIDE_PX: Final = 4
MARGIN_PX: Final = 8
_SMALLEST_X_HEIGHT_PX: Final = 13
_LONGEST_PX: Final = 8192

Floats = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A line in the net's measure.

    Attributes
    ----------
    ink : ndarray of float32, shape (64, W)
        1 for ink, 0 for paper; W a multiple of 4.
    scale : float
        Net pixels per pixel of the crop it came from.
    left_px : float
        Net column of the crop's left edge.
    """

    ink: Floats
    scale: float
    left_px: float

    def crop_x(self, frame: float) -> float:
        """Column of the crop (px from its left edge) under the middle of a frame."""
        return ((frame + 0.5) * STRIDE_PX - self.left_px) / self.scale


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """What the net saw.

    Attributes
    ----------
    log_probs : ndarray of float32, shape (T, CLASSES)
        Natural log of the probability of each class in each frame, for reading: class 0 is the blank, class i is
        `ALPHABET[i - 1]`. Each row sums to 1 in probability.
    place_log_probs : ndarray of float32, shape (T, CLASSES)
        Natural log of the probability that the frame lies within a letter of that class (no blanks between like
        letters): for finding where a letter begins and ends, not for reading.
    line : Line
        The picture read and its scale; frame t is `STRIDE_PX` net pixels wide.
    """

    log_probs: Floats
    place_log_probs: Floats
    line: Line

    @property
    def text(self) -> str:
        """The likeliest text of the frames: no word list, no language."""
        return decode(likeliest(self.log_probs)).strip()


def ink_of(grey: npt.NDArray[np.uint8]) -> Floats:
    """How much ink each pixel holds, 0 (paper) to 1 (the line's own darkest ink).

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
        Dark ink on light paper.

    Returns
    -------
    ndarray of float32, shape (H, W)
        All 0 where paper and ink differ by less than 12 grey levels.
    """
    paper = float(np.percentile(grey, 90))
    darkest = max(20, grey.size // 200)
    dark = float(np.partition(grey.ravel(), min(darkest, grey.size - 1))[:darkest].mean())
    if paper - dark < 12:
        return np.zeros(grey.shape, np.float32)
    share: Floats = np.clip((paper - grey.astype(np.float32)) / (paper - dark), 0, 1)
    return share


def normalise(
    grey: npt.NDArray[np.uint8],
    baseline_px: float | npt.NDArray[np.floating] | None = None,
    x_height_px: float | None = None,
) -> Line:
    """Bring a cut-out line to the net's measure.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
        The line, dark ink on light paper, other lines' ink masked with paper, left to right. A margin of half an
        x-height or more of paper on each side is not needed: one is added.
    baseline_px : float or ndarray of float, shape (W,), optional
        Row (px, y down) of the writing baseline, one value or one for each column: with one for each the line is
        straightened. Found with `course` when left out.
    x_height_px : float, optional
        Height of the small letters, px. Found with `course` when left out.

    Returns
    -------
    Line
        Baseline on row 43, x-height 18 px; less, down to 13 px, where tall or hanging letters would be cut off.

    Raises
    ------
    UsageError
        For a picture that is not two-dimensional uint8, an empty one, or an x-height that is not a positive number.
    """
    if grey.ndim != 2 or grey.dtype != np.uint8 or not grey.size:
        raise UsageError(
            "the reader wants a grey picture of one line (two dimensions, 8 bits)", fix="Cut the line out first"
        )
    ink = ink_of(grey)
    height, width = ink.shape
    if baseline_px is None or x_height_px is None:
        found = course(ink)
        baseline_px = found[0] if baseline_px is None else baseline_px
        x_height_px = found[1] if x_height_px is None else x_height_px
    rows = np.broadcast_to(np.asarray(baseline_px, np.float32), (width,))
    if not (np.isfinite(x_height_px) and x_height_px > 0 and np.isfinite(rows).all()):
        raise UsageError("the reader wants an x-height above 0 px and a baseline", fix="Measure the line first")
    if np.ptp(rows) > 0.5:
        y, x = np.mgrid[0:height, 0:width].astype(np.float32)
        ink = cv2.remap(ink, x, y + rows[None, :] - rows.mean(), cv2.INTER_LINEAR, borderValue=0)
    base = float(rows.mean())
    scale = _scale(ink, base, float(x_height_px))
    inner = max(1, round(width * scale))
    out_width = -(-(inner + 2 * MARGIN_PX) // STRIDE_PX) * STRIDE_PX
    if out_width > _LONGEST_PX:
        raise UsageError(
            f"the line is {width / x_height_px:.0f} x-heights long, too long for one line", fix="Cut it first"
        )
    # Area averaging before the move: a plain resample of a fine scan would drop thin strokes.
    if scale < 1:
        small = cv2.resize(ink, (inner, max(1, round(height * scale))), interpolation=cv2.INTER_AREA)
        step_x, step_y = inner / width, small.shape[0] / height
    else:
        small, step_x, step_y = ink, 1.0, 1.0
    fx, fy = scale / step_x, scale / step_y
    # Pixel centres: crop row r has its centre at r + 0.5; `base` is an edge coordinate.
    move = np.array(
        [[fx, 0, MARGIN_PX + 0.5 * fx - 0.5], [0, fy, BASELINE_ROW - base * scale + 0.5 * fy - 0.5]], np.float64
    )
    sharp = cv2.warpAffine(small, move, (out_width, HEIGHT_PX), flags=cv2.INTER_LINEAR, borderValue=0)
    # As soft as what the net was trained on, which passes through a canvas a quarter higher and wider.
    canvas = cv2.resize(sharp, (out_width * 5 // 4, HEIGHT_PX * 5 // 4), interpolation=cv2.INTER_LINEAR)
    out = np.asarray(cv2.resize(canvas, (out_width, HEIGHT_PX), interpolation=cv2.INTER_LINEAR), np.float32)
    out.setflags(write=False)
    return Line(out, scale, float(MARGIN_PX))


def _scale(ink: Floats, base: float, x_height_px: float) -> float:
    """Net px per crop px: x-height to 18 px, less where 1 % or more of the ink would fall outside."""
    share = np.cumsum(ink.sum(1))
    scale = X_HEIGHT_PX / x_height_px
    if share[-1] <= 0:
        return scale
    share = share / share[-1]
    above = base - int(np.searchsorted(share, 0.004))
    below = int(np.searchsorted(share, 0.996)) + 1 - base
    fits = min((BASELINE_ROW - 1) / max(above, 1e-6), (HEIGHT_PX - BASELINE_ROW - 1) / max(below, 1e-6))
    return float(min(scale, max(fits, _SMALLEST_X_HEIGHT_PX / x_height_px)))


class Recogniser:
    """The net, ready to read. One instance serves one thread at a time."""

    def __init__(self, net: cv2.dnn.Net) -> None:
        self._net = net

    @classmethod
    def load(cls, path: Path | None = None) -> Recogniser:
        """Load the weights.

        Parameters
        ----------
        path : Path, optional
            An ONNX file made by `handwriting.reader.train.export`; the package's own when left out.

        Raises
        ------
        FileNotReadableError
            The file cannot be opened.
        DamagedFileError
            The file is not a net that can be run.
        """
        try:
            data = (
                files("handwriting.reader").joinpath("weights.onnx").read_bytes() if path is None else path.read_bytes()
            )
        except OSError as trouble:
            where = "weights.onnx" if path is None else str(path)
            raise FileNotReadableError(
                "the reader's weights cannot be opened", where=where, fix="Install the package again"
            ) from trouble
        try:
            return cls(cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8), cv2.dnn.ENGINE_NEW))
        except cv2.error as trouble:
            raise DamagedFileError(
                "the reader's weights are broken",
                where="weights.onnx" if path is None else str(path),
                fix="Install the package again",
            ) from trouble

    def read(
        self,
        grey: npt.NDArray[np.uint8],
        baseline_px: float | npt.NDArray[np.floating] | None = None,
        x_height_px: float | None = None,
    ) -> Reading:
        """Read a cut-out line; see `normalise` for the arguments."""
        return self.read_line(normalise(grey, baseline_px, x_height_px))

    def read_line(self, line: Line) -> Reading:
        """Read a line already in the net's measure."""
        self._net.setInput(line.ink[None, None], "ink")
        read, place = self._net.forward(("read", "place"))
        return Reading(_log_softmax(read), _log_softmax(place), line)


def _log_softmax(scores: npt.NDArray[np.float32]) -> Floats:
    """(1, C, T) scores -> (T, C) natural log probabilities, read only."""
    rows = np.ascontiguousarray(scores.reshape(CLASSES, -1).T)
    rows -= rows.max(1, keepdims=True)
    rows -= np.log(np.exp(rows).sum(1, keepdims=True))
    rows.setflags(write=False)
    return rows
