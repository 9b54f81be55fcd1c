"""Lines to train on: drawn by many processes as training runs, kept on the accelerator, mixed into batches."""

from __future__ import annotations

import queue
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import torch

from handwriting.reader.alphabet import encode
from handwriting.reader.recogniser import HEIGHT_PX, normalise
from handwriting.reader.train import copies, recombine, stroke_hand
from handwriting.reader.train.augment import SCALE
from handwriting.reader.train.draw import CANVAS_HEIGHT_PX, CANVAS_WIDTH_PX, draw_line, open_hands
from handwriting.reader.train.texts import Texts

CHUNK = 128
_SCHOOL_SHARE = 0.5
_STROKE_SHARE = 0.2
_CAPITAL_SHARE = 0.05
_RECOMBINED_CHUNKS = 0.35
_ENOUGH = 6144
_REST_SECONDS = 0.15

Pictures = list[npt.NDArray[np.uint8]]


def draw_forever(data: Path, cut: Path, seed: int, out: Any) -> None:  # noqa: ANN401
    """Put chunks of drawn lines, and of recombined real ones once `cut` holds them, into the queue until ended."""
    cv2.setNumThreads(1)
    hands = open_hands(data / "fonts")
    # The t of the central European school hands, open at the left like no other, is rare among the fonts: four shares.
    school = [hand for hand in hands if hand.joined for _ in range(4 if hand.central_european else 1)]
    others = [hand for hand in hands if not hand.joined]
    texts, rng = Texts(data / "words.json.gz", seed), np.random.default_rng(seed)
    words = None
    while True:
        if words is None and (cut / recombine.FINISHED).exists():
            words = recombine.load(cut)
        ink = np.zeros((CHUNK, CANVAS_HEIGHT_PX, CANVAS_WIDTH_PX), np.uint8)
        columns = np.full((CHUNK, CANVAS_WIDTH_PX), -1, np.int16)
        widths = np.zeros(CHUNK, np.int32)
        targets: list[npt.NDArray[np.int16]] = []
        real = words is not None and rng.random() < _RECOMBINED_CHUNKS
        while len(targets) < CHUNK:
            i = len(targets)
            if real and words is not None:
                picture, target = recombine.new_line(words, rng)
            else:
                hand = None
                if rng.random() >= _STROKE_SHARE:
                    family = school if rng.random() < _SCHOOL_SHARE and school else others or school
                    hand = family[int(rng.integers(len(family)))]
                text = texts.line(int(rng.integers(1, 10)), hand.usable if hand else stroke_hand.USABLE)
                if not text:
                    continue
                capitals = rng.random() < _CAPITAL_SHARE
                write = partial(draw_line, hand) if hand else stroke_hand.write_line
                line = write(text, rng, capitals=capitals)
                picture, target = line.ink, line.target
                columns[i, : picture.shape[1]] = line.columns
            if target:
                ink[i, :, : picture.shape[1]], widths[i] = picture, picture.shape[1]
                targets.append(np.array(target, np.int16))
        # As tensors they are handed over in shared memory, not through a pipe.
        out.put((real, torch.from_numpy(ink), torch.from_numpy(columns), widths, targets))


class Pool:
    """Canvases on the accelerator, with their widths and targets; drawn ones are replaced as new ones come."""

    def __init__(self, size: int, width: int, device: torch.device) -> None:
        self.ink = torch.zeros(size, CANVAS_HEIGHT_PX, width, dtype=torch.uint8, device=device)
        self.columns = torch.full((size, width), -1, dtype=torch.int16, device=device)
        self.widths = np.zeros(size, np.int32)
        self.targets: list[npt.NDArray[np.int16]] = [np.zeros(0, np.int16)] * size
        self.filled = 0
        self._next = 0

    def put(
        self,
        ink: torch.Tensor,
        widths: npt.NDArray[np.int32],
        targets: list[Any],
        columns: torch.Tensor | None = None,
    ) -> None:
        """Write a chunk over the oldest lines; from pinned memory without waiting."""
        at, n = self._next, len(widths)
        if at + n > len(self.widths):
            at = 0
        self.ink[at : at + n, :, : ink.shape[2]].copy_(ink, non_blocking=True)
        if columns is not None:
            self.columns[at : at + n].copy_(columns, non_blocking=True)
        self.widths[at : at + n] = widths
        self.targets[at : at + n] = targets
        self._next = at + n
        self.filled = max(self.filled, self._next)


def as_cut(lines: list[copies.CopiedLine]) -> Pictures:
    """Canvases of the lines as they were cut out: 64 px high, whatever the size of the letters."""
    size = [round(line.ink.shape[1] * SCALE) for line in lines]
    return [
        cv2.resize(line.ink, (w, CANVAS_HEIGHT_PX), interpolation=cv2.INTER_LINEAR).astype(np.uint8)
        for line, w in zip(lines, size, strict=True)
    ]


def _as_read(line: copies.CopiedLine) -> npt.NDArray[np.uint8]:
    cv2.setNumThreads(1)
    ink = (normalise((255 - line.ink).astype(np.uint8)).ink * 255).astype(np.uint8)
    width = round(ink.shape[1] * CANVAS_HEIGHT_PX / HEIGHT_PX)
    canvas = cv2.resize(ink, (width, CANVAS_HEIGHT_PX), interpolation=cv2.INTER_LINEAR)
    return np.asarray(canvas, np.uint8)


def as_read(lines: list[copies.CopiedLine], workers: int) -> Pictures:
    """Canvases of the lines as the reader itself brings them to its measure."""
    with ProcessPoolExecutor(workers, torch.multiprocessing.get_context("spawn")) as processes:
        return list(processes.map(_as_read, lines, chunksize=32))


def real_pool(pictures: Pictures, texts: list[str], device: torch.device) -> Pool:
    """Put real lines' canvases and texts into a pool of their own size."""
    width = -(-max(p.shape[1] for p in pictures) // 16) * 16
    pool = Pool(len(pictures), width, device)
    for start in range(0, len(pictures), CHUNK):
        part = pictures[start : start + CHUNK]
        ink = np.zeros((len(part), CANVAS_HEIGHT_PX, width), np.uint8)
        for i, picture in enumerate(part):
            ink[i, :, : picture.shape[1]] = picture
        widths = np.array([p.shape[1] for p in part], np.int32)
        pool.put(
            torch.from_numpy(ink), widths, [np.array(encode(text), np.int16) for text in texts[start : start + CHUNK]]
        )
    return pool


class Feeder:
    """Moves chunks from the queue into the pools of drawn and recombined lines, beside the training's own stream."""

    def __init__(self, source: Any, pools: tuple[Pool, Pool]) -> None:  # noqa: ANN401
        self._source, self._pools = source, pools
        self._device = pools[0].ink.device
        self._beside = torch.cuda.Stream(self._device) if self._device.type == "cuda" else None
        self._stop, self.lock = threading.Event(), threading.Lock()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        held: tuple[torch.Tensor, ...] = ()
        while not self._stop.is_set():
            try:
                real, ink, columns, widths, targets = self._source.get(timeout=1)
            except queue.Empty:
                continue
            pool = self._pools[int(real)]
            if self._beside is None:
                with self.lock:
                    pool.put(ink, widths, targets, columns)
                continue
            held = held or (torch.empty_like(ink).pin_memory(), torch.empty_like(columns).pin_memory())
            held[0].copy_(ink)
            held[1].copy_(columns)
            with self.lock, torch.cuda.stream(self._beside):
                # What still reads the lines that go must have read them.
                self._beside.wait_stream(torch.cuda.default_stream(self._device))
                pool.put(held[0], widths, targets, held[1])
            self._beside.synchronize()
            if self._pools[0].filled > _ENOUGH:
                time.sleep(_REST_SECONDS)

    def settle(self) -> None:
        """Let the training's stream wait for the chunk under way; to be called with the lock."""
        if self._beside is not None:
            torch.cuda.current_stream().wait_stream(self._beside)

    def stop(self) -> None:
        """End."""
        self._stop.set()
        self._thread.join(timeout=5)


def sent(array: npt.NDArray[Any], device: torch.device) -> torch.Tensor:
    """Copy to the accelerator without waiting for the work queued there."""
    tensor = torch.from_numpy(array)
    return tensor.pin_memory().to(device, non_blocking=True) if device.type == "cuda" else tensor


def pick_batches(
    pools: tuple[Pool, ...],
    picks: npt.NDArray[np.int64],
    wide: npt.NDArray[np.float32],
    tall: npt.NDArray[np.float32],
    count: int,
) -> list[tuple[Any, ...]]:
    """Sort the picked lines, rows of (pool, line), by width into `count` batches: canvases, factors, width, targets."""
    device = pools[0].ink.device
    kinds, rows = picks.T
    widths = np.array([pools[kind].widths[row] for kind, row in picks])
    outs = widths / SCALE * wide
    batches = []
    for part in np.array_split(np.argsort(outs), count):
        width = int(-(-min(outs[part].max() + 4, 1800) // 32) * 32)
        span = max(int(widths[part].max()), 64)
        canvas = torch.zeros(len(part), CANVAS_HEIGHT_PX, span, dtype=torch.uint8, device=device)
        columns = torch.full((len(part), span), -1, dtype=torch.int16, device=device)
        for kind, pool in enumerate(pools):
            here = np.flatnonzero(kinds[part] == kind)
            if len(here):
                to, there = sent(np.stack([here, rows[part[here]]]), device)
                w = min(span, pool.ink.shape[2])
                canvas[to, :, :w] = pool.ink[there, :, :w]
                columns[to, :w] = pool.columns[there, :w]
        targets = [pools[kinds[j]].targets[rows[j]] for j in part]
        drawn, wider, taller = sent(np.stack([(kinds[part] == 0).astype(np.float32), wide[part], tall[part]]), device)
        batches.append((canvas, columns, drawn, wider, taller, width, targets))
    return batches
