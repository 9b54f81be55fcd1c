"""Workers that may die or hang: each page is measured in a process of its own kind, and a dead one is named.

A worker is a fresh interpreter that reads pickled tasks from its standard input and writes pickled answers to its
standard output. Every worker has its own two pipes and no lock is shared, so a worker killed at any moment (in the
middle of an answer, too) can neither hold up nor confuse another. A worker whose parent is gone reads the end of its
input and leaves; one that hangs is ended by its parent's clock, and by its own when the parent is gone.

Libraries that would use several threads are held to one: with a worker a core, more threads only get in the way.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import pickle
import queue
import signal
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import IO, Any, Generic, TypeVar

from handwriting.errors import StudyError, UsageError

T = TypeVar("T")

_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")
_HEAD = struct.Struct("<Q")
READY = "ready"
_START_SECONDS = 300.0
_FALSE_STARTS = 3


@dataclass(frozen=True, slots=True)
class Done:
    """The worker answered."""

    value: Any


@dataclass(frozen=True, slots=True)
class Died:
    """The worker ended on this task: its exit code, minus the number of the signal."""

    code: int


@dataclass(frozen=True, slots=True)
class Late:
    """The task took longer than allowed and its worker was ended."""


Answer = Done | Died | Late


def name_of(job: Callable[..., Any]) -> str:
    """Return the name by which a worker finds a function: ``module:function``.

    Raises
    ------
    UsageError
        The function does not stand at the top of a module that can be imported.
    """
    module, name = job.__module__, job.__qualname__
    if module == "__main__" or "." in name or "<" in name:
        fix = "Put it at the top level of a module of its own."
        raise UsageError(f"the workers cannot find the function {name}", fix=fix)
    return f"{module}:{name}"


class Worker(Generic[T]):
    """One process that does one job again and again.

    `answers` receives ``(worker, answer)``: first ``Done(READY)``, then one for every `ask`, at last how it ended.
    """

    def __init__(self, job: str, answers: queue.SimpleQueue[tuple[Worker[T], Answer]]) -> None:
        places = [entry or os.getcwd() for entry in sys.path]  # noqa: PTH109 - the same text sys.path would hold
        environment = os.environ | dict.fromkeys(_ONE_THREAD, "1") | {"PYTHONPATH": os.pathsep.join(places)}
        self._process = subprocess.Popen(
            [sys.executable, "-c", "from handwriting.batch.pool import serve; serve()", job],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
            # Ctrl-C reaches a whole group: the parent ends its workers itself.
            process_group=0 if os.name == "posix" else None,
        )
        self._answers = answers
        self._late = 0.0
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self.task: T | None = None
        self.ready = False
        self.deadline = time.monotonic() + _START_SECONDS
        self._thread.start()

    def ask(self, task: T, seconds: float) -> None:
        """Hand over a task that may take so many seconds. A worker that has died meanwhile says so by its answer."""
        self.task = task
        if self.ready:
            self.deadline = time.monotonic() + seconds
        stream = self._process.stdin
        if stream is not None:
            with contextlib.suppress(OSError, ValueError):
                _write(stream, (seconds, task))

    def end_when_late(self) -> None:
        """End the worker when its time is over."""
        over = time.monotonic() - self.deadline
        if self.task is not None and not self._late and over >= 0:
            self._late = max(over, 1e-9)
            self._process.kill()

    def stop(self) -> None:
        """End the worker now."""
        self._process.kill()
        self._process.wait()
        self._thread.join(10)
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()

    def _listen(self) -> None:
        stream = self._process.stdout
        while stream is not None:
            try:
                value = _read(stream)
            except (EOFError, OSError, ValueError, pickle.UnpicklingError):
                break
            self._answers.put((self, Done(value)))
        code = self._process.wait()
        self._answers.put((self, Late() if self._late else Died(code)))


def work_apart(
    job: str, next_task: Callable[[], T | None], *, workers: int, seconds: float
) -> Generator[tuple[T, Answer], None, None]:
    """Do a job for every task in separate processes and yield each task with its answer as it comes.

    Parameters
    ----------
    job : str
        From `name_of`: a function of one task.
    next_task : callable
        The next task, or None when there is none for now; asked again whenever a worker is free. Work ends when no
        worker is busy and there is no task.
    workers : int
        How many processes.
    seconds : float
        Time one task may take before its worker is ended.

    Raises
    ------
    StudyError
        Workers cannot be started.
    """
    answers: queue.SimpleQueue[tuple[Worker[T], Answer]] = queue.SimpleQueue()
    crew: list[Worker[T]] = []
    again: list[T] = []
    false_starts = 0

    def hand_out() -> None:
        while len(crew) < workers or any(w.task is None for w in crew):
            task = again.pop() if again else next_task()
            if task is None:
                return
            idle = next((w for w in crew if w.task is None), None)
            if idle is None:
                idle = Worker(job, answers)
                crew.append(idle)
            idle.ask(task, seconds)

    try:
        while True:
            hand_out()
            if all(w.task is None for w in crew):
                return
            worker, answer = _next(answers, crew)
            if not worker.ready and answer == Done(READY):
                worker.ready, worker.deadline, false_starts = True, time.monotonic() + seconds, 0
                continue
            task, worker.task = worker.task, None
            if not isinstance(answer, Done):
                crew.remove(worker)
                worker.stop()
                if not worker.ready:
                    false_starts += 1
                    again += [] if task is None else [task]
                    _refuse_false_starts(false_starts)
                    continue
            # The worker has its next task before its answer is put away.
            hand_out()
            if task is not None:
                yield task, answer
    finally:
        for worker in crew:
            worker.stop()


def _refuse_false_starts(number: int) -> None:
    if number >= _FALSE_STARTS:
        fix = "Try handwriting measure on one page: it says what is missing."
        raise StudyError("the workers end before they have started", fix=fix)


def _next(answers: queue.SimpleQueue[tuple[Worker[T], Answer]], crew: list[Worker[T]]) -> tuple[Worker[T], Answer]:
    """Wait for an answer, ending workers that are late."""
    while True:
        due = min(w.deadline for w in crew if w.task is not None)
        try:
            # Short waits, because a wait without end cannot be interrupted from the keyboard everywhere.
            return answers.get(timeout=min(max(due - time.monotonic(), 0.05), 1.0))
        except queue.Empty:
            for worker in crew:
                worker.end_when_late()


def serve() -> None:
    """Be a worker: answer tasks until the input ends."""
    tasks, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    # What libraries print must not get between the answers.
    silent = os.open(os.devnull, os.O_RDWR)
    os.dup2(silent, 0)
    os.dup2(silent, 1)
    module, _, function = sys.argv[1].partition(":")
    job = getattr(importlib.import_module(module), function)
    with contextlib.suppress(EOFError, BrokenPipeError):
        _write(answers, READY)
        while True:
            seconds, task = _read(tasks)
            _alarm(seconds + 30.0)
            answer = job(task)
            _alarm(0.0)
            _write(answers, answer)


def _alarm(seconds: float) -> None:
    """End this process in so many seconds, should its parent be gone by then; 0 takes that back."""
    if os.name == "posix":
        signal.setitimer(signal.ITIMER_REAL, seconds)


def _write(stream: IO[bytes], value: object) -> None:
    body = pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL)
    stream.write(_HEAD.pack(len(body)) + body)
    stream.flush()


def _read(stream: IO[bytes]) -> Any:  # noqa: ANN401 - whatever the other side wrote
    head = stream.read(_HEAD.size)
    if len(head) < _HEAD.size:
        raise EOFError
    (size,) = _HEAD.unpack(head)
    body = stream.read(size)
    if len(body) < size:
        raise EOFError
    return pickle.loads(body)  # from a process of our own
