"""Worker processes that end with their program, whatever ends it, and take no more memory than their share."""

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from lensbench import workers
from lensbench.workers import free_memory_bytes, pool_of, time_limit

LIMIT_S = 60.0
HUGE = Path("/sys/kernel/mm/transparent_hugepage/enabled")

BUSY = """
import os, sys, time
from lensbench.workers import pool_of
with pool_of(2) as pool:
    futures = [pool.submit(time.sleep, 600.0, index) for index in range(2)]
    while not (pool.has_begun(0) and pool.has_begun(1)):
        pool.finished(futures)
    print(*(process.pid for process in pool.processes), flush=True)
    time.sleep(600.0)
"""


def until(happened):
    deadline = time.monotonic() + LIMIT_S
    while not happened():
        assert time.monotonic() < deadline
        time.sleep(0.02)


def is_alive(pid):
    try:
        return "Z" not in Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for processes in /proc")
def test_no_worker_outlives_its_program():
    program = subprocess.Popen(
        [sys.executable, "-c", BUSY], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    pids = program.stdout.readline().split()
    assert len(pids) == 2
    assert all(map(is_alive, pids))
    program.kill()
    program.wait(LIMIT_S)
    program.stdout.close()
    until(lambda: not any(map(is_alive, pids)))


STOPPED_AS_ONE_STARTS = """
import os, signal, time
from multiprocessing import popen_forkserver
from lensbench.workers import pool_of
start, pids = popen_forkserver.Popen.__init__, []
def start_and_stop(popen, process):
    start(popen, process)
    pids.append(popen.pid)
    os.kill(os.getpid(), signal.SIGINT)
popen_forkserver.Popen.__init__ = start_and_stop
signal.signal(signal.SIGINT, signal.default_int_handler)
try:
    with pool_of(1) as pool:
        pool.submit(time.sleep, 0.0, 0)
except KeyboardInterrupt:
    print(*pids, flush=True)
    time.sleep(600.0)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="workers come from a server on Linux alone")
def test_a_worker_that_starts_as_the_program_is_stopped_ends_with_the_pool():
    """Left alive, it looks for semaphores that are gone, and tells so at length."""
    program = subprocess.Popen(
        [sys.executable, "-c", STOPPED_AS_ONE_STARTS],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    pids = program.stdout.readline().split()
    assert len(pids) == 1
    until(lambda: not is_alive(pids[0]))
    program.kill()
    assert program.communicate()[1] == ""


TALKING = """
import logging
from lensbench.workers import pool_of
with pool_of(1) as pool:
    future = pool.submit(logging.getLogger("library").warning, "no place for a cache", 0)
    while not pool.finished([future]):
        pass
    future.result().take()
"""


def test_what_libraries_say_in_a_worker_makes_no_noise():
    """As of a home folder that is read-only; Python prints what has no handler (logging.lastResort)."""
    done = subprocess.run([sys.executable, "-c", TALKING], capture_output=True, timeout=LIMIT_S, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


SERVER = """
import time
from multiprocessing import forkserver
from lensbench.workers import start_server
start_server()
print(forkserver._forkserver._forkserver_pid, flush=True)
time.sleep(600.0)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="workers come from a server on Linux alone")
def test_what_workers_come_from_never_hears_ctrl_c():
    """A terminal sends it to all at once; whoever still loads libraries would tell of it. SigBlk: proc(5)."""
    program = subprocess.Popen([sys.executable, "-c", SERVER], stdout=subprocess.PIPE, text=True)
    status = Path(f"/proc/{program.stdout.readline().strip()}/status").read_text()
    program.kill()
    program.communicate()
    blocked = int(re.search(r"^SigBlk:\s*(\w+)", status, re.MULTILINE)[1], 16)
    assert blocked >> (signal.SIGINT - 1) & 1


def in_large_pages(size_bytes):
    """Bytes of this process in large pages, after it wrote to so much more memory: proc(5), AnonHugePages."""
    held = bytearray(b"1") * size_bytes
    lines = Path("/proc/self/smaps_rollup").read_text().splitlines()
    return len(held) and 1024 * next(int(line.split()[1]) for line in lines if line.startswith("AnonHuge"))


@pytest.mark.skipif(
    not HUGE.exists() or "[never]" in HUGE.read_text() or "glibc" not in os.confstr("CS_GNU_LIBC_VERSION"),
    reason="the system has no large pages for who asks",
)
def test_a_worker_holds_what_it_decodes_in_large_pages():
    program = """
from test_workers import in_large_pages
from lensbench.workers import pool_of
with pool_of(1) as pool:
    future = pool.submit(in_large_pages, 48_000_000, 0)
    while not pool.finished([future]):
        pass
    print(future.result().take())
"""
    places = os.pathsep.join([str(Path(__file__).parent), *sys.path])
    environment = os.environ | {"PYTHONPATH": places, "GLIBC_TUNABLES": "glibc.malloc.check=0"}
    done = subprocess.run(
        [sys.executable, "-c", program], check=True, capture_output=True, text=True, env=environment
    )
    # None without being asked for; memory in pieces leaves some of it in small pages.
    assert int(done.stdout) > 10_000_000


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux bounds a process's memory")
def test_a_worker_gets_its_share_of_memory_and_says_when_it_needs_more(monkeypatch):
    monkeypatch.setattr(workers, "free_memory_bytes", lambda: 0)
    with pool_of(1, share_memory=True) as pool:
        future = pool.submit(bytearray, 20_000_000_000, 0)
        until(lambda: pool.finished([future]))
        with pytest.raises(MemoryError):
            future.result().take()
        loaded = pool.submit(eval, "'lensbench.shot.measure' in __import__('sys').modules", 1)
        until(lambda: pool.finished([loaded]))
        assert loaded.result().take()  # before it was asked to measure anything


@pytest.mark.skipif(not Path("/proc/meminfo").exists(), reason="no such file here")
def test_the_free_memory_is_what_the_system_tells():
    said = dict(line.split(":") for line in Path("/proc/meminfo").read_text().splitlines())
    total = 1024 * int(said["MemTotal"].split()[0])
    assert 0 <= free_memory_bytes() <= total


def test_a_full_disk_beside_the_workers_costs_no_result(tmp_path):
    """The folder for passing files is gone, as good as full: results come by the pipe."""
    given = workers._hand_over(bytes, 10_000, tmp_path / "nowhere" / "0")
    assert given.take() == bytes(10_000)


def test_nothing_of_one_system_is_needed_to_be_imported():
    code = (
        "import sys; sys.modules['fcntl'] = sys.modules['resource'] = None\n"
        "import lensbench.workers, lensbench.storage.files"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=LIMIT_S)


def test_an_endless_decoder_ends_the_program(monkeypatch):
    """Sleep stands for native code, which no exception interrupts."""
    monkeypatch.setattr(workers, "_GRACE_S", 0.05)
    ended = []
    with pytest.raises(workers.TooSlowError), time_limit(Path("a.dng"), 0.05, end=ended.append):
        time.sleep(0.6)
    assert ended == ["a.dng: it took longer than 0.05 s and was given up"]


def test_what_is_done_in_time_is_left_alone():
    with time_limit(Path("a.dng"), 0.1, end=os._exit):
        done = sum(range(10))
    time.sleep(0.2)
    assert done == 45
