"""Many days at once: here one after another, in processes, or on an existing Dask cluster.

Days are independent, so one call does for all: the same function over a list, results in the
list's order. A result does not depend on where it was computed: every analysis runs on one BLAS
thread with seeds of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

from sailanalysis.errors import SailAnalysisError

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
        How long to wait for the scheduler's answer.

    Raises
    ------
    SailAnalysisError
        If the cluster cannot be reached or the package for it is missing.
    """
    if cluster is not None:
        yield from _on_cluster(work, items, cluster, retries, connect_s)
    elif workers > 1 and len(items) > 1:
        yield from _in_processes(work, items, min(workers, len(items)), retries)
    else:
        yield from map(work, items)


def _in_processes(work: Callable[[Item], Result], items: Sequence[Item], workers: int,
                  retries: int) -> Iterator[Result]:
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool

    pending = list(range(len(items)))
    done: dict[int, Result] = {}
    given = 0
    for attempt in range(retries + 1):
        try:
            # spawn: a forked child could inherit a lock held by another thread.
            with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn")) as pool:
                futures = {i: pool.submit(work, items[i]) for i in pending}
                for i in pending:
                    done[i] = futures[i].result()
                    while given in done:
                        yield done.pop(given)
                        given += 1
            return
        except BrokenProcessPool:
            pending = [i for i in pending if i >= given and i not in done]
            if attempt == retries:
                raise SailAnalysisError(
                    f"a worker process was lost {retries + 1} times (out of memory?); "
                    "try fewer --workers") from None


def _on_cluster(work: Callable[[Item], Result], items: Sequence[Item], address: str,
                retries: int, connect_s: float) -> Iterator[Result]:
    try:
        from distributed import Client
    except ImportError:
        raise SailAnalysisError("--cluster needs the package `distributed`: "
                                "pip install 'sailanalysis[cluster]'") from None
    try:
        client = Client(address, timeout=connect_s, set_as_default=False)
    except OSError as error:
        raise SailAnalysisError(f"no cluster answers at {address}: {error}") from None
    try:
        futures = [client.submit(work, item, pure=False, retries=retries) for item in items]
        for future in futures:
            yield future.result()
            future.release()
    finally:
        client.close()
