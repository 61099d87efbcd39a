"""An effect from end to end: simulated photographs with a known filter and known shake, measured by the command."""

import csv
import json
from dataclasses import replace

import numpy as np
import pytest
from schema_check import following
from typer.testing import CliRunner

from lensbench.chart.layout.sheet import sheet
from lensbench.cli.main import app
from lensbench.simulate import INVENTED_LENSES, Camera, Plan, Scene, series, shoot

pytestmark = pytest.mark.usefixtures("no_pictures")

CONDITIONS = ("clear", "filter", "shaken")
MOTION_UM, FILTER_UM = 7.0, 1.5


@pytest.fixture(scope="module")
def shots(tmp_path_factory):
    """Six shots by turns: clear, through a soft filter, shaken downwards."""
    folder = tmp_path_factory.mktemp("effect")
    scene = Scene(
        layout=sheet("A3"),
        lens=INVENTED_LENSES["sorrel"],
        camera=Camera(rows=760, cols=1140, pitch_um=6.0, cfa="mono"),
    )
    plan = Plan(focal_lengths_mm=[35.0], f_numbers=[5.6], repeats=6, focus_spread_um=1.0, seed=3)
    jobs = [
        replace(
            job,
            shot=replace(
                job.shot,
                condition=(kind := CONDITIONS[number % 3]),
                filter_um=FILTER_UM if kind == "filter" else 0.0,
                motion_um=(MOTION_UM if kind == "shaken" else 0.0, 0.0),
                shutter_s=0.1 if kind == "shaken" else 0.01,
            ),
        )
        for number, job in enumerate(series(scene, folder / "shots", plan=plan))
    ]
    shoot(jobs, truth_channels=("grey",))
    with (folder / "conditions.csv").open("w", newline="") as table:
        rows = csv.writer(table)
        rows.writerow(["file", "condition"])
        rows.writerows([job.path.name, job.shot.condition] for job in jobs)
    return folder


def true_mtf50(folder):
    """Mean of the true MTF50 over every edge, by condition."""
    told = json.loads((folder / "shots" / "truth.json").read_text(encoding="utf-8"))["photos"]
    return {
        kind: np.mean(
            [
                edge["mtf50_cypx"]
                for one in told
                if one["settings"]["condition"] == kind
                for edge in one["edges"]
            ]
        )
        for kind in CONDITIONS
    }


def test_the_command_finds_what_the_simulator_did(shots, tmp_path):
    out = tmp_path / "report"
    table = ["--shots", str(shots / "conditions.csv"), "--out", str(out), "--workers", "1"]
    shown = CliRunner().invoke(app, ["effect", str(shots / "shots"), "--by", "condition", *table, "--json"])
    assert shown.exit_code == 0, shown.stderr
    told = following("effect", json.loads(shown.stdout))
    frame = {one["level"]: one for one in told["rows"] if (one["figure"], one["zone"]) == ("mtf50", "frame")}
    truth = true_mtf50(shots)
    for kind in ("filter", "shaken"):
        # The frame's figure weighs thirds of the picture alike, the truth here edges: 1.5 points allowed for that.
        true_percent = 100.0 * (truth[kind] / truth["clear"] - 1.0)
        assert frame[kind]["difference"] == pytest.approx(true_percent, abs=1.5)
        assert frame[kind]["ci95"][1] < 0.0
    assert {path.name for path in out.iterdir()} >= {"report.html", "report.pdf", "effect.json", "effect.csv"}


def test_a_report_among_the_shots_is_refused(shots):
    shown = CliRunner().invoke(
        app, ["effect", str(shots / "shots"), "--by", "condition", "--out", str(shots / "shots" / "report")]
    )
    assert "never written to" in str(shown.exception)
