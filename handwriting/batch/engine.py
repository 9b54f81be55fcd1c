"""A study run from manifest to ledger: what is done is kept, what was cut off is done again.

The engine hands samples to workers (`pool` on one machine, `cluster` on several), stores each record as a file, and
commits the outcome. A worker that dies may have been killed from outside, so its page is given to others twice more
before the page is held to be the cause.
"""

from __future__ import annotations

import hashlib
import os
import time
from collections import Counter, deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from handwriting.batch import pool
from handwriting.batch.ledger import Ledger, Outcome, exists, fingerprint, open_ledger
from handwriting.batch.manifest import Sample
from handwriting.batch.work import Measure, Order, Refused, Settings, Work, measure_sample
from handwriting.errors import StudyError
from handwriting.report.write import write_files

RECORDS = "records"
OVERLAYS = "gallery"
CORRECTIONS = "corrections"
_TRIES = 3


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run is: pages done of all, those refused among them, pages a second of late, seconds left."""

    done: int
    total: int
    refused: int
    rate: float
    left: float


@dataclass(frozen=True, slots=True)
class Run:
    """What a run did: pages measured now, kept from before, and refused in all."""

    measured: int
    kept: int
    refused: int


#: Does orders somewhere: ``(next_order) -> iterator of (order, answer)``. `pool.work_apart` is one, a cluster another.
Workers = Callable[[Callable[[], Order | None]], Iterator[tuple[Order, pool.Answer]]]


def local_workers(number: int, seconds: float) -> Workers:
    """Return workers on this machine: so many processes, so many seconds a page."""

    def work(next_order: Callable[[], Order | None]) -> Iterator[tuple[Order, pool.Answer]]:
        return pool.work_apart("handwriting.batch.work:attempt", next_order, workers=number, seconds=seconds)

    return work


def processors() -> int:
    """Return how many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def shard_of(samples: Sequence[Sample], number: int, of: int) -> tuple[Sample, ...]:
    """Return shard `number` (from 1) of `of`: the same samples on every machine, whatever the order of the rows."""
    return tuple(s for s in samples if int(hashlib.sha256(s.name.encode()).hexdigest()[:12], 16) % of == number - 1)


def run(
    samples: Sequence[Sample],
    settings: Settings,
    study: Path,
    workers: Workers,
    *,
    resume: bool = False,
    again: bool = False,
    measure: Measure = measure_sample,
    progress: Callable[[Progress], None] = lambda _: None,
) -> Run:
    """Measure every sample that is not done, page by page into the ledger.

    Parameters
    ----------
    samples : sequence of Sample
        From the manifest, or a shard of it.
    settings : Settings
        How to measure.
    study : Path
        The study's folder.
    workers : callable
        Who does the work, such as `local_workers`.
    resume : bool
        Go on with a study that is there. What has changed since (file, row, settings, program) is measured again.
    again : bool
        Also give the pages refused before another try.
    measure : callable
        What measures one sample; a function at the top of a module.
    progress : callable
        Told after every page.

    Raises
    ------
    StudyError
        The folder holds a study already and `resume` was not given, or another run is at work on it.
    """
    if exists(study) and not resume:
        fix = "Go on with it by --resume, or choose another folder."
        raise StudyError("this folder holds a study already", where=str(study), fix=fix)
    name = pool.name_of(measure)
    with open_ledger(study, make=True) as ledger:
        _sweep(study)
        said = {s.name: _corrections(study, s.name) for s in samples}
        marks = {s.name: fingerprint(s, settings, said[s.name]) for s in samples}
        done = _still_good(ledger, study, marks, settings, again=again)
        ledger.note(settings=_shown(settings), samples=len(samples), complete=False)
        todo = deque(Order(s, settings, name, said[s.name]) for s in samples if s.name not in done)
        refused = sum(o.refused is not None for o in done.values())
        runner = _Runner(ledger, study, marks, todo, _Clock(len(samples), len(done), refused, progress))
        runner.run(workers)
        ledger.note(complete=True)
    return Run(len(samples) - len(done), len(done), runner.clock.refused)


def _corrections(study: Path, name: str) -> str:
    """Return what a person put right on a sample: the text of its file, empty without one."""
    path = study / CORRECTIONS / f"{name}.txt"
    try:
        return path.read_text("utf-8-sig")
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as error:
        raise StudyError("the corrections cannot be read", where=str(path), fix="Save them as text, UTF-8.") from error


def _shown(settings: Settings) -> dict[str, object]:
    return {"tolerance_mm": settings.tolerance_mm, "max_pixels": settings.max_pixels, "who": settings.who}


def _sweep(study: Path) -> None:
    """Take away what was being written when a run was killed."""
    for folder in (study, study / RECORDS, study / OVERLAYS):
        for part in folder.glob(".*.part"):
            part.unlink(missing_ok=True)


def _still_good(
    ledger: Ledger, study: Path, marks: dict[str, str], settings: Settings, *, again: bool
) -> dict[str, Outcome]:
    """Return the outcomes that hold; forget the others, and what belongs to no row any more."""
    outcomes = ledger.outcomes()
    good = {}
    for name, outcome in outcomes.items():
        if marks.get(name) != outcome.fingerprint or (again and outcome.refused):
            continue
        if outcome.refused is None:
            if not _size_is(study / RECORDS / f"{name}.json", outcome.bytes):
                continue
            if settings.overlays and not (study / OVERLAYS / f"{name}.jpg").is_file():
                continue
        good[name] = outcome
    stale = [name for name in outcomes if name not in good]
    if stale:
        ledger.drop(stale)
    for name in stale:
        (study / RECORDS / f"{name}.json").unlink(missing_ok=True)
        (study / OVERLAYS / f"{name}.jpg").unlink(missing_ok=True)
    return good


def _size_is(path: Path, size: int) -> bool:
    try:
        return path.stat().st_size == size
    except OSError:
        return False


class _Clock:
    """Counts pages and tells rate and time left, over the last pages done."""

    def __init__(self, total: int, done: int, refused: int, tell: Callable[[Progress], None]) -> None:
        self.total, self.done, self.refused, self._tell = total, done, refused, tell
        self._times: deque[float] = deque([time.monotonic()], maxlen=200)

    def count(self, *, refused: bool) -> None:
        self.done += 1
        self.refused += refused
        self._times.append(time.monotonic())
        span = self._times[-1] - self._times[0]
        rate = (len(self._times) - 1) / span if span > 0 else 0.0
        left = (self.total - self.done) / rate if rate else 0.0
        self._tell(Progress(self.done, self.total, self.refused, rate, left))


class _Runner:
    def __init__(self, ledger: Ledger, study: Path, marks: dict[str, str], todo: deque[Order], clock: _Clock) -> None:
        self._ledger, self._study, self._marks, self._todo, self.clock = ledger, study, marks, todo, clock
        self._deaths: Counter[str] = Counter()
        self._started: dict[str, float] = {}

    def run(self, workers: Workers) -> None:
        # Closing the generator ends the workers, also when Ctrl-C comes between two pages.
        with closing(_generator(workers(self._next))) as answers:
            for order, answer in answers:
                self._take(order, answer)

    def _next(self) -> Order | None:
        if not self._todo:
            return None
        order = self._todo.popleft()
        self._started[order.sample.name] = time.monotonic()
        return order

    def _take(self, order: Order, answer: pool.Answer) -> None:
        name = order.sample.name
        seconds = time.monotonic() - self._started.pop(name, time.monotonic())
        result = self._result(order, answer)
        if result is None:
            self._todo.append(order)
            return
        sha256, size = None, 0
        if isinstance(result, Work):
            content = result.record.encode("utf-8")
            sha256, size = hashlib.sha256(content).hexdigest(), len(content)
            write_files(self._study / RECORDS, {f"{name}.json": content})
            if result.overlay is not None:
                write_files(self._study / OVERLAYS, {f"{name}.jpg": result.overlay})
        refused = result if isinstance(result, Refused) else None
        self._ledger.put(Outcome(name, self._marks[name], sha256, refused, seconds, size))
        self.clock.count(refused=refused is not None)

    def _result(self, order: Order, answer: pool.Answer) -> Work | Refused | None:
        """Return the result, or None when the page is to be tried again."""
        if isinstance(answer, pool.Done):
            value: Work | Refused = answer.value
            return value
        if isinstance(answer, pool.Late):
            fix = "Look at the page: is it a page of writing? Allow more time with --page-seconds and add --again."
            return Refused("late", "it took longer than a page may take and was stopped", fix)
        self._deaths[order.sample.name] += 1
        if self._deaths[order.sample.name] < _TRIES:
            return None
        what = f"the worker ended on it {_TRIES} times without an answer"
        return Refused("died", what, "Save the page as PNG and try again with --again; scan at 300 dots to the inch.")


def _generator(answers: Iterable[tuple[Order, pool.Answer]]) -> Generator[tuple[Order, pool.Answer], None, None]:
    yield from answers
