import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import fake_measures
import pytest
from invented_shots import result

from lensbench import shot
from lensbench.model.errors import ChartError
from lensbench.model.shot import RejectedShot
from lensbench.storage.cache import ResultCache
from lensbench.sweep.run import Running, Task, measure_one, run


def tasks(folder, *names):
    return [Task(path=folder / name) for name in names]


def reasons(outcomes):
    return [outcome.reason for outcome in outcomes]


def test_order_is_kept_and_progress_told(tmp_path):
    told = []
    running = Running(
        workers=2,
        measure=fake_measures.measure,
        progress=lambda done, total, _path: told.append((done, total)),
    )
    outcomes = run(tasks(tmp_path, "a", "b", "c", "d"), running)
    assert reasons(outcomes) == ["done a", "done b", "done c", "done d"]
    assert told == [(0, 4), (1, 4), (2, 4), (3, 4), (4, 4)]


def test_a_crash_costs_that_file_only_and_want_of_memory_or_a_lost_result_none(tmp_path):
    names = ("a", "crash-1", "b", "once-3", "bug-4", "shortonce-5", "lose-6", "c")
    cache = ResultCache(folder=tmp_path / "measured")
    given = [replace(task, cache=cache) for task in tasks(tmp_path, *names)]
    outcomes = run(given, Running(workers=2, measure=fake_measures.measure))
    found = dict(zip(names, reasons(outcomes), strict=True))
    assert "crashed, twice" in found["crash-1"]
    assert found["bug-4"] == "measuring it failed (ZeroDivisionError: the moon was full)"
    others = ("a", "b", "once-3", "shortonce-5", "lose-6", "c")
    assert [found[name] for name in others] == [f"done {name}" for name in others]


def test_a_file_that_crashes_once_alone_is_tried_again(tmp_path):
    """Another file may have made it a suspect: `twice` is said of what crashed twice by itself."""
    names = ("crashbeside-1", "crashalone-2")
    outcomes = run(tasks(tmp_path, *names), Running(workers=2, measure=fake_measures.measure))
    assert "crashed, twice" in outcomes[0].reason
    assert outcomes[1].reason == "done crashalone-2"
    assert len((tmp_path / "crashalone-2.tried").read_bytes()) == 3  # beside the other, alone, and again


def test_kept_results_are_read_and_what_comes_next_is_started_while_the_new_one_is_measured(
    tmp_path, monkeypatch
):
    monkeypatch.setattr("lensbench.storage.cache.SETTLED_NS", 0)
    monkeypatch.setattr(shot, "measure_shot", lambda path, *_, **__: result(path, 0.25))
    cache = ResultCache(folder=tmp_path / "measured")
    old = [replace(task, cache=cache) for task in tasks(tmp_path, "old_a", "old_b", "old_c")]
    for task in old:
        task.path.write_bytes(task.path.name.encode())
    assert len(run(old, Running(in_process=True))) == 3
    (cache.folder / min(path.name for path in cache.folder.glob("*.gz"))).write_bytes(b"damaged")
    told = []
    running = Running(
        workers=2,
        measure=fake_measures.measure,
        progress=lambda _done, _total, path: told.append(path.name),
        meanwhile=lambda: told.append("loaded"),
        afterwards=lambda: told.append("started"),
    )
    new = Task(path=tmp_path / "brief-new")
    outcomes = run([old[0], new, *old[1:]], running)
    assert sum(isinstance(outcome, RejectedShot) for outcome in outcomes) == 2  # new, and the damaged one's
    assert told[0] == "old_a"  # of none done
    assert all(name.startswith("old_") for name in told[1:3])
    assert told[3:6] == ["loaded", "started", "brief-new"]
    assert told[6].startswith("old_")


def test_a_hang_costs_that_file_only(tmp_path):
    started = time.monotonic()
    running = Running(workers=2, timeout_s=1.0, measure=fake_measures.measure)
    outcomes = run(tasks(tmp_path, "hang-1", "a", "b", "c"), running)
    assert "longer than 1 s" in outcomes[0].reason
    assert reasons(outcomes[1:]) == ["done a", "done b", "done c"]
    assert time.monotonic() - started < 30.0


def test_workers_use_one_thread_and_the_environment_is_left_as_it_was(tmp_path, monkeypatch):
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "5")
    monkeypatch.delenv("OPENCV_FOR_THREADS_NUM", raising=False)
    outcomes = run(tasks(tmp_path, "threads-1"), Running(workers=1, measure=fake_measures.measure))
    assert outcomes[0].reason == "1"
    assert os.environ["OPENBLAS_NUM_THREADS"] == "5"
    assert "OPENCV_FOR_THREADS_NUM" not in os.environ


def test_in_process_needs_no_pool(tmp_path):
    running = Running(in_process=True, measure=fake_measures.measure)
    assert reasons(run(tasks(tmp_path, "a", "b"), running)) == ["done a", "done b"]


def test_what_cannot_be_measured_comes_back_with_the_reason(tmp_path, monkeypatch):
    def refuse(path, options, **further):
        raise ChartError(f"{path.name}: no chart in the picture")

    monkeypatch.setattr(shot, "measure_shot", refuse, raising=False)
    (tmp_path / "shot_1.dng").write_bytes(b"light")
    outcome = measure_one(Task(path=tmp_path / "shot_1.dng"))
    assert outcome == RejectedShot(path=tmp_path / "shot_1.dng", reason="no chart in the picture")


INTERRUPTED = """
import sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
import fake_measures
from lensbench.sweep.run import Running, Task, run
if __name__ == "__main__":
    folder = Path(sys.argv[1])
    try:
        run([Task(path=folder / f"{n}.dng") for n in range(4)], Running(workers=2, measure=fake_measures.slow))
    except KeyboardInterrupt:
        sys.exit(130)
"""


@pytest.mark.skipif(os.name != "posix", reason="sends a signal to a process group")
def test_ctrl_c_ends_the_workers_without_noise(tmp_path):
    script = tmp_path / "stopped.py"
    script.write_text(INTERRUPTED)
    process = subprocess.Popen(
        [sys.executable, str(script), str(tmp_path), str(Path(fake_measures.__file__).parent)],
        stderr=subprocess.PIPE,
        start_new_session=True,
        # A run in the background would hand down a deaf ear for Ctrl-C.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    deadline = time.monotonic() + 30.0
    while len(list(tmp_path.glob("*.begun"))) < 2 and time.monotonic() < deadline:
        time.sleep(0.05)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to every process of the group
    _, noise = process.communicate(timeout=20.0)
    assert process.returncode == 130
    assert b"Traceback" not in noise


def test_a_full_cache_costs_no_photograph(tmp_path, monkeypatch):
    path = tmp_path / "a.dng"
    path.write_bytes(b"a")
    (tmp_path / "file").touch()
    monkeypatch.setattr(shot, "measure_shot", lambda path, *_, **__: result(path, 0.3))
    cache = ResultCache(folder=tmp_path / "file" / "measured")
    assert measure_one(Task(path=path, cache=cache)).outcome.summary["frame"].mtf50_cypx > 0.0


def test_the_tone_curve_reaches_the_measurement_and_the_kept_result(tmp_path, monkeypatch):
    path, asked = tmp_path / "a.tif", []
    path.write_bytes(b"a")

    def measured(path, options, **further):
        asked.append(options.encoding)
        return result(path, 0.3)

    monkeypatch.setattr(shot, "measure_shot", measured)
    for encoding in ("auto", "linear", "linear", "auto"):
        options = shot.MeasureOptions(encoding=encoding)
        measure_one(Task(path=path, options=options, cache=ResultCache(folder=tmp_path / "measured")))
    assert asked == ["auto", "linear"]
