"""Many photographs measured side by side, each on its own risk.

One photograph is one task, and a worker holds one at a time. Workers are processes that are never forked from
a program that has decoded a picture: the raw decoder's threads would hang them. A crash or a hang costs that
file only; what may be want of memory is tried once more alone. A worker gives back the name under which it kept
a result; the result itself is read from the disk, and the photograph is measured anew where that fails.
"""

import os
import time
import warnings
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from lensbench.model.shot import RejectedShot
from lensbench.shot.task import (
    Given,
    Kept,
    Measure,
    Outcome,
    ShortOfMemory,
    Task,
    Unkept,
    measure_one,
    name_of,
)
from lensbench.storage.cache import KnownFiles, ResultCache, identity_of
from lensbench.storage.files import CONTENTS
from lensbench.sweep.cluster import measure_on_cluster
from lensbench.workers import USUAL_LIMIT_S, HandedOver, Pool, WorkersUnavailable, free_memory_bytes, pool_of

START_S: Final = 60.0  # what a worker may take to start
_WORKER_BYTES: Final = (
    1_000_000_000  # 0.3 GB of libraries, and a frame of 60 megapixels with what is made of it
)


def usual_workers() -> int:
    """Give the number of processors this program may use, or fewer where the free memory holds no more workers."""
    processors = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    free = free_memory_bytes()
    return processors if free is None else max(1, min(processors, free // _WORKER_BYTES))


def _say_nothing(done: int, total: int, path: Path) -> None:
    """Take no notice."""


def _nothing() -> None:
    """Have nothing to do."""


def _nothing_of(_: str) -> None:
    """Take no notice."""


def _warn(message: str) -> None:
    warnings.warn(message, RuntimeWarning, stacklevel=4)


Progress = Callable[[int, int, Path], None]
"""How many are done, of how many, and which one just was; first of all 0, with the first one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Running:
    """How the work is spread."""

    workers: int = field(default_factory=usual_workers)
    """Processes, 1 or more."""
    in_process: bool = False
    """Measure here, one after the other: for short lists and for tests; a crash then ends the program."""
    timeout_s: float = USUAL_LIMIT_S
    """After so long a photograph is given up. [s]"""
    progress: Progress = _say_nothing
    notice: Callable[[str], None] = _warn
    """Told, once each, when the work cannot be spread or results cannot be kept; a warning by default."""
    meanwhile: Callable[[], None] = _nothing
    """Called once the first photographs are in the workers' hands: what comes after them can be loaded now."""
    afterwards: Callable[[], None] = _nothing
    """Called once workers have measured something and are gone: they leave a processor free."""
    passing: Callable[[str], None] = _nothing_of
    """Told of each photograph whose outcome is not kept: another run may come to another one."""
    measure: Measure = measure_one
    """What a worker does with a task; it must be importable by name."""
    scheduler: str = ""
    """Address of a Dask scheduler whose workers measure instead; the extra `cluster` holds what that needs."""
    send_files: bool = False
    """Send photographs to those workers, which otherwise read them under the same names."""


def run(tasks: Sequence[Task], running: Running) -> list[Outcome]:
    """Measure photographs in a pool of processes, or in this one where none can start, which is said.

    Outcomes come in the order of the tasks, whatever happened. On a KeyboardInterrupt the workers are gone, and what
    was done is kept in the tasks' caches.
    """
    board = _Board(tasks, running)
    if tasks:
        running.progress(0, len(tasks), tasks[0].path)
    try:
        _measure(board, running)
    finally:
        board.save_contents()
    return board.outcomes()


def _measure(board: "_Board", running: Running) -> None:
    """Measure what is open."""
    if running.scheduler or running.in_process:
        board.take_known()
    if running.scheduler:
        board.measure_on(running)
        return
    if running.in_process:
        board.measure_here(running.measure, board.open(()))
        return
    suspects: list[int] = []
    beside = _Beside(board, running)
    new = board.surely_new()
    try:
        _round(board, deque(new), running, suspects, beside)
        board.take_known()
        new += (damaged := board.open(suspects))
        _round(board, deque(damaged), running, suspects, beside)
    except WorkersUnavailable as error:
        running.notice(
            f"worker processes cannot start here ({error}): the photographs are measured in this process, one after "
            "the other"
        )
        board.take_known()
        board.measure_here(running.measure, board.open(suspects))
    for suspect in suspects:
        for tries in (1, 2):  # one crash alone may be its first: another file may have made it a suspect
            if suspect in board.open(()) and (tries == 1 or suspect not in board.short):
                with suppress(WorkersUnavailable):  # a file that may end this program is not measured in it
                    _round(board, deque([suspect]), running, [], beside)
        if suspect in board.open(()):
            board.reject(suspect, board.short.get(suspect, _CRASHED))
    if new:
        beside.processor_is_free()


class _Beside:
    """What this process does while workers measure: kept results are read, one at a time, then libraries loaded."""

    def __init__(self, board: "_Board", running: Running) -> None:
        self._pieces = self._work(board, running.meanwhile)
        self._afterwards = [running.afterwards]

    @staticmethod
    def _work(board: "_Board", load: Callable[[], None]) -> Iterator[bool]:
        while board.take_one():
            yield True
        load()
        yield True

    def piece(self) -> bool:
        """Do a piece of it; False where nothing is left."""
        return next(self._pieces, False)

    def processor_is_free(self) -> None:
        """Start what comes next, once."""
        while self._afterwards:
            self._afterwards.pop()()


_CRASHED: Final = "the program that decodes it crashed, twice; the file may be damaged"
_Handing = Future[HandedOver[Given]]
_InHand = dict[_Handing, tuple[int, float]]  # the number of each worker's task, and its deadline. [s]


class _Board:
    """Outcomes as they come in."""

    def __init__(self, tasks: Sequence[Task], running: "Running") -> None:
        self.tasks = list(tasks)
        self.short: dict[int, str] = {}
        """Reasons of those for which the memory did not suffice."""
        self._running = running
        self._outcomes: dict[int, Outcome] = {}
        self._unkept: list[tuple[ResultCache, Unkept]] = []
        self._identities = [identity_of(task.path) if task.cache else "" for task in tasks]
        folders = {task.cache.folder for task in tasks if task.cache}
        self._contents = {folder: KnownFiles.of(folder / CONTENTS, str) for folder in folders}
        self._known = dict(self._kept_names())

    def _kept_names(self) -> Iterator[tuple[int, str]]:
        """Number and result's name of each photograph that nobody touched since the last run."""
        for index, (task, identity) in enumerate(zip(self.tasks, self._identities, strict=True)):
            if task.cache and (digest := self._contents[task.cache.folder].get(identity)):
                yield index, name_of(task, digest)

    def surely_new(self) -> list[int]:
        """Tasks that nothing is kept for, as the system says, without a look at any photograph; in order."""
        return [index for index in range(len(self.tasks)) if index not in self._known]

    def take_known(self) -> None:
        """Take what is kept of the photographs that nobody touched since the last run: none of them is opened."""
        while self.take_one():
            pass

    def take_one(self) -> bool:
        """Take it of one of them; False where none is left."""
        if not self._known:
            return False
        index = next(iter(self._known))
        name, task = self._known.pop(index), self.tasks[index]
        outcome = task.cache.get(name, task.path) if task.cache else None
        if outcome is not None:
            self._outcomes[index] = outcome
            self._running.progress(len(self._outcomes), len(self.tasks), task.path)
        return True

    def save_contents(self) -> None:
        """Leave the next run which content each photograph had."""
        for contents in self._contents.values():
            with suppress(OSError):  # it reads them again, then
                contents.save()

    def set(self, index: int, given: Given) -> bool:
        """Take what came of a task; False where that is nothing yet, and it has to be measured again."""
        task = self.tasks[index]
        match given:
            case ShortOfMemory():
                self.short[index] = given.reason
                return False
            case Kept():
                outcome = task.cache.get(given.name, task.path) if task.cache else None
                if outcome is None:  # damaged since, or unreadable: measured anew, and handed over
                    self.tasks[index] = replace(task, cache=None)
                    return False
                if task.cache and given.digest:
                    self._contents[task.cache.folder].learn(task.path, self._identities[index], given.digest)
            case Unkept():
                outcome = given.outcome
                self._running.passing(str(task.path))
                if task.cache:
                    self._cannot_keep(task.cache, given)
            case _:
                outcome = given
                self._running.passing(str(task.path))
        self._outcomes[index] = outcome
        self._running.progress(len(self._outcomes), len(self.tasks), task.path)
        return True

    def _cannot_keep(self, cache: ResultCache, unkept: Unkept) -> None:
        if not self._unkept:
            self._running.notice(
                f"{cache.folder} takes no more results ({unkept.reason}): make room there; what does not fit by "
                "the end is measured again by the next run"
            )
        self._unkept.append((cache, unkept))

    def measure_here(self, measure: Measure, indexes: Iterable[int]) -> None:
        """Measure tasks in this process, one after the other."""
        for index in indexes:
            if not self.set(index, measure(self.tasks[index])) and index not in self.short:
                self.set(index, measure(self.tasks[index]))
            if index in self.short:
                self.reject(index, self.short[index])

    def measure_on(self, running: Running) -> None:
        """Measure what is open on a cluster."""
        tasks = [(index, self.tasks[index]) for index in self.open(())]
        for index, given in measure_on_cluster(
            tasks, running.scheduler, send_files=running.send_files, timeout_s=running.timeout_s
        ):
            if not self.set(index, given):
                self.reject(index, self.short.get(index, "its kept result cannot be read back"))

    def reject(self, index: int, reason: str) -> None:
        self.set(index, RejectedShot(path=self.tasks[index].path, reason=reason))

    def settle(self, index: int, future: _Handing) -> bool:
        """Take a finished future: its result, or the error that nobody foresaw as the reason; False as for `set`."""
        try:
            given = future.result().take()
        except Exception as error:  # noqa: BLE001  # it costs this photograph only
            self.reject(index, f"measuring it failed ({type(error).__name__}: {error})")
            return True
        return self.set(index, given)

    def open(self, suspects: Sequence[int]) -> list[int]:
        """Tasks without an outcome, in order, but for the suspects."""
        return [n for n in range(len(self.tasks)) if n not in self._outcomes and n not in suspects]

    def outcomes(self) -> list[Outcome]:
        """All outcomes, in the order of the tasks; those that could not be kept are tried once more."""
        with suppress(OSError):
            for cache, unkept in self._unkept:
                cache.put(unkept.name, unkept.outcome)
        return [self._outcomes[index] for index in range(len(self.tasks))]


def _round(
    board: _Board, waiting: deque[int], running: Running, suspects: list[int], beside: _Beside
) -> None:
    """Work off a queue, with a new pool after each breakdown; tasks that were in hand at a crash become suspects."""
    while waiting:
        with pool_of(min(running.workers, len(waiting)), share_memory=True) as pool:
            suspects += _work_off(pool, board, waiting, running, beside)


def _work_off(pool: Pool, board: _Board, waiting: deque[int], running: Running, beside: _Beside) -> list[int]:
    """Keep every worker busy with one task until the queue is empty or the pool breaks down."""
    in_hand: _InHand = {}
    clocked: set[int] = set()
    short: list[int] = []
    broken = _hand_out(pool, board, waiting, in_hand, running)
    while in_hand and not broken:
        busy = beside.piece()
        if not (busy or waiting) and len(in_hand) < running.workers:
            beside.processor_is_free()
        try:
            done = pool.finished(in_hand, at_once=busy)
        except BrokenProcessPool:
            pool.kill()
            return [*short, *_after_crash(board, waiting, in_hand)]
        finished = [(in_hand.pop(future)[0], future) for future in done]
        broken = _hand_out(pool, board, waiting, in_hand, running)  # before results are read: nobody waits
        for index, future in finished:
            short += _taken(board, waiting, index, future)
        broken = broken or _hand_out(pool, board, waiting, in_hand, running)
        _set_clocks(pool, in_hand, clocked, running.timeout_s)
        if late := [future for future, (_, deadline) in in_hand.items() if time.monotonic() > deadline]:
            pool.kill()
            _after_hang(board, waiting, in_hand, late, running.timeout_s)
            return [*short, *broken]
    return [*short, *broken, *_after_crash(board, waiting, in_hand)]


def _hand_out(
    pool: Pool, board: _Board, waiting: deque[int], in_hand: _InHand, running: Running
) -> list[int]:
    """Give each idle worker a task; what comes back is the one that found the pool broken."""
    while waiting and len(in_hand) < pool.workers:
        index = waiting.popleft()
        try:
            future = pool.submit(running.measure, board.tasks[index], index)
        except BrokenProcessPool:
            return [index]
        in_hand[future] = (index, time.monotonic() + running.timeout_s + START_S)
    return []


def _taken(board: _Board, waiting: deque[int], index: int, future: _Handing) -> list[int]:
    """Take a finished future; what has to be measured again waits, or comes back where the memory did not suffice."""
    if board.settle(index, future):
        return []
    if index in board.short:
        return [index]
    waiting.append(index)
    return []


def _set_clocks(pool: Pool, in_hand: _InHand, clocked: set[int], timeout_s: float) -> None:
    """Give the tasks that workers have begun their deadline; before, a worker may still be starting."""
    for future, (index, _) in in_hand.items():
        if index not in clocked and pool.has_begun(index):
            in_hand[future] = (index, time.monotonic() + timeout_s)
            clocked.add(index)


def _after_crash(board: _Board, waiting: deque[int], in_hand: _InHand) -> list[int]:
    """Take what was finished; the rest is suspect."""
    suspects = []
    for future, (index, _) in in_hand.items():
        if future.done() and not isinstance(future.exception(), BrokenProcessPool):
            suspects += _taken(board, waiting, index, future)
        else:
            suspects.append(index)
    return suspects


def _after_hang(
    board: _Board, waiting: deque[int], in_hand: _InHand, late: list[_Handing], timeout_s: float
) -> None:
    """Give up the late ones, and put the others, which are innocent, back at the head of the queue."""
    for future, (index, _) in in_hand.items():
        if future in late:
            board.reject(index, f"it took longer than {timeout_s:g} s and was given up")
        else:
            waiting.appendleft(index)
