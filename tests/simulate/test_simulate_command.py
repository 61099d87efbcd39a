"""The command: options in, files and truth out."""

import json

import pytest
import rawpy
import typer
from typer.testing import CliRunner

from lensbench.cli.options import command
from lensbench.cli.simulate import simulate
from lensbench.model.errors import SettingError
from lensbench.simulate import demo_jobs
from lensbench.simulate.lenses import MISFOCUSED, PRIME_FOLDER, ZOOM_FOLDER

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
        ("--size", "300", "--size: «300» is not two sides: write ROWSxCOLS"),
        ("--tilt", "1,2", "--tilt: «1,2» is another count: write 3 numbers"),
        ("--tilt", "1,nan,0", "--tilt: «nan» is not a number"),
        ("--stops", "wide", "--stops: «wide» is not a number: write 2.8"),
        ("--lens", "nobody", "fennel, sorrel, tansy"),
    ],
)
def test_a_wrong_value_is_named(tmp_path, option, value, words):
    with pytest.raises(SettingError, match=words):
        run("--out", tmp_path, option, value)


def test_the_demonstration_is_two_lenses_with_one_spoiled_frame(tmp_path):
    jobs = demo_jobs(tmp_path)
    folders = [job.path.parent.name for job in jobs]
    assert (folders.count(ZOOM_FOLDER), folders.count(PRIME_FOLDER)) == (36, 12)
    spoiled = [job for job in jobs if job.shot.condition]
    assert [(job.path.name, job.path.parent.name) for job in spoiled] == [(MISFOCUSED, ZOOM_FOLDER)]
    assert (spoiled[0].shot.focal_length_mm, spoiled[0].shot.f_number) == (70.0, 4.0)
    assert max(abs(job.shot.focus_error_um) for job in jobs if job not in spoiled) < 12.0
