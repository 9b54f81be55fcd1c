"""Train the reader: drawn lines made on the fly by many processes, real lines mixed in, one accelerator.

`python -m handwriting.reader.train.fit DATA OUT --minutes 9`, where DATA holds `fonts/`, `words.json.gz` and
`copies.npz` (made by `fonts`, `texts` and `copies`). Writes `reader.pt` (float16 weights, averaged over the last
steps) and `fit.log`. The length is set in minutes because the machine is lent by the minute: the same seed on another
machine makes another number of steps, and so another net of the same kind.
"""

from __future__ import annotations

import argparse
import logging
import math
import multiprocessing as mp
import queue
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from handwriting.reader.alphabet import collapse, decode, encode
from handwriting.reader.recogniser import STRIDE_PX
from handwriting.reader.train import copies, recombine
from handwriting.reader.train.augment import SCALE, Augment
from handwriting.reader.train.draw import CANVAS_HEIGHT_PX, CANVAS_WIDTH_PX, draw_line, open_hands
from handwriting.reader.train.net import ReaderNet
from handwriting.reader.train.score import character_error
from handwriting.reader.train.texts import Texts

log = logging.getLogger(__name__)

CHUNK = 128
_IGNORE = -100
_SCHOOL_SHARE = 0.55
_RECOMBINED_SHARE = 0.6


@dataclass(frozen=True, slots=True)
class Settings:
    """What a run is: see `main` for each one's meaning."""

    data: Path
    out: Path
    minutes: float
    seed: int
    workers: int
    batch: int
    rate: float
    real_share: tuple[float, float]
    pool: int
    start: Path | None


def _draw_forever(data: Path, cut: Path | None, seed: int, out: Any) -> None:  # noqa: ANN401
    """Put chunks of drawn lines, and of recombined real ones, into the queue, for as long as it lives."""
    import cv2

    cv2.setNumThreads(1)
    hands = open_hands(data / "fonts")
    # The t of the central European school hands, open at the left like no other, is rare among the fonts: four shares.
    school = [hand for hand in hands if hand.joined for _ in range(4 if hand.central_european else 1)]
    others = [hand for hand in hands if not hand.joined]
    texts, rng = Texts(data / "words.json.gz", seed), np.random.default_rng(seed)
    words = recombine.load(cut) if cut else None
    while True:
        ink = np.zeros((CHUNK, CANVAS_HEIGHT_PX, CANVAS_WIDTH_PX), np.uint8)
        columns = np.full((CHUNK, CANVAS_WIDTH_PX), -1, np.int16)
        widths = np.zeros(CHUNK, np.int32)
        targets: list[npt.NDArray[np.int16]] = []
        real = words is not None and rng.random() < 0.5
        while len(targets) < CHUNK:
            if real and words is not None:
                picture, target = recombine.new_line(words, rng)
                if target:
                    i, w = len(targets), picture.shape[1]
                    ink[i, :, :w], widths[i] = picture, w
                    targets.append(np.array(target, np.int16))
                continue
            family = school if rng.random() < _SCHOOL_SHARE and school else others or school
            hand = family[int(rng.integers(len(family)))]
            text = texts.line(int(rng.integers(1, 10)), hand.usable)
            if not text:
                continue
            line = draw_line(hand, text, rng)
            i, w = len(targets), line.ink.shape[1]
            ink[i, :, :w], columns[i, :w], widths[i] = line.ink, line.columns, w
            targets.append(np.array(line.target, np.int16))
        out.put((real, ink, columns, widths, targets))


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
        ink: npt.NDArray[np.uint8],
        widths: npt.NDArray[np.int32],
        targets: list[Any],
        columns: npt.NDArray[np.int16] | None = None,
    ) -> None:
        """Write a chunk over the oldest lines."""
        at, n = self._next, len(widths)
        if at + n > len(self.widths):
            at = 0
        self.ink[at : at + n, :, : ink.shape[2]].copy_(torch.from_numpy(ink))
        if columns is not None:
            self.columns[at : at + n].copy_(torch.from_numpy(columns))
        self.widths[at : at + n] = widths
        self.targets[at : at + n] = targets
        self._next = at + n
        self.filled = max(self.filled, self._next)


def _real_pool(lines: list[copies.CopiedLine], device: torch.device) -> Pool:
    import cv2

    pictures = [
        cv2.resize(line.ink, (round(line.ink.shape[1] * SCALE), CANVAS_HEIGHT_PX), interpolation=cv2.INTER_LINEAR)
        for line in lines
    ]
    width = -(-max(p.shape[1] for p in pictures) // 16) * 16
    pool = Pool(len(lines), width, device)
    for start in range(0, len(lines), CHUNK):
        part = pictures[start : start + CHUNK]
        ink = np.zeros((len(part), CANVAS_HEIGHT_PX, width), np.uint8)
        for i, picture in enumerate(part):
            ink[i, :, : picture.shape[1]] = picture
        widths = np.array([p.shape[1] for p in part], np.int32)
        pool.put(ink, widths, [np.array(encode(line.text), np.int16) for line in lines[start : start + CHUNK]])
    return pool


def _feed(source: Any, pools: tuple[Pool, Pool], stop: threading.Event, lock: threading.Lock) -> None:  # noqa: ANN401
    while not stop.is_set():
        try:
            real, ink, columns, widths, targets = source.get(timeout=1)
        except queue.Empty:
            continue
        with lock:
            pools[int(real)].put(ink, widths, targets, columns)
        if pools[0].filled > len(pools[0].widths) // 2:
            time.sleep(0.1)  # the training thread needs the interpreter too


def greedy(scores: Tensor, frames: npt.NDArray[np.int64]) -> list[str]:
    """Texts of a batch of scores, shape (n, C, T)."""
    best = scores.argmax(1).cpu().numpy()
    return [decode(collapse(row[:t])).strip() for row, t in zip(best, frames, strict=True)]


class Trainer:
    """One run."""

    def __init__(self, settings: Settings) -> None:
        self.s = settings
        self.device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
        torch.manual_seed(settings.seed)
        torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
        self.net = ReaderNet().to(self.device, memory_format=torch.channels_last)
        if settings.start:
            weights = torch.load(settings.start, map_location=self.device)
            self.net.load_state_dict({k: v.float() if v.is_floating_point() else v for k, v in weights.items()})
        self.mean = torch.optim.swa_utils.AveragedModel(
            self.net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
        )
        decay = [p for p in self.net.parameters() if p.ndim > 1]
        rest = [p for p in self.net.parameters() if p.ndim <= 1]
        groups = [{"params": decay, "weight_decay": 0.02}, {"params": rest, "weight_decay": 0.0}]
        self.optimiser = torch.optim.AdamW(groups, lr=settings.rate, betas=(0.9, 0.98))
        self.augment = Augment(self.device, settings.seed)
        self.rng = np.random.default_rng(settings.seed)
        lines = copies.load(settings.data / "copies.npz")
        aside = copies.held_out([line.writer for line in lines])
        log.info("split seed %d, writers kept out %s", copies.SPLIT_SEED, sorted(aside))
        self.real = _real_pool([line for line in lines if line.writer not in aside], self.device)
        self.test = [line for line in lines if line.writer in aside]
        self.test_pool = _real_pool(self.test, self.device)
        self.drawn = Pool(settings.pool, CANVAS_WIDTH_PX, self.device)
        self.mixed = Pool(settings.pool if settings.start else CHUNK, CANVAS_WIDTH_PX, self.device)
        self.train_lines = [line for line in lines if line.writer not in aside]
        log.info("%d real lines to train on, %d to score on", len(lines) - len(self.test), len(self.test))

    def run(self) -> None:
        """Draw, train, score, save."""
        cut = self._cut_words() if self.s.start else None
        context = mp.get_context("spawn")
        source = context.Queue(maxsize=16)
        workers = [
            context.Process(target=_draw_forever, args=(self.s.data, cut, self.s.seed * 1000 + i, source), daemon=True)
            for i in range(self.s.workers)
        ]
        for worker in workers:
            worker.start()
        stop, lock = threading.Event(), threading.Lock()
        feeder = threading.Thread(target=_feed, args=(source, (self.drawn, self.mixed), stop, lock), daemon=True)
        feeder.start()
        try:
            wanted = min(self.s.pool, 2048)
            while self.drawn.filled < wanted or (cut and self.mixed.filled < wanted):
                time.sleep(0.2)
            self._train(lock)
        finally:
            stop.set()
            feeder.join(timeout=5)
            for worker in workers:
                worker.terminate()
        self.save()
        self.check("end")

    @torch.no_grad()
    def _cut_words(self) -> Path:
        """Cut the training lines into words with the net as it starts."""
        net, points, costs, pictures = self.net.eval(), [], [], []
        order = np.argsort(self.real.widths)
        for start in range(0, len(order), 64):
            part = order[start : start + 64]
            outs = self.real.widths[part] / SCALE
            width = int(-(-outs.max() // 32) * 32)
            rows = torch.from_numpy(part).to(self.device)
            canvas = self.real.ink[rows, :, : int(self.real.widths[part].max())]
            scores = net(self.augment.plain(canvas.float() / 255, width).unsqueeze(1))[0]
            frames = np.minimum(-(-outs // STRIDE_PX), scores.shape[2]).astype(np.int64)
            targets = [self.real.targets[i].astype(int).tolist() for i in part]
            paths, cost = recombine.align(torch.log_softmax(scores.float(), 1).permute(0, 2, 1), frames, targets)
            for row, i in enumerate(part):
                picture = canvas[row, :, : int(self.real.widths[i])].cpu().numpy()
                pictures.append(picture)
                points.append(recombine.cut_points(picture, paths[row], self.train_lines[i].text, STRIDE_PX * SCALE))
            costs += cost.tolist()
        fit = [k for k, cost in enumerate(costs) if cost < recombine.WORST_NATS]
        chosen = [self.train_lines[i] for i in order[fit]]
        words = recombine.collect(
            [pictures[k] for k in fit], [c.text for c in chosen], [c.writer for c in chosen], [points[k] for k in fit]
        )
        log.info("%d words cut from %d of %d lines; cost percentiles %s", len(words.texts), len(fit), len(order),
                 np.percentile(costs, [50, 90, 97, 99]).round(2))  # fmt: skip
        recombine.save(words, self.s.out / "cut")
        self.net.train()
        return self.s.out / "cut"

    def _train(self, lock: threading.Lock) -> None:
        began, step, lines, losses, told, checked = time.monotonic(), 0, 0, [], 0.0, 0.0
        whole = self.s.minutes * 60
        while (now := time.monotonic() - began) < whole:
            part = now / whole
            share = self.s.real_share[0] + (self.s.real_share[1] - self.s.real_share[0]) * part
            for batch in self._batches(share, 8, lock):
                part = min((time.monotonic() - began) / whole, 1.0)
                rate = self.s.rate * min((step + 1) / 400, 0.5 * (1 + math.cos(math.pi * part)) + 0.003)
                for group in self.optimiser.param_groups:
                    group["lr"] = rate
                losses.append(self._step(*batch))
                step, lines = step + 1, lines + len(batch[0])
                self.mean.update_parameters(self.net)
            if now - told > 20:
                told = now
                read, place = torch.stack(losses).mean(0).tolist()
                losses = []
                log.info("%4.0f s step %d lines %d loss %.3f place %.3f rate %.1e", now, step, lines, read, place, rate)
            if now - checked > 100:
                checked = now
                self.check(f"{now:.0f} s")
                self.save()

    def _batches(self, share: float, count: int, lock: threading.Lock) -> list[Any]:
        """`count` batches of like widths: canvases, factors, output width, targets."""
        total = count * self.s.batch
        n_real = int(self.rng.binomial(total, share))
        n_mixed = int(n_real * _RECOMBINED_SHARE) if self.mixed.filled else 0
        picks = [(1, int(i)) for i in self.rng.integers(0, self.real.filled, n_real - n_mixed)]
        picks += [(2, int(i)) for i in self.rng.integers(0, self.mixed.filled, n_mixed)]
        picks += [(0, int(i)) for i in self.rng.integers(0, self.drawn.filled, total - n_real)]
        wide, tall = self.augment.factors(total)
        wide_np = wide.cpu().numpy()
        pools = (self.drawn, self.real, self.mixed)
        outs = np.array([pools[kind].widths[i] / SCALE * f for (kind, i), f in zip(picks, wide_np, strict=True)])
        order = np.argsort(outs)
        batches = []
        with lock:
            for part in np.array_split(order, count):
                width = int(-(-min(outs[part].max() + 4, 1800) // 32) * 32)
                span = max(int(max(pools[picks[j][0]].widths[picks[j][1]] for j in part)), 64)
                canvas = torch.zeros(len(part), CANVAS_HEIGHT_PX, span, dtype=torch.uint8, device=self.device)
                columns = torch.full((len(part), span), -1, dtype=torch.int16, device=self.device)
                for kind, pool in enumerate(pools):
                    rows = [r for r, j in enumerate(part) if picks[j][0] == kind]
                    if rows:
                        here = torch.tensor(rows, device=self.device)
                        there = torch.tensor([picks[part[r]][1] for r in rows], device=self.device)
                        w = min(span, pool.ink.shape[2])
                        canvas[here, :, :w] = pool.ink[there, :, :w]
                        columns[here, :w] = pool.columns[there, :w]
                targets = [pools[picks[j][0]].targets[picks[j][1]] for j in part]
                drawn = torch.tensor([float(picks[j][0] == 0) for j in part], device=self.device)
                at = torch.from_numpy(part).to(self.device)
                frames = np.minimum(-(-outs[part] // STRIDE_PX), width // STRIDE_PX).astype(np.int64)
                batches.append((canvas, columns, drawn, wide[at], tall[at], width, frames, targets))
        self.rng.shuffle(batches)
        return batches

    def _step(
        self,
        canvas: Tensor,
        columns: Tensor,
        drawn: Tensor,
        wide: Tensor,
        tall: Tensor,
        width: int,
        frames: npt.NDArray[np.int64],
        targets: list[npt.NDArray[np.int16]],
    ) -> Tensor:
        with torch.no_grad():
            ink, middle = self.augment.warp(canvas.float() / 255, wide, tall, width)
            ink = self.augment.paper(self.augment.pen(ink, drawn), drawn)
            inside = (middle >= 0) & (middle < columns.shape[1])
            letters = columns.long().gather(1, middle.round().long().clamp(0, columns.shape[1] - 1))
            letters = torch.where(inside & (letters >= 0), letters, torch.where(drawn.view(-1, 1) > 0, 0, _IGNORE))
            letters = torch.where(drawn.view(-1, 1) > 0, letters, _IGNORE)
        # Frames past the line's end are paper: they count, so that the net learns to stay silent there.
        with torch.autocast(self.device.type, torch.bfloat16):
            read, place = self.net(ink.unsqueeze(1).contiguous(memory_format=torch.channels_last))
        lengths = torch.tensor([len(t) for t in targets])
        whole = torch.full((len(targets),), read.shape[2], dtype=torch.long)
        flat = torch.from_numpy(np.concatenate(targets).astype(np.int64)).to(self.device)
        scores = torch.log_softmax(read.float(), 1).permute(2, 0, 1)
        loss = F.ctc_loss(scores, flat, whole, lengths, zero_infinity=True, reduction="none")
        loss = (loss / lengths.clamp(min=4).to(self.device)).mean()
        where = F.cross_entropy(place.float(), letters, ignore_index=_IGNORE) if bool((drawn > 0).any()) else loss * 0
        self.optimiser.zero_grad(set_to_none=True)
        (loss + 0.2 * where).backward()
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 2.0)
        self.optimiser.step()
        return torch.stack([loss.detach(), where.detach()])

    @torch.no_grad()
    def check(self, when: str) -> None:
        """Score the averaged net on the writers kept out, and show a few readings."""
        net = self.mean.module.eval()
        order, pairs = np.argsort(self.test_pool.widths), []
        for start in range(0, len(order), 64):
            part = order[start : start + 64]
            outs = self.test_pool.widths[part] / SCALE
            width = int(-(-outs.max() // 32) * 32)
            canvas = self.test_pool.ink[
                torch.from_numpy(part).to(self.device), :, : int(self.test_pool.widths[part].max())
            ]
            ink = self.augment.plain(canvas.float() / 255, width)
            texts = greedy(net(ink.unsqueeze(1))[0], -(-outs // STRIDE_PX).astype(np.int64))
            pairs += [(text, self.test[i].text) for text, i in zip(texts, part, strict=True)]
        log.info("CHECK %s: copies %s", when, character_error(pairs))
        for probe in sorted(self.s.data.glob("probe-*.npz")):
            with np.load(probe) as data:
                inks, truth = [data[k] for k in data.files if k != "text"], str(data["text"])
            texts = []
            for one in inks:
                x = torch.from_numpy(one.astype(np.float32) / 255).to(self.device)
                texts += greedy(net(x[None, None])[0], np.array([one.shape[1] // STRIDE_PX]))
            log.info(
                "CHECK %s: %s %s\n  %s",
                when,
                probe.stem,
                character_error([(t, truth) for t in texts]),
                "\n  ".join(texts[:8]),
            )

    def save(self) -> None:
        """Write the averaged weights as float16."""
        state = self.mean.module.state_dict()
        halved = {k: v.half().cpu() if v.is_floating_point() else v.cpu() for k, v in state.items()}
        torch.save(halved, self.s.out / "reader.pt")


def main() -> None:
    """Parse and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=14, help="drawing processes")
    parser.add_argument("--batch", type=int, default=160)
    parser.add_argument("--rate", type=float, default=2e-3, help="peak learning rate")
    parser.add_argument("--real", type=float, nargs=2, default=(0.15, 0.5), help="share of real lines, start and end")
    parser.add_argument("--pool", type=int, default=24576, help="drawn lines kept on the accelerator")
    parser.add_argument("--start", type=Path, help="weights to go on from")
    o = parser.parse_args()
    o.out.mkdir(parents=True, exist_ok=True)
    logging.basicConfig(
        level=logging.INFO,
        format="%(message)s",
        handlers=[logging.StreamHandler(), logging.FileHandler(o.out / "fit.log", "a")],
    )
    Trainer(
        Settings(o.data, o.out, o.minutes, o.seed, o.workers, o.batch, o.rate, tuple(o.real), o.pool, o.start)
    ).run()


if __name__ == "__main__":
    main()
