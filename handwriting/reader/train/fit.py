"""Train the reader: drawn lines made on the fly by many processes, real lines mixed in, on every accelerator there is.

`python -m handwriting.reader.train.fit DATA OUT --minutes 9`, where DATA holds `fonts/`, `words.json.gz` and
`copies.npz` (made by `fonts`, `texts` and `copies`). Writes `reader.pt` (float16 weights, averaged over the last
steps) and `fit.log`. The length is set in minutes because the machine is lent by the minute: the same seed on another
machine makes another number of steps, and so another net of the same kind.
"""

from __future__ import annotations

import argparse
import logging
import math
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
import torch.distributed as dist
import torch.nn.functional as F  # noqa: N812
from torch import Tensor
from torch.nn.parallel import DistributedDataParallel

from handwriting.reader.alphabet import collapse, decode
from handwriting.reader.recogniser import STRIDE_PX
from handwriting.reader.train import copies, recombine
from handwriting.reader.train.augment import SCALE, Augment
from handwriting.reader.train.draw import CANVAS_WIDTH_PX
from handwriting.reader.train.net import ReaderNet
from handwriting.reader.train.pool import CHUNK, Pool, as_cut, as_read, draw_forever, feed, pick_batches, real_pool
from handwriting.reader.train.score import character_error

log = logging.getLogger(__name__)

_IGNORE = -100
_RECOMBINED_SHARE = 0.5
_READ_SHARE = 0.75
_WARM_UP_STEPS = 300
_CHECK_SECONDS = 120
_PORT = 29511


@dataclass(frozen=True, slots=True)
class Settings:
    """What a run is: see `main` for each one's meaning."""

    data: Path
    out: Path
    deadline: float
    seed: int
    workers: int
    batch: int
    rates: tuple[float, float]
    real_share: tuple[float, float]
    pool: int
    start: Path | None


def greedy(scores: Tensor, frames: npt.NDArray[np.int64]) -> list[str]:
    """Texts of a batch of scores, shape (n, C, T)."""
    best = scores.argmax(1).cpu().numpy()
    return [decode(collapse(row[:t])).strip() for row, t in zip(best, frames, strict=True)]


class Trainer:
    """One run, on one of `ranks` accelerators; the first scores and saves."""

    def __init__(self, settings: Settings, rank: int, ranks: int) -> None:
        self.s, self.rank, self.ranks = settings, rank, ranks
        self.device = torch.device("cuda", rank) if torch.cuda.is_available() else torch.device("cpu")
        torch.manual_seed(settings.seed)
        torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
        self.net = ReaderNet().to(self.device, memory_format=torch.channels_last)
        if settings.start:
            weights = torch.load(settings.start, map_location=self.device)
            # Parts that an earlier net had not are neutral as they start.
            fresh = self.net.load_state_dict(
                {k: v.float() if v.is_floating_point() else v for k, v in weights.items()}, strict=False
            )
            log.info("new parts: %d; parts not known: %s", len(fresh.missing_keys), fresh.unexpected_keys)
        self.mean = torch.optim.swa_utils.AveragedModel(
            self.net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
        )
        many = ranks > 1
        self.step_net = DistributedDataParallel(self.net, [rank], broadcast_buffers=False) if many else self.net
        decay = [p for p in self.net.parameters() if p.ndim > 1]
        rest = [p for p in self.net.parameters() if p.ndim <= 1]
        groups = [{"params": decay, "weight_decay": 0.03}, {"params": rest, "weight_decay": 0.0}]
        self.optimiser = torch.optim.AdamW(groups, lr=settings.rates[0], betas=(0.9, 0.98))
        seed = settings.seed * 100 + rank
        torch.manual_seed(seed)
        self.augment = Augment(self.device, seed)
        self.rng = np.random.default_rng(seed)
        lines = copies.load(settings.data / "copies.npz")
        aside = copies.held_out([line.writer for line in lines])
        log.info("split seed %d, writers kept out %s", copies.SPLIT_SEED, sorted(aside))
        self.lines = [line for line in lines if line.writer not in aside]
        self.test = [line for line in lines if line.writer in aside]
        self.pictures = as_cut(self.lines) + as_read(self.lines, settings.workers)
        self.real = real_pool(self.pictures, 2 * [line.text for line in self.lines], self.device)
        texts = [line.text for line in self.test]
        self.tests = {
            "cut": real_pool(as_cut(self.test), texts, self.device),
            "read": real_pool(as_read(self.test, settings.workers), texts, self.device),
        }
        self.drawn = Pool(settings.pool, CANVAS_WIDTH_PX, self.device)
        self.mixed = Pool(settings.pool if settings.start else CHUNK, CANVAS_WIDTH_PX, self.device)
        log.info("%d real lines to train on, %d to score on", len(self.lines), len(self.test))

    def run(self) -> None:
        """Draw, train, score, save."""
        with tempfile.TemporaryDirectory() as folder:
            cut = self._cut_words(Path(folder)) if self.s.start else None
            context = torch.multiprocessing.get_context("spawn")
            source = context.Queue(maxsize=16)
            first = (self.s.seed * 10 + self.rank) * 100
            workers = [
                context.Process(target=draw_forever, args=(self.s.data, cut, first + i, source), daemon=True)
                for i in range(self.s.workers)
            ]
            for worker in workers:
                worker.start()
            stop, lock = threading.Event(), threading.Lock()
            feeder = threading.Thread(target=feed, args=(source, (self.drawn, self.mixed), stop, lock), daemon=True)
            feeder.start()
            try:
                wanted = min(self.s.pool, 4096)
                while self.drawn.filled < wanted or (cut and self.mixed.filled < wanted):
                    time.sleep(0.2)
                self._train(lock)
            finally:
                stop.set()
                feeder.join(timeout=5)
                for worker in workers:
                    worker.terminate()
        if self.rank == 0:
            self.save()
            self.check("end", by_writer=True)

    @torch.no_grad()
    def _cut_words(self, folder: Path) -> Path:
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
                said = self.lines[i % len(self.lines)].text
                pictures.append(self.pictures[i])
                points.append(recombine.cut_points(self.pictures[i], paths[row], said, STRIDE_PX * SCALE))
            costs += cost.tolist()
        fit = [k for k, cost in enumerate(costs) if cost < recombine.WORST_NATS]
        # The same line cut and read differs in size: as if by two writers.
        half = len(self.lines)
        chosen = [(self.lines[i % half].text, self.lines[i % half].writer + 1000 * (i >= half)) for i in order[fit]]
        words = recombine.collect(
            [pictures[k] for k in fit], [t for t, _ in chosen], [w for _, w in chosen], [points[k] for k in fit]
        )
        log.info("%d words cut from %d of %d lines; cost percentiles %s", len(words.texts), len(fit), len(order),
                 np.percentile(costs, [50, 90, 97, 99]).round(2))  # fmt: skip
        recombine.save(words, folder)
        self.net.train()
        return folder

    def _agreed(self, seconds: float) -> float:
        """Give the first accelerator's value, so that all stop at the same step."""
        value = torch.tensor(seconds, device=self.device)
        if self.ranks > 1:
            dist.broadcast(value, 0)
        return float(value)

    def _train(self, lock: threading.Lock) -> None:
        if self.ranks > 1:
            dist.barrier()
        began, step, lines, losses, told, checked = time.monotonic(), 0, 0, [], 0.0, 0.0
        whole = self._agreed(max(self.s.deadline - began, 1.0))
        high, low = self.s.rates
        while (now := self._agreed(time.monotonic() - began)) < whole:
            part = now / whole
            share = self.s.real_share[0] + (self.s.real_share[1] - self.s.real_share[0]) * part
            rate = low + (high - low) * 0.5 * (1 + math.cos(math.pi * part))
            for batch in self._batches(share, 8, lock):
                for group in self.optimiser.param_groups:
                    group["lr"] = min(rate, high * (step + 1) / _WARM_UP_STEPS)
                losses.append(self._step(*batch))
                step, lines = step + 1, lines + len(batch[0]) * self.ranks
                if self.rank == 0:
                    self.mean.update_parameters(self.net)
            if self.rank:
                losses = []
                continue
            if now - told > 20:
                told = now
                read, place = torch.stack(losses).mean(0).tolist()
                losses = []
                log.info("%4.0f s step %d lines %d loss %.3f place %.3f rate %.1e drawn %d", now, step, lines, read,
                         place, rate, self.drawn.filled)  # fmt: skip
            if now - checked > _CHECK_SECONDS:
                checked = now
                self.check(f"{now:.0f} s")
                self.save()

    def _batches(self, share: float, count: int, lock: threading.Lock) -> list[Any]:
        """`count` batches of like widths."""
        total = count * self.s.batch
        n_real = int(self.rng.binomial(total, share))
        n_mixed = int(n_real * _RECOMBINED_SHARE) if self.mixed.filled else 0
        # As the reader brings them to its measure three times in four, as they were cut out else.
        whole = self.rng.integers(0, len(self.lines), n_real - n_mixed)
        whole += len(self.lines) * (self.rng.random(len(whole)) < _READ_SHARE)
        picks = [(1, int(i)) for i in whole]
        picks += [(2, int(i)) for i in self.rng.integers(0, self.mixed.filled, n_mixed)]
        picks += [(0, int(i)) for i in self.rng.integers(0, self.drawn.filled, total - n_real)]
        wide, tall = self.augment.factors(total)
        with lock:
            batches = pick_batches((self.drawn, self.real, self.mixed), picks, wide, tall, count)
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
        targets: list[npt.NDArray[np.int16]],
    ) -> Tensor:
        with torch.no_grad():
            ink, middle = self.augment.warp(canvas.float() / 255, wide, tall, width)
            ink = self.augment.paper(self.augment.pen(ink, drawn), drawn)
            inside = (middle >= 0) & (middle < columns.shape[1])
            letters = columns.long().gather(1, middle.round().long().clamp(0, columns.shape[1] - 1))
            letters = torch.where(inside & (letters >= 0), letters, 0)
            letters = torch.where(drawn.view(-1, 1) > 0, letters, _IGNORE)
        # Frames past the line's end are paper: they count, so that the net learns to stay silent there.
        with torch.autocast(self.device.type, torch.bfloat16):
            read, place = self.step_net(ink.unsqueeze(1).contiguous(memory_format=torch.channels_last))
        lengths = torch.tensor([len(t) for t in targets])
        whole = torch.full((len(targets),), read.shape[2], dtype=torch.long)
        flat = torch.from_numpy(np.concatenate(targets).astype(np.int64)).to(self.device)
        scores = torch.log_softmax(read.float(), 1).permute(2, 0, 1)
        loss = F.ctc_loss(scores, flat, whole, lengths, zero_infinity=True, reduction="none")
        loss = (loss / lengths.clamp(min=4).to(self.device)).mean()
        where = F.cross_entropy(place.float(), letters, ignore_index=_IGNORE, reduction="sum")
        where = where / (letters != _IGNORE).sum().clamp(min=1)
        self.optimiser.zero_grad(set_to_none=True)
        (loss + 0.15 * where).backward()
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 2.0)
        self.optimiser.step()
        return torch.stack([loss.detach(), where.detach()])

    @torch.no_grad()
    def check(self, when: str, *, by_writer: bool = False) -> None:
        """Score the averaged net on the writers kept out, and show a few readings."""
        net = self.mean.module.eval()
        for name, pool in self.tests.items():
            order, read = np.argsort(pool.widths), [""] * len(self.test)
            for start in range(0, len(order), 64):
                part = order[start : start + 64]
                outs = pool.widths[part] / SCALE
                canvas = pool.ink[torch.from_numpy(part).to(self.device), :, : int(pool.widths[part].max())]
                ink = self.augment.plain(canvas.float() / 255, int(-(-outs.max() // 32) * 32))
                texts = greedy(net(ink.unsqueeze(1))[0], -(-outs // STRIDE_PX).astype(np.int64))
                for i, text in zip(part, texts, strict=True):
                    read[i] = text
            pairs = [(text, line.text) for text, line in zip(read, self.test, strict=True)]
            log.info("CHECK %s: copies as %s %s", when, name, character_error(pairs))
            if by_writer:
                for writer in sorted({line.writer for line in self.test}):
                    own = [p for p, line in zip(pairs, self.test, strict=True) if line.writer == writer]
                    log.info("  writer %d: %.3f", writer, character_error(own).full)
        for probe in sorted(self.s.data.glob("probe-*.npz")):
            with np.load(probe) as data:
                inks, truth = [data[k] for k in data.files if k != "text"], str(data["text"])
            texts = []
            for one in inks:
                x = torch.from_numpy(one.astype(np.float32) / 255).to(self.device)
                texts += greedy(net(x[None, None])[0], np.array([one.shape[1] // STRIDE_PX]))
            log.info("CHECK %s: %s %s\n  %s", when, probe.stem, character_error([(t, truth) for t in texts]),
                     " | ".join(texts))  # fmt: skip

    def save(self) -> None:
        """Write the averaged weights as float16."""
        state = self.mean.module.state_dict()
        halved = {k: v.half().cpu() if v.is_floating_point() else v.cpu() for k, v in state.items()}
        torch.save(halved, self.s.out / "reader.pt")


def _run(rank: int, ranks: int, settings: Settings) -> None:
    """One process for each accelerator."""
    if rank == 0:
        handlers: list[logging.Handler] = [logging.StreamHandler(), logging.FileHandler(settings.out / "fit.log", "a")]
        logging.basicConfig(level=logging.INFO, format="%(message)s", handlers=handlers)
    if ranks > 1:
        torch.cuda.set_device(rank)
        where = f"tcp://127.0.0.1:{_PORT}"
        dist.init_process_group("nccl", init_method=where, rank=rank, world_size=ranks)
    Trainer(settings, rank, ranks).run()
    if ranks > 1:
        dist.barrier()
        dist.destroy_process_group()


def main() -> None:
    """Parse and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--minutes", type=float, default=9.0, help="from the start, preparing included")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=14, help="drawing processes for each accelerator")
    parser.add_argument("--batch", type=int, default=160, help="lines in a step for each accelerator")
    parser.add_argument("--rates", type=float, nargs=2, default=(2e-3, 0.0), help="learning rate, start and end")
    parser.add_argument("--real", type=float, nargs=2, default=(0.15, 0.5), help="share of real lines, start and end")
    parser.add_argument("--pool", type=int, default=24576, help="drawn lines kept on each accelerator")
    parser.add_argument("--start", type=Path, help="weights to go on from")
    o = parser.parse_args()
    began = time.monotonic()
    o.out.mkdir(parents=True, exist_ok=True)
    settings = Settings(
        o.data,
        o.out,
        began + o.minutes * 60,
        o.seed,
        o.workers,
        o.batch,
        tuple(o.rates),
        tuple(o.real),
        o.pool,
        o.start,
    )
    ranks = max(torch.cuda.device_count(), 1)
    if ranks == 1:
        _run(0, 1, settings)
    else:
        torch.multiprocessing.spawn(_run, (ranks, settings), nprocs=ranks)


if __name__ == "__main__":
    main()
