"""The print measured and divided out: simulated prints whose blur is known, and a scan written by hand."""

import json
import re
from dataclasses import replace
from math import pi, sqrt

import numpy as np
import pytest
import tifffile
from scipy.special import ndtr
from typer.testing import CliRunner

from lensbench import simulate
from lensbench.capture.print_profile import (
    keep_profile,
    kept_profile,
    profile_from_distances,
    profile_from_scan,
    profile_path,
)
from lensbench.chart.layout.sheet import sheet
from lensbench.cli.main import app
from lensbench.edge import measure_edge
from lensbench.model.errors import EdgeError, SettingError
from lensbench.model.shot import Box, PrintProfile, Samples
from lensbench.shot import MeasureOptions, measure_shot
from lensbench.shot.corrections import print_mtf

FAR_MM = 3700.0
A3 = sheet("A3")
LAYOUT = replace(A3, targets=A3.targets[::2])


def photographed(folder, *, sigma_mm, distance_mm=None, seed=3):
    """One A3 sheet by an invented lens; gives the file and the true MTF50 by target and place, print left out."""
    scene = simulate.Scene(
        layout=LAYOUT,
        lens=simulate.prime("Invented 35", simulate.ZoomPosition(focal_length_mm=35)),
        camera=simulate.Camera(rows=928, cols=1392, pitch_um=5.0),
        pose=simulate.Pose(distance_mm=distance_mm, yaw_deg=1.0),
        print_sigma_mm=sigma_mm,
    )
    plan = simulate.Plan(focal_lengths_mm=[35.0], f_numbers=[5.6], repeats=1, seed=seed)
    jobs = simulate.series(scene, folder, plan=plan)
    simulate.shoot(jobs, workers=1, seed=seed, truth_channels=())
    return jobs[0].path


def inner_of(shot):
    return shot.summary["inner"]


@pytest.fixture(scope="module")
def prints(tmp_path_factory):
    """By print sigma: photographs from near and far."""
    folder = tmp_path_factory.mktemp("prints")
    return {
        sigma: [
            photographed(folder / f"{sigma}-{place}", sigma_mm=sigma, distance_mm=distance, seed=seed)
            for place, distance, seed in (("near", None, 3), ("far", FAR_MM, 4))
        ]
        for sigma in (0.0, 0.05, 0.1, 0.2)
    }


@pytest.fixture(scope="module")
def seen(prints):
    """By print sigma: what is measured in each, the print left in."""
    return {sigma: [measure_shot(path) for path in paths] for sigma, paths in prints.items()}


@pytest.fixture(scope="module")
def without_print(seen):
    """What an ideal print gives, near and far: the truth that division must bring back."""
    return [inner_of(shot).mtf50_cypx for shot in seen[0.0]]


@pytest.mark.parametrize("sigma", [0.05, 0.1, 0.2])
def test_two_distances_tell_the_print_and_division_brings_the_lens_back(prints, seen, without_print, sigma):
    """The simulated sigma is the truth; 2 % or the stated interval, figures refused where 30 % are taken."""
    shots = seen[sigma]
    profile = profile_from_distances(shots, name="simulated")
    assert profile.edge_sigma_mm == pytest.approx(sigma, abs=2.0 * profile.edge_sigma_sd_mm)
    assert profile.edge_sigma_sd_mm < 0.2 * sigma
    for path, shot, truth in zip(prints[sigma], shots, without_print, strict=True):
        freed = measure_shot(path, MeasureOptions(print_profile=profile))
        scale = 1000.0 * shot.magnification / 5.0
        left = np.exp(-2.0 * (pi * sigma * scale * truth) ** 2)
        figure = inner_of(freed)
        flags = {remark.flag for remark in freed.quality}
        assert "print_divided" in flags
        if left < 0.65:
            assert np.isnan(figure.mtf50_cypx)
            assert "print_too_soft" in flags
            bearing = [edge for edge in freed.edges if "print_limits" in {r.flag for r in edge.edge.flags}]
            assert len(bearing) == sum(edge.edge.measured for edge in shot.edges)
        if left > 0.75:
            low, high = figure.ci95_cypx
            assert figure.mtf50_cypx == pytest.approx(truth, rel=0.02) or low <= truth <= high
            assert figure.mtf50_cypx > 1.02 * inner_of(shot).mtf50_cypx or left > 0.97


def test_the_doubt_about_the_print_widens_every_figure(prints, seen):
    shots = seen[0.05]
    profile = profile_from_distances(shots, name="simulated")
    vague = replace(profile, mtf_sd=profile.mtf_sd * 3.0)
    widths = []
    for used in (profile, vague):
        low, high = inner_of(measure_shot(prints[0.05][1], MeasureOptions(print_profile=used))).ci95_cypx
        widths.append(high - low)
    assert widths[1] > widths[0]


def test_without_a_profile_a_typical_print_is_told(seen):
    """0.1 mm from 10 to 90 % is a sigma of 0.039 mm; pixels a millimetre are m / p."""
    shot = seen[0.0][0]
    (said,) = [remark for remark in shot.quality if remark.flag == "print_limits"]
    sigma_px = 0.1 / 2.5631 * 1000.0 * shot.magnification / 5.0
    assert f"sigma {sigma_px:.2f} px" in said.seen
    assert said.severity == "info"


def test_an_ideal_print_shows_no_blur(seen):
    with pytest.raises(EdgeError, match="does not show"):
        profile_from_distances(seen[0.0], name="ideal")


def test_distances_too_alike_or_other_stops_are_refused(seen):
    near, far = seen[0.05]
    with pytest.raises(SettingError, match=r"at least 1\.4 times as far"):
        profile_from_distances([near, near], name="x")
    other = replace(far, metadata=replace(far.metadata, f_number=8.0))
    with pytest.raises(SettingError, match="differ in f_number"):
        profile_from_distances([near, other], name="x")
    with pytest.raises(SettingError, match="scale is unknown"):
        profile_from_distances([near, replace(far, magnification=None)], name="x")


def scanned(angle_deg, *, sigma_px, size=(240, 160), noise=0.002):
    """A scanned edge: a Gaussian print seen by a square pixel; the closed form of both, by differences of ndtr."""
    rows, cols = np.mgrid[: size[0], : size[1]] - (np.array(size) - 1.0)[:, None, None] / 2.0
    angle = np.radians(angle_deg)
    distance = cols * np.cos(angle) + rows * np.sin(angle)
    # A pixel at a small angle is a box of its own width; 1/12 of its square is the variance that it adds.
    total = sqrt(sigma_px**2 + 1.0 / 12.0)
    edge = 0.1 + 0.6 * ndtr(distance / total)
    values = edge + np.random.default_rng(7).normal(0.0, noise, size)
    return Samples(
        box=Box(top=0, left=0, height=size[0], width=size[1]),
        channel="grey",
        values=values,
        present=np.ones(size, bool),
        clipped=np.zeros(size, bool),
    )


@pytest.mark.parametrize(("sigma_mm", "dpi"), [(0.05, 1200), (0.1, 1200), (0.2, 600)])
def test_a_scan_tells_the_print_within_its_stated_doubt(sigma_mm, dpi):
    """Sigma in scanner pixels is sigma_mm dpi / 25.4; the scanner of this test has a pixel and no other blur."""
    edges = [
        measure_edge(scanned(angle, sigma_px=sigma_mm * dpi / 25.4)) for angle in (5.0, -7.0, 9.0, -12.0)
    ]
    profile = profile_from_scan(edges, dpi=dpi, name="scan")
    assert profile.edge_sigma_mm == pytest.approx(sigma_mm, abs=2.0 * profile.edge_sigma_sd_mm)
    assert profile.edge_sigma_sd_mm < 0.06 * sigma_mm
    frequency = np.linspace(0.0, 0.15 / sigma_mm, 20)
    mtf, sd = print_mtf(profile, frequency)
    assert np.abs(mtf - np.exp(-2.0 * (pi * sigma_mm * frequency) ** 2)) == pytest.approx(0, abs=0.03)
    assert (sd[1:] > 0.0).all()


def test_a_scan_too_coarse_or_without_edges_is_refused():
    edge = measure_edge(scanned(5.0, sigma_px=0.05))
    with pytest.raises(EdgeError, match="too coarse"):
        profile_from_scan([edge], dpi=300, name="x")
    with pytest.raises(EdgeError, match="no edge of the scan"):
        profile_from_scan([], dpi=1200, name="x")
    with pytest.raises(SettingError, match="give 300"):
        profile_from_scan([edge], dpi=72, name="x")


def gaussian_profile(sigma_mm=0.05):
    frequency = np.linspace(0.0, 5.0, 50)
    mtf = np.exp(-2.0 * (pi * sigma_mm * frequency) ** 2)
    return PrintProfile(
        name="mine",
        edge_sigma_mm=sigma_mm,
        edge_sigma_sd_mm=0.002,
        frequency_cymm=frequency,
        mtf=mtf,
        mtf_sd=0.01 * frequency,
        made_from="a formula",
    )


def test_profiles_are_kept_by_name_and_by_file(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setattr("sys.platform", "linux")
    kept = keep_profile(gaussian_profile(), "hall laser")
    assert kept == tmp_path / "data" / "lensbench" / "prints" / "hall laser.json"
    again = kept_profile("hall laser")
    assert again.edge_sigma_mm == 0.05
    assert again.mtf == pytest.approx(gaussian_profile().mtf, abs=1e-6)
    with pytest.raises(SettingError, match=r"no print profile 'other' \(there are: hall laser\)"):
        kept_profile("other")
    own = tmp_path / "own.json"
    keep_profile(gaussian_profile(), str(own))
    assert kept_profile(str(own)).made_from == "a formula"
    with pytest.raises(SettingError, match="use letters"):
        profile_path("../up")


@pytest.mark.parametrize(
    "change",
    [
        {"mtf": [1.0, float("nan"), 0.5]},
        {"mtf": [1.0]},
        {"frequency_cymm": [0.0, 2.0, 1.0]},
        {"edge_sigma_mm": -1.0},
        {"mtf_sd": "soft"},
    ],
)
def test_a_damaged_profile_is_refused_in_one_sentence(tmp_path, change):
    plain = {
        "name": "x",
        "edge_sigma_mm": 0.05,
        "edge_sigma_sd_mm": 0.001,
        "made_from": "y",
        "frequency_cymm": [0.0, 1.0, 2.0],
        "mtf": [1.0, 0.9, 0.7],
        "mtf_sd": [0.0, 0.1, 0.1],
    }
    path = tmp_path / "bad.json"
    path.write_text(json.dumps(plain | change))
    with pytest.raises(SettingError, match="is no print profile"):
        kept_profile(str(path))
    path.write_text("{")
    with pytest.raises(SettingError, match="cannot be read"):
        kept_profile(str(path))


def test_the_commands_make_keep_and_use_a_profile(tmp_path, prints):
    runner, profile = CliRunner(), str(tmp_path / "p.json")
    near, far = map(str, prints[0.05])
    made = runner.invoke(app, ["measure", near, "--far", far, "--keep-print", profile])
    assert made.exit_code == 0
    told = re.search(r"own edges: sigma (0\.\d+) ± (0\.\d+) mm", made.stdout)
    assert float(told[1]) == pytest.approx(0.05, abs=float(told[2]))
    used = runner.invoke(app, ["measure", far, "--print-profile", profile, "--json"])
    assert json.loads(used.stdout)["summary"]["inner"]["mtf50_cypx"] > 0.3
    soft = keep_profile(gaussian_profile(0.3), str(tmp_path / "soft.json"))
    refused = runner.invoke(app, ["measure", near, "--print-profile", str(soft)])
    assert refused.exit_code == 1
    assert "no figure can be given" in refused.stdout
    alone = runner.invoke(app, ["measure", near, "--keep-print", profile])
    assert isinstance(alone.exception, SettingError)


def test_the_command_reads_a_scan(tmp_path):
    scan = tmp_path / "scan.tif"
    tifffile.imwrite(scan, np.rint(scanned(6.0, sigma_px=4.7).values.clip(0, 1) * 65535).astype(np.uint16))
    keep = str(tmp_path / "p.json")
    command = ["edge", str(scan), "--roi", "0,0,240,160", "--encoding", "linear", "--dpi", "1200"]
    made = CliRunner().invoke(app, [*command, "--keep-print", keep])
    assert made.exit_code == 0
    assert kept_profile(keep).edge_sigma_mm == pytest.approx(4.7 * 25.4 / 1200, rel=0.03)
    assert " mm), SNR" in made.stdout
    missing = CliRunner().invoke(app, ["edge", str(scan), "--keep-print", keep])
    assert isinstance(missing.exception, SettingError)


@pytest.mark.parametrize("how", ["link", "protected"])
def test_a_profile_goes_over_no_link_and_no_protected_file(tmp_path, how):
    own = keep_profile(gaussian_profile(), str(tmp_path / "own.json"))
    place = tmp_path / "place.json"
    if how == "link":
        place.symlink_to(own)
    else:
        place = own
        place.chmod(0o444)
    before = own.read_bytes()
    with pytest.raises(SettingError, match="is a link or write-protected"):
        keep_profile(gaussian_profile(0.3), str(place))
    assert own.read_bytes() == before
    assert place.is_symlink() == (how == "link")
