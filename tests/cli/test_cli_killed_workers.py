"""Workers that are killed while they hand over what they did: the command ends in time, and nothing is lost.

Everything here is asked of the command line alone.
"""

import csv
import os
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path

import pytest

from lensbench.cli.outside import STOP

pytestmark = pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="finds workers in /proc")

LIMIT_S = 120.0
"""A sweep of the few small photographs here takes some 10 s; one that hangs takes for ever."""
STOPS = ("4", "5.6", "8")
SMALL = ("--repeats", "1", "--size", "440x660", "--pitch-um", "8")

KILLED_HALFWAY = """
import multiprocessing, os, signal, stat

whole_write = os.write

def write(handle, data):
    worker = multiprocessing.parent_process() is not None
    if worker and stat.S_ISFIFO(os.fstat(handle).st_mode) and len(data) > {more_than_bytes} and handed_over():
        try:
            os.close(os.open({marker!r}, os.O_CREAT | os.O_EXCL))
        except FileExistsError:
            return whole_write(handle, data)
        whole_write(handle, bytes(data)[: min(len(data) // 2, 60_000)])
        os.kill(os.getpid(), signal.SIGKILL)
    return whole_write(handle, data)

def handed_over():
    return any(not name.startswith(".") for _, _, names in os.walk({out!r}) for name in names)

os.write = write
"""
"""Read by every Python at its start: the first worker to send a result down a pipe sends half of it, and dies."""


def command(*words, **environment):
    """A command of the program in a process of its own, with a folder for passing files that can be looked into."""
    return subprocess.Popen(
        [sys.executable, "-c", "from lensbench.cli import run; run()", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        # A run in the background would hand down a deaf ear for Ctrl-C.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        env=os.environ | environment,
    )


def ended(process, limit_s=LIMIT_S):
    """Status, output and messages of a process that has to end by itself."""
    try:
        out, messages = process.communicate(timeout=limit_s)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        pytest.fail(f"it hangs: no end after {limit_s:g} s")
    return process.returncode, out, messages


def workers_of(process):
    """The processes at the ends of the tree below a process; the one that only counts semaphores is none."""
    leaves, waiting = [], [process.pid]
    while waiting:
        pid = waiting.pop()
        try:
            tasks = list(Path(f"/proc/{pid}/task").iterdir())
            below = [int(child) for task in tasks for child in (task / "children").read_text().split()]
            words = Path(f"/proc/{pid}/cmdline").read_bytes()
        except OSError:  # it has just ended
            continue
        waiting += below
        if not below and b"resource_tracker" not in words and pid != process.pid:
            leaves.append(pid)
    return leaves


def results_in(folder):
    return {path for path in folder.rglob("*") if path.is_file() and not path.name.startswith(".")}


def photographs(out):
    """The rows of the table of shots that a report comes with."""
    with (out / "shots.csv").open(encoding="utf-8") as table:
        return list(csv.DictReader(table))


@pytest.fixture(scope="module")
def shots(tmp_path_factory):
    folder = tmp_path_factory.mktemp("killed") / "shots"
    making = command("simulate", "--out", folder, "--stops", ",".join(STOPS), *SMALL, "--workers", "1")
    assert ended(making)[0] == 0
    return folder


@pytest.fixture
def passing():
    """A folder for passing files; its name is short, as sockets want it."""
    with tempfile.TemporaryDirectory(prefix="lb") as folder:
        yield Path(folder)


def killing(place, *, out, more_than_bytes):
    """The environment in which one worker dies halfway through a message of this size, and the mark that it did."""
    marker = place / "killed"
    (place / "sitecustomize.py").write_text(
        KILLED_HALFWAY.format(marker=str(marker), out=str(out), more_than_bytes=more_than_bytes)
    )
    path = os.pathsep.join([str(place), *filter(None, [os.environ.get("PYTHONPATH")])])
    return {"PYTHONPATH": path}, marker


def test_no_result_is_so_large_that_a_pipe_holds_half_of_it(shots, tmp_path, passing):
    """64 kB is what a pipe holds on Linux (pipe(7)): what is larger waits in it for its reader."""
    out = tmp_path / "report"
    environment, marker = killing(tmp_path, out=out, more_than_bytes=65_536)
    spread = ["--out", out, "--workers", "2"]
    status, _, messages = ended(command("sweep", shots, *spread, TMPDIR=str(passing), **environment))
    assert status == 0, messages
    assert not marker.exists()
    assert len(results_in(out)) > len(STOPS)  # the kept results, and the report
    assert list(passing.iterdir()) == []


def test_a_sweep_outlives_a_worker_that_dies_in_the_middle_of_a_message(shots, tmp_path, passing):
    out = tmp_path / "report"
    environment, marker = killing(tmp_path, out=out, more_than_bytes=0)
    status, _, messages = ended(
        command("sweep", shots, "--out", out, "--workers", "2", TMPDIR=str(passing), **environment)
    )
    assert status == 0, messages
    assert marker.exists()
    assert [row["used"] for row in photographs(out)] == ["yes"] * len(STOPS)
    assert list(passing.iterdir()) == []


def test_a_sweep_outlives_workers_killed_as_a_result_appears(shots, tmp_path, passing):
    out = tmp_path / "report"
    process = command("sweep", shots, "--out", out, "--workers", "2", TMPDIR=str(passing))
    killed, deadline = [], time.monotonic() + LIMIT_S
    while not results_in(out) and time.monotonic() < deadline:
        time.sleep(0.005)
    for pid in workers_of(process):
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
            killed.append(pid)
    status, _, messages = ended(process)
    assert killed
    assert status == 0, messages
    assert [row["used"] for row in photographs(out)] == ["yes"] * len(STOPS)
    assert list(passing.iterdir()) == []


def test_making_photographs_ends_when_a_worker_dies_in_the_middle_of_a_message(tmp_path, passing):
    out = tmp_path / "shots"
    environment, marker = killing(tmp_path, out=out, more_than_bytes=0)
    process = command(
        "simulate",
        "--out",
        out,
        "--stops",
        "4,8",
        *SMALL,
        "--workers",
        "2",
        TMPDIR=str(passing),
        **environment,
    )
    status, _, messages = ended(process)
    assert marker.exists()
    assert status == 1
    assert "fewer workers" in messages
    assert "Traceback" not in messages
    assert list(passing.iterdir()) == []


def test_a_program_asked_to_end_leaves_no_worker_and_no_passing_file(shots, tmp_path, passing):
    out = tmp_path / "report"
    process = command("sweep", shots, "--out", out, "--workers", "2", TMPDIR=str(passing))
    deadline = time.monotonic() + LIMIT_S
    while not results_in(out) and time.monotonic() < deadline:
        time.sleep(0.01)
    workers = workers_of(process)
    process.send_signal(signal.SIGTERM)
    status, _, messages = ended(process, limit_s=30.0)
    assert workers
    assert status == 130
    assert "Traceback" not in messages
    assert not [pid for pid in workers if Path(f"/proc/{pid}").exists()]
    assert list(passing.iterdir()) == []


def test_a_stop_that_comes_while_libraries_load_is_heeded_after(monkeypatch):
    monkeypatch.setattr(sys, "unraisablehook", sys.unraisablehook)
    stop = type(STOP)()
    loaded = False

    def load():
        with stop.later():
            stop()
            nonlocal loaded
            loaded = True

    with pytest.raises(KeyboardInterrupt):
        load()
    assert loaded
    with pytest.raises(KeyboardInterrupt):
        stop()
