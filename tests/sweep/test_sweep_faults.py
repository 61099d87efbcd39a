"""Whatever happens while many photographs are measured, no sound one is lost and nothing is paid twice."""

import errno
import os
import sys

import pytest
from invented_shots import result

from lensbench import shot
from lensbench.model.errors import ChartError, MemoryShortError
from lensbench.model.shot import RejectedShot, ShotResult
from lensbench.storage.cache import ResultCache
from lensbench.sweep.run import Kept, Running, ShortOfMemory, Task, measure_one, run, usual_workers


@pytest.fixture
def tasks(tmp_path):
    """Three photographs whose results are to be kept."""
    made = []
    for name in ("a", "b", "c"):
        path = tmp_path / f"{name}.dng"
        path.write_bytes(name.encode())
        made.append(Task(path=path, cache=ResultCache(folder=tmp_path / "measured")))
    return made


def test_a_full_disk_is_said_once_at_the_first_failure_and_costs_nothing_in_the_end(tasks, monkeypatch):
    events, put, full = [], ResultCache.put, [True]

    def failing(cache, name, outcome):
        if full[0]:
            raise OSError(errno.ENOSPC, "No space left on device")
        put(cache, name, outcome)

    def progress(done, total, path):
        events.append(done)
        full[0] = done < total  # room is made while the last one is measured

    monkeypatch.setattr(ResultCache, "put", failing)
    monkeypatch.setattr(shot, "measure_shot", lambda path, *_, **__: result(path, 0.3))
    outcomes = run(tasks, Running(in_process=True, notice=events.append, progress=progress))
    assert [type(outcome) for outcome in outcomes] == [ShotResult] * 3
    assert "measured takes no more results (No space left on device): make room there" in events.pop(1)
    assert events == [0, 1, 2, 3]
    assert len(list(tasks[0].cache.folder.iterdir())) == 3


def test_a_kept_result_that_cannot_be_read_back_is_measured_anew(tasks):
    def measure(task):
        return Kept(name="gone.json.gz") if task.cache else result(task.path, 0.3)

    outcomes = run(tasks, Running(in_process=True, measure=measure))
    assert [outcome.path for outcome in outcomes] == [task.path for task in tasks]
    assert {type(outcome) for outcome in outcomes} == {ShotResult}


@pytest.mark.parametrize(
    ("error", "kept", "asked_in_two_runs"),
    [
        (ChartError("a.dng: no chart"), 1, 1),
        (MemoryShortError("a.dng: the memory does not suffice"), 0, 2),
        (MemoryError(), 0, 2),
        (OSError(errno.EIO, "Input/output error"), 0, 2),
    ],
)
def test_only_the_files_own_faults_are_kept(tasks, monkeypatch, error, kept, asked_in_two_runs):
    asked = []

    def refuse(path, *_, **__):
        asked.append(path)
        raise error

    monkeypatch.setattr(shot, "measure_shot", refuse)
    outcomes = [run(tasks[:1], Running(in_process=True, measure=measure_one))[0] for _ in range(2)]
    assert outcomes[0] == outcomes[1]
    assert isinstance(outcomes[0], RejectedShot)
    assert "a.dng" not in outcomes[0].reason
    assert len(asked) == asked_in_two_runs
    folder = tasks[0].cache.folder
    assert len(list(folder.iterdir()) if folder.exists() else []) == kept


def test_want_of_memory_in_this_process_is_the_photographs_reason(tmp_path):
    running = Running(in_process=True, measure=lambda _: ShortOfMemory(reason="too little"))
    assert run([Task(path=tmp_path / "a")], running)[0].reason == "too little"


@pytest.mark.parametrize(("free", "workers"), [(2_500_000_000, 2), (100, 1), (None, 8), (10**12, 8)])
def test_workers_are_no_more_than_the_free_memory_holds(monkeypatch, free, workers):
    monkeypatch.setattr(sys.modules["lensbench.sweep.run"], "free_memory_bytes", lambda: free)
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(8)), raising=False)
    assert usual_workers() == workers
