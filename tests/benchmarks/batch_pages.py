"""Throughput of the study engine on drawn pages: one worker, two workers, and the same work without the engine.

    python tests/benchmarks/batch_pages.py --pages 1000 --minutes 0 --keep FOLDER     draws the pages
    python tests/benchmarks/batch_pages.py --pages 1000 --minutes 13 --keep FOLDER

Pages are half sheets (A5) of four lines at 300 dots to the inch, measured against their text; a quarter are drawn,
once, into FOLDER, the others are links to them. Four arms take turns, block by block, on the same pages, so that
whatever else the machine does hits all alike: a bare loop, two bare loops side by side, a study with one worker, a
study with two. The study with two workers does every block (that is where memory is watched), the others every few
blocks. An arm stands still, its workers idle and warm, while another has its turn.

Bars: two workers at least 1.85 times one; engine overhead at most 3 % over the bare loop; peak memory from page 100 to
the last within 5 % of that up to page 100. Two bare loops say what the machine itself gives for two processes: where
they fall short of two, processors share something (a core, a cache, a host), and no engine can give more.
What is weighed is not pages but their work: the time each took with one worker. Seconds are those of the wall;
processor time, time stolen by the host and what other programs took are printed beside.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[2]))

from handwriting.batch.pool import Answer
from handwriting.batch.work import Order, Work, measure_sample

BLOCK, WARM = 24, 4
_TEXT = (
    "the tide turns at noon and the grey boats lean on the sand until it comes back over the stones and the weed "
    "then the nets are hung on the wall to dry and the gulls walk down to see what was left in the pools for them"
)
_LOG, _MEMORY = "ARM_LOG", "ARM_MEMORY"


def say(text: str) -> None:
    """Print a line at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def tree_memory(pid: int) -> float:
    """Return the memory of a process and its descendants in MB: proportional set size, shared pages counted once."""
    total, todo = 0.0, [pid]
    while todo:
        one = todo.pop()
        try:
            lines = Path(f"/proc/{one}/smaps_rollup").read_text("ascii").splitlines()
            total += next(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024
            todo += [int(c) for c in Path(f"/proc/{one}/task/{one}/children").read_text("ascii").split()]
        except (OSError, StopIteration):
            continue
    return total


# --- what an arm does ---------------------------------------------------------------------------------------------


def processor_time() -> float:
    """Return the processor time of this process and its ended children, s."""
    kinds = (resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN))
    return sum(used.ru_utime + used.ru_stime for used in kinds)


def timed(order: Order) -> Work:
    """Measure a sample and note when, where and at what cost."""
    start, used = time.monotonic(), processor_time()
    done = measure_sample(order)
    line = f"{os.getpid()} {order.sample.name} {start:.6f} {time.monotonic():.6f} {processor_time() - used:.6f}\n"
    with Path(os.environ[_LOG]).open("a", encoding="ascii") as file:
        file.write(line)
    return done


def turns() -> Iterator[list[str]]:
    """Yield the samples of each turn, as the conductor names them on the standard input."""
    for line in sys.stdin:
        yield line.split()


def bare(folder: Path) -> None:
    """Be a bare loop."""
    from handwriting.batch.manifest import read_manifest
    from handwriting.batch.work import Settings

    settings = Settings(str(folder))
    orders = {s.name: Order(s, settings, "") for s in read_manifest(folder / "pages.csv").samples}
    for names in turns():
        for name in names:
            timed(orders[name])


def schedule(names: list[str], every: int) -> list[tuple[list[str], bool]]:
    """Return the blocks of pages, and whether all arms take part or the study with two workers alone."""
    blocks = [names[:WARM], *(names[i : i + BLOCK] for i in range(WARM, len(names), BLOCK))]
    return [(block, i == 0 or i % every == 1 % every) for i, block in enumerate(blocks)]


def engine(folder: Path, study: Path, workers: int, every: int) -> None:
    """Be a study that waits, when it asks for a page after a turn, for the turn that follows."""
    # By its own name: workers look it up in this module, which here goes by another.
    from batch_pages import timed as measure

    from handwriting.batch.engine import Progress, Workers, local_workers, run
    from handwriting.batch.manifest import read_manifest
    from handwriting.batch.work import Settings

    def gated(crew: Workers) -> Workers:
        given, left, over = turns(), [0], [False]

        def work(next_order: Callable[[], Order | None]) -> Iterator[tuple[Order, Answer]]:
            def following() -> Order | None:
                if not left[0] and not over[0]:
                    left[0] = len(next(given, []))
                    over[0] = not left[0]
                left[0] -= 1
                return None if over[0] else next_order()

            return crew(following)

        return work

    def tell(now: Progress) -> None:
        if now.done % 5 == 0:
            with Path(os.environ[_MEMORY]).open("a", encoding="ascii") as file:
                file.write(f"{now.done} {tree_memory(os.getpid()):.1f}\n")

    samples = {s.name: s for s in read_manifest(folder / "pages.csv").samples}
    turns_taken = [block for block, everybody in schedule(list(samples), every) if everybody or workers == 2]
    mine = [samples[name] for block in turns_taken for name in block]
    run(mine, Settings(str(folder)), study, gated(local_workers(workers, 600)), measure=measure, progress=tell)


# --- the conductor ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Page:
    """One page done: by which process, from when to when, and its processor time, s."""

    worker: int
    name: str
    start: float
    end: float
    used: float


class Arm:
    """A process that works when it is told to, and its log."""

    def __init__(self, kind: str, place: Path, folder: Path, every: int) -> None:
        self.log, self.memory = place / f"{kind}.log", place / f"{kind}.memory"
        self.log.touch()
        self.memory.touch()
        environment = os.environ | {_LOG: str(self.log), _MEMORY: str(self.memory)}
        command = [sys.executable, __file__, "--arm", kind, "--study", str(place / kind)]
        command += ["--keep", str(folder), "--every", str(every)]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, text=True, env=environment)
        self.pid = self._process.pid
        self._seen = 0

    def begin(self, names: list[str]) -> None:
        """Have it do these pages."""
        stream = self._process.stdin
        if stream is not None:
            stream.write(" ".join(names) + "\n")
            stream.flush()

    def finish(self, number: int) -> list[Page]:
        """Wait until so many pages are done and return them."""
        size, lines = -1, []
        while len(lines) < self._seen + number:
            if self._process.poll() is not None:
                raise SystemExit(f"an arm has ended with {self._process.returncode}")
            time.sleep(0.05)
            if self.log.stat().st_size != size:
                size, lines = self.log.stat().st_size, self.log.read_text("ascii").splitlines()
        cells = [line.split() for line in lines[self._seen :]]
        self._seen += number
        return [Page(int(w), name, float(a), float(b), float(c)) for w, name, a, b, c in cells]

    def own(self) -> float:
        """Return the processor time of the process itself, without its workers, s."""
        fields = Path(f"/proc/{self._process.pid}/stat").read_text("ascii").rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def close(self) -> None:
        """End it."""
        with contextlib.suppress(OSError):
            if self._process.stdin is not None:
                self._process.stdin.close()
        try:
            self._process.wait(60)
        except subprocess.TimeoutExpired:
            self._process.kill()


@dataclass(frozen=True, slots=True)
class Turn:
    """An arm's turn: its pages, and what the machine did meanwhile.

    `own` is the processor time of the engine itself, s; `stolen` and `others` are shares of the processors' time: taken
    by the host, and used by other programs.
    """

    pages: list[Page]
    own: float
    stolen: float
    others: float

    def until(self) -> float:
        """Return when the first of its processes ran out of pages; what comes after is left out."""
        last: dict[int, float] = {}
        for page in self.pages:
            last[page.worker] = max(page.end, last.get(page.worker, 0.0))
        return min(last.values())

    def seconds(self) -> float:
        """Return how long it went at full strength, s."""
        return self.until() - min(page.start for page in self.pages)

    def speed(self, work: dict[str, float]) -> float:
        """Return the work done a second; of a page in hand at the end, the share of its time that had passed."""
        end = self.until()
        done = sum(work[p.name] * min(1.0, max(0.0, end - p.start) / (p.end - p.start)) for p in self.pages)
        return done / self.seconds()

    def rate(self) -> float:
        """Return pages a second."""
        return self.speed(dict.fromkeys((page.name for page in self.pages), 1.0))

    def idle(self) -> float:
        """Return the share of its processes' time in which they had no page."""
        end, workers = self.until(), len({page.worker for page in self.pages})
        busy = sum(min(p.end, end) - p.start for p in self.pages if p.start < end)
        return 1 - busy / (workers * self.seconds())

    def used(self) -> float:
        """Return the processor time of a page, s."""
        return statistics.mean(p.used for p in self.pages)

    def off(self) -> float:
        """Return the share of the pages' time in which they had no processor."""
        return 1 - sum(p.used for p in self.pages) / sum(p.end - p.start for p in self.pages)


def processors() -> list[int]:
    """Return what the machine's processors have done so far, in ticks: user, nice, system, idle, wait, .., steal."""
    return [int(n) for n in Path("/proc/stat").read_text("ascii").split("\n", 1)[0].split()[1:9]]


def take_turn(arms: list[Arm], names: list[str]) -> Turn:
    """Have one arm, or several side by side, do some pages."""
    before, own = processors(), sum(arm.own() for arm in arms)
    shares = [names[i :: len(arms)] for i in range(len(arms))]
    for arm, share in zip(arms, shares, strict=True):
        arm.begin(share)
    pages = [page for arm, share in zip(arms, shares, strict=True) for page in arm.finish(len(share))]
    own = sum(arm.own() for arm in arms) - own
    ticks = [b - a for a, b in zip(before, processors(), strict=True)]
    # User, nice, system and the two kinds of interrupts; a bare loop does its pages itself.
    bare = {page.worker for page in pages} <= {arm.pid for arm in arms}
    ours = sum(page.used for page in pages) + (0.0 if bare else own)
    busy = ticks[0] + ticks[1] + ticks[2] + ticks[5] + ticks[6] - ours * os.sysconf("SC_CLK_TCK")
    return Turn(pages, 0.0 if bare else own, ticks[7] / sum(ticks), max(0.0, busy / sum(ticks)))


def draw_pages(folder: Path, count: int) -> None:
    """Draw a quarter of the pages into the folder, link the others, and write their manifest; what is there stays."""
    import cv2

    from handwriting.phantoms import WRITERS, Capture, Paper, draw

    folder.mkdir(parents=True, exist_ok=True)
    (folder / "tide.txt").write_text(_TEXT, "utf-8")
    hands, drawn = list(WRITERS.values())[:3], max(1, count // 4)
    rows = ["file,participant,occasion,text,seconds,dpi,class"]
    for i in range(count):
        path, source = folder / f"p{i}.png", folder / f"p{i % drawn}.png"
        if not path.exists() and path == source:
            paper = Paper(width_mm=210, height_mm=148)
            cv2.imwrite(str(path), draw(_TEXT, hands[i % 3], paper, Capture(dpi=300), 10 + i).image)
        elif not path.exists():
            os.link(source, path)
        rows.append(f"p{i}.png,P{i // 2:03d},{i % 2 + 1},tide.txt,300,300,5b")
    (folder / "pages.csv").write_text("\n".join(rows) + "\n", "utf-8")


def conduct(folder: Path, count: int, minutes: float, every: int) -> None:
    """Let the arms take turns until the pages or the minutes are used up, and say what was found."""
    from handwriting.batch.manifest import read_manifest

    draw_pages(folder, count)
    names = [sample.name for sample in read_manifest(folder / "pages.csv").samples]
    found: dict[str, list[Turn]] = {"bare": [], "bare two": [], "one": [], "two": []}
    alone: list[Turn] = []
    start, longest = time.monotonic(), {True: 0.0, False: 0.0}
    with tempfile.TemporaryDirectory() as place, contextlib.ExitStack() as stack:
        arms = {kind: Arm(kind, Path(place), folder, every) for kind in ("bare", "second", "one", "two")}
        for arm in arms.values():
            stack.callback(arm.close)
        crews = {"bare": ["bare"], "bare two": ["bare", "second"], "one": ["one"], "two": ["two"]}
        for number, (block, everybody) in enumerate(schedule(names, every)):
            begun = time.monotonic()
            if begun + longest[everybody] - start > 60 * minutes:
                break
            first = len(found["two"]) % len(crews)  # the order of the arms goes round
            kinds = [*list(crews)[first:], *list(crews)[:first]] if everybody else ["two"]
            for kind in kinds:
                turn = take_turn([arms[arm] for arm in crews[kind]], block)
                if number:
                    (found[kind] if everybody else alone).append(turn)
            longest[everybody] = max(longest[everybody], time.monotonic() - begun)
        memory = [tuple(map(float, line.split())) for line in arms["two"].memory.read_text("ascii").splitlines()]
    if not found["two"]:
        raise SystemExit("no block was finished in this time")
    report(found, alone, memory)


def report(found: dict[str, list[Turn]], alone: list[Turn], memory: list[tuple[float, ...]]) -> None:
    """Print what the turns show."""
    for kind, turns_of in (*found.items(), ("two, rest", alone)):
        if turns_of:
            describe(kind, turns_of)
    works = [{p.name: p.end - p.start for p in turn.pages} for turn in found["one"]]
    speeds = {kind: [t.speed(w) for t, w in zip(ts, works, strict=True)] for kind, ts in found.items()}
    for title, above, below, bar in (
        ("two workers to one", "two", "one", "bar 1.85"),
        ("two bare loops to one", "bare two", "bare", "what the machine gives"),
        ("two workers to two bare loops", "two", "bare two", ""),
        ("bare loop to one worker, the engine's overhead", "bare", "one", "bar 1.03"),
    ):
        ratios = sorted(a / b for a, b in zip(speeds[above], speeds[below], strict=True))
        whole = statistics.fmean(speeds[above]) / statistics.fmean(speeds[below])
        median, low, high = statistics.median(ratios), ratios[0], ratios[-1]
        say(f"{title}: median of {len(ratios)} blocks {median:.3f} ({low:.3f} to {high:.3f}), all {whole:.3f}; {bar}")
    used = {kind: statistics.fmean(t.used() for t in turns_of) for kind, turns_of in found.items()}
    own = sum(t.own for t in found["one"]) / sum(len(t.pages) for t in found["one"])
    idle = {kind: statistics.fmean(t.idle() for t in turns_of) for kind, turns_of in found.items()}
    say(
        f"whatever else the machine does, by processor time and by time without a page: overhead "
        f"{100 * ((used['one'] + own) / used['bare'] / (1 - idle['one']) - 1):+.1f} %; two workers to one "
        f"{2 * used['one'] / used['two'] * (1 - idle['two']) / (1 - idle['one']):.3f}"
    )
    # Hundred by hundred: the largest of nine hundred looks is larger than that of one, however flat the memory.
    last = int(memory[-1][0]) // 100 * 100 if memory else 0
    early = [m for done, m in memory if done <= 100]
    late = [m for done, m in memory if last - 100 < done <= last]
    if early and last > 100:
        more = statistics.median(late) / statistics.median(early) - 1
        say(
            f"memory of the study with two workers, middle one and most: {statistics.median(early):.0f} and "
            f"{max(early):.0f} MB up to page 100, {statistics.median(late):.0f} and {max(late):.0f} MB of the hundred "
            f"up to page {last} (middle one {100 * more:+.1f} %; bar 5)"
        )


def describe(kind: str, turns_of: list[Turn]) -> None:
    """Print an arm's means."""

    def mean(values: Iterator[float]) -> float:
        return statistics.fmean(values)

    number, rate = sum(len(t.pages) for t in turns_of), sum(t.rate() for t in turns_of) / len(turns_of)
    say(
        f"{kind}: {number} pages, {rate:.3f} a second; processor time a page {mean(t.used() for t in turns_of):.3f} s, "
        f"of the engine {1000 * sum(t.own for t in turns_of) / number:.1f} ms; "
        f"no page in hand {100 * mean(t.idle() for t in turns_of):.2f} %, "
        f"one in hand and no processor {100 * mean(t.off() for t in turns_of):.1f} % of the time; "
        f"of the processors' time {100 * mean(t.stolen for t in turns_of):.1f} % stolen, "
        f"{100 * mean(t.others for t in turns_of):.1f} % used by others"
    )


def main() -> None:
    """Conduct, or be an arm."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pages", type=int, default=1000)
    parser.add_argument("--minutes", type=float, default=13.0, help="no block is begun that would end after these")
    parser.add_argument("--every", type=int, default=10, help="all arms take part in every so many blocks")
    parser.add_argument("--keep", type=Path, required=True, help="folder for the drawn pages")
    parser.add_argument("--arm", default="", help=argparse.SUPPRESS)
    parser.add_argument("--study", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.arm in {"one", "two"}:
        engine(given.keep, given.study, ("one", "two").index(given.arm) + 1, given.every)
    elif given.arm:
        bare(given.keep)
    elif given.minutes <= 0:
        draw_pages(given.keep, given.pages)
    else:
        conduct(given.keep, given.pages, given.minutes, given.every)


if __name__ == "__main__":
    main()
