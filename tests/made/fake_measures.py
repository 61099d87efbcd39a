"""What workers of the tests do with a task, by the name of its file; importable by name in a new process."""

import os
import signal
import time
from pathlib import Path

from lensbench.model.errors import ChartError
from lensbench.model.shot import RejectedShot
from lensbench.sweep.run import Kept, ShortOfMemory

SLEEP_S = 60.0
BRIEF_S = 1.0  # longer than a few small files take to be read


def measure(task):  # noqa: C901, PLR0912  a case for each kind of name
    """Give the worker's process id as the reason, or fail in the way that the file's name asks for."""
    name = task.path.name
    match name.split("-")[0]:
        case "crash":
            os.kill(os.getpid(), signal.SIGSEGV)
        case "crashbeside":  # takes with it another one that has begun
            until(lambda: list(task.path.parent.glob("*.tried")))
            os.kill(os.getpid(), signal.SIGSEGV)
        case "hang":
            time.sleep(SLEEP_S)
        case "brief":
            time.sleep(BRIEF_S)
        case "bug":
            raise ZeroDivisionError("the moon was full")
        case "once":  # crashes at the first try only
            trace = task.path.with_suffix(".tried")
            if not trace.exists():
                trace.touch()
                os._exit(4)
        case "crashalone":  # goes with another's crash, and crashes once by itself
            trace = task.path.with_suffix(".tried")
            tried = len(trace.read_bytes()) if trace.exists() else 0
            trace.write_bytes(b"." * (tried + 1))
            if tried == 0:
                time.sleep(SLEEP_S)
            if tried == 1:
                os._exit(4)
        case "shortonce":  # has enough when it is tried again
            trace = task.path.with_suffix(".tried")
            if not trace.exists():
                trace.touch()
                return ShortOfMemory(reason="too little")
        case "lose":  # keeps a result where nobody finds it, unless it is asked for the result itself
            if task.cache:
                return Kept(name="gone.json.gz")
        case "threads":
            return RejectedShot(path=task.path, reason=os.environ["OPENBLAS_NUM_THREADS"])
    return RejectedShot(path=task.path, reason=f"done {name}")


def until(happened):
    """Wait for what another worker does, as long as that may take on a busy machine."""
    deadline = time.monotonic() + SLEEP_S
    while not happened() and time.monotonic() < deadline:
        time.sleep(0.01)


def refuse(task):
    raise ChartError(f"{task.path.name}: no chart")


def slow(task):
    Path(task.path).with_suffix(".begun").touch()
    time.sleep(SLEEP_S)
    return RejectedShot(path=task.path, reason="slept")


def end_at_once(*_):
    """What stands for a worker that cannot start: it ends by itself, before any work."""
    raise RuntimeError("no start here")
