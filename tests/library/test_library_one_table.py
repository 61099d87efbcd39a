"""One table of shots: sweep, library and comparison give one figure and one interval for one lens, however shot."""

import dataclasses
import json
import math
import shutil

import pytest
from invented_shots import shoot, shoot_brackets
from scipy import stats
from typer.testing import CliRunner

from lensbench.cli.main import app
from lensbench.compare.compare import compare
from lensbench.model.compare import Caution, Verdict
from lensbench.report.out.write import write_sweep
from lensbench.stats.scatter import shot_spread
from lensbench.sweep.countable import measured_lenses, zone_series
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject

pytestmark = pytest.mark.usefixtures("no_pictures")

CURVE = {2.8: 0.22, 4.0: 0.28, 5.6: 0.30, 8.0: 0.275, 11.0: 0.225, 16.0: 0.165}
UNKNOWN = None

CASES = {
    "repeats": lambda: shoot(CURVE, seed=8, sd=0.02),
    "uneven repeats": lambda: shoot(CURVE, seed=1, sd=0.02),
    "brackets": lambda: shoot_brackets(CURVE, seed=2),
    "two brackets": lambda: shoot_brackets(CURVE, seed=3, groups=2),
    "one shot": lambda: shoot(CURVE, seed=4, repeats=1),
    "unknown focal length": lambda: shoot(CURVE, seed=5, sd=0.02, focal_mm=UNKNOWN),
    "brackets, unknown focal length": lambda: shoot_brackets(CURVE, seed=6, focal_mm=UNKNOWN),
}


@pytest.fixture(scope="module", params=CASES)
def swept(request, tmp_path_factory):
    """The sweep's findings, read from its folder, beside that folder and a copy of it."""
    folder = tmp_path_factory.mktemp("one") / "report"
    shots = reject(CASES[request.param]())
    write_sweep(find(shots), shots, folder)
    shutil.copytree(folder, folder.parent / "copy")
    (lens,) = json.loads((folder / "findings.json").read_text(encoding="utf-8"))["lenses"]
    return lens, folder, folder.parent / "copy"


def points_of(lens):
    """(focal length, f-number, zone) -> the findings' point."""
    return {
        (focal["focal_length_mm"], point["f_number"], point["zone"]): point
        for focal in lens["by_focal_length"]
        for point in focal["curve"]
    }


def five_digits(value):
    return pytest.approx(value, rel=1e-5)


def test_the_library_tells_the_sweeps_figures_and_intervals(swept):
    lens, folder, _ = swept
    place = folder.parent / "library.sqlite"
    for words in (("add", folder), ("show", "Fennel", "--json")):
        done = CliRunner().invoke(app, ["library", *map(str, words), "--library", str(place)])
        assert done.exit_code == 0, done.output
    (kept,) = json.loads(done.stdout)["lenses"]
    points = points_of(lens)
    assert len(kept["curve"]) == len(points) == 4 * len(CURVE)
    for told in kept["curve"]:
        own = points[told["focal_length_mm"], told["f_number"], told["zone"]]
        assert told["mtf50_cypx"] == five_digits(own["mtf50_cypx"])
        assert told["ci95_cypx"] == five_digits(own["ci95_cypx"])
        assert told["shots"] == own["shots"]


def test_a_comparison_takes_the_sweeps_figures(swept):
    lens, folder, copy = swept
    points = points_of(lens)
    (pair,) = compare([folder, copy]).findings.pairs
    assert len(pair.rows) == len(points)
    for row in pair.rows:
        own = points[row.focal_length_mm, row.f_number, row.zone]
        assert (row.first, row.second) == five_digits((own["measured_cypx"],) * 2)
        assert row.first_shots == row.second_shots == own["shots"]
    assert pair.best_row.first == five_digits(lens["best"]["mtf50_cypx"])
    # The measured SFR is at hand, whatever is known of the focal length.
    assert Caution.STAND_IN_RESPONSE not in {caution.kind for caution in pair.cautions}


def test_an_interval_of_a_comparison_rests_on_the_sweeps_spread(swept, request):
    _, folder, copy = swept
    (pair,) = compare([folder, copy]).findings.pairs
    if "one shot" in request.node.name:
        assert all(math.isnan(row.ci95_percent[0]) for row in pair.rows)
        assert Caution.NO_REPEATS in {caution.kind for caution in pair.cautions}
        return
    assert Caution.NO_REPEATS not in {caution.kind for caution in pair.cautions}
    if "brackets" in request.node.name:
        # Peaks known to about 1 %: a lens is as sharp as its own copy, or at the least never called another.
        assert {row.verdict for row in pair.rows if row.zone == "frame"} <= {
            Verdict.EQUAL,
            Verdict.CANNOT_TELL,
        }
        return
    if "uneven" in request.node.name:
        # The spread grows towards wide stops, so it does not pool evenly; beside it stand 1.5 % for each setting-up.
        widths = [math.log1p(row.ci95_percent[1] / 100) for row in pair.rows if row.zone == "frame"]
        set_up = 1.96 * math.sqrt(2.0) * 0.015
        assert widths[0] ** 2 - set_up**2 > 1.2**2 * (widths[-1] ** 2 - set_up**2)
        return
    frame = {row.f_number: row for row in pair.rows if row.zone == "frame"}
    shots = reject(CASES[request.node.callspec.params["swept"]]())
    (kept,) = measured_lenses(find(shots), shots)
    ((settings, series),) = zone_series(kept.shots, "frame").values()
    spread = shot_spread([series], 4.0)  # held against brute force in tests/stats
    stops = [setting.f_number for setting in settings]
    scatter = dict(zip(stops, spread.variance_of_means(series), strict=True))
    for stop, row in frame.items():
        half = expected_half(scatter[stop], spread.shared_focus, stop, mtf50=row.first)
        assert row.ci95_percent == pytest.approx((100 * math.expm1(-half), 100 * math.expm1(half)), rel=1e-4)


def expected_half(scatter, shared_focus, stop, *, mtf50):
    """Closed form: the mean's variance, a set-up of 1.5 % as it is stated, and a focus that the frames may share.

    A focus error z of the stop costs L z^2, L = pi^2 / (16 ln 2) (MTF50 / (N p))^2 with pixels p of 4 um (the second
    moment of a disc against a Gaussian's MTF50); 4 um of it (sd), from 3 um off, as a curved field leaves the whole
    picture, by the chance that it is shared.
    """
    share = math.pi**2 / (16.0 * math.log(2.0)) * (mtf50 / (stop * 4.0)) ** 2
    focus = shared_focus * share**2 * (2.0 * 4.0**4 + 4.0 * 3.0**2 * 4.0**2)
    return stats.norm.ppf(0.975) * math.sqrt(2.0 * (scatter + focus + 0.015**2))


def framed(shot):
    chart = dataclasses.replace(shot.result.chart, framing_percent=80.0)
    return dataclasses.replace(shot, result=dataclasses.replace(shot.result, chart=chart))


def test_the_report_of_a_lens_without_a_focal_length_keeps_all_its_parts(tmp_path):
    # The chain's other links are above: its curve, its rows in a comparison, its place in the library.
    pages = {}
    for focal_mm in (35.0, UNKNOWN):
        shots = [framed(shot) for shot in reject(shoot(CURVE, seed=7, focal_mm=focal_mm))]
        write_sweep(find(shots), shots, tmp_path / str(focal_mm))
        pages[focal_mm] = (tmp_path / str(focal_mm) / "report.html").read_text(encoding="utf-8")
    for page in pages.values():
        assert "distortion at the corner" in page
        assert "nan mm" not in page
    assert pages[35.0].count("<h2") == pages[UNKNOWN].count("<h2")
