"""The command: options in, files and truth out."""

import json

import numpy as np
import pytest
import rawpy
import typer
from typer.testing import CliRunner

from lensbench.chart.layout import sheet
from lensbench.cli.options import command
from lensbench.cli.simulate import simulate
from lensbench.model.errors import SettingError
from lensbench.simulate import INVENTED_LENSES, PRIME_FOLDER, ZOOM_FOLDER, Plan, Scene, demo_jobs, series

APP = typer.Typer()
APP.command()(command(simulate))


def run(*words):
    return CliRunner().invoke(APP, [str(word) for word in words], catch_exceptions=False)


def test_photographs_of_a_sheet(tmp_path):
    done = run(
        "--out", tmp_path, "--lens", "fennel", "--focal-lengths", "70", "--stops", "4", "--repeats", 1,
        "--paper", "A4", "--size", "300x450", "--tilt", "0.5,-1,2", "--cfa", "xtrans",
    )  # fmt: skip
    assert done.exit_code == 0
    assert "1 photographs of sheet A4 through Fennel" in done.stdout
    photo = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))["photos"][0]
    assert photo["settings"]["tilt_deg"] == {"pitch": 0.5, "yaw": -1.0, "roll": 2.0}
    assert photo["settings"]["focal_length_mm"] == 70.0
    assert {edge["channel"] for edge in photo["edges"]} == {"red", "green", "blue"}
    with rawpy.imread(str(tmp_path / photo["file"])) as raw:
        assert raw.raw_pattern.shape == (6, 6)
        assert raw.raw_image_visible.shape == (300, 450)


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--size", "300", "--size: «300» is not two sides: write both sides in pixels, such as 4000x6000"),
        ("--tilt", "1,2", "--tilt: «1,2» is another count: write 3 numbers"),
        ("--tilt", "0,-2,5,0", "--tilt: «0,-2,5,0» can be read in two ways"),
        ("--tilt", "1,nan,0", "--tilt: «nan» is not a number"),
        ("--stops", "wide", "--stops: «wide» is not a number: write 2.8"),
        ("--lens", "nobody", "fennel, sorrel, tansy"),
    ],
)
def test_a_wrong_value_is_named(tmp_path, option, value, words):
    with pytest.raises(SettingError, match=words):
        run("--out", tmp_path, option, value)


def test_the_demonstration_is_two_lenses_on_a_real_afternoon(tmp_path):
    jobs = demo_jobs(tmp_path)
    folders = [job.path.parent.name for job in jobs]
    assert (folders.count(ZOOM_FOLDER), folders.count(PRIME_FOLDER)) == (54, 18)
    spoiled = {job.shot.condition: job for job in jobs if job.shot.condition}
    assert sorted(spoiled) == ["misfocused", "shaken"]
    settings = {
        kind: (job.path.parent.name, job.shot.focal_length_mm, job.shot.f_number)
        for kind, job in spoiled.items()
    }
    assert settings == {"misfocused": (ZOOM_FOLDER, 70.0, 4.0), "shaken": (PRIME_FOLDER, 35.0, 11.0)}
    assert [job for job in jobs if job.shot.motion_um != (0.0, 0.0)] == [spoiled["shaken"]]
    decentred = {job.scene.lens.name: job.scene.lens.positions[0].decentring != (0.0, 0.0) for job in jobs}
    assert sorted(decentred.values()) == [False, True]


def test_focus_errors_have_the_tails_of_students_distribution(tmp_path):
    plan = Plan(
        focal_lengths_mm=(35.0,),
        f_numbers=(8.0,),
        repeats=4000,
        focus_spread_um=6.0,
        focus_tail_dof=3.0,
        seed=3,
    )
    scene = Scene(layout=sheet("A3"), lens=INVENTED_LENSES["sorrel"])
    errors_um = np.abs([job.shot.focus_error_um for job in series(scene, tmp_path, plan=plan)])
    # Student's distribution with 3 degrees of freedom, any table: 5 % beyond 3.182, 1 % beyond 5.841 scales.
    # Tolerances: four standard errors of a share of 4000 draws.
    assert np.mean(errors_um > 3.182 * 6.0) == pytest.approx(0.05, abs=0.0138)
    assert np.mean(errors_um > 5.841 * 6.0) == pytest.approx(0.01, abs=0.0063)
