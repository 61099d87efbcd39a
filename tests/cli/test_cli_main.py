"""The program's entry under bad weather: full and closed outputs, no memory, names that terminals obey."""

import errno
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from lensbench.cli import main
from lensbench.model.errors import ImageError, SettingError

ROOT = Path(__file__).resolve().parent.parent.parent


def lensbench(*words, **options):
    return subprocess.run(
        [sys.executable, "-c", "from lensbench.cli.main import run; run()", *words],
        cwd=ROOT, stderr=subprocess.PIPE, text=True, timeout=60, check=False, **options,
    )  # fmt: skip


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no such device here")
def test_a_full_disk_behind_the_output_is_one_sentence():
    with Path("/dev/full").open("w") as full:
        done = lensbench("--help", stdout=full)
    assert done.returncode == 1
    assert done.stderr == "lensbench: the output cannot be written (No space left on device)\n"


def test_a_reader_that_went_away_is_no_matter():
    pipe = subprocess.Popen(["true"], stdin=subprocess.PIPE)
    pipe.wait()  # nobody reads any more
    done = lensbench("--help", stdout=pipe.stdin)
    pipe.stdin.close()
    assert (done.returncode, done.stderr) == (1, "")


def ended(monkeypatch, capsys, raised):
    """Run the entry with a program that raises; give its status and what it said."""

    def app(**options):
        raise raised

    monkeypatch.setattr(main, "_narrowed", lambda _words: app)
    with pytest.raises(SystemExit) as end:
        main.run()
    return end.value.code, capsys.readouterr().err


@pytest.mark.parametrize(
    ("raised", "status", "says"),
    [
        (SettingError("--size x: give ROWSxCOLS"), 2, "--size x: give ROWSxCOLS"),
        (ImageError("a\x1b[2J\u202eb\n\udcff.jpg: it is empty"), 1, "a[2Jb .jpg: it is empty"),
        (PermissionError(errno.EACCES, "Permission denied", "/out"), 1, "/out cannot be used (Permission denied)"),
        (OSError(errno.ENOSPC, "No space left on device"), 1, "output cannot be written (No space left on device)"),
        (MemoryError(), 1, "the memory does not suffice"),
        (RuntimeError("Symlink loop from '/a'"), 1, "lead round in a circle"),
    ],
)  # fmt: skip
def test_whatever_a_user_can_meet_is_one_sentence(monkeypatch, capsys, raised, status, says):
    monkeypatch.setattr(main, "_let_go", lambda: 1)
    code, said = ended(monkeypatch, capsys, raised)
    assert code == status
    assert said.startswith("lensbench: ")
    assert says in said
    assert said.count("\n") == 1


def test_wrong_usage_is_told_without_the_signs_of_a_file_name(monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["lensbench", "measure", "a.jpg", "b\x1b[2J\u202e.jpg"])
    with pytest.raises(SystemExit) as end:
        main.run()
    said = capsys.readouterr().err
    assert end.value.code == 2
    assert said.startswith("lensbench: got unexpected extra argument")
    assert said.count("\n") == 1
    assert "\x1b" not in said
    assert "\u202e" not in said


def test_a_programming_error_is_not_hidden(monkeypatch, capsys):
    monkeypatch.setattr(main, "_narrowed", lambda _words: 1 // 0)
    with pytest.raises(ZeroDivisionError):
        main.run()


def test_signs_that_the_terminal_lacks_do_not_end_the_program():
    done = subprocess.run(
        [sys.executable, "-c", "from lensbench.cli.main import run; run()", "library", "--help"],
        cwd=ROOT, capture_output=True, timeout=60, check=False, env={"PYTHONIOENCODING": "ascii"},
    )  # fmt: skip
    assert done.returncode == 0
    assert done.stdout.startswith(b"Usage: ")


def test_links_in_a_circle_are_one_sentence(monkeypatch, tmp_path, capsys):
    (tmp_path / "loop").symlink_to("loop")
    monkeypatch.setattr(sys, "argv", ["lensbench", "sweep", str(tmp_path / "loop")])
    with pytest.raises(SystemExit) as end:
        main.run()
    assert end.value.code == 1
    assert capsys.readouterr().err.count("\n") == 1


def test_a_path_that_is_not_there_is_no_shot_to_repeat_and_a_folder_no_table(tmp_path):
    for words, says in (
        (("check", tmp_path / "nosuch"), "there is no such photograph or folder"),
        (("sweep", tmp_path, "--shots", tmp_path), "is a folder; name the table in it"),
        (("chart", "--out", tmp_path / "wall"), "give a name that ends in .pdf"),
    ):
        (tmp_path / "shot.dng").write_bytes(b"no photograph")
        done = CliRunner().invoke(main.app, list(map(str, words)))
        assert done.exit_code != 0
        assert says in str(done.exception)


@pytest.mark.parametrize("name", [info.name for info in main.app.registered_commands])
def test_a_command_made_ready_alone_is_the_same(monkeypatch, capsys, name):
    monkeypatch.setattr(sys, "argv", ["lensbench", name, "--help"])
    with pytest.raises(SystemExit) as end:
        main.run()
    among_all = CliRunner().invoke(main.app, [name, "--help"], prog_name="lensbench")
    assert end.value.code == 0
    alone, among = ("".join(shown.split()) for shown in (capsys.readouterr().out, among_all.stdout))
    assert alone == among  # whatever the width of the lines
