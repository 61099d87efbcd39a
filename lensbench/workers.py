"""Pools of worker processes that are gone at once when they are not wanted any more.

Workers are never forked from a program that has decoded a picture: the raw decoder's threads would hang them. This
file imports nothing heavy, so that a worker leaves Ctrl-C to its parent before it loads the libraries.

What workers do is importable by name, so they start without running the user's own program again: a notebook, a
program from standard input or one without a main guard could not be run there. Where they cannot start at all,
`WorkersUnavailable` says so, and the caller does the work itself.

A worker may be killed at any moment, for memory above all. So it sends down the pipe that it shares with the others
only messages that the system writes whole or not at all, what is larger passes through a file, and nobody waits
for a worker or for the pool's own thread without a limit.

Their program may be killed, too. A worker waits beside its work for that program's end, ends with it, and takes the
passing files along; Linux ends it even where its work lets no other thread run (prctl(2), PR_SET_PDEATHSIG).
"""

import ctypes
import logging
import multiprocessing
import os
import pickle
import shutil
import signal
import sys
import tempfile
import threading
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing.connection import wait as wait_for_handles
from multiprocessing.context import BaseContext
from multiprocessing.process import BaseProcess
from pathlib import Path
from threading import Thread, Timer
from types import ModuleType
from typing import Any, Final, Generic, TypeVar

from lensbench.model.errors import TooSlowError

Work = TypeVar("Work")
Done = TypeVar("Done")

_ONE_THREAD: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")
_LARGE_PAGES: Final = "glibc.malloc.hugetlb=1"
"""Frames and what is made of them in pages of 2 MB (Linux): a twentieth to an eighth of a photograph's time went with
the small ones. Read when a program starts, glibc(7) "tunables"; what knows no such pages takes no notice."""
_BY_PIPE_BYTES: Final = 256
"""With what the executor adds it stays below 512 bytes, which every pipe takes whole (POSIX, PIPE_BUF)."""
USUAL_LIMIT_S: Final = 120.0
"""A photograph takes seconds; one that takes this long never ends."""
_GRACE_S: Final = 10.0
_BEGUN: Final = ".begun"  # beside a task's file, once its clock has started
_POLL_S: Final = 0.2
_NEWS_S: Final = 1.0
"""After a worker's death the executor tells of it within milliseconds, if it can."""
_END_S: Final = 5.0
"""What workers that have nothing to do may take to end."""
_LIBRARIES_BYTES: Final = 1_500_000_000
"""Addresses that libraries map in a worker, most of them never touched; 0.8 GB by trial."""
_LEAST_BYTES: Final = 1_000_000_000
_LOADED: Final = [
    "lensbench.shot.task",
    "lensbench.shot.measure",
    "lensbench.edge.measure",
    "rawpy",
    "PIL.Image",
]
"""What every worker that measures needs: loaded once, by the process that they are forked from."""
_SERVERS: Final[set[int]] = set()
"""Programs, by their number, that have started that process."""
_PARENT_DEATH_SIGNAL: Final = 1
"""PR_SET_PDEATHSIG of Linux's prctl(2)."""
_CONTROL_GROUP: Final = Path("/sys/fs/cgroup")


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


_OPEN: Final[list["Pool"]] = []


@dataclass(slots=True, kw_only=True, eq=False)
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
            with _without_main(), _unstopped():
                future = self.executor.submit(_hand_over, work, task, self.folder / str(index))
        except BrokenProcessPool:
            raise self._breakdown() from None
        except (OSError, EOFError, AssertionError) as error:  # a daemonic process may have no children
            if self.processes:
                raise
            raise WorkersUnavailable(str(error) or type(error).__name__) from error
        self.processes |= self._own()
        return future

    def _own(self) -> set[BaseProcess]:
        """Workers of this pool: child processes that came with it and are no other pool's."""
        others = [pool.processes for pool in _OPEN if pool is not self]
        return set(multiprocessing.active_children()).difference(self.older, *others)

    def has_begun(self, index: int) -> bool:
        """Tell whether a worker has begun the task of this number."""
        return (self.folder / f"{index}{_BEGUN}").exists()

    def finished(self, futures: Iterable["Future[Any]"], *, at_once: bool = False) -> set["Future[Any]"]:
        """Give the futures that are done, after a short while at most, or those that are by now.

        Raises
        ------
        BrokenProcessPool
            A worker has died; some futures may be done nevertheless.
        WorkersUnavailable
            None of them could start.
        """
        waiting = set(futures)
        done, _ = wait(waiting, timeout=0.0 if at_once else _POLL_S, return_when=FIRST_COMPLETED)
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
        own = self._own()
        for process in own:
            process.kill()
        for process in own:
            process.join(_NEWS_S)

    def close(self) -> None:
        """Let the workers end, and kill them if they don't; it takes a few seconds at most."""
        closing = Thread(target=self.executor.shutdown, kwargs={"cancel_futures": True}, daemon=True)
        closing.start()
        if self._own():
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


def _context() -> BaseContext:
    return multiprocessing.get_context("forkserver" if sys.platform.startswith("linux") else "spawn")


def start_server() -> None:
    """Let the process start that workers are forked from, where the system has it (Linux).

    It takes a second to load what they need. Whoever knows early that workers will be wanted has something else to do
    meanwhile; else the first pool starts it.
    """
    if _context().get_start_method() != "forkserver":
        return
    from multiprocessing import forkserver, resource_tracker  # noqa: PLC0415  only there

    if not _SERVERS:
        forkserver.set_forkserver_preload(_LOADED)
    with suppress(OSError):
        resource_tracker.ensure_running()  # where the server has to start it first, it lets Ctrl-C through again
    # Ctrl-C waits for that moment: it is the parent's, and the new process never hears of it, nor do its workers.
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    # It finds the lensbench that runs here, and no other one.
    places = os.pathsep.join(place or str(Path.cwd()) for place in sys.path)
    try:
        # Where it cannot start, the pool says so.
        tunables = ":".join(filter(None, (os.environ.get("GLIBC_TUNABLES"), _LARGE_PAGES)))
        own = dict.fromkeys(_ONE_THREAD, "1") | {"PYTHONPATH": places, "GLIBC_TUNABLES": tunables}
        with suppress(OSError), _environment(own):
            forkserver.ensure_running()
            _SERVERS.add(os.getpid())
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def server_runs() -> bool:
    """Whether this program has started what workers are forked from, so that one more costs little."""
    return os.getpid() in _SERVERS


@contextmanager
def pool_of(workers: int, *, share_memory: bool = False) -> Iterator[Pool]:
    """Give a pool whose workers and passing files are gone afterwards, whatever happens.

    With `share_memory` each worker gets its share of the memory that is free and no more, where the system can bound it
    (Linux): what needs more ends in a MemoryError there, and not in the death of some other program.

    Raises
    ------
    WorkersUnavailable
        The system has no means for worker processes.
    """
    start_server()
    older = set(multiprocessing.active_children())
    free = free_memory_bytes() if share_memory else None
    most_bytes = None if free is None else _LIBRARIES_BYTES + max(_LEAST_BYTES, free // workers)
    with ExitStack() as passing:
        try:
            folder = passing.enter_context(
                tempfile.TemporaryDirectory(prefix="lensbench-", ignore_cleanup_errors=True)
            )
            executor = ProcessPoolExecutor(
                workers, mp_context=_context(), initializer=_begin, initargs=(folder, most_bytes)
            )
        except (OSError, NotImplementedError, ImportError) as error:  # no semaphores, or no room for them
            raise WorkersUnavailable(str(error)) from error
        pool = Pool(executor=executor, workers=workers, folder=Path(folder), older=older)
        _OPEN.append(pool)
        try:
            # One thread each: libraries read these variables when they are loaded.
            with _environment(dict.fromkeys(_ONE_THREAD, "1")):
                yield pool
        except BaseException:
            pool.kill()
            raise
        finally:
            pool.close()
            _OPEN.remove(pool)


@contextmanager
def _environment(changes: Mapping[str, str]) -> Iterator[None]:
    """Environment in which a process is started; afterwards it is as it was."""
    before = {name: os.environ.get(name) for name in changes}
    os.environ.update(changes)
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


@contextmanager
def _unstopped() -> Iterator[None]:
    """Let what stops the program wait until workers have started: one that is not yet known here could not be ended."""
    came: list[tuple[Any, Any]] = []
    handlers: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():  # the only one that is stopped
        for number in {getattr(signal, name, signal.SIGINT) for name in ("SIGINT", "SIGTERM", "SIGHUP")}:
            if callable(handler := signal.getsignal(number)):
                handlers[number] = handler
                signal.signal(number, lambda *what: came.append(what))
    try:
        yield
    finally:
        for number, handler in handlers.items():
            signal.signal(number, handler)
    for number, frame in came:
        handlers[number](number, frame)


def _begin(folder: str, most_bytes: int | None) -> None:
    """Make a new process a worker: it leaves Ctrl-C to its parent, ends with it, and takes no more than its share."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    logging.getLogger().addHandler(logging.NullHandler())  # what libraries have to say is none of the user's
    if parent := multiprocessing.parent_process():
        Thread(target=_end_with, args=(parent.sentinel, folder), daemon=True).start()
    if sys.platform.startswith("linux"):
        import resource  # noqa: PLC0415  only there
        from multiprocessing import forkserver  # noqa: PLC0415  only there

        with suppress(AttributeError, OSError):
            # The handle by which workers keep the server alive that they come from, and whose death the signal tells.
            os.close(forkserver._forkserver._forkserver_alive_fd)  # type: ignore[attr-defined]  # noqa: SLF001
        with suppress(AttributeError, OSError):
            ctypes.CDLL(None).prctl(_PARENT_DEATH_SIGNAL, signal.SIGKILL)
        if most_bytes is not None:
            with suppress(OSError, ValueError):  # a lower limit stands already
                resource.setrlimit(
                    resource.RLIMIT_AS, (most_bytes, resource.getrlimit(resource.RLIMIT_AS)[1])
                )


def _end_with(parent: int, folder: str) -> None:
    """Wait for the parent's end, then end without a word; nobody else is left to remove the passing files."""
    wait_for_handles([parent])
    shutil.rmtree(folder, ignore_errors=True)
    os._exit(1)


def free_memory_bytes() -> int | None:
    """Memory that is to be had without pushing other programs out (Linux); None where the system does not tell."""
    bounds = []
    with suppress(OSError, ValueError, StopIteration):
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
        bounds.append(1024 * next(int(line.split()[1]) for line in lines if line.startswith("MemAvailable:")))
    with suppress(OSError, ValueError, StopIteration):  # no control group, or one without a limit: «max»
        most = int((_CONTROL_GROUP / "memory.max").read_text(encoding="ascii"))
        lines = (_CONTROL_GROUP / "memory.stat").read_text(encoding="ascii").splitlines()
        bounds.append(most - next(int(line.split()[1]) for line in lines if line.startswith("anon ")))
    return max(0, min(bounds)) if bounds else None


def _hand_over(work: Callable[[Work], Done], task: Work, path: Path) -> HandedOver[Done]:
    """Do a task, in a worker, and hand over what it gave or raised: in the file, where it is more than a few bytes."""
    with suppress(OSError):  # without the mark the task gets more time, no less
        path.with_suffix(_BEGUN).touch()
    done: Done | None = None
    error: Exception | None = None
    try:
        done = work(task)
    except Exception as raised:  # noqa: BLE001  # whatever it is, it is the parent's to judge
        error = raised
        error.add_note(traceback.format_exc())  # a traceback itself does not leave its process
    packed = pickle.dumps((done, error))
    if len(packed) > _BY_PIPE_BYTES:
        with suppress(OSError):  # where the disk is full, the pipe has to do
            path.write_bytes(packed)
            return HandedOver(path=path)
    return HandedOver(packed=packed)


class _TimeIsUp(BaseException):
    """Raised in a thread whose time is over, past every handler of what can go wrong with a file."""


@contextmanager
def time_limit(path: Path, limit_s: float, *, end: Callable[[str], object]) -> Iterator[None]:
    """End what is done with a photograph, in this process, once it took so long.

    Python is interrupted at its next step. Native code is not: where a decoder does not come back within some seconds
    more, `end` is called with the sentence, in another thread, for nothing but the end of the program helps then.

    Raises
    ------
    TooSlowError
        The time is over.
    """
    refusal = TooSlowError(f"{path.name}: it took longer than {limit_s:g} s and was given up")
    own, changing, over = threading.get_ident(), threading.Lock(), threading.Event()

    def interrupt() -> None:
        with changing:
            if not over.is_set():
                ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(own), ctypes.py_object(_TimeIsUp))

    def give_up() -> None:
        if not over.is_set():
            end(str(refusal))

    timers = [Timer(limit_s, interrupt), Timer(limit_s + _GRACE_S, give_up)]
    try:
        try:
            for timer in timers:
                timer.daemon = True
                timer.start()
            yield
        finally:
            with changing:
                over.set()
    except _TimeIsUp:
        raise refusal from None
    finally:
        over.set()
        for timer in timers:
            timer.cancel()
