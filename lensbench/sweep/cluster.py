"""The same tasks on a Dask cluster, by its own executor: results come back whole and are kept here.

Workers read photographs under the same names (a shared path) or get them as bytes. Dask gives a dead worker's tasks to
another one, three times at most. Nothing of ours listens on the network: who may talk to the scheduler is for the
engine's own TLS to say (docs/reference/cluster.md).
"""

import tempfile
import threading
import time
import warnings
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from contextlib import nullcontext, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from lensbench.model.errors import SettingError
from lensbench.model.shot import RejectedShot
from lensbench.photo import decoder_versions
from lensbench.shot.task import Given, Outcome, ShortOfMemory, Task, keep, measured
from lensbench.storage.cache import code_fingerprint, content_hash

_CONNECT_S: Final = 10.0
_POLL_S: Final = 0.5
_WITHOUT_WORKERS_S: Final = 60.0
_ONE_AT_A_TIME: Final = threading.Lock()
"""Decoders silence the whole process's standard error, and a frame at a time is what a worker's memory is for."""
_CRASHED: Final = "the workers that decode it died, one after the other; the file may be damaged"


@dataclass(frozen=True, slots=True, kw_only=True)
class Away:
    """A task as it travels."""

    task: Task
    file_bytes: int
    content: bytes | None
    """The photograph, where it is not read from a shared path."""
    code: str
    """What measures here, so that no other version answers for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Back:
    """What a worker gives."""

    outcome: Outcome | ShortOfMemory | None = None
    """None where the worker is of no use: `trouble` says why."""
    digest: str = ""
    """Of the content; empty where the outcome may be another one next time."""
    trouble: str = ""


def measuring_code() -> str:
    """What decides over figures: our own sources, and the libraries that decode and compute."""
    return f"{code_fingerprint()}|{decoder_versions()}"


def measure_away(away: Away) -> Back:
    """Measure a photograph on another machine."""
    if measuring_code() != away.code:
        return Back(
            trouble="have another version of lensbench or of its decoders: install the same everywhere"
        )
    path = away.task.path
    with _ONE_AT_A_TIME, nullcontext() if away.content is None else tempfile.TemporaryDirectory() as folder:
        if folder is not None and away.content is not None:
            path = Path(folder) / path.name
            path.write_bytes(away.content)
        with suppress(OSError):
            if path.stat().st_size == away.file_bytes:
                outcome, lasting = measured(replace(away.task, path=path))
                if not isinstance(outcome, ShortOfMemory):
                    outcome = replace(outcome, path=away.task.path)
                return Back(outcome=outcome, digest=content_hash(path) if lasting else "")
    return Back(trouble=f"cannot read {path}: name a path that all machines share, or add --send-files")


def measure_on_cluster(
    tasks: Sequence[tuple[int, Task]], address: str, *, send_files: bool, timeout_s: float
) -> Iterator[tuple[int, Given]]:
    """Number of each task with what came of it, in the order in which they are done.

    Raises
    ------
    SettingError
        The extra `cluster` is not installed, no scheduler answers, it has no workers, or they are of no use: with other
        versions, or without the files.
    """
    waiting, code = deque(tasks), measuring_code()
    in_hand: dict[Future[Back], tuple[int, Task, float]] = {}
    with _client(address) as client, client.get_executor(pure=False) as executor, warnings.catch_warnings():
        warnings.filterwarnings(
            "ignore", "Sending large graph", UserWarning
        )  # a photograph is as large as it is
        seen_s = time.monotonic()
        while waiting or in_hand:
            workers = len(client.scheduler_info(n_workers=-1)["workers"])
            seen_s = time.monotonic() if workers else seen_s
            if time.monotonic() > seen_s + _WITHOUT_WORKERS_S:
                raise SettingError(
                    f"the scheduler {address} has no workers: start some, or leave out --scheduler"
                )
            while waiting and len(in_hand) < workers:
                index, task = waiting.popleft()
                try:
                    away = _away(task, code, send_files=send_files)
                except OSError as error:
                    reason = f"it cannot be read ({error.strerror or error})"
                    yield index, RejectedShot(path=task.path, reason=reason)
                    continue
                in_hand[executor.submit(measure_away, away)] = index, task, time.monotonic()
            done, _ = wait(in_hand, timeout=_POLL_S, return_when=FIRST_COMPLETED)
            for future in done:
                index, task, _ = in_hand.pop(future)
                yield index, _given(task, future, address)
            for future, (index, task, since_s) in list(in_hand.items()):
                if time.monotonic() > since_s + timeout_s:
                    future.cancel()
                    del in_hand[future]
                    reason = f"it took longer than {timeout_s:g} s and was given up"
                    yield index, RejectedShot(path=task.path, reason=reason)


def _client(address: str) -> Any:
    try:
        import distributed  # noqa: PLC0415  heavy, and only of the extra `cluster`
    except ImportError as error:
        raise SettingError(
            "--scheduler needs what is installed with pip install 'lensbench[cluster]'"
        ) from error
    try:
        client: Any = distributed.Client  # it is not typed
        return client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise SettingError(
            f"no scheduler answers at {address} ({type(error).__name__}); an address looks like tcp://host:8786"
        ) from error


def _away(task: Task, code: str, *, send_files: bool) -> Away:
    content = task.path.read_bytes() if send_files else None
    path = task.path.absolute()
    file_bytes = path.stat().st_size if content is None else len(content)
    return Away(task=replace(task, path=path, cache=None), file_bytes=file_bytes, content=content, code=code)


def _given(task: Task, future: "Future[Back]", address: str) -> Given:
    """What a finished future stands for; whatever Dask raises costs this photograph only."""
    try:
        back = future.result()
    except Exception as error:  # noqa: BLE001
        if type(error).__name__ == "KilledWorker":
            return RejectedShot(path=task.path, reason=_CRASHED)
        return RejectedShot(path=task.path, reason=f"measuring it failed ({type(error).__name__}: {error})")
    if back.outcome is None:
        raise SettingError(f"the workers of {address} {back.trouble}")
    outcome = back.outcome
    if not isinstance(outcome, ShortOfMemory):
        outcome = replace(outcome, path=task.path)
    return keep(task, outcome, back.digest)
