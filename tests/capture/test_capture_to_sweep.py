"""From the plan's table to the answer: four planned shots, swept by the order of the table, the print divided out."""

import shutil
from dataclasses import replace
from math import exp, pi

import numpy as np
import pytest
from commands import lensbench
from typer.testing import CliRunner

from lensbench import simulate
from lensbench.capture.print_profile import keep_profile
from lensbench.chart.layout.sheet import sheet
from lensbench.cli.main import app
from lensbench.model.shot import PrintProfile
from lensbench.shot import MeasureOptions
from lensbench.sweep.decide import sweep
from lensbench.sweep.run import Running

pytestmark = pytest.mark.usefixtures("no_pictures")

A3 = sheet("A3")
SIGMA_MM, SCALE = 0.05, 0.02
"""Of the print, and what its doubt is as a share."""


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    """A plan of two stops, twice each, and the photographs in its order, by a print with a sigma of 0.05 mm."""
    folder = tmp_path_factory.mktemp("shoot")
    options = [
        "--focal",
        "35",
        "--widest",
        "4",
        "--stops",
        "4,8",
        "--repeats",
        "2",
        "--no-bracket",
        "--lens",
        "Old 35",
    ]
    planned = CliRunner().invoke(app, ["plan", *options, "--out", str(folder / "plan"), "--paper", "A3"])
    assert planned.exit_code == 0
    scene = simulate.Scene(
        layout=replace(A3, targets=A3.targets[::2]),
        lens=simulate.prime("Invented 35", simulate.ZoomPosition(focal_length_mm=35), widest_f_number=4.0),
        camera=simulate.Camera(rows=928, cols=1392, pitch_um=5.0),
        print_sigma_mm=SIGMA_MM,
    )
    plan = simulate.Plan(focal_lengths_mm=[35.0], f_numbers=[4.0, 8.0], repeats=2, focus_spread_um=2.0)
    jobs = simulate.series(scene, folder / "photos", plan=plan)
    simulate.shoot(jobs, workers=1, truth_channels=())
    return folder


def gaussian_profile():
    frequency = np.linspace(0.0, 6.0, 200)
    mtf = np.exp(-2.0 * (pi * SIGMA_MM * frequency) ** 2)
    return PrintProfile(
        name="known",
        edge_sigma_mm=SIGMA_MM,
        edge_sigma_sd_mm=SCALE * SIGMA_MM,
        frequency_cymm=frequency,
        mtf=mtf,
        mtf_sd=mtf * 4.0 * (pi * SIGMA_MM * frequency) ** 2 * SCALE,
        made_from="the simulation",
    )


def swept(shoot, **settings):
    return sweep(
        [shoot / "photos"],
        shots_csv=shoot / "plan" / "shots.csv",
        running=Running(in_process=True),
        **settings,
    )


@pytest.fixture(scope="module")
def both(shoot, tmp_path_factory):
    """The same shoot with the print left in, then divided out; kept results lie in one place."""
    cache = tmp_path_factory.mktemp("cache")
    return swept(shoot, cache=cache), swept(
        shoot, cache=cache, options=MeasureOptions(print_profile=gaussian_profile())
    )


def test_the_planned_table_goes_to_sweep_and_the_print_comes_out(both):
    """A kept result is not taken for another print's: the second figure differs from the first."""
    plain, freed = both
    assert [shot.planned.setting.f_number for shot in plain.shots] == [4.0, 4.0, 8.0, 8.0]
    assert {shot.planned.lens for shot in plain.shots} == {"Old 35"}
    for with_print, without in zip(plain.shots, freed.shots, strict=True):
        before, after = (one.result.summary["frame"].mtf50_cypx for one in (with_print, without))
        # At the freed MTF50, what was measured is one half of what the print leaves there.
        pixels_per_mm = 1000.0 * without.result.magnification / 5.0
        left = exp(-2.0 * (pi * SIGMA_MM * pixels_per_mm * after) ** 2)
        assert 0.7 < left < 0.99
        assert after > 1.02 * before
    assert freed.findings.lenses[0].best is not None
    assert freed.rejected == ()


def test_the_command_takes_a_profile_by_file(shoot, tmp_path):
    """Of the first photograph and its row alone."""
    kept = keep_profile(gaussian_profile(), str(tmp_path / "known.json"))
    photos, table = tmp_path / "photos", tmp_path / "shots.csv"
    photos.mkdir()
    shutil.copy(min((shoot / "photos").glob("*.dng")), photos)
    table.write_text("".join((shoot / "plan" / "shots.csv").read_text().splitlines(keepends=True)[:2]))
    command = ["sweep", photos, "--shots", table, "--out", tmp_path / "result", "--print-profile", kept]
    done = lensbench(*command)
    assert done.returncode == 0, done.stderr
    assert "print_divided" in (tmp_path / "result" / "shots.csv").read_text(encoding="utf-8")
