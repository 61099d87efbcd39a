"""Faults photographed by the simulator: each must raise its flag, and a photograph without fault must raise none."""

from dataclasses import replace

import pytest

from lensbench import simulate
from lensbench.chart.layout.sheet import sheet
from lensbench.shot import MeasureOptions, measure_shot

LAYOUT = sheet("A3")
LENS = simulate.prime("Invented 35", simulate.ZoomPosition(focal_length_mm=35), widest_f_number=2.8)
SCENE = simulate.Scene(
    layout=replace(LAYOUT, targets=LAYOUT.targets[::2]),
    lens=LENS,
    camera=simulate.Camera(rows=928, cols=1392, pitch_um=8.0, electrons_at_white=30_000.0),
    print_sigma_mm=0.03,
)
SOUND = simulate.Shot(focal_length_mm=35.0, f_number=5.6, seed=1)
RIPE = ("tilted", "shake", "sharpened", "white_clipped", "underexposed", "uneven_light", "low_snr")
RIPE += ("screened_print", "too_near", "tone_curve", "curved")

SHOTS = {
    # No fault: an astigmatic lens wide open, light that rises by 4 %, paper at half of white.
    "sound": SOUND,
    "wide": replace(SOUND, f_number=2.8, light_slope=(0.0, 0.04), paper_level=0.5, seed=2),
    # An even movement of 10 um is 1.25 px.
    "shake": replace(SOUND, motion_um=(10.0, 0.0), seed=3),
    # Paper a third of a stop above white in the centre; the lens darkens the corners by 0.6.
    "white_clipped": replace(SOUND, f_number=2.8, paper_level=1.26, seed=4),
    "underexposed": replace(SOUND, paper_level=0.12, seed=5),
    "uneven_light": replace(SOUND, light_slope=(0.12, 0.16), seed=6),
    # 30 000 electrons at ISO 6400 are 469: SNR of 0.65 of them against a quarter, sqrt(305 / 0.625) 0.75 = 17.
    "low_snr": replace(SOUND, iso=6400, seed=7),
}
OTHER_SCENES = {
    "tilted": replace(SCENE, pose=simulate.Pose(yaw_deg=3.0, pitch_deg=-2.0)),
    # The dots of a screen 2 px apart: 393 mm fill 1392 px.
    "screened_print": replace(SCENE, screen_mm=2.0 * 393.0 / 1392.0),
    # 16 mm wide sensor, 11 mm, before 393 mm: nearer than 25 focal lengths with pixels of 14 um.
    "too_near": replace(SCENE, camera=replace(SCENE.camera, pitch_um=14.0)),
}


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Every photograph, taken together so that those of one scene share their drawing."""
    folder = tmp_path_factory.mktemp("faults")
    jobs = [simulate.Job(scene=SCENE, shot=shot, path=folder / f"{name}.dng") for name, shot in SHOTS.items()]
    jobs += [
        simulate.Job(scene=scene, shot=replace(SOUND, f_number=2.8), path=folder / f"{name}.dng")
        for name, scene in OTHER_SCENES.items()
    ]
    strong = simulate.Processing(format="tiff", sharpening=0.6)
    plain = simulate.Processing(format="tiff")
    jobs += [
        simulate.Job(scene=SCENE, shot=SOUND, path=folder / f"{name}.tif", processing=processing)
        for name, processing in (("sharpened", strong), ("unsharpened", plain))
    ]
    simulate.shoot(jobs, truth_channels=())
    results = {
        job.path.stem: measure_shot(job.path, MeasureOptions(pitch_um=job.scene.camera.pitch_um))
        for job in jobs
    }
    results["glance"] = measure_shot(folder / "sound.dng", MeasureOptions(fast=True))
    return results


def faults_of(result):
    return {remark.flag for remark in result.quality} & set(RIPE)


@pytest.mark.parametrize("name", [*list(SHOTS)[2:], *OTHER_SCENES, "sharpened"])
def test_each_fault_raises_its_flag(measured, name):
    assert name in faults_of(measured[name])


@pytest.mark.parametrize("name", ["sound", "wide", "unsharpened", "glance"])
def test_no_fault_raises_none(measured, name):
    assert faults_of(measured[name]) == set()


def test_a_glance_sees_what_a_look_sees(measured):
    """Half as many edges, in smaller regions: zones within 2 %, which is what four edges of 1 % each leave."""
    glance, look = measured["glance"], measured["sound"]
    assert len(glance.edges) <= len(look.edges)
    for zone, figure in look.summary.items():
        assert glance.summary[zone].mtf50_cypx == pytest.approx(figure.mtf50_cypx, rel=0.02)
    assert glance.tilt.yaw_deg == pytest.approx(look.tilt.yaw_deg, abs=1e-9)
