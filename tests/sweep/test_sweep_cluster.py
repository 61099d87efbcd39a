"""Sweeps over a real scheduler and real workers on this machine's loopback."""

import json
import os
import signal
import subprocess
import sys
import time
from importlib.util import find_spec

import pytest

from lensbench import simulate
from lensbench.chart.layout import sheet
from lensbench.model.errors import SettingError
from lensbench.model.shot import RejectedShot
from lensbench.shot.task import Task
from lensbench.storage.cache import ResultCache
from lensbench.sweep import cluster as cluster_room
from lensbench.sweep.run import Running, run

pytestmark = pytest.mark.skipif(
    find_spec("distributed") is None, reason="the extra `cluster` is not installed"
)
SHOTS = 4
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")  # as the engine's nanny has it


@pytest.fixture(scope="module")
def shots(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shots")
    lens = simulate.prime("Linden 35", simulate.ZoomPosition(focal_length_mm=35.0))
    scene = simulate.Scene(
        layout=sheet("A4"), lens=lens, camera=simulate.Camera(rows=440, cols=660, pitch_um=13.0)
    )
    plan = simulate.Plan(focal_lengths_mm=[35.0], f_numbers=[4.0, 8.0], repeats=SHOTS // 2, seed=3)
    return simulate.shoot(simulate.series(scene, folder, plan=plan), truth_channels=())


def started(folder, name, *words):
    """A process of the cluster's engine."""
    with (folder / f"{name}.log").open("wb") as log:
        return subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.{words[0]}", *words[1:]],
            stdout=log,
            stderr=log,
            env=os.environ | ONE_THREAD,
        )


@pytest.fixture
def cluster(tmp_path):
    """A scheduler and two workers; gives the address and the workers' processes."""
    place = tmp_path / "scheduler.json"
    common = ["--scheduler-file", str(place), "--no-dashboard"]
    scheduler = started(
        tmp_path, "scheduler", "dask_scheduler", "--host", "127.0.0.1", "--port", "0", *common
    )
    until(place.exists)
    workers = [
        started(
            tmp_path, f"worker{number}", "dask_worker", "--nworkers", "1", "--nthreads", "1", "--no-nanny",
            "--local-directory", str(tmp_path), *common,
        )
        for number in range(2)
    ]  # fmt: skip
    yield json.loads(place.read_text(encoding="utf-8"))["address"], workers
    for process in (*workers, scheduler):
        process.kill()
        process.wait()


def until(happened, seconds=30.0):
    end = time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < end
        time.sleep(0.05)


def test_a_cluster_gives_the_same_to_the_last_bit_though_a_worker_dies(shots, cluster, tmp_path):
    address, workers = cluster
    torn = tmp_path / "torn.dng"
    torn.write_bytes(shots[0].read_bytes()[:5000])
    paths = [*shots, torn]
    here, there = ResultCache(folder=tmp_path / "here"), ResultCache(folder=tmp_path / "there")
    local = run([Task(path=path, cache=here) for path in paths], Running(workers=1))

    def one_dies(done, total, path):
        if done == 1:
            workers[0].send_signal(signal.SIGKILL)

    running = Running(scheduler=address, send_files=True, progress=one_dies)
    away = run([Task(path=path, cache=there) for path in paths], running)
    assert [type(outcome) for outcome in away] == [type(outcome) for outcome in local]
    assert [isinstance(outcome, RejectedShot) for outcome in away] == [False] * SHOTS + [True], away
    assert away[-1].reason == local[-1].reason
    kept = [{path.name: path.read_bytes() for path in cache.folder.glob("*.gz")} for cache in (here, there)]
    assert kept[0] == kept[1]
    assert len(kept[0]) == len(paths)
    assert workers[0].wait() == -signal.SIGKILL
    # Read from a shared path, by the one that is left.
    (again,) = run([Task(path=shots[0])], Running(scheduler=address))
    assert again.summary == away[0].summary


def test_workers_of_no_use_say_why(shots):
    task, content = Task(path=shots[0]), shots[0].read_bytes()
    code = cluster_room.measuring_code()
    for away, words in (
        (
            cluster_room.Away(task=task, file_bytes=len(content), content=None, code="older"),
            "another version",
        ),
        (cluster_room.Away(task=task, file_bytes=7, content=None, code=code), "add --send-files"),
    ):
        back = cluster_room.measure_away(away)
        assert back.outcome is None
        assert words in back.trouble


def test_a_scheduler_that_is_not_there_is_named(shots, monkeypatch):
    monkeypatch.setattr(cluster_room, "_CONNECT_S", 0.2)
    with pytest.raises(SettingError, match=r"no scheduler answers at tcp://127\.0\.0\.1:9 "):
        run([Task(path=shots[0])], Running(scheduler="tcp://127.0.0.1:9"))
