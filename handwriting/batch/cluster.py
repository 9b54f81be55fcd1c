"""The same work on several machines, by dask.distributed (extra ``cluster``): pages in chunks, answers one by one.

A page is one task; its answer comes back as soon as it is there, so a dask worker that dies loses the page in hand,
and those that were waiting for it go to others. It does its pages in a process of this program's own pool, which a page
that kills or hangs its decoder takes down instead of the worker. A page that has lost several workers is named.

Files must lie under the same folder for all workers; answers come back to the one process that writes the ledger.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

from handwriting.batch import pool
from handwriting.batch.engine import Workers
from handwriting.batch.work import Order
from handwriting.errors import MissingProgramError, StudyError, UsageError

if TYPE_CHECKING:
    from distributed import Client

_JOB = "handwriting.batch.work:attempt"
_PATIENCE = "30s"
_IDLE_SECONDS = 60.0


def cluster_workers(scheduler: str, *, workers: int, chunk: int, seconds: float) -> Workers:
    """Return workers on a cluster.

    Parameters
    ----------
    scheduler : str
        Address of a scheduler (``tcp://host:8786``), ``local`` for a cluster on this machine, or ``slurm`` for jobs
        of the batch system, set up by the configuration of dask-jobqueue.
    workers : int
        How many workers to start, with ``local`` and ``slurm``.
    chunk : int
        Pages a worker has before it, one in hand and the others waiting.
    seconds : float
        Time one page may take.

    Raises
    ------
    MissingProgramError
        The extra is not installed.
    """
    try:
        import distributed  # noqa: F401
    except ImportError as error:
        fix = "Install it with: pip install 'handwriting[cluster]'"
        raise MissingProgramError("working on a cluster needs dask.distributed", fix=fix) from error

    def work(next_order: Callable[[], Order | None]) -> Iterator[tuple[Order, pool.Answer]]:
        with _client(scheduler, workers) as client:
            yield from _Sender(client, next_order, chunk, seconds).answers()

    return work


@contextlib.contextmanager
def _client(scheduler: str, workers: int) -> Iterator[Client]:
    from distributed import Client, LocalCluster

    with contextlib.ExitStack() as stack:
        if scheduler == "local":
            address: Any = stack.enter_context(
                LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None)
            )
        elif scheduler == "slurm":
            from dask_jobqueue import SLURMCluster

            address = stack.enter_context(SLURMCluster())
            address.scale(jobs=workers)
        else:
            address = scheduler
        try:
            client = stack.enter_context(Client(address, timeout=_PATIENCE))
        except (OSError, TimeoutError, ValueError) as error:
            fix = "Give the address the scheduler printed, such as tcp://10.0.0.5:8786; or local, or slurm."
            raise UsageError(f"no scheduler answers at {scheduler}", where="--scheduler", fix=fix) from error
        yield client


class _Sender:
    """Keeps every worker busy and no more: a chunk of pages a worker is under way at a time."""

    def __init__(self, client: Client, next_order: Callable[[], Order | None], chunk: int, seconds: float) -> None:
        self._client, self._next, self._chunk, self._seconds = client, next_order, chunk, seconds
        self._sent: dict[Any, Order] = {}

    def answers(self) -> Iterator[tuple[Order, pool.Answer]]:
        from distributed import as_completed

        # With results: an answer is fetched when it is there, not when its turn comes, so that it cannot be lost.
        coming = as_completed(loop=self._client.loop, with_results=True, raise_errors=False)
        try:
            while True:
                self._send(coming)
                if not self._sent:
                    return
                future, result = next(coming)
                order = self._sent.pop(future)
                error = result[1] if isinstance(result, tuple) else None
                if isinstance(result, pool.Answer):
                    yield order, result
                elif error is not None and type(error).__name__ == "KilledWorker":
                    yield order, pool.Died(0)
                else:
                    said = f"{type(error).__name__}: {error}"[:200] if error else "it was taken down"
                    fix = "See that the program is installed on every machine, and go on with --resume."
                    raise StudyError(f"the cluster could not do the work ({said})", fix=fix)
        finally:
            for future in self._sent:
                future.cancel()

    def _send(self, coming: Any) -> None:  # noqa: ANN401 - as_completed has no types
        limit = self._chunk * max(1, sum(self._client.nthreads().values()))
        while len(self._sent) < limit and (order := self._next()) is not None:
            future = self._client.submit(measure_page, order, self._seconds, pure=False)
            self._sent[future] = order
            coming.add(future)


class _Apart:
    """One process of the pool's, kept between pages for as long as they follow each other."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self._waiting: deque[Order] = deque()
        # Between two answers the pool stands still with its process alive, and asks for the next page when it goes on.
        self._answers = pool.work_apart(_JOB, self._next, workers=1, seconds=seconds)
        self._lock = threading.Lock()
        self._leave = threading.Timer(0, self.close)
        self.closed = False

    def _next(self) -> Order | None:
        return self._waiting.popleft() if self._waiting else None

    def do(self, order: Order) -> pool.Answer | None:
        """Return the answer; None when the process has left meanwhile."""
        self._leave.cancel()
        with self._lock:
            if self.closed:
                return None
            self._waiting.append(order)
            try:
                _, answer = next(self._answers)
            except BaseException:
                self.closed = True
                raise
            self._leave = threading.Timer(_IDLE_SECONDS, self.close)
            self._leave.daemon = True
            self._leave.start()
            return answer

    def close(self) -> None:
        """End the process: a worker of the cluster may live for days after the study."""
        with self._lock:
            self.closed = True
            self._answers.close()


_kept = threading.local()


def measure_page(order: Order, seconds: float) -> pool.Answer:
    """Do a page in a process of the pool's, which stays for the next one."""
    apart: _Apart | None = getattr(_kept, "apart", None)
    answer = apart.do(order) if apart is not None and apart.seconds == seconds else None
    if answer is None:
        if apart is not None:
            apart.close()
        _kept.apart = _Apart(seconds)
        answer = _kept.apart.do(order)
    return answer
