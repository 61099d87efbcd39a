"""What `check` rejects beside the camera, `sweep` leaves out at home, and nothing else: over a folder of made shots."""

import csv
import shutil
from dataclasses import replace

import pytest
from PIL import Image
from typer.testing import CliRunner

from lensbench import simulate
from lensbench.chart.layout.sheet import sheet
from lensbench.cli.main import app
from lensbench.sweep.decide import sweep
from lensbench.sweep.gather import gather
from lensbench.sweep.run import Running

LENS = simulate.prime(
    "Invented 35", simulate.ZoomPosition(focal_length_mm=35, open_um=7.0), widest_f_number=2.8
)
"""Soft wide open."""
WANTED_OUT = {"01.dng", "04.dng", "07.dng"}
"""What the photographer did wrong beyond use: out of focus, overexposed, no photograph."""


SHEET = sheet("A3")
SCENE = simulate.Scene(
    layout=replace(SHEET, targets=SHEET.targets[::4]),
    lens=LENS,
    camera=simulate.Camera(rows=640, cols=960, pitch_um=8.0),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A few shots at three stops, with what goes wrong in a first hour."""
    path, scene = tmp_path_factory.mktemp("card"), SCENE
    askew = replace(scene, pose=simulate.Pose(yaw_deg=5.0))
    shots = [
        *((scene, {"f_number": 2.8, "focus_error_um": error_um}) for error_um in (110.0, 0.0, 3.0)),
        (scene, {"f_number": 5.6, "paper_level": 1.3}),
        (scene, {"f_number": 5.6, "motion_um": (10.0, 0.0), "shutter_s": 1 / 15}),
        (askew, {"f_number": 2.8}),
    ]
    jobs = [
        simulate.Job(
            scene=seen,
            shot=simulate.Shot(focal_length_mm=35.0, seed=number, **shot),
            path=path / f"{number:02d}.dng",
        )
        for number, (seen, shot) in enumerate(shots, start=1)
    ]
    simulate.shoot(jobs, truth_channels=())
    (path / "truth.json").unlink()
    (path / "07.dng").write_bytes(b"no photograph")
    return path


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    """Four shots at f/2.8 and two at f/5.6 are wanted."""
    path = tmp_path_factory.mktemp("plan") / "shots.csv"
    path.write_text("file,f_number\n" + ",2.8\n" * 4 + ",5.6\n" * 2)
    return path


@pytest.fixture(scope="module")
def checked(folder, plan):
    done = CliRunner().invoke(app, ["check", str(folder), "--plan", str(plan), "--fill"])
    assert done.exit_code == 0, done.output
    return done.stdout


def test_check_and_sweep_use_the_same_photographs(folder, checked):
    # What is said last of a photograph counts: a sharper repeat may come later.
    lines = [line.split() for line in checked.splitlines() if ".dng" in line]
    verdicts = {name.rstrip(":"): word for word, name, *_ in lines}
    swept = sweep([folder], running=Running(in_process=True)).shots
    assert {name for name, word in verdicts.items() if word == "usable"} == {
        shot.planned.path.name for shot in swept if shot.used
    }
    assert {name for name, word in verdicts.items() if word == "REPEAT"} == WANTED_OUT
    assert "4 of 7 usable" in checked


def test_what_sweep_uses_with_a_warning_is_better_repeated(checked):
    told = {line.split()[1]: line for line in checked.splitlines() if ".dng" in line}
    assert "better repeat: 1/15 s: vertical shake" in told["05.dng"]
    assert "better repeat: turn the camera 5.0 degrees to the left" in told["06.dng"]
    assert "out of focus" not in told["02.dng"]


def test_the_first_frame_is_taken_back_once_a_sharper_one_is_there(checked):
    first, second = [line for line in checked.splitlines() if " 01.dng" in line]
    assert first.startswith("usable")
    assert second.startswith("REPEAT  01.dng (f/2.8, 35 mm, 1/125 s): out of focus:")


def test_the_filled_plan_names_what_counts(checked, plan):
    with plan.open(newline="") as file:
        named = [row["file"] for row in csv.DictReader(file) if row["file"]]
    assert sorted(named) == ["02.dng", "03.dng", "05.dng", "06.dng"]
    assert "Plan: 4 of 6 shots are there." in checked


@pytest.fixture
def stripped(folder, tmp_path):
    """A picture that a messenger took the metadata from, a raw file with its picture beside it, and a copy."""
    path = tmp_path / "sent"
    path.mkdir()
    made = simulate.Job(
        scene=SCENE,
        shot=simulate.Shot(focal_length_mm=35.0, f_number=5.6, seed=9),
        path=tmp_path / "made.jpg",
        processing=simulate.Processing(format="jpeg"),
    )
    simulate.shoot([made], truth_channels=())
    Image.open(made.path).save(path / "sent.jpg", quality=95)
    shutil.copy(folder / "02.dng", path / "both.dng")
    shutil.copy(folder / "02.dng", path / "copy.dng")
    (path / "BOTH.JPG").write_bytes(b"beside the raw file")
    return path


def test_what_sweep_cannot_use_without_a_table_is_not_usable_to_check(stripped, tmp_path):
    """And of copies, and of a raw file and its picture, both count the same one."""
    done = CliRunner().invoke(app, ["check", str(stripped)])
    assert "NO STOP  sent.jpg: the file names no f-number: write it into a table" in done.stdout
    assert "1 of 2 usable; 1 once a table names their f-number" in done.stdout
    assert "left out: a copy of both.dng" in done.stderr
    planned = {shot.path.name: shot.left_out for shot in gather([stripped])}
    assert [name for name, left_out in planned.items() if not left_out] == ["both.dng"]
    assert "f-number is unknown" in planned["sent.jpg"]

    table = tmp_path / "shots.csv"
    table.write_text("file,f_number\nsent.jpg,1.8\n")
    known = CliRunner().invoke(app, ["check", str(stripped), "--plan", str(table)])
    assert "usable  sent.jpg (f/1.8)" in known.stdout
    used = {shot.path.name for shot in gather([stripped], table) if not shot.left_out}
    assert used == {"both.dng", "sent.jpg"}


def test_several_files_are_checked_as_their_folder_is(folder, checked):
    names = [str(folder / f"{number:02d}.dng") for number in (7, 1, 2, 3)]
    done = CliRunner().invoke(app, ["check", *names, names[1]])
    lines = done.stdout.splitlines()
    assert [line.split()[1].rstrip(":") for line in lines[:-2]] == [
        "07.dng",
        "01.dng",
        "02.dng",
        "01.dng",
        "03.dng",
    ]
    assert lines[-2] == "2 of 4 usable"
    assert lines[-1].startswith("A quick look")
    assert {line for line in lines if "01.dng" in line} == {
        line for line in checked.splitlines() if " 01.dng" in line
    }
