"""Many photographs measured side by side, each on its own risk.

One photograph is one task, and a worker holds one at a time. Workers are processes that are never forked from
a program that has decoded a picture: the raw decoder's threads would hang them. A crash or a hang costs that
file only. A worker gives back the name under which it kept a result; the result itself is read from the disk.
"""

import os
import time
import warnings
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from lensbench import shot
from lensbench.model.errors import LensError
from lensbench.model.shot import Metadata, PrintProfile, RejectedShot, ShotResult
from lensbench.photo import decoder_versions
from lensbench.storage.cache import ResultCache
from lensbench.workers import HandedOver, Pool, WorkersUnavailable, pool_of

TIMEOUT_S: Final = 120.0  # a photograph takes seconds; one that takes this long never ends
START_S: Final = 60.0  # what a worker may take to start

_USUAL: Final = shot.MeasureOptions()


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One photograph to be measured."""

    path: Path
    options: shot.MeasureOptions = _USUAL
    overrides: Metadata | None = None  # what the shots table says instead of the metadata
    cache: ResultCache | None = None  # where the result is kept, and looked for first


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A result that stands in the task's cache."""

    name: str


Outcome = ShotResult | RejectedShot
Measure = Callable[[Task], Outcome | Kept]
Progress = Callable[[int, int, Path], None]  # how many are done, of how many, and which one just was


def measure_one(task: Task) -> Outcome | Kept:
    """Measure one photograph, unless its result is kept; what cannot be measured comes back with the reason."""
    plain = replace(task.options, print_profile=None)
    settings = f"{decoder_versions()}|{plain}|{task.overrides}{_fingerprint(task.options.print_profile)}"
    try:
        name = task.cache.name(task.path, settings) if task.cache else ""
        if task.cache and task.cache.get(name, task.path):
            return Kept(name=name)
        result = shot.measure_shot(task.path, task.options, overrides=task.overrides)
    except OSError as error:
        return RejectedShot(path=task.path, reason=f"it cannot be read ({error.strerror or error})")
    except LensError as error:
        return RejectedShot(path=task.path, reason=without_path(str(error), task.path))
    if task.cache:
        with suppress(OSError):  # the cache's fault is not the photograph's; a second run measures it again
            task.cache.put(name, result)
            return Kept(name=name)
    return result


def _fingerprint(profile: PrintProfile | None) -> str:
    """Tell profiles apart by their figures, so that a kept result is not taken for another print's."""
    if profile is None:
        return ""
    figures = (profile.edge_sigma_mm, profile.edge_sigma_sd_mm, *profile.frequency_cymm.tolist())
    return f"|{profile.name}|{figures}|{profile.mtf.tolist()}|{profile.mtf_sd.tolist()}"


def without_path(message: str, path: Path) -> str:
    """Give a message about a file without the file's name at its head; a record names it already."""
    return message.removeprefix(f"{path}: ").removeprefix(f"{path.name}: ")


def usual_workers() -> int:
    """Give the number of processors this program may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _say_nothing(done: int, total: int, path: Path) -> None:
    """Take no notice."""


def _warn(message: str) -> None:
    warnings.warn(message, RuntimeWarning, stacklevel=4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Running:
    """How the work is spread."""

    workers: int = field(default_factory=usual_workers)
    """Processes, 1 or more."""
    in_process: bool = False
    """Measure here, one after the other: for short lists and for tests; a crash then ends the program."""
    timeout_s: float = TIMEOUT_S
    """After so long a photograph is given up. [s]"""
    progress: Progress = _say_nothing
    notice: Callable[[str], None] = _warn
    """Told when the work cannot be spread; a warning by default."""
    measure: Measure = measure_one
    """What a worker does with a task; it must be importable by name."""


def run(tasks: Sequence[Task], running: Running) -> list[Outcome]:
    """Measure photographs in a pool of processes, or in this one where none can start, which is said.

    Returns
    -------
    list of ShotResult or RejectedShot
        In the order of the tasks, whatever happened.

    Raises
    ------
    KeyboardInterrupt
        The user stopped it; the workers are gone, and what was done is kept in the tasks' caches.
    """
    board = _Board(tasks, running.progress)
    if running.in_process:
        for index, task in enumerate(tasks):
            board.set(index, running.measure(task))
        return board.outcomes()
    suspects: list[int] = []
    try:
        _round(board, deque(range(len(tasks))), running, suspects)
    except WorkersUnavailable as error:
        running.notice(
            f"worker processes cannot start here ({error}): the photographs are measured in this process, one after "
            "the other"
        )
        for index in board.open(suspects):
            board.set(index, running.measure(tasks[index]))
    for suspect in suspects:
        crashed: list[int] = []
        with suppress(WorkersUnavailable):  # a file that may end this program is not measured in it
            _round(board, deque([suspect]), running, crashed)
        if suspect in board.open(()):
            board.reject(suspect, "the program that decodes it crashed, twice; the file may be damaged")
    return board.outcomes()


_Handing = Future[HandedOver[Outcome | Kept]]
_InHand = dict[_Handing, tuple[int, float]]  # the number of each worker's task, and its deadline. [s]


class _Board:
    """Outcomes as they come in."""

    def __init__(self, tasks: Sequence[Task], progress: Progress) -> None:
        self.tasks = tasks
        self._progress = progress
        self._outcomes: dict[int, Outcome] = {}

    def set(self, index: int, outcome: Outcome | Kept) -> None:
        self._outcomes[index] = self._read(index, outcome) if isinstance(outcome, Kept) else outcome
        self._progress(len(self._outcomes), len(self.tasks), self.tasks[index].path)

    def reject(self, index: int, reason: str) -> None:
        self.set(index, RejectedShot(path=self.tasks[index].path, reason=reason))

    def settle(self, index: int, future: _Handing) -> None:
        """Take a finished future: its result, or the error that nobody foresaw as the reason."""
        try:
            outcome = future.result().take()
        except Exception as error:  # noqa: BLE001  # it costs this photograph only
            self.reject(index, f"measuring it failed ({type(error).__name__}: {error})")
        else:
            self.set(index, outcome)

    def open(self, suspects: Sequence[int]) -> list[int]:
        """Tasks without an outcome, in order, but for the suspects."""
        return [n for n in range(len(self.tasks)) if n not in self._outcomes and n not in suspects]

    def outcomes(self) -> list[Outcome]:
        return [self._outcomes[index] for index in range(len(self.tasks))]

    def _read(self, index: int, kept: Kept) -> Outcome:
        task = self.tasks[index]
        result = task.cache.get(kept.name, task.path) if task.cache else None
        return result or RejectedShot(
            path=task.path, reason="its result was kept and cannot be read back; measure it again"
        )


def _round(board: _Board, waiting: deque[int], running: Running, suspects: list[int]) -> None:
    """Work off a queue, with a new pool after each breakdown; tasks that were in hand at a crash become suspects."""
    while waiting:
        with pool_of(min(running.workers, len(waiting))) as pool:
            suspects += _work_off(pool, board, waiting, running)


def _work_off(pool: Pool, board: _Board, waiting: deque[int], running: Running) -> list[int]:
    """Keep every worker busy with one task until the queue is empty or the pool breaks down."""
    in_hand: _InHand = {}
    clocked: set[int] = set()
    while waiting or in_hand:
        while waiting and len(in_hand) < pool.workers:
            index = waiting.popleft()
            try:
                future = pool.submit(running.measure, board.tasks[index], index)
            except BrokenProcessPool:
                return [index, *_after_crash(board, in_hand)]
            in_hand[future] = (index, time.monotonic() + running.timeout_s + START_S)
        try:
            done = pool.finished(in_hand)
        except BrokenProcessPool:
            pool.kill()
            return _after_crash(board, in_hand)
        for future in done:
            board.settle(in_hand.pop(future)[0], future)
        _set_clocks(pool, in_hand, clocked, running.timeout_s)
        if late := [future for future, (_, deadline) in in_hand.items() if time.monotonic() > deadline]:
            pool.kill()
            _after_hang(board, waiting, in_hand, late, running.timeout_s)
            return []
    return []


def _set_clocks(pool: Pool, in_hand: _InHand, clocked: set[int], timeout_s: float) -> None:
    """Give the tasks that workers have begun their deadline; before, a worker may still be starting."""
    for future, (index, _) in in_hand.items():
        if index not in clocked and pool.has_begun(index):
            in_hand[future] = (index, time.monotonic() + timeout_s)
            clocked.add(index)


def _after_crash(board: _Board, in_hand: _InHand) -> list[int]:
    """Take what was finished; the rest is suspect."""
    suspects = []
    for future, (index, _) in in_hand.items():
        if future.done() and not isinstance(future.exception(), BrokenProcessPool):
            board.settle(index, future)
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
