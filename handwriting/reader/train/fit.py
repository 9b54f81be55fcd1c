"""Train the reader on one accelerator: drawn lines made on the fly by many processes, real lines mixed in.

Every line is seen twice in a step, with other pens, papers and gaps, and besides reading both rightly the net must say
the same of both (consistency-regularised connectionist temporal classification, Yao et al. 2024): the real hands are
few, and this holds it back from learning them by heart.

`python -m handwriting.reader.train.fit DATA OUT --minutes 9`, where DATA holds `fonts/`, `words.json.gz` and
`copies.npz` (made by `fonts`, `texts` and `copies`). Writes `reader.pt` (float16 weights, averaged over the last
steps), `round-N.pt` at the end of each fall of the learning rate, `mean.pt`, the mean of those and of the net it
started from, and `fit.log`. The length is set in minutes because the machine is lent by the minute: the same seed on
another machine makes another number of steps, and so another net of the same kind.
"""

from __future__ import annotations

import argparse
import logging
import math
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from handwriting.reader.alphabet import collapse, decode
from handwriting.reader.recogniser import STRIDE_PX
from handwriting.reader.train import copies, recombine, resume
from handwriting.reader.train.augment import SCALE, Augment
from handwriting.reader.train.draw import CANVAS_WIDTH_PX
from handwriting.reader.train.net import ReaderNet
from handwriting.reader.train.pool import (
    CHUNK,
    Feeder,
    Pool,
    as_cut,
    as_read,
    draw_forever,
    pick_batches,
    real_pool,
    sent,
)
from handwriting.reader.train.score import character_error

log = logging.getLogger(__name__)

_IGNORE = -100
_RECOMBINED_SHARE = 0.5
_READ_SHARE = 0.75
_WARM_UP_STEPS = 300
_SAVE_SECONDS = 60
_DROPOUT = 0.2
_VIEWS = 2
_AGREEING = 0.2
_NEAR = 0.25
_WEAKER = 0.8
_SETTLING_BATCHES = 64


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
    aside: int
    rounds: int


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
        self.net = ReaderNet(_DROPOUT).to(self.device, memory_format=torch.channels_last)
        self.folded = bool(settings.start) and resume.load(self.net, settings.start)
        self.mean = self._averaged()
        decay = [p for p in self.net.parameters() if p.ndim > 1]
        rest = [p for p in self.net.parameters() if p.ndim <= 1]
        groups = [{"params": decay, "weight_decay": 0.03}, {"params": rest, "weight_decay": 0.0}]
        self.optimiser = torch.optim.AdamW(
            groups, lr=settings.rates[0], betas=(0.9, 0.98), fused=self.device.type == "cuda"
        )
        self.augment = Augment(self.device, settings.seed)
        self.rng = np.random.default_rng(settings.seed)
        self.steps = 0
        self.ends: list[dict[str, Tensor]] = []
        self.drawn = Pool(settings.pool, CANVAS_WIDTH_PX, self.device)
        self.mixed = Pool(settings.pool if settings.start else CHUNK, CANVAS_WIDTH_PX, self.device)

    def _averaged(self) -> torch.optim.swa_utils.AveragedModel:
        """Start a running mean of the weights."""
        return torch.optim.swa_utils.AveragedModel(
            self.net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.999), use_buffers=True
        )

    def _prepare(self) -> None:
        """Read the real lines and part them into those to train on and those to score on."""
        lines = copies.load(self.s.data / "copies.npz")
        writers = [line.writer for line in lines]
        kept_out = copies.held_out(writers)
        further = copies.held_out(writers, copies.HELD_OUT_WRITERS + self.s.aside) - kept_out
        log.info("split seed %d, writers kept out %s, and %s", copies.SPLIT_SEED, sorted(kept_out), sorted(further))
        read = as_read(lines, self.s.workers)
        mine = [i for i, line in enumerate(lines) if line.writer not in kept_out | further]
        self.lines = [lines[i] for i in mine]
        self.pictures = as_cut(self.lines) + [read[i] for i in mine]
        self.real = real_pool(self.pictures, 2 * [line.text for line in self.lines], self.device)
        self.tests = {}
        for name, group in (("kept out", kept_out), ("aside", further)):
            own = [i for i, line in enumerate(lines) if line.writer in group]
            if own:
                pool = real_pool([read[i] for i in own], [lines[i].text for i in own], self.device)
                self.tests[name] = [lines[i] for i in own], pool
        log.info("%d real lines to train on", len(self.lines))

    def run(self) -> None:
        """Draw, train, score, save."""
        with tempfile.TemporaryDirectory() as folder:
            context = torch.multiprocessing.get_context("spawn")
            source = context.Queue(maxsize=16)
            first = self.s.seed * 1000
            workers = [
                context.Process(target=draw_forever, args=(self.s.data, Path(folder), first + i, source), daemon=True)
                for i in range(self.s.workers)
            ]
            for worker in workers:
                worker.start()
            feeder = Feeder(source, (self.drawn, self.mixed))
            try:
                self._prepare()
                if self.s.start:
                    self._cut_words(Path(folder))
                while self.drawn.filled < min(self.s.pool, 4096):
                    time.sleep(0.2)
                if self.folded:
                    resume.unfold(self.net, self._pictures(feeder))
                    self.mean = self._averaged()
                if self.s.start:
                    self.ends.append(self.save("start"))
                self._train(feeder)
                if len(self.ends) > 1:
                    self.mean.module.load_state_dict(resume.mean_of(self.ends))
                    resume.measure_norms(self.mean.module, self._pictures(feeder))
                    self.save("mean")
                    self.check("mean of rounds", by_writer=True)
            finally:
                feeder.stop()
                for worker in workers:
                    worker.terminate()

    @torch.no_grad()
    def _cut_words(self, folder: Path) -> None:
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

    def _train(self, feeder: Feeder) -> None:
        began, each = time.monotonic(), (self.s.deadline - time.monotonic()) / self.s.rounds
        for k in range(self.s.rounds):
            # The running mean starts anew: what was learned at the last round's first rates is no part of it.
            self.mean = self._averaged()
            self._round(k, began + (k + 1) * each, feeder)
            self.ends.append(self.save(f"round-{k + 1}"))
            self.save("reader")
            self.check(f"round {k + 1}", by_writer=k + 1 == self.s.rounds)

    def _round(self, k: int, until: float, feeder: Feeder) -> None:
        """Train while the learning rate falls once."""
        began, losses, told, saved, first = time.monotonic(), [], 0.0, 0.0, self.steps
        whole = max(until - began, 1.0)
        high, low = self.s.rates[0] * _WEAKER**k, self.s.rates[1]
        while (now := time.monotonic() - began) < whole:
            part = now / whole
            share = self.s.real_share[0] + (self.s.real_share[1] - self.s.real_share[0]) * (k + part) / self.s.rounds
            rate = low + (high - low) * 0.5 * (1 + math.cos(math.pi * part))
            for batch in self._batches(share, 8, feeder):
                for group in self.optimiser.param_groups:
                    group["lr"] = min(rate, high * (self.steps - first + 1) / _WARM_UP_STEPS)
                losses.append(self._step(*batch))
                self.steps += 1
                self.mean.update_parameters(self.net)
            if now - told > 20:
                told = now
                read, apart, near, place = torch.stack(losses).mean(0).tolist()
                losses = []
                log.info("%4.0f s step %d loss %.3f apart %.3f near %.3f place %.3f rate %.1e drawn %d", now,
                         self.steps, read, apart, near, place, rate, self.drawn.filled)  # fmt: skip
            if now - saved > _SAVE_SECONDS:
                saved = now
                self.save("reader")

    def _batches(self, share: float, count: int, feeder: Feeder) -> list[Any]:
        """`count` batches of like widths."""
        total = count * self.s.batch
        n_real = int(self.rng.binomial(total, share))
        n_mixed = min(int(n_real * _RECOMBINED_SHARE), self.mixed.filled // 4)
        # As the reader brings them to its measure three times in four, as they were cut out else.
        whole = self.rng.integers(0, len(self.lines), n_real - n_mixed)
        whole += len(self.lines) * (self.rng.random(len(whole)) < _READ_SHARE)
        with feeder.lock:
            feeder.settle()
            mixed = self.rng.integers(0, max(self.mixed.filled, 1), n_mixed)
            drawn = self.rng.integers(0, self.drawn.filled, total - n_real)
            rows = np.concatenate([drawn, whole, mixed])
            picks = np.stack([np.repeat([0, 1, 2], [len(drawn), len(whole), n_mixed]), rows], 1)
            batches = pick_batches((self.drawn, self.real, self.mixed), picks, *self.augment.factors(total), count)
        self.rng.shuffle(batches)
        return batches

    @torch.no_grad()
    def _seen(self, canvas: Tensor, drawn: Tensor, wide: Tensor, tall: Tensor, width: int) -> tuple[Tensor, Tensor]:
        """Make views of a batch, (views * n, 1, 64, width), and the canvas column under the middle of each frame."""
        ink, middle = self.augment.warp(canvas.float() / 255, wide, tall, width, _VIEWS)
        twice = drawn.repeat(_VIEWS)
        ink = self.augment.paper(self.augment.pen(ink, twice), twice)
        return ink.unsqueeze(1).contiguous(memory_format=torch.channels_last), middle

    def _pictures(self, feeder: Feeder) -> Iterator[Tensor]:
        """Batches as training sees them, to measure by."""
        batches = self._batches(self.s.real_share[1], _SETTLING_BATCHES, feeder)
        for canvas, _, drawn, wide, tall, width, _ in batches:
            yield self._seen(canvas, drawn, wide, tall, width)[0]

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
        ink, middle = self._seen(canvas, drawn, wide, tall, width)
        inside = (middle >= 0) & (middle < columns.shape[1])
        letters = columns.long().gather(1, middle.round().long().clamp(0, columns.shape[1] - 1))
        letters = torch.where(inside & (letters >= 0), letters, 0)
        letters = torch.where(drawn.view(-1, 1) > 0, letters, _IGNORE).repeat(_VIEWS, 1)
        with torch.autocast(self.device.type, torch.bfloat16):
            read, place, near = self.net.scores(ink)
        lengths = np.array([len(t) for t in targets] * _VIEWS)
        # Frames past the line's end are paper: they count, so that the net learns to stay silent there.
        whole = torch.full((len(lengths),), read.shape[2], dtype=torch.long)
        flat = sent(np.concatenate(targets * _VIEWS).astype(np.int64), self.device)
        share = sent(1 / lengths.clip(4).astype(np.float32), self.device)
        scores = torch.log_softmax(read.float(), 1).permute(2, 0, 1)
        counts = torch.from_numpy(lengths)
        loss, early = (
            (F.ctc_loss(said, flat, whole, counts, zero_infinity=True, reduction="none") * share).mean()
            for said in (scores, torch.log_softmax(near.float(), 1).permute(2, 0, 1))
        )
        one, other = scores.chunk(_VIEWS, 1)
        apart = (other.detach().exp() * (other.detach() - one) + one.detach().exp() * (one.detach() - other)).sum(
            (0, 2)
        )
        apart = (0.5 * apart * share[: len(targets)]).mean()
        where = F.cross_entropy(place.float(), letters, ignore_index=_IGNORE, reduction="sum")
        where = where / (letters != _IGNORE).sum().clamp(min=1)
        self.optimiser.zero_grad(set_to_none=True)
        (loss + _AGREEING * apart + _NEAR * early + 0.15 * where).backward()
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 2.0)
        self.optimiser.step()
        return torch.stack([loss.detach(), apart.detach(), early.detach(), where.detach()])

    @torch.no_grad()
    def check(self, when: str, *, by_writer: bool = False) -> None:
        """Score the averaged net on the writers kept out, and show a few readings."""
        net = self.mean.module.eval()
        for name, (lines, pool) in self.tests.items():
            order, read = np.argsort(pool.widths), [""] * len(lines)
            for start in range(0, len(order), 64):
                part = order[start : start + 64]
                outs = pool.widths[part] / SCALE
                canvas = pool.ink[torch.from_numpy(part).to(self.device), :, : int(pool.widths[part].max())]
                ink = self.augment.plain(canvas.float() / 255, int(-(-outs.max() // 32) * 32))
                texts = greedy(net(ink.unsqueeze(1))[0], -(-outs // STRIDE_PX).astype(np.int64))
                for i, text in zip(part, texts, strict=True):
                    read[i] = text
            pairs = [(text, line.text) for text, line in zip(read, lines, strict=True)]
            log.info("CHECK %s: copies %s %s", when, name, character_error(pairs))
            for writer in sorted({line.writer for line in lines}) if by_writer else ():
                own = [p for p, line in zip(pairs, lines, strict=True) if line.writer == writer]
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

    def save(self, name: str) -> dict[str, Tensor]:
        """Write the averaged weights as float16; returns them."""
        state = self.mean.module.state_dict()
        halved = {k: v.half().cpu() if v.is_floating_point() else v.cpu() for k, v in state.items()}
        torch.save(halved, self.s.out / f"{name}.pt")
        return halved


def main() -> None:
    """Parse and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--minutes", type=float, default=9.0, help="from the start, preparing included")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=14, help="drawing processes")
    parser.add_argument("--batch", type=int, default=112, help="lines in a step, each seen twice")
    parser.add_argument("--rates", type=float, nargs=2, default=(2e-3, 0.0), help="learning rate, first and last")
    parser.add_argument("--real", type=float, nargs=2, default=(0.15, 0.5), help="share of real lines, start and end")
    parser.add_argument("--pool", type=int, default=24576, help="drawn lines kept on the accelerator")
    parser.add_argument("--start", type=Path, help="weights to go on from, .pt or the shipped .onnx")
    parser.add_argument("--aside", type=int, default=0, help="further writers kept out, to choose by")
    parser.add_argument("--rounds", type=int, default=1, help="how often the learning rate falls")
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
        o.aside,
        o.rounds,
    )
    handlers: list[logging.Handler] = [logging.StreamHandler(), logging.FileHandler(o.out / "fit.log", "a")]
    logging.basicConfig(level=logging.INFO, format="%(relativeCreated)d ms %(message)s", handlers=handlers)
    Trainer(settings).run()


if __name__ == "__main__":
    main()
