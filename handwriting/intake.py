"""Run a decoder in a process of its own, so that no file can take the program down with it.

A damaged or hostile file can crash a decoder, make it wait for ever or make it ask for all the memory there is. So each
decode runs in a child that may use a stated amount of memory and of *wall clock* time (a decoder stuck on a lock uses
no processor time). The child writes the pixels into an unnamed file the parent maps into memory: nothing is left on the
disk however the child ends. What libraries write to the error stream goes nowhere.

The child is forked where that can be done, because it costs milliseconds instead of the quarter second of a fresh
interpreter. Forking beside running threads is safe only while the child stays away from libraries that own threads:
decoders here use Pillow, simplejpeg and PDFium, never OpenCV.
"""

from __future__ import annotations

import contextlib
import errno
import faulthandler
import gc
import importlib
import json
import math
import mmap
import os
import select
import signal
import subprocess
import sys
import tempfile
import threading
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import IO, Any, Literal

import numpy as np
import numpy.typing as npt

from handwriting.errors import (
    DamagedFileError,
    DecodeFailedError,
    FileNotReadableError,
    HandwritingError,
    LockedFileError,
    TooLargeError,
    UsageError,
)

Pixels = npt.NDArray[np.uint8]
Message = dict[str, Any]

_TRAILER = b"handwriting-end\n"
_ERRORS: dict[str, type[HandwritingError]] = {
    cls.__name__: cls
    for cls in (DamagedFileError, DecodeFailedError, FileNotReadableError, LockedFileError, TooLargeError, UsageError)
}
_PRIVATE = {} if os.name == "nt" else {"flags": mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS}
_OUT_OF_MEMORY = "needs more memory than one page is allowed"
_SMALLER = "Scan the page again at 300 dpi, or raise the limit memory_bytes"
_AGAIN = "Scan or photograph the page again and save it as PNG or JPEG"

_forking = threading.Lock()  # the warning filters are the whole program's: one thread at a time changes them


def _renew_lock() -> None:
    global _forking  # noqa: PLW0603 - a fork made by others may have copied the lock while it was held
    _forking = threading.Lock()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_renew_lock)


@dataclass(frozen=True, slots=True)
class Bounds:
    """What one decode may use.

    Parameters
    ----------
    seconds : float
        Wall-clock time before the child is killed.
    memory_bytes : int
        Memory the child may ask for on top of what the parent already holds (where the system can limit it).
    start : {"auto", "fork", "spawn"}
        How the child is started; ``auto`` forks where the system can.
    """

    seconds: float = 20.0
    memory_bytes: int = 2 * 1024**3
    start: Literal["auto", "fork", "spawn"] = "auto"


class Sink:
    """Where a decoder puts its pixels: an array, written to the parent's file with a message behind it.

    Decoding into the mapped file itself takes longer: its memory comes page by page, an array's in large ones.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._memory = memoryview(b"")

    @property
    def size(self) -> int:
        """Bytes of the pixels."""
        return len(self._memory)

    def pixels(self, shape: tuple[int, ...]) -> Pixels:
        """Return the array to decode into, (H, W) or (H, W, 3) uint8. To be called once."""
        size = math.prod(shape)
        # Memory of its own: what the parent's allocator hands out again would be copied from the parent first.
        memory = mmap.mmap(-1, size, **_PRIVATE)
        if hasattr(mmap, "MADV_HUGEPAGE"):
            with contextlib.suppress(OSError):
                memory.madvise(mmap.MADV_HUGEPAGE)
        self._memory = memoryview(memory)
        return np.frombuffer(memory, np.uint8).reshape(shape)

    def finish(self, message: Message) -> None:
        """Write the pixels and the message, and mark the file as complete."""
        body = json.dumps(message).encode()
        self._write(self._memory)
        self._write(memoryview(body + len(body).to_bytes(8, "little") + _TRAILER))

    def _write(self, rest: memoryview) -> None:
        while rest:
            rest = rest[os.write(self._descriptor, rest) :]


Job = Callable[[bytes, Message, Sink], Message]


def run_apart(job: Job, data: bytes, options: Message, *, where: str, bounds: Bounds) -> tuple[Message, Pixels | None]:
    """Run `job(data, options, sink)` in a child process.

    Parameters
    ----------
    job : callable
        A function at the top level of a module; what it returns must survive JSON.
    data : bytes
        The file's content.
    options : dict
        What the job needs to know besides; must survive JSON.
    where : str
        File name and page for messages.
    bounds : Bounds
        Time and memory.

    Returns
    -------
    message : dict
        What the job returned.
    pixels : ndarray or None
        The bytes it put into the sink, flat, read-only; None when it asked for none.

    Raises
    ------
    HandwritingError
        The job's own refusal, or `DecodeFailedError` when the child died, hung or ran out of memory.
    """
    forks = bounds.start == "fork" or (bounds.start == "auto" and hasattr(os, "fork"))
    with _unnamed_file() as result:
        outcome = (_forked if forks else _spawned)(job, data, options, bounds, result)
        message = _read_message(result)
        if message is None:
            raise DecodeFailedError(_cause(outcome, bounds), where=where, fix=_remedy(outcome))
        if "error" in message:
            refusal = message["error"]
            raise _ERRORS[refusal["kind"]](refusal["what"], where=where, fix=refusal["fix"])
        size = int(message["size"])
        pixels = np.frombuffer(mmap.mmap(result.fileno(), size, access=mmap.ACCESS_READ), np.uint8) if size else None
        return message["answer"], pixels


def _unnamed_file() -> IO[bytes]:
    """Open a file without a name: in memory where the system has such files, else in the temporary folder."""
    if hasattr(os, "memfd_create"):
        with contextlib.suppress(OSError):
            return os.fdopen(os.memfd_create("page", os.MFD_CLOEXEC), "w+b", buffering=0)
    return tempfile.TemporaryFile(buffering=0)


def _forked(job: Job, data: bytes, options: Message, bounds: Bounds, result: IO[bytes]) -> int | None:
    """Run the job in a fork of this process; return its exit code (minus the signal number), None when it was late."""
    with _forking, warnings.catch_warnings():
        # Newer Pythons warn of forking beside threads. The child runs no thread and none of the parent's libraries
        # that own any; should it hang on a lock all the same, it is killed and named like any other decoder that hangs.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child == 0:
        try:
            _serve(job, data, options, bounds, result.fileno())
        finally:
            os._exit(70)
    ended = False
    try:
        status = _wait(child, bounds.seconds)
        ended = status is not None
        return None if status is None else os.waitstatus_to_exitcode(status)
    finally:
        if not ended:
            with contextlib.suppress(ProcessLookupError, ChildProcessError):
                os.kill(child, signal.SIGKILL)
                os.waitpid(child, 0)


def _wait(child: int, seconds: float) -> int | None:
    """Wait for the child at most so long; its wait status, or None when it still runs."""
    deadline = time.monotonic() + seconds
    with contextlib.suppress(OSError, AttributeError):
        handle = os.pidfd_open(child)
        try:
            poll = select.poll()
            poll.register(handle, select.POLLIN)
            poll.poll(seconds * 1000)
        finally:
            os.close(handle)
    pause = 0.0005
    while True:
        try:
            found, status = os.waitpid(child, os.WNOHANG)
        except ChildProcessError:  # the host program collects every child itself: the message alone decides
            return 0
        if found:
            return status
        if time.monotonic() >= deadline:
            return None
        time.sleep(pause)
        pause = min(pause * 1.5, 0.02)


def _spawned(job: Job, data: bytes, options: Message, bounds: Bounds, result: IO[bytes]) -> int | None:
    """Run the job in a fresh interpreter; return its exit code, None when it was late."""
    head: Message = {"module": job.__module__, "function": job.__qualname__, "options": options}
    head |= {"seconds": bounds.seconds, "memory_bytes": bounds.memory_bytes}
    with tempfile.TemporaryFile(buffering=0) as order:
        order.write(json.dumps(head).encode() + b"\n")
        order.write(data)
        order.seek(0)
        command = [sys.executable, "-c", "from handwriting.intake import main; main()"]
        path = os.pathsep.join(entry or os.getcwd() for entry in sys.path)  # noqa: PTH109
        environment = os.environ | {"PYTHONPATH": path}
        try:
            return subprocess.run(  # noqa: PLW1510 - the exit code is what is asked for
                command, stdin=order, stdout=result, stderr=subprocess.DEVNULL, env=environment, timeout=bounds.seconds
            ).returncode
        except subprocess.TimeoutExpired:
            return None


def main() -> None:
    """Be the child that `_spawned` started: read the order from standard input, put the result on standard output."""
    head = json.loads(sys.stdin.buffer.readline())
    job = getattr(importlib.import_module(head["module"]), head["function"])
    bounds = Bounds(head["seconds"], head["memory_bytes"])
    _serve(job, sys.stdin.buffer.read(), head["options"], bounds, os.dup(1))


def _serve(job: Job, data: bytes, options: Message, bounds: Bounds, descriptor: int) -> None:
    """Do the job inside the child and leave without running anything of the parent's."""
    gc.disable()
    _restrict(bounds)
    sink = Sink(descriptor)
    try:
        answer = job(data, options, sink)
        message: Message = {"size": sink.size, "answer": answer}
    except HandwritingError as refusal:
        message = _refusal(type(refusal).__name__, refusal.what, refusal.fix)
    except MemoryError:
        message = _refusal("DecodeFailedError", _OUT_OF_MEMORY, _SMALLER)
    except Exception as error:  # noqa: BLE001 - whatever a decoder raises has to reach the parent as a message
        if isinstance(error, OSError) and error.errno == errno.ENOMEM:
            message = _refusal("DecodeFailedError", _OUT_OF_MEMORY, _SMALLER)
        else:
            said = " ".join(f"{type(error).__name__}: {error}".split())[:200]
            message = _refusal("DamagedFileError", f"cannot be decoded ({said})", _AGAIN)
    sink.finish(message)
    os._exit(0)


def _refusal(kind: str, what: str, fix: str) -> Message:
    return {"error": {"kind": kind, "what": what, "fix": fix}}


def _restrict(bounds: Bounds) -> None:
    """Silence the child, bound its memory and see that it cannot outlive its time, even if the parent is gone."""
    warnings.simplefilter("ignore")
    faulthandler.disable()  # it would write the host program's stack to wherever that keeps its error stream
    silent = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(silent, stream)
    sys.stdout = sys.stderr = os.fdopen(silent, "w", encoding="utf-8")
    if os.name == "nt":
        return
    import resource

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group: the parent kills its child itself
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.setitimer(signal.ITIMER_REAL, bounds.seconds + 2)
    ceiling = _address_space() + bounds.memory_bytes
    hard = resource.getrlimit(resource.RLIMIT_AS)[1]
    if hard != resource.RLIM_INFINITY:
        ceiling = min(ceiling, hard)
    with contextlib.suppress(OSError, ValueError):  # macOS accepts no such limit: the clock is then the only guard
        resource.setrlimit(resource.RLIMIT_AS, (ceiling, hard))
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _address_space() -> int:
    """Bytes of address space this process holds already: a fork inherits the parent's, and the limit counts it."""
    try:
        with open("/proc/self/statm", encoding="ascii") as source:  # noqa: PTH123 - no pathlib needed in the hot path
            return int(source.read().split()[0]) * mmap.PAGESIZE
    except (OSError, ValueError):
        return 0


def _read_message(result: IO[bytes]) -> Message | None:
    """Read what the child left behind its pixels; None when it did not get that far."""
    end = result.seek(0, os.SEEK_END)
    tail = 8 + len(_TRAILER)
    if end < tail:
        return None
    result.seek(end - tail)
    trailer = result.read(tail)
    length = int.from_bytes(trailer[:8], "little")
    if trailer[8:] != _TRAILER or length > end - tail:
        return None
    result.seek(end - tail - length)
    message: Message = json.loads(result.read(length))
    return message


def _cause(outcome: int | None, bounds: Bounds) -> str:
    if outcome is None or outcome == -getattr(signal, "SIGALRM", 0):
        return f"took longer than {bounds.seconds:g} s to decode and was stopped"
    if outcome < 0:
        name = signal.Signals(-outcome).name
        memory = ", as it does when it needs more memory than one page is allowed" if name == "SIGABRT" else ""
        return f"the decoder crashed on it ({name}{memory})"
    return f"the decoder ended without a result (exit code {outcome})"


def _remedy(outcome: int | None) -> str:
    if outcome is None:
        return f"{_AGAIN}, or raise the limit seconds"
    return _AGAIN
