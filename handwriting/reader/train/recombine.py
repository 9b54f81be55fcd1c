"""New real lines from old ones: words and pieces of words cut out of the copied lines and set in another order.

The same few thousand lines seen a hundred times would be learned by heart, words in their running order with them.
A net that can already read a little is laid on each line with its own text (Viterbi path of connectionist temporal
classification), the gaps between words and the thinnest ink between letters are found, and words of one writer are put
together at random; some of them are made of pieces of other words, so that no run of letters can be counted on.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor

from handwriting.reader.alphabet import INDEX, encode
from handwriting.reader.train.draw import CANVAS_HEIGHT_PX, CANVAS_WIDTH_PX

WORST_NATS = 2.5
FINISHED = "words.npz"
_PIECED_WORDS = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """Words cut out of real lines.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (CANVAS_HEIGHT_PX, N)
        All pictures side by side.
    spans : ndarray of int64, shape (n, 2)
        First and past-the-last column of each word.
    texts : list of str
        What each says.
    cuts : list of ndarray of int64
        Where the letters of each begin, and its end, columns from its own first.
    by_writer : list of ndarray
        Word numbers of each writer.
    """

    pixels: npt.NDArray[np.uint8]
    spans: npt.NDArray[np.int64]
    texts: list[str]
    cuts: list[npt.NDArray[np.int64]]
    by_writer: list[npt.NDArray[np.int64]]


@torch.no_grad()
def align(
    log_probs: Tensor, frames: npt.NDArray[np.int64], targets: list[list[int]]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Best path of each line through its text.

    Parameters
    ----------
    log_probs : Tensor, shape (n, T, C)
    frames : ndarray, shape (n,)
        Frames of each line that count.
    targets : list of list of int
        Classes of each text.

    Returns
    -------
    path : ndarray of int64, shape (n, T)
        State of each frame: 2 i + 1 for the text's i-th sign, even for the blanks between.
    cost : ndarray, shape (n,)
        Negative log probability of the path for each sign.
    """
    n, t_max, _ = log_probs.shape
    device = log_probs.device
    states = torch.zeros(n, 2 * max(map(len, targets)) + 1, dtype=torch.long)
    for i, target in enumerate(targets):
        states[i, 1 : 2 * len(target) : 2] = torch.tensor(target)
    states = states.to(device)
    leap = (states != 0) & (states != torch.roll(states, 2, 1))
    leap[:, :2] = False
    emit = log_probs.gather(2, states[:, None, :].expand(n, t_max, states.shape[1]))
    never = torch.full((n, 2), -1e9, device=device)
    best = torch.full_like(emit[:, 0], -1e9)
    best[:, :2] = emit[:, 0, :2]
    steps = torch.zeros(t_max, *best.shape, dtype=torch.uint8, device=device)
    lengths = torch.from_numpy(frames).to(device)
    for t in range(1, t_max):
        one = torch.cat([never[:, :1], best[:, :-1]], 1)
        two = torch.where(leap, torch.cat([never, best[:, :-2]], 1), -1e9)
        value, step = torch.stack([best, one, two]).max(0)
        live = (t < lengths)[:, None]
        best = torch.where(live, value + emit[:, t], best)
        steps[t] = torch.where(live, step, 0).to(torch.uint8)
    ends = torch.tensor([2 * len(target) for target in targets], device=device)
    rows = torch.arange(n, device=device)
    state = torch.where(best[rows, ends] > best[rows, ends - 1], ends, ends - 1)
    cost = -best[rows, state] / (ends / 2)
    path = torch.zeros(t_max, n, dtype=torch.long, device=device)
    for t in range(t_max - 1, -1, -1):
        path[t] = state
        state = state - steps[t][rows, state].long()
    return path.T.cpu().numpy(), cost.double().cpu().numpy()


def cut_points(picture: npt.NDArray[np.uint8], path: npt.NDArray[np.int64], text: str, frame_px: float) -> list[int]:
    """Column of the picture where each sign begins, and the picture's end: the emptiest place between two signs.

    -1 where the path gives a sign no frame.
    """
    profile = np.convolve((picture > 90).sum(0), np.ones(7) / 7, "same")
    signs = [sign for sign in text if sign in INDEX]
    # The path never goes back, so one search finds where every sign begins and ends.
    states = 2 * np.arange(len(signs)) + 1
    begin, end = np.searchsorted(path, states), np.searchsorted(path, states, "right") - 1
    points = [0]
    for j in range(1, len(signs)):
        # A space is cut at its own emptiest column and ends there.
        gap = signs[j] == " " or signs[j - 1] == " "
        first, last = (j - 1, j + 1) if signs[j] == " " else (j - 2, j) if signs[j - 1] == " " else (j - 1, j)
        if first < 0 or last >= len(signs):
            points.append(-1)
            continue
        if end[first] < begin[first] or end[last] < begin[last]:
            points.append(-1)
            continue
        inset = 0.2 if gap else 0.0
        low, high = int((end[first] + 0.5 + inset) * frame_px), int((begin[last] + 0.5 - inset) * frame_px)
        span = np.arange(low, max(high, low + 1)).clip(0, picture.shape[1] - 1)
        away = (0.03 if gap else 0.3) * np.abs(span - span.mean())
        points.append(int(span[(profile[span] + away).argmin()]))
    return [*points, picture.shape[1]]


def collect(
    pictures: list[npt.NDArray[np.uint8]], texts: list[str], writers: list[int], points: list[list[int]]
) -> Words:
    """Cut every line at its points; lines whose words cannot be told are left out."""
    parts, said, cuts, owners = [], [], [], []
    for picture, text, writer, begins in zip(pictures, texts, writers, points, strict=True):
        words = text.split(" ")
        ends = np.cumsum([len(word) + 1 for word in words])
        if len(begins) != len(text) + 1 or "" in words:
            continue
        edges = np.array([0, *(begins[end] for end in ends[:-1]), picture.shape[1]])
        if (edges < 0).any() or np.diff(edges).min() < 6:
            continue
        for i, word in enumerate(words):
            inner = begins[ends[i] - len(word) : ends[i] - 1]
            parts.append(picture[:, edges[i] : edges[i + 1]])
            said.append(word)
            cuts.append(np.array([0, *(at - edges[i] for at in inner), edges[i + 1] - edges[i]]))
            owners.append(writer)
    ends = np.cumsum([part.shape[1] for part in parts])
    spans = np.stack([np.concatenate([[0], ends[:-1]]), ends], 1)
    groups = [np.flatnonzero(np.array(owners) == writer) for writer in sorted(set(owners))]
    return Words(np.concatenate(parts, 1), spans, said, cuts, groups)


def save(words: Words, folder: Path) -> None:
    """Write for the drawing processes, which wait for the last file."""
    folder.mkdir(parents=True, exist_ok=True)
    np.save(folder / "pixels.npy", words.pixels)
    owners = np.zeros(len(words.texts), np.int64)
    for i, group in enumerate(words.by_writer):
        owners[group] = i
    np.savez(
        folder / "part.npz",
        spans=words.spans,
        texts=np.array(words.texts),
        owners=owners,
        cuts=np.concatenate(words.cuts),
        counts=np.array([len(cut) for cut in words.cuts]),
    )
    (folder / "part.npz").rename(folder / FINISHED)


def load(folder: Path) -> Words:
    """Read what `save` wrote; the pixels stay on disk."""
    with np.load(folder / FINISHED) as data:
        spans, texts, owners = data["spans"], [str(t) for t in data["texts"]], data["owners"]
        cuts = np.split(data["cuts"], np.cumsum(data["counts"])[:-1])
    groups = [np.flatnonzero(owners == i) for i in range(int(owners.max()) + 1)]
    return Words(np.load(folder / "pixels.npy", mmap_mode="r"), spans, texts, cuts, groups)


def _pieced(words: Words, group: npt.NDArray[np.int64], rng: np.random.Generator) -> tuple[list[slice], str]:
    """Columns and text of two to four pieces of words, one to four letters each."""
    columns, said = [], ""
    for i in rng.choice(group, int(rng.integers(2, 5))):
        cuts, text = words.cuts[i], words.texts[i]
        a = int(rng.integers(len(text)))
        b = min(a + int(rng.integers(1, 5)), len(text))
        if len(cuts) == len(text) + 1 and 0 <= cuts[a] <= cuts[b] - 4 * (b - a):
            columns.append(slice(words.spans[i, 0] + cuts[a], words.spans[i, 0] + cuts[b]))
            said += text[a:b]
    return columns, said


def new_line(words: Words, rng: np.random.Generator) -> tuple[npt.NDArray[np.uint8], list[int]]:
    """Join random words of one writer into a line, at most `CANVAS_WIDTH_PX` wide, and its classes."""
    group = words.by_writer[int(rng.integers(len(words.by_writer)))]
    wider = rng.uniform(0, 14) if rng.random() < 0.4 else 0.0
    ink = np.zeros((CANVAS_HEIGHT_PX, CANVAS_WIDTH_PX), np.uint8)
    x, said = int(rng.integers(0, 12)), []
    for i in rng.choice(group, int(rng.integers(1, 10))):
        columns, text = [slice(*words.spans[i])], words.texts[i]
        pieced = rng.random() < _PIECED_WORDS
        if pieced:
            columns, text = _pieced(words, group, rng)
        part = np.concatenate([words.pixels[:, c] for c in columns], 1) if columns else np.zeros((0, 0), np.uint8)
        if not part.size:
            continue
        width = part.shape[1]
        if x + width > CANVAS_WIDTH_PX - 4:
            break
        lift = int(rng.integers(-1, 2))
        ink[max(lift, 0) : CANVAS_HEIGHT_PX + min(lift, 0), x : x + width] = part[
            max(-lift, 0) : CANVAS_HEIGHT_PX - max(lift, 0)
        ]
        # A whole word brings half the gap on either side along, pieces do not.
        x += int(width + wider + (rng.uniform(10, 24) if pieced else 0))
        said.append(text)
    return ink[:, : min(x + 4, CANVAS_WIDTH_PX)], encode(" ".join(said))
