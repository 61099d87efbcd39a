"""What every photographer knows, and simulated shoots must bring out. All of it: common practice, no source.

Figures come from the simulator's own transfer, which shares no code with the edge measurement; where a picture itself
matters (noise, sharpening) small ones are made and measured.
"""

import dataclasses
import math

import numpy as np
import pytest
from blurred_frames import frame, leaves, write_tiff
from effect_shots import shot

from lensbench import simulate
from lensbench.chart.layout.sheet import sheet
from lensbench.effect.effect import effect, find_effect, noise_percent
from lensbench.library.scene import Wanted, shake_mm
from lensbench.model.compare import EffectCaution
from lensbench.model.errors import SweepError
from lensbench.rank.rank import rank
from lensbench.shot import measure_shot
from lensbench.simulate.truth import true_edges
from lensbench.sweep.run import Running

CAMERA = simulate.Camera(rows=760, cols=1140, pitch_um=6.0, cfa="mono")
HANDS_RAD_S = 0.004
"""Angular rate of quiet hands, a normal draw a shot: no source, and only its being the same for all lenses counts."""


def prime(focal_mm):
    return simulate.prime("Bench", simulate.ZoomPosition(focal_length_mm=focal_mm), widest_f_number=2.8)


def true_mtf50(scene, focal_mm, **fields):
    """Mean of the true MTF50 over every edge of a simulated photograph."""
    told = simulate.Shot(focal_length_mm=focal_mm, f_number=5.6, **fields)
    edges = true_edges(scene.geometry(focal_mm), told, channels=("grey",))
    return float(np.mean([edge.mtf50_cypx for edge in edges]))


def scene_of(focal_mm):
    return simulate.Scene(layout=sheet("A3"), lens=prime(focal_mm), camera=CAMERA)


def blurred_curve(scene, focal_mm):
    """MTF50 against the length of the motion, to be read off shot by shot. [um]"""
    lengths_um = np.array([0.0, 3.0, 6.0, 12.0, 25.0, 50.0])
    levels = [true_mtf50(scene, focal_mm, motion_um=(0.7 * one, 0.7 * one)) for one in lengths_um]
    return lambda um: float(np.interp(um, lengths_um, levels))


def handheld(sharp, focal_mm, *, seed):
    """A shoot by hand: ten speeds a stop apart, eight shots at each."""
    random = np.random.default_rng(seed)
    times_s = np.tile(2.0 ** -np.arange(2.0, 12.0), 8).tolist()
    shots = [
        shot(number, sharp(1000.0 * focal_mm * HANDS_RAD_S * abs(random.normal()) * time), exposure_s=time)
        for number, time in enumerate(times_s)
    ]
    return find_effect(shots, by="exposure_s")


def test_the_longer_the_lens_the_shorter_the_time_that_hands_need():
    # Hands turn the camera at a rate that does not know the lens: blur is rate x focal length x time, so four times the
    # focal length asks for a quarter of the time.
    limits_stops = {}
    for focal_mm in (50.0, 200.0):
        sharp = blurred_curve(scene_of(focal_mm), focal_mm)
        found = [handheld(sharp, focal_mm, seed=seed) for seed in range(4)]
        assert all(math.isfinite(one.shutter.exposure_s) for one in found)
        limits_stops[focal_mm] = np.mean([math.log2(one.shutter.exposure_s) for one in found])
    # Two stops, to half of one: four shoots, each with a limit known to about half a stop.
    assert limits_stops[50.0] - limits_stops[200.0] == pytest.approx(2.0, abs=0.5)
    habits = [Wanted(focal_length_mm=one, near_m=5.0, far_m=8.0, handheld=True) for one in (50.0, 200.0)]
    assert shake_mm(habits[1], 0.01) == pytest.approx(4.0 * shake_mm(habits[0], 0.01))


def by_turns(conditions, levels, *, sd=0.004, seed=1):
    random = np.random.default_rng(seed)
    return [
        shot(number, levels[kind]() * math.exp(sd * random.normal()), condition=kind)
        for number, kind in enumerate(conditions, start=1)
    ]


def frame_row(findings):
    return next(row for row in findings.rows if (row.figure, row.zone) == ("mtf50", "frame"))


def test_a_good_clean_filter_costs_next_to_nothing_and_a_bad_one_shows():
    # A flat plate adds a tenth of a micrometre of blur at most; a greasy or bent one adds several.
    scene = scene_of(35.0)
    clear = true_mtf50(scene, 35.0)
    verdicts = {}
    for name, filter_um in (("good", 0.1), ("bad", 3.0)):
        through = true_mtf50(scene, 35.0, filter_um=filter_um)
        levels = {"without": lambda: clear, "with": lambda through=through: through}
        row = frame_row(find_effect(by_turns(["without", "with"] * 4, levels), by="condition"))
        assert row.ci95[0] <= 100.0 * (through / clear - 1.0) <= row.ci95[1]
        verdicts[name] = (row.verdict, row.difference)
    assert verdicts["good"][0] == "equal"
    assert abs(verdicts["good"][1]) < 1.0
    assert verdicts["bad"][0] == "visible"


def test_a_stabiliser_on_a_tripod_can_add_shake():
    # It hunts: each shot moves by a length of its own, while the locked camera stands still.
    scene = scene_of(35.0)
    sharp, random = blurred_curve(scene, 35.0), np.random.default_rng(2)
    levels = {"off": lambda: sharp(0.0), "on": lambda: sharp(12.0 * random.random())}
    findings = find_effect(by_turns(["off", "on"] * 10, levels), by="condition")
    row = frame_row(findings)
    true = 100.0 * (
        np.mean(np.log([sharp(12.0 * one) for one in np.linspace(0, 1, 50)])) - math.log(sharp(0.0))
    )
    assert row.ci95[1] < 0.0
    assert row.ci95[0] <= 100.0 * math.expm1(true / 100.0) <= row.ci95[1]
    uneven = [one for one in findings.cautions if one.kind == EffectCaution.UNEVEN_SCATTER]
    assert [one.names for one in uneven] == [("on", "off")]


@pytest.fixture(scope="module")
def noise(tmp_path_factory):
    """Noise on the paper by sensor and ISO, measured on small raw files."""
    folder = tmp_path_factory.mktemp("iso")
    # Pixels of 6 and of 2 um: a ninth of the area holds a ninth of the electrons; the lens is scaled with the sensor.
    cameras = {
        "large": (dataclasses.replace(CAMERA, electrons_at_white=81_000.0), 36.0),
        "small": (dataclasses.replace(CAMERA, electrons_at_white=9_000.0, pitch_um=2.0), 12.0),
    }
    jobs = [
        simulate.Job(
            scene=simulate.Scene(layout=sheet("A3"), lens=prime(focal_mm), camera=camera),
            shot=simulate.Shot(focal_length_mm=focal_mm, f_number=5.6, iso=iso, seed=iso),
            path=folder / f"{name}_{iso}.dng",
        )
        for name, (camera, focal_mm) in cameras.items()
        for iso in (100, 1600)
    ]
    simulate.shoot(jobs, truth_channels=())
    return {job.path.stem: noise_percent(measure_shot(job.path)) for job in jobs}


def test_iso_adds_noise_and_more_on_small_sensors(noise):
    # Photon noise: 4 stops of ISO make it four times as large, a ninth of the area three times (EMVA 1288, Janesick);
    # what the electronics add makes both a little more. Measured to 10 %.
    assert 3.6 <= noise["large_1600"] / noise["large_100"] <= 4.6
    assert 2.7 <= noise["small_100"] / noise["large_100"] <= 3.3
    assert noise["small_1600"] / noise["large_1600"] > 2.7


def test_over_sharpening_shows_as_overshoot_and_is_not_taken_for_resolution(tmp_path):
    scene = simulate.Scene(
        layout=sheet("A3"), lens=prime(35.0), camera=dataclasses.replace(CAMERA, cfa="rggb")
    )
    jobs = [
        simulate.Job(
            scene=scene,
            shot=simulate.Shot(
                focal_length_mm=35.0, f_number=5.6, seed=number, taken_at=f"2026-03-14T10:00:{number:02d}"
            ),
            path=tmp_path / ("crisp" if number % 2 else "plain") / f"{number}.jpg",
            processing=simulate.Processing(format="jpeg", sharpening=1.0 if number % 2 else 0.0),
        )
        for number in range(4)
    ]
    simulate.shoot(jobs, truth_channels=())
    findings = effect(tmp_path, by="condition", against="plain", running=Running(in_process=True)).findings
    rows = {row.figure: row for row in findings.rows if row.zone == "frame"}
    assert rows["mtf50"].difference > 5.0
    assert rows["overshoot"].verdict == "visible"
    assert rows["mtf50"].processed
    # The lens is the same: its optics alone set MTF50 of the unsharpened picture, to 8 % (tone curve and JPEG).
    plain = next(one.mtf50_cypx for one in findings.levels if one.level == "plain")
    edges = true_edges(scene.geometry(35.0), jobs[0].shot, channels=("green",))
    assert plain == pytest.approx(np.mean([edge.mtf50_cypx for edge in edges]), rel=0.08)


def test_ranking_needs_identical_frames(tmp_path):
    random = np.random.default_rng(3)
    light = leaves(400, seed=3, count=5000)
    first = write_tiff(tmp_path / "first.tif", frame(light, random=random, snr=50.0, sigma_px=1.0))
    softer = write_tiff(tmp_path / "softer.tif", frame(light, random=random, snr=50.0, sigma_px=1.2))
    nearer = write_tiff(tmp_path / "nearer.tif", frame(_enlarged(light, 1.3), random=random, snr=50.0))
    elsewhere = write_tiff(tmp_path / "elsewhere.tif", frame(light[::-1].T, random=random, snr=50.0))
    assert [one.photo.stem for one in rank([softer, first]).frames] == ["first", "softer"]
    for strange in (nearer, elsewhere):
        with pytest.raises(SweepError, match=f"{strange.name}: not the same scene as first.tif"):
            rank([first, strange])


def _enlarged(light, factor):
    """Step nearer: the middle of the scene, larger."""
    side = light.shape[0]
    places = (np.arange(side) - side / 2) / factor + side / 2
    rows = np.stack([np.interp(places, np.arange(side), column) for column in light.T], axis=1)
    return np.stack([np.interp(places, np.arange(side), row) for row in rows])
