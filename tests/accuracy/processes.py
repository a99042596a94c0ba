"""The same work for many things at a time, one process a core; what it returns comes in order."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from itertools import islice
from multiprocessing import get_context
from typing import TypeVar

CORES = os.process_cpu_count() if hasattr(os, "process_cpu_count") else len(os.sched_getaffinity(0))
AHEAD = 2  # pieces of work that wait for each process
# One thread each: processes that all compute with every core get into each other's way.
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")

Given = TypeVar("Given")
Made = TypeVar("Made")


@contextmanager
def each_of(work: Callable[[Given], Made], things: Iterable[Given], processes: int = CORES) -> Iterator[Iterator[Made]]:
    """Give an iterator over `work(thing)` in the order of the things; leaving the block early drops what is not begun.

    `work` must be a function of a module. With one process it is done here, one after another.
    """
    if processes <= 1:
        yield map(work, things)
        return
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    # A fresh interpreter for each, so that it is the same on every system and no thread is copied halfway.
    pool = ProcessPoolExecutor(processes, mp_context=get_context("spawn"))
    try:
        yield _in_order(pool, work, iter(things), processes * AHEAD)
    finally:
        pool.shutdown(cancel_futures=True)


def _in_order(
    pool: ProcessPoolExecutor, work: Callable[[Given], Made], things: Iterator[Given], at_once: int
) -> Iterator[Made]:
    waiting: list[Future[Made]] = [pool.submit(work, thing) for thing in islice(things, at_once)]
    while waiting:
        done = waiting.pop(0).result()
        waiting += [pool.submit(work, thing) for thing in islice(things, 1)]
        yield done
