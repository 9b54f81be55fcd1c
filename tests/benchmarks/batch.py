"""The study engine under load: cost a page, kills, manifests; `batch_pages.py` has throughput on real pages.

    python tests/benchmarks/batch.py cheap --pages 10000    cheap pages: cost a page from the first hundred on
    python tests/benchmarks/batch.py kills --kills 100      killed at random moments and resumed: byte for byte
    python tests/benchmarks/batch.py manifest --rows 100000 the checker, with five faults in every row and with none

Bars: cost a page flat; tables after kills the same bytes; 1e5 rows in 5 s. Timings of the first
mean what they say only on a machine that does nothing else.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1] / "batch"))

import studies
import study_fakes
from batch_pages import say, tree_memory
from test_engine import go, kill_and_resume, names

from handwriting.batch.engine import Progress, local_workers, run
from handwriting.batch.manifest import read_manifest
from handwriting.batch.work import Measure, Settings
from handwriting.errors import ManifestError


class Watch:
    """Notes time and memory page by page."""

    def __init__(self, every: int) -> None:
        self.start, self.first, self.every = time.perf_counter(), 0.0, every
        # Processor time of the engine itself and of its workers, s: it says something on a busy machine, too.
        self.own = self.theirs = 0.0
        self.times: list[float] = []
        self.memory: list[tuple[int, float]] = []

    def tell(self, now: Progress) -> None:
        """Be told of a page."""
        self.times.append(time.perf_counter())
        if now.done % self.every == 0:
            self.memory.append((now.done, tree_memory(os.getpid())))


def timed(manifest: Any, folder: Path, study: str, workers: int, measure: Measure) -> Watch:
    """Run a study and return what was noted; the rate leaves out the start of the workers."""
    watch = Watch(max(1, len(manifest.samples) // 50))
    crew = local_workers(workers, 600)
    own, theirs = time.process_time(), children_time()
    run(manifest.samples, Settings(str(folder)), folder / study, crew, measure=measure, progress=watch.tell)
    watch.own, watch.theirs = time.process_time() - own, children_time() - theirs
    return watch


def children_time() -> float:
    """Return the processor time of processes that have ended, in seconds."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def cheap(count: int) -> None:
    """Cost a page, with pages that cost nothing."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        manifest = studies.read(folder, [f"s{i:06d}" for i in range(count)])
        watch = timed(manifest, folder, "study", 1, study_fakes.cheap)
        step = max(100, count // 10)
        for end in range(step, count + 1, step):
            first = watch.times[end - step]
            say(f"pages {end - step + 1} to {end}: {1000 * (watch.times[end - 1] - first) / (step - 1):.3f} ms a page")
        say(f"processor time of the engine: {1000 * watch.own / count:.3f} ms a page")
        say(f"memory: {watch.memory[0][1]:.1f} MB at first, {watch.memory[-1][1]:.1f} MB at the end")


def kills(count: int, seed: int) -> None:
    """Kill at random moments until as many kills were made, resume, compare."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _, calm = go(folder, names(2000), study=folder / "calm", workers=2)
        start = time.perf_counter()
        done = kill_and_resume(folder, folder / "killed", kills=count, seed=seed)
        one, other = studies.tables(calm), studies.tables(folder / "killed")
        away = sorted(name for name in one.keys() | other.keys() if one.get(name) != other.get(name))
        result = f"DIFFER: {', '.join(away[:8])}" if away else f"{len(one)} files the same bytes"
        say(f"killed: {done}; {time.perf_counter() - start:.0f} s; {result}")


def manifest(rows: int) -> None:
    """Time the checker, in seconds of processor time, listing of the faults included; and its memory."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "p").mkdir()
        # So many files at most; beyond that, rows name further pages of them.
        files = min(rows, 100_000)
        for i in range(files):
            (folder / "p" / f"{i}.png").touch()
        head = "file;participant;occasion;page;text;seconds;reached;age"
        good = "p/{1}.png;P{0};1;{2};the quick brown fox;300;fox;9:4"
        bad = "p/q{0}.png;Jo Smith{0};1;;the quick brown fox;{0} s;dog;9.4"
        for title, row in (("five faults a row", bad), ("no faults", good)):
            path = folder / "m.csv"
            with path.open("w", encoding="utf-8-sig") as file:
                file.write(f"{head}\n")
                file.writelines(row.format(i, i % files, i // files + 1) + "\n" for i in range(rows))
            start = time.process_time()
            try:
                what = f"{len(read_manifest(path, listing=folder / 'faults.csv').samples)} samples"
            except ManifestError as error:
                what = f"{error.count} faults"
            taken, most = time.process_time() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            say(f"{rows} rows, {title}: {what} in {taken:.2f} s; memory of this process at most {most:.0f} MB so far")


def main() -> None:
    """Run one of the three."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("cheap", "kills", "manifest"))
    parser.add_argument("--pages", type=int, default=10_000)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--rows", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    if given.what == "cheap":
        cheap(given.pages)
    elif given.what == "kills":
        kills(given.kills, given.seed)
    else:
        manifest(given.rows)


if __name__ == "__main__":
    main()
