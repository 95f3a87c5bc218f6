"""Many days at once: here one after another, in processes, or on an existing Dask cluster.

Days are independent, so one call does for all: the same function over a list, results in the
list's order. A result does not depend on where it was computed: every analysis runs on one BLAS
thread with seeds of its own.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any, TypeVar

from sailanalysis.core.errors import SailAnalysisError

Item = TypeVar("Item")
Result = TypeVar("Result")


def run_all(
    work: Callable[[Item], Result],
    items: Sequence[Item],
    *,
    workers: int = 1,
    cluster: str | None = None,
    retries: int = 2,
    connect_s: float = 10.0,
) -> Iterator[Result]:
    """Apply a function to each item; yields results in the order of the items.

    Parameters
    ----------
    work : callable
        A module-level function of one item (it travels to other processes).
    items : sequence
    workers : int
        Processes on this machine; 1 stays in this one.
    cluster : str, optional
        Address of a Dask scheduler, ``tcp://HOST:PORT``; the workers must see the same files and
        have this package.
    retries : int
        How often an item whose worker was lost is tried again.
    connect_s : float
        How long to wait for the scheduler's answer, and for a first worker.

    Raises
    ------
    SailAnalysisError
        If the cluster cannot be reached or has no worker, the package for it is missing, or one
        item's worker is lost time after time.
    """
    if cluster is not None:
        yield from _on_cluster(work, items, cluster, retries, connect_s)
    elif workers > 1 and len(items) > 1:
        yield from _in_processes(work, items, min(workers, len(items)), retries)
    else:
        yield from map(work, items)


def _in_order(submit: Callable[[Item], Any], items: Sequence[Item],
              ahead: Callable[[], int]) -> Iterator[Any]:
    """Results in order; at most ``ahead()`` of them are handed out and not yet taken.

    A day's result is tens of megabytes: workers that run ahead of the one who files would fill
    the memory with finished days.
    """
    waiting: deque[Any] = deque()
    for item in items:
        while len(waiting) >= max(1, ahead()):
            yield waiting.popleft().result()
        waiting.append(submit(item))
    while waiting:
        yield waiting.popleft().result()


def _in_processes(work: Callable[[Item], Result], items: Sequence[Item], workers: int,
                  retries: int) -> Iterator[Result]:
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool

    # spawn: a forked child could inherit a lock held by another thread.
    spawn = multiprocessing.get_context("spawn")
    given = lost = 0
    while given < len(items):
        before = given
        try:
            with ProcessPoolExecutor(workers, spawn) as pool:
                for result in _in_order(lambda item: pool.submit(work, item), items[given:],
                                        lambda: 2 * workers):
                    yield result
                    given += 1
        except BrokenProcessPool:
            lost = lost + 1 if given == before else 1
            if lost > retries:
                raise SailAnalysisError(
                    f"a worker process was lost {lost} times on one day (out of memory?); "
                    "try fewer --workers") from None


def _await_worker(client: Any, address: str, connect_s: float) -> None:
    try:
        client.wait_for_workers(1, timeout=connect_s)
    except TimeoutError:
        raise SailAnalysisError(f"the cluster at {address} has no worker after {connect_s:g} s"
                                ) from None


def _on_cluster(work: Callable[[Item], Result], items: Sequence[Item], address: str,
                retries: int, connect_s: float) -> Iterator[Result]:
    try:
        from distributed import Client, KilledWorker
    except ImportError:
        raise SailAnalysisError("--cluster needs the package `distributed`: "
                                "pip install 'sailanalysis[cluster]'") from None
    try:
        client: Any = Client(address, timeout=connect_s, set_as_default=False)
    except OSError as error:
        raise SailAnalysisError(f"no cluster answers at {address}: {error}") from None
    try:
        _await_worker(client, address, connect_s)
        yield from _in_order(partial(client.submit, work, pure=False, retries=retries), items,
                             lambda: 2 * sum(client.ncores().values()))
    except KilledWorker as error:
        raise SailAnalysisError(f"the cluster lost worker after worker on one day: {error}"
                                ) from None
    finally:
        client.close()
