"""The program stopped, started and run twice in ways that nobody plans: one sentence at most, and no noise."""

import os
import signal
import subprocess
import sys
import tempfile
import time
from importlib import import_module
from pathlib import Path

import pytest
from commands import lensbench
from measured_lenses import kept_session

from lensbench import shot
from lensbench.cli import main, studies
from lensbench.door import measuring
from lensbench.library.store import Library
from lensbench.model.errors import SettingError
from lensbench.storage.files import sole_writer

LIMIT_S = 60.0
PROGRAM = """
import sys, time
from pathlib import Path
from lensbench import cli
from lensbench.cli import main
def work():
    Path(sys.argv[1]).touch()
    try:
        time.sleep(600.0)
    except KeyboardInterrupt:
        {then}
main.run = work
cli.run()
"""
posix = pytest.mark.skipif(os.name != "posix", reason="signals and streams of POSIX")


@posix
@pytest.mark.parametrize(
    ("number", "then"),
    [
        (signal.SIGINT, "raise ImportError('initialization failed')"),
        (signal.SIGINT, "exec('raise KeyboardInterrupt')"),
        (signal.SIGTERM, "raise"),
        (signal.SIGHUP, "raise"),
    ],
    ids=[
        "Ctrl-C while a library is loaded",
        "Ctrl-C while a record is made",
        "asked to end",
        "its terminal gone",
    ],
)
def test_whatever_stops_the_program_it_ends_without_noise(tmp_path, number, then):
    begun = tmp_path / "begun"
    (tmp_path / "stopped.py").write_text(PROGRAM.format(then=then))
    program = subprocess.Popen(
        [sys.executable, "-m", "stopped", begun],
        cwd=tmp_path,
        stderr=subprocess.PIPE,
        preexec_fn=lambda: [signal.signal(each, signal.SIG_DFL) for each in (signal.SIGINT, signal.SIGHUP)],
    )
    deadline = time.monotonic() + LIMIT_S
    while not begun.exists() and time.monotonic() < deadline:
        time.sleep(0.02)
    program.send_signal(number)
    _, noise = program.communicate(timeout=LIMIT_S)
    assert (program.returncode, noise) == (130, b"")


EARLY = """
import builtins, os, signal
whole = builtins.__import__
def load(name, *words, **further):
    if name == "typer":
        os.kill(os.getpid(), signal.SIGINT)
    return whole(name, *words, **further)
signal.signal(signal.SIGINT, signal.default_int_handler)
from lensbench import cli
builtins.__import__ = load
cli.run()
"""


@posix
def test_ctrl_c_before_the_libraries_are_there_ends_without_noise():
    done = subprocess.run([sys.executable, "-c", EARLY], capture_output=True, timeout=LIMIT_S, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (130, b"", b"")


NOISY = """
import logging, os, sys, warnings
from lensbench import cli
from lensbench.cli import main
def work():
    logging.getLogger("library").warning("no place for a cache")
    warnings.warn("be careful")
    print("answer")
    os.write(1, b"more")
    with open(sys.argv[1], "w") as file:
        file.write(str(file.fileno()))
main.run = work
cli.run()
"""


@posix
@pytest.mark.parametrize("closed", [">&-", ">&- 2>&- <&-"])
def test_closed_streams_and_what_libraries_say_make_no_noise(tmp_path, closed):
    """A file of ours must not get the number of a stream: what is printed would stand in it."""
    file = tmp_path / "file"
    words = [sys.executable, "-c", NOISY, str(file)]
    done = subprocess.run(
        ["sh", "-c", f'exec "$@" {closed}', "sh", *words], capture_output=True, timeout=LIMIT_S, check=False
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert int(file.read_text()) > 2


def test_two_runs_on_one_output_are_one_sentence(tmp_path):
    shots, out = tmp_path / "shots", tmp_path / "out"
    shots.mkdir()
    with sole_writer(out):
        for words in (("sweep", shots), ("effect", shots, "--by", "iso"), ("compare", shots, shots)):
            done = lensbench(*words, "--out", out)
            assert done.returncode == 2
            assert "another run is writing there; wait for its end" in done.stderr
            assert done.stderr.count("\n") == 1
        with pytest.raises(SettingError, match="another run"), sole_writer(out):
            pass
    assert not out.exists()  # nothing was written


def test_a_lock_that_a_dead_run_left_blocks_nobody(tmp_path):
    left = (
        "import os, sys; from pathlib import Path; from lensbench.storage.files import sole_writer\n"
        "held = sole_writer(Path(sys.argv[1])); held.__enter__(); os._exit(9)"
    )
    died = subprocess.run([sys.executable, "-c", left, tmp_path / "out"], check=False, timeout=LIMIT_S)
    assert died.returncode == 9
    assert list((tmp_path / "out").iterdir()) != []
    with sole_writer(tmp_path / "out"):
        pass
    assert list((tmp_path / "out").iterdir()) == []


def endless(*_, **__):
    deadline = time.monotonic() + LIMIT_S
    while time.monotonic() < deadline:
        pass


@pytest.mark.parametrize("command", ["measure", "check", "edge", "rank"])
def test_a_photograph_that_takes_too_long_is_given_up(tmp_path, monkeypatch, command):
    for name in ("a.dng", "b.dng"):
        (tmp_path / name).write_bytes(name.encode())
    monkeypatch.setattr(shot, "measure_shot", endless)
    monkeypatch.setattr(measuring, "open_photo", endless)
    monkeypatch.setattr(import_module("lensbench.rank.rank"), "open_frame", endless)
    photos = ("a.dng", "b.dng") if command == "rank" else ("a.dng",)
    done = lensbench(command, *photos, "--time-limit", "0.1", at=tmp_path)
    assert done.returncode == 1
    assert "it took longer than 0.1 s and was given up" in done.stdout + done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("command", ["sweep", "effect"])
def test_the_time_limit_reaches_the_workers(tmp_path, monkeypatch, command):
    given = []

    def taken(*_, running, **__):
        given.append(running.timeout_s)
        raise SettingError("far enough")

    monkeypatch.setattr(studies.lensbench, command, taken, raising=False)
    lensbench(command, tmp_path, *(("--by", "iso") if command == "effect" else ()), "--time-limit", "7")
    assert given == [7.0]


@posix
def test_a_library_on_a_read_only_medium_is_read():
    nobody = 65_534
    with tempfile.TemporaryDirectory() as folder:  # where everybody may come
        place = Path(folder)
        place.chmod(0o755)
        library = Library(place=place / "data" / "library.sqlite")
        library.add([kept_session()])
        assert [path.name for path in library.place.parent.iterdir()] == ["library.sqlite"]
        library.place.chmod(0o444)
        library.place.parent.chmod(0o555)
        is_root = os.geteuid() == 0  # whom no permission stops
        try:
            if is_root:
                os.seteuid(nobody)
            (session,) = library.sessions()
        finally:
            if is_root:
                os.seteuid(0)
            library.place.parent.chmod(0o755)
    assert session == kept_session()


def test_the_program_starts_by_the_light_door():
    assert "lensbench.cli:run" in (Path(main.__file__).parents[2] / "pyproject.toml").read_text(
        encoding="utf-8"
    )
