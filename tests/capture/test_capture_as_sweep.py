"""What `check` rejects beside the camera, `sweep` leaves out at home, and nothing else: over a folder of made shots."""

import csv
from dataclasses import replace

import pytest
from typer.testing import CliRunner

from lensbench import simulate
from lensbench.chart.layout.sheet import sheet
from lensbench.cli.main import app
from lensbench.sweep.decide import sweep
from lensbench.sweep.run import Running

LENS = simulate.prime(
    "Invented 35", simulate.ZoomPosition(focal_length_mm=35, open_um=7.0), widest_f_number=2.8
)
"""Soft wide open."""
WANTED_OUT = {"01.dng", "04.dng", "07.dng"}
"""What the photographer did wrong beyond use: out of focus, overexposed, no photograph."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A few shots at three stops, with what goes wrong in a first hour."""
    path = tmp_path_factory.mktemp("card")
    layout = sheet("A3")
    scene = simulate.Scene(
        layout=replace(layout, targets=layout.targets[::4]),
        lens=LENS,
        camera=simulate.Camera(rows=640, cols=960, pitch_um=8.0),
    )
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
    simulate.shoot(jobs, truth_channels=("green",))
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
