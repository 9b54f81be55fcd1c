"""Two measuring processes and what waits for each.

One is for the page at hand: the first page of a drop, and every correction. The other, started when it is first
needed, takes the rest of a pile, so that a pile never keeps a person waiting. A process that crashes, hangs or is
stopped is replaced; what it was doing is said on the page it was about, and nothing that was saved is lost.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import queue
import threading
import time
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

from handwriting.desk.work import Desk, State
from handwriting.errors import DecodeFailedError, HandwritingError, OutputError

SECONDS = 90.0
# What begins a sentence about a file, where the errors of reading leave the file itself out.
_VERBS = frozenset(
    {"is", "has", "holds", "needs", "may", "cannot", "ends", "took", "made", "was", "could", "asks", "starts", "states"}
)
_STOPPED = "you stopped the measuring; the page is still here"


@dataclass(slots=True, eq=False)
class Job:
    """One request to a measuring process, how far it is, whether it is answered, and noted on its page."""

    name: str
    work: str
    arguments: dict[str, Any]
    stage: str = "Waiting for the pages before it"
    began: float = field(default_factory=time.monotonic)
    done: threading.Event = field(default_factory=threading.Event)
    noted: threading.Event = field(default_factory=threading.Event)
    answer: dict[str, Any] | None = None
    error: HandwritingError | None = None
    stopped: bool = False

    def result(self) -> dict[str, Any]:
        """Wait for the answer.

        Raises
        ------
        HandwritingError
            The refusal the process answered with, or that it died.
        """
        self.done.wait()
        if self.error is not None:
            raise self.error
        return self.answer or {}


class Lane:
    """One measuring process and the requests waiting for it, each in its turn."""

    def __init__(self, seconds: float = SECONDS) -> None:
        self._seconds = seconds
        self._waiting: queue.SimpleQueue[Job | None] = queue.SimpleQueue()
        self._running: Job | None = None
        self._gone: set[str] = set()
        self._free = threading.Event()
        self._ending = False
        self._lock = threading.Lock()
        self._process, self._pipe = _start()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        self.add(Job("warm", "", {}))

    def add(self, job: Job) -> Job:
        """Put a request in the line."""
        self._waiting.put(job)
        return job

    def stop(self, job: Job) -> None:
        """Give up a request; the process is ended when it is at work on it."""
        with self._lock:
            job.stopped = True
            if self._running is job:
                self._process.kill()
            elif not job.done.is_set():
                job.error = DecodeFailedError(_STOPPED)
                job.done.set()

    def settle(self) -> None:
        """Wait until all that was answered is on the disk."""
        with self._lock:
            answered = self._running is not None and self._running.done.is_set()
        if answered:
            self._free.wait(self._seconds)

    def let_go(self, folder: Path) -> None:
        """Do nothing more for a page; return when the process writes to its folder no more."""
        with self._lock:
            self._gone.add(folder.name)
            busy = self._running is not None and self._running.work == folder.name
        if busy:
            self._free.wait(self._seconds)
        self.add(Job("forget", "", {"folder": folder}))

    def close(self) -> None:
        """End the process."""
        self._ending = True
        self._waiting.put(None)
        self._process.kill()
        self._thread.join(5)

    def _run(self) -> None:
        while (job := self._waiting.get()) is not None:
            with self._lock:
                if job.work in self._gone and not job.done.is_set():
                    job.error = DecodeFailedError("the page was put away")
                    job.done.set()
                if job.done.is_set():
                    continue
                self._free.clear()
                self._running = job
            self._serve(job)
            with self._lock:
                self._running = None
            job.done.set()
            self._free.set()
        self._pipe.close()

    def _serve(self, job: Job) -> None:
        ends = time.monotonic() + self._seconds
        try:
            self._pipe.send((job.name, job.arguments))
            while self._pipe.poll(max(0.0, ends - time.monotonic())):
                message = self._pipe.recv()
                if "stage" in message:
                    job.stage = message["stage"]
                    continue
                if "free" in message:
                    return
                if not job.done.is_set():
                    job.answer, job.error = message.get("done"), message.get("error")
                    job.done.set()
            what = f"measuring took more than {self._seconds:g} seconds and was stopped"
            error = DecodeFailedError(what, fix="Scan the page at 300 dots to the inch, the written page alone.")
        except (EOFError, OSError):
            fix = "Measure it again; if it happens again, scan the page anew."
            error = DecodeFailedError("the measuring process ended unexpectedly", fix=fix)
            if job.stopped:
                error = DecodeFailedError(_STOPPED)
        if not job.done.is_set():  # what was answered stands
            job.error = error
        if not self._ending:
            self._replace()

    def _replace(self) -> None:
        with self._lock:
            self._process.kill()
            self._process.join()
            self._pipe.close()
            self._process, self._pipe = _start()
        self.add(Job("warm", "", {}))


def _start() -> tuple[BaseProcess, Connection]:
    from handwriting.desk.worker import serve

    # A fresh interpreter: a fork beside the server's threads can deadlock.
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=serve, args=(theirs,), daemon=True)
    process.start()
    theirs.close()
    return process, ours


class Jobs:
    """Everything that is being measured for one desk."""

    def __init__(self, desk: Desk, seconds: float = SECONDS) -> None:
        self._desk, self._seconds = desk, seconds
        self._hand = Lane(seconds)
        self._pile: Lane | None = None
        self._lock = threading.Lock()
        self._measuring: dict[str, tuple[Lane, Job]] = {}
        for state in desk.all():
            if state.stage == "waiting" or (state.stage == "measured" and not self._in_step(state)):
                self.measure(state, at_hand=False)

    def _in_step(self, state: State) -> bool:
        """Tell whether a page's record has the corrections its state has: a desk may have been killed between."""
        try:
            held = json.loads((self._desk.place(state.id) / "record.json").read_text("utf-8"))
        except (OSError, ValueError):
            return False
        return [(c["kind"], c["when"]) for c in held["corrections"]] == [(c["kind"], c["when"]) for c in state.counting]

    def close(self) -> None:
        """End both processes."""
        self._hand.close()
        if self._pile is not None:
            self._pile.close()

    def _lane(self, *, at_hand: bool) -> Lane:
        with self._lock:
            if at_hand:
                return self._hand
            if self._pile is None:
                self._pile = Lane(self._seconds)
            return self._pile

    def measure(self, state: State, *, at_hand: bool) -> None:
        """Have a page measured; `status` says how far it is."""
        lane = self._lane(at_hand=at_hand)
        self._desk.change(state.id, stage="waiting", trouble="")
        job = Job("measure", state.id, self._page(state))
        with self._lock:
            self._measuring[state.id] = (lane, job)
        lane.add(job)
        threading.Thread(target=self._settle, args=(lane, job, state), daemon=True).start()

    def _page(self, state: State) -> dict[str, Any]:
        others = [s for s in self._desk.all() if s.file == state.id] if state.together else []
        return {
            "folder": self._desk.place(state.id),
            "number": state.number,
            "asked": state.asked,
            "others": [(self._desk.place(s.id), s.number) for s in sorted(others, key=lambda s: s.number)],
        }

    def _settle(self, lane: Lane, job: Job, state: State) -> None:
        """Wait for a page to be measured and note how it went."""
        with contextlib.suppress(KeyError):  # put away meanwhile
            try:
                answer = job.result()
            except HandwritingError as error:
                self._desk.change(state.id, stage="stopped", trouble=_sentence(error))
            else:
                if answer["text"] and not {"text", "passage"} & set(state.asked):
                    # The copying sheet's own code said which text it was: the form now says so too.
                    self._desk.change(state.id, asked={**state.asked, "text": answer["text"]})
                if answer["count"] > 1 and state.count == 1:
                    self._siblings(state, answer["count"])
                if state.upto:
                    self.correct(self._desk.state(state.id))
                self._desk.change(state.id, stage="measured", trouble="")
                lane.add(Job("finish", state.id, {"folder": self._desk.place(state.id), "number": state.number}))
        with self._lock:
            if self._measuring.get(state.id, (None, None))[1] is job:
                del self._measuring[state.id]
        job.noted.set()

    def _siblings(self, state: State, count: int) -> None:
        """Make a page in hand of every further page of a file."""
        first = self._desk.change(state.id, count=count)
        for number in range(2, count + 1):
            try:
                further = self._desk.take_further(first, number)
            except OSError as error:
                fix = "Make room on the disk."
                raise OutputError("the file's further pages could not be stored", fix=fix) from error
            self.measure(further, at_hand=False)

    def status(self, state: State, *, patience_s: float = 0.0) -> dict[str, Any]:
        """Return how far a page is; wait up to `patience_s` for it to be done."""
        with self._lock:
            lane_job = self._measuring.get(state.id)
        if lane_job is not None and lane_job[1].noted.wait(patience_s):
            lane_job, state = None, self._desk.state(state.id)
        if lane_job is None:
            return {"stage": state.stage, "trouble": state.trouble, "says": "", "seconds": 0}
        job = lane_job[1]
        return {
            "stage": "waiting",
            "trouble": "",
            "says": job.stage,
            "seconds": round(time.monotonic() - job.began, 1),
        }

    def stop(self, work: str) -> None:
        """Stop measuring a page."""
        with self._lock:
            lane_job = self._measuring.get(work)
        if lane_job is not None:
            lane_job[0].stop(lane_job[1])
            lane_job[1].done.wait(10)

    def correct(self, state: State) -> dict[str, Any]:
        """Have a page's record made anew with the corrections that count; return its view.

        The record's file follows the answer at once: `settle` waits for it.

        Raises
        ------
        HandwritingError
            A correction cannot be used; the record is as it was.
        """
        arguments = {**self._page(state), "corrections": list(state.counting)}
        view: dict[str, Any] = self._lane(at_hand=True).add(Job("correct", state.id, arguments)).result()["view"]
        return view

    def settle(self, state: State) -> None:
        """Wait until a page's record on the disk is that of its corrections; make it anew where it is not."""
        self._hand.settle()
        if state.stage == "measured" and not self._in_step(state):
            self.correct(state)
            self._hand.settle()

    def lossless(self, state: State) -> bytes:
        """Return a page's upright picture as PNG with all its pixels; fails as `correct` does."""
        arguments = {**self._page(state), "corrections": list(state.counting)}
        self._lane(at_hand=True).add(Job("lossless", state.id, arguments)).result()
        made = self._desk.place(state.id) / "frame.png"
        content = made.read_bytes()
        made.unlink()
        return content

    def cut_words(self, state: State, most: int) -> None:
        """Cut out words of a page to be read, in an order of chance; fails as `correct` does."""
        arguments = {**self._page(state), "corrections": list(state.counting), "most": most}
        self._lane(at_hand=True).add(Job("words", state.id, arguments)).result()

    def put_away(self, work: str) -> None:
        """Delete a page for good: stopped, let go of by the processes, then its folder."""
        self.stop(work)
        self._desk.remove(work, self._let_go)

    def _let_go(self, folder: Path) -> None:
        for lane in (self._hand, self._pile):
            if lane is not None:
                lane.let_go(folder)


def _sentence(error: HandwritingError) -> str:
    """Return a refusal for its page; the names that its files have in the desk's folder say nothing to anybody."""
    where, what = error.where, error.what
    if where.startswith("original") and what.split(" ", 1)[0] in _VERBS:
        page = where.removeprefix("original").removeprefix(", page ")
        what = f"page {page} of the file {what}" if page else f"the file {what}"
    text = f"{what}. {error.fix}" if error.fix else f"{what}."
    return text[:1].upper() + text[1:]
