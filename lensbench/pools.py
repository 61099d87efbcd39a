"""Pools of worker processes that are gone at once when they are not wanted any more.

Workers are never forked from a program that has decoded a picture: the raw decoder's threads would hang them. This
file imports nothing heavy, so that a worker leaves Ctrl-C to its parent before it loads the libraries.
"""

import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.process import BaseProcess
from typing import TYPE_CHECKING, Final, TypeVar

if TYPE_CHECKING:
    from multiprocessing.queues import SimpleQueue

__all__ = ["Pool", "begin", "pool_of"]

Work = TypeVar("Work")
Done = TypeVar("Done")

_ONE_THREAD: Final = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "OPENCV_FOR_THREADS_NUM",
)

_WORKER: "dict[str, SimpleQueue[int]]" = {}
"""In a worker: the queue on which it tells that it begins a task."""


@dataclass(slots=True, kw_only=True)
class Pool:
    """Some workers, and the queue on which they tell the number of each task that they begin."""

    executor: ProcessPoolExecutor
    workers: int
    begun: "SimpleQueue[int]"
    older: set[BaseProcess]
    """Child processes that are not of this pool."""

    def kill(self) -> None:
        """End the workers, whatever they do."""
        for process in set(multiprocessing.active_children()) - self.older:
            process.kill()


@contextmanager
def pool_of(workers: int) -> Iterator[Pool]:
    """Give a pool whose workers are gone afterwards, whatever happens."""
    context = multiprocessing.get_context("forkserver" if sys.platform.startswith("linux") else "spawn")
    older = set(multiprocessing.active_children())
    begun: SimpleQueue[int] = context.SimpleQueue()
    executor = ProcessPoolExecutor(workers, mp_context=context, initializer=_start_worker, initargs=(begun,))
    pool = Pool(executor=executor, workers=workers, begun=begun, older=older)
    try:
        with _single_threaded():
            yield pool
    except BaseException:
        pool.kill()
        raise
    finally:
        executor.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _single_threaded() -> Iterator[None]:
    """Let workers start with one thread each: libraries read these variables when they are loaded."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _start_worker(begun: "SimpleQueue[int]") -> None:
    """Leave Ctrl-C to the parent, which ends the workers."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _WORKER["begun"] = begun


def begin(work: Callable[[Work], Done], task: Work, index: int) -> Done:
    """Tell, in a worker, that the clock of this task starts, and do it."""
    _WORKER["begun"].put(index)
    return work(task)
