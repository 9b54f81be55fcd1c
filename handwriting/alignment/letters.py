"""Where each letter of a word stands: between the frames in which the reader sees it, cut where the ink is thinnest."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from handwriting.alignment.confidence import letter_confidence
from handwriting.alignment.evidence import Evidence, LineView
from handwriting.alignment.expected import likeness
from handwriting.alignment.result import WrittenLetter
from handwriting.alignment.spans import box_of, middle, share_out
from handwriting.geometry import FloatArray
from handwriting.lines import Lines
from handwriting.reader.alphabet import BLANK

# What one frame's evidence for the other letter is worth against ink cut, per stroke width of ink.
_INK = 1.0


def lay(signs: NDArray[np.float32], text: str) -> list[int]:
    """Return the frame in which each sign of `text` is seen best, in order: the likeliest way to lay them all.

    Parameters
    ----------
    signs : ndarray, shape (T, CLASSES)
        The word's own frames.
    text : str
        Signs as the reader writes them; where there are more than frames, several share one.
    """
    frames, count = len(signs), len(text)
    if count > frames:
        return [min(frames - 1, i * frames // count) for i in range(count)]
    classes, prices = likeness(text)
    score = (signs[:, classes] - prices).max(2)
    score = np.maximum(score, signs.max(1, keepdims=True) - 8.0)
    blank = np.maximum(signs[:, BLANK], signs.max(1) - 8.0)
    # State 2 i is the blank before sign i, 2 i + 1 the sign.
    states = 2 * count + 1
    emit = np.empty((frames, states))
    emit[:, 0::2] = blank[:, None]
    emit[:, 1::2] = score
    leap = np.full(states, -1e9)
    leap[3::2] = [0.0 if a.lower() != b.lower() else -1e9 for a, b in pairwise(text)]
    best = np.full(states, -1e9)
    best[:2] = emit[0, :2]
    came = np.zeros((frames, states), np.int8)
    for t in range(1, frames):
        options = np.full((3, states), -1e9)
        options[0] = best
        options[1, 1:] = best[:-1]
        options[2, 2:] = best[:-2] + leap[2:]
        came[t] = options.argmax(0)
        best = options.max(0) + emit[t]
    state = states - 1 if best[-1] > best[-2] else states - 2
    held: list[list[int]] = [[] for _ in range(count)]
    for t in range(frames - 1, -1, -1):
        if state % 2:
            held[state // 2].append(t)
        state -= int(came[t, state])
    return [mine[int(np.argmax(score[mine, i]))] if mine else 0 for i, mine in enumerate(held)]


def place_letters(
    evidence: Evidence,
    view: LineView,
    lines: Lines,
    chosen: NDArray[np.int64],
    text: str,
    frames: list[int],
    stroke_px: float,
) -> tuple[WrittenLetter, ...]:
    """Return the letters of one word with their boxes.

    Parameters
    ----------
    chosen : ndarray of int64
        The word's pixels, as positions in `view.pixels`.
    text : str
        Its signs, one for each of `frames`, the page's frames in which they are seen, ascending.
    stroke_px : float
        Typical width of the pen's line.

    Returns
    -------
    tuple of WrittenLetter
        Signs without ink of their own are left out.
    """
    columns = view.upright[chosen]
    origin = float(np.floor(columns.min()))
    ink = np.bincount((columns - origin).astype(np.int64)).astype(np.float64) / stroke_px
    seen = [middle(view, f) for f in frames]
    cuts = [
        _cut(evidence, view, text[i : i + 2], (frames[i], frames[i + 1]), (seen[i], seen[i + 1]), origin, ink)
        for i in range(len(text) - 1)
    ]
    edges = np.maximum.accumulate(np.array(cuts)) if cuts else np.empty(0)
    number = share_out(view, lines, edges, chosen)
    classes, prices = likeness(text)
    out = []
    for i, sign in enumerate(text):
        mine = chosen[number == i]
        if len(mine):
            sure = float(np.exp((evidence.signs[frames[i], classes[i]] - prices[i]).max()))
            out.append(WrittenLetter(sign, box_of(lines, view.pixels[mine]), letter_confidence(sure)))
    return tuple(out)


def _cut(
    evidence: Evidence,
    view: LineView,
    pair: str,
    frames: tuple[int, int],
    seen: tuple[float, float],
    origin: float,
    ink: FloatArray,
) -> float:
    """Return the column between two neighbouring signs where evidence and ink agree best to part them."""
    a, b = frames
    low, high = seen
    if b <= a or high - low < 2:
        return 0.5 * (low + high)
    columns = np.arange(np.ceil(low), np.floor(high) + 1)
    classes, prices = likeness(pair)
    scores = [(evidence.places[a : b + 1, classes[k]] - prices[k]).max(1) for k in (0, 1)]
    gain = np.clip(scores[1] - scores[0], -4.0, 4.0)
    # Cost of cutting before frame i: frames from i on go to the right, those before to the left.
    cost = np.concatenate([[0.0], np.cumsum(gain)])
    edge = np.interp(columns, view.edges[a - view.start : b - view.start + 2], cost)
    at = np.clip((columns - origin).astype(np.int64), 0, len(ink) - 1)
    inside = (columns >= origin) & (columns - origin < len(ink))
    total = edge + _INK * np.where(inside, ink[at], 0.0)
    least = np.flatnonzero(total <= total.min() + 1e-9)
    return float(columns[least[len(least) // 2]])
