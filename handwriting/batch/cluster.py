"""The same work on several machines, by dask.distributed (extra ``cluster``): chunks of pages, answers page by page.

A dask worker does its pages in processes of this program's own pool, so that a page that kills or hangs its decoder
costs that process and not the worker. A dask worker that dies itself gives its
chunk to another. A chunk that has lost several workers is taken apart, and its pages sent one by one: the one that
does it is named, the others are measured.

Files must lie under the same folder for all workers; answers come back to the one process that writes the ledger.
"""

from __future__ import annotations

import contextlib
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
_AHEAD = 2
_PATIENCE = "30s"


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
        Pages in one task.
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
    """Keeps every worker busy and no more: a few chunks a worker are under way at a time."""

    def __init__(self, client: Client, next_order: Callable[[], Order | None], chunk: int, seconds: float) -> None:
        self._client, self._next, self._chunk, self._seconds = client, next_order, chunk, seconds
        self._alone: deque[Order] = deque()
        self._sent: dict[Any, list[Order]] = {}

    def answers(self) -> Iterator[tuple[Order, pool.Answer]]:
        from distributed import as_completed

        coming = as_completed(loop=self._client.loop)
        try:
            while True:
                self._send(coming)
                if not self._sent:
                    return
                future = next(coming)
                orders = self._sent.pop(future)
                error = future.exception() if future.status == "error" else None
                if future.status == "finished":
                    yield from zip(orders, future.result(), strict=True)
                elif len(orders) > 1:
                    self._alone.extend(orders)
                elif error is not None and type(error).__name__ == "KilledWorker":
                    yield orders[0], pool.Died(0)
                else:
                    said = f"{type(error).__name__}: {error}"[:200] if error else "it was taken down"
                    fix = "See that the program is installed on every machine, and go on with --resume."
                    raise StudyError(f"the cluster could not do the work ({said})", fix=fix)
        finally:
            for future in self._sent:
                future.cancel()

    def _send(self, coming: Any) -> None:  # noqa: ANN401 - as_completed has no types
        limit = _AHEAD * max(1, sum(self._client.nthreads().values()))
        while len(self._sent) < limit:
            orders = [self._alone.popleft()] if self._alone else self._take()
            if not orders:
                return
            future = self._client.submit(measure_chunk, orders, self._seconds, pure=False)
            self._sent[future] = orders
            coming.add(future)

    def _take(self) -> list[Order]:
        orders: list[Order] = []
        while len(orders) < self._chunk and (order := self._next()) is not None:
            orders.append(order)
        return orders


def measure_chunk(orders: list[Order], seconds: float) -> list[pool.Answer]:
    """Do some pages one after the other in a process of the pool's; one answer for each, in their order."""
    waiting = deque(orders)
    done = pool.work_apart(_JOB, lambda: waiting.popleft() if waiting else None, workers=1, seconds=seconds)
    answers = {order.sample.name: answer for order, answer in done}
    return [answers[order.sample.name] for order in orders]
