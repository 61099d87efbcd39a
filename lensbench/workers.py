"""Pools of worker processes that are gone at once when they are not wanted any more.

Workers are never forked from a program that has decoded a picture: the raw decoder's threads would hang them. This
file imports nothing heavy, so that a worker leaves Ctrl-C to its parent before it loads the libraries.

What workers do is importable by name, so they start without running the user's own program again: a notebook, a
program from standard input or one without a main guard could not be run there. Where they cannot start at all,
`WorkersUnavailable` says so, and the caller does the work itself.

A worker may be killed at any moment, for memory above all. So it sends down the pipe that it shares with the others
only messages that the system writes whole or not at all, what is larger passes through a file, and nobody waits
for a worker or for the pool's own thread without a limit.
"""

import multiprocessing
import os
import pickle
import signal
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing.connection import wait as wait_for_handles
from multiprocessing.process import BaseProcess
from pathlib import Path
from threading import Thread
from types import ModuleType
from typing import Any, Final, Generic, TypeVar

Work = TypeVar("Work")
Done = TypeVar("Done")

_ONE_THREAD: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")
_BY_PIPE_BYTES: Final = 256
"""With what the executor adds it stays below 512 bytes, which every pipe takes whole (POSIX, PIPE_BUF)."""
_BEGUN: Final = ".begun"
_POLL_S: Final = 0.2
_NEWS_S: Final = 1.0
"""After a worker's death the executor tells of it within milliseconds, if it can."""
_END_S: Final = 5.0
"""What workers that have nothing to do may take to end."""


class WorkersUnavailable(Exception):  # noqa: N818  # no fault of the work's: the caller does it itself
    """No worker process can start here; the message says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HandedOver(Generic[Done]):
    """What a worker gives back: a few bytes, or the name of the file that holds more."""

    packed: bytes = b""
    path: Path | None = None

    def take(self) -> Done:
        """Give what the work gave, once; the file is removed.

        Raises
        ------
        Exception
            What the work raised.
        OSError
            The file cannot be read.
        """
        packed = self.packed
        if self.path is not None:
            packed = self.path.read_bytes()
            self.path.unlink()
        done, error = pickle.loads(packed)  # noqa: S301  # our own worker's, in a folder that is ours alone
        if error is not None:
            raise error
        given: Done = done
        return given


@dataclass(slots=True, kw_only=True)
class Pool:
    """Some workers, and the folder through which they hand over what they did."""

    executor: Executor
    workers: int
    folder: Path
    older: set[BaseProcess]
    """Child processes that are not of this pool."""
    processes: set[BaseProcess] = field(default_factory=set)
    """The workers that were ever seen alive."""

    def submit(self, work: Callable[[Work], Done], task: Work, index: int) -> "Future[HandedOver[Done]]":
        """Give a task to the workers under a number of its own.

        Raises
        ------
        BrokenProcessPool
            A worker has died.
        WorkersUnavailable
            None of them could start.
        """
        try:
            with _without_main():
                future = self.executor.submit(_hand_over, work, task, self.folder / str(index))
        except BrokenProcessPool:
            raise self._breakdown() from None
        except (OSError, EOFError, AssertionError) as error:  # a daemonic process may have no children
            if self.processes:
                raise
            raise WorkersUnavailable(str(error) or type(error).__name__) from error
        self.processes |= set(multiprocessing.active_children()) - self.older
        return future

    def has_begun(self, index: int) -> bool:
        """Tell whether a worker has begun the task of this number."""
        return _begun(self.folder / str(index)).exists()

    def finished(self, futures: Iterable["Future[Any]"]) -> set["Future[Any]"]:
        """Give the futures that are done, after a short while at most.

        Raises
        ------
        BrokenProcessPool
            A worker has died; some futures may be done nevertheless.
        WorkersUnavailable
            None of them could start.
        """
        waiting = set(futures)
        done, _ = wait(waiting, timeout=_POLL_S, return_when=FIRST_COMPLETED)
        # The executor cannot tell when it is itself stuck in half a message of the dead worker's.
        if wait_for_handles([process.sentinel for process in self.processes], timeout=0):
            wait(waiting, timeout=_NEWS_S)
            raise self._breakdown()
        if any(isinstance(future.exception(), BrokenProcessPool) for future in done):
            raise self._breakdown()
        return done

    def _breakdown(self) -> Exception:
        """Tell a worker's death from workers that never came to life: those end by themselves, before any work."""
        begun = any(self.folder.glob(f"*{_BEGUN}"))
        if begun or any((process.exitcode or 0) < 0 for process in self.processes):
            return BrokenProcessPool("a worker has died")
        return WorkersUnavailable("they end before they begin")

    def kill(self) -> None:
        """End the workers, whatever they do."""
        for process in set(multiprocessing.active_children()) - self.older:
            process.kill()

    def close(self) -> None:
        """Let the workers end, and kill them if they don't; it takes a few seconds at most."""
        closing = Thread(target=self.executor.shutdown, kwargs={"cancel_futures": True}, daemon=True)
        closing.start()
        closing.join(_END_S)
        if closing.is_alive():
            self.kill()
            closing.join(_NEWS_S)
        if closing.is_alive():
            _release(self.executor)
            closing.join(_END_S)


def _release(executor: Executor) -> None:
    """Let the executor's thread see the end of the pipe in which it waits for the rest of a dead worker's message.

    There is no public way, and the interpreter waits for that thread before it ends. The handle is turned to nowhere,
    not closed: the executor closes it itself, at the same time perhaps.
    """
    if os.name != "posix":
        return
    with suppress(AttributeError, OSError):
        writer: int = executor._result_queue._writer.fileno()  # type: ignore[attr-defined]  # noqa: SLF001
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, writer, inheritable=False)
        os.close(nowhere)


@contextmanager
def pool_of(workers: int) -> Iterator[Pool]:
    """Give a pool whose workers and passing files are gone afterwards, whatever happens.

    Raises
    ------
    WorkersUnavailable
        The system has no means for worker processes.
    """
    context = multiprocessing.get_context("forkserver" if sys.platform.startswith("linux") else "spawn")
    older = set(multiprocessing.active_children())
    with tempfile.TemporaryDirectory(prefix="lensbench-", ignore_cleanup_errors=True) as folder:
        try:
            executor = ProcessPoolExecutor(workers, mp_context=context, initializer=_leave_ctrl_c_to_parent)
        except (OSError, NotImplementedError, ImportError) as error:  # no semaphores, or no room for them
            raise WorkersUnavailable(str(error)) from error
        pool = Pool(executor=executor, workers=workers, folder=Path(folder), older=older)
        try:
            with _single_threaded():
                yield pool
        except BaseException:
            pool.kill()
            raise
        finally:
            pool.close()


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


@contextmanager
def _without_main() -> Iterator[None]:
    """Hide the user's program while a worker is started, which would else run it again, or fail to find it."""
    main = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main


def _leave_ctrl_c_to_parent() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _begun(path: Path) -> Path:
    """Name the mark that the clock of a task has started."""
    return path.with_suffix(_BEGUN)


def _hand_over(work: Callable[[Work], Done], task: Work, path: Path) -> HandedOver[Done]:
    """Do a task, in a worker, and hand over what it gave or raised: in the file, where it is more than a few bytes."""
    with suppress(OSError):  # without the mark the task gets more time, no less
        _begun(path).touch()
    done: Done | None = None
    error: Exception | None = None
    try:
        done = work(task)
    except Exception as raised:  # noqa: BLE001  # whatever it is, it is the parent's to judge
        error = raised
        error.add_note(traceback.format_exc())  # a traceback itself does not leave its process
    packed = pickle.dumps((done, error))
    if len(packed) <= _BY_PIPE_BYTES:
        return HandedOver(packed=packed)
    path.write_bytes(packed)
    return HandedOver(path=path)
