"""The files, opened by libraries that know nothing of the simulator: LibRaw, exifread, OpenCV, tifffile."""

import json
import multiprocessing
import resource
from contextlib import contextmanager
from dataclasses import replace

import cv2
import exifread
import numpy as np
import pytest
import rawpy
import tifffile
from schema_check import following
from sim_bench import bench_scene

from lensbench.model.errors import SettingError
from lensbench.simulate import Camera, Job, Lens, Plan, Processing, Shot, photograph, picture, series, shoot

TARGET = ((0.0, 0.0), 14.0, 10.0)
SHOT = Shot(focal_length_mm=50.0, f_number=5.6, iso=200, seed=3, taken_at="2026-03-14T10:20:30.250")


def write(folder, scene, processing, shot=SHOT):
    suffix = {"dng": ".dng", "jpeg": ".jpg"}.get(processing.format, ".tif")
    path = folder / f"shot{suffix}"
    shoot([Job(scene=scene, shot=shot, path=path, processing=processing)])
    return path


@pytest.mark.parametrize("cfa", ["rggb", "bggr", "grbg", "gbrg", "xtrans"])
def test_libraw_reads_the_sensor_numbers_back(tmp_path, cfa):
    scene = bench_scene(TARGET, rows=180, cfa=cfa)
    path = write(tmp_path, scene, Processing())
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(raw.raw_image_visible, photograph(scene, SHOT).mosaic)
        colors = raw.raw_colors_visible.copy()
        assert raw.black_level_per_channel == [512] * 4
        assert raw.white_level == 16383
        # White light gives red 0.5 and blue 0.6 of green.
        assert raw.camera_whitebalance[:3] == pytest.approx([2.0, 1.0, 1.0 / 0.6], rel=1e-4)
        assert (raw.lens.model, raw.other.aperture) == ("Bench 50", pytest.approx(5.6))
    colors[colors == 3] = 1  # LibRaw's second green
    letters = {"r": 0, "g": 1, "b": 2}
    first = {"rggb": "rg", "bggr": "bg", "grbg": "gr", "gbrg": "gb", "xtrans": "gbggrg"}[cfa]
    assert colors[0, : len(first)].tolist() == [letters[letter] for letter in first]
    for number, channel in enumerate(("red", "green", "blue")):
        assert np.array_equal(colors == number, scene.camera.sites(channel))


def test_xtrans_has_every_colour_in_every_row_and_column():
    # Eight red, twenty green and eight blue in six by six: the property that the arrangement is known for.
    tile = Camera(cfa="xtrans").tile()
    assert np.bincount(tile.ravel()).tolist() == [8, 20, 8]
    assert all(set(line) == {0, 1, 2} for line in (*tile, *tile.T))


def test_libraw_reads_a_monochrome_sensor(tmp_path):
    scene = bench_scene(TARGET, rows=180, cfa="mono")
    with rawpy.imread(str(write(tmp_path, scene, Processing()))) as raw:
        assert raw.num_colors == 1
        assert np.array_equal(raw.raw_image_visible, photograph(scene, SHOT).mosaic)


@pytest.mark.parametrize("file_format", ["dng", "jpeg", "tiff", "tiff-linear"])
def test_every_file_says_how_it_was_taken(tmp_path, file_format):
    scene = bench_scene(TARGET, rows=180, cfa="rggb")
    path = write(tmp_path, scene, Processing(format=file_format))
    with path.open("rb") as stream:
        tags = exifread.process_file(stream, details=False, builtin_types=True)
    assert tags["Image Make"] == "Invented"
    assert tags["Image Model"] == "Box One"
    assert tags["EXIF LensModel"] == "Bench 50"
    assert tags["EXIF FNumber"] == pytest.approx(5.6)
    assert tags["EXIF FocalLength"] == 50
    assert tags["EXIF ISOSpeedRatings"] == 200
    assert tags["EXIF ExposureTime"] == pytest.approx(SHOT.exposure_s, rel=1e-5)
    assert tags["EXIF DateTimeOriginal"] == "2026-03-14 10:20:30"
    assert tags["EXIF SubSecTimeOriginal"] == "250"
    assert tags["EXIF LensSpecification"] == pytest.approx([50, 50, 2.0, 2.0])
    # Pixels per centimetre at 4 um; 43.27 mm over the diagonal of 180 x 270 px at 4 um = 1.298 mm.
    assert tags["EXIF FocalPlaneXResolution"] == pytest.approx(2500.0)
    assert tags["EXIF FocalLengthIn35mmFilm"] == round(50.0 * 43.2666 / 1.29800)


def test_a_finished_picture_holds_the_srgb_encoding(tmp_path):
    scene = bench_scene(TARGET, rows=180, cfa="rggb")
    shot = replace(SHOT, noise=False, paper_level=0.5)
    # IEC 61966-2-1: linear 0.5 is 1.055 x 0.5^(1/2.4) - 0.055; the dark quarter has a quarter of it.
    paper, dark = (1.055 * level ** (1.0 / 2.4) - 0.055 for level in (0.5, 0.125))
    rgb = tifffile.imread(write(tmp_path, scene, Processing(format="tiff"), shot))
    assert rgb.shape == (180, 270, 3)
    assert rgb[2, 2] / 65535.0 == pytest.approx([paper] * 3, abs=1e-4)
    # The upper left quarter is dark; rows run down.
    # Diffraction's far tails bring a little light into a quarter of 26 px.
    assert rgb[78, 123] / 65535.0 == pytest.approx([dark] * 3, abs=0.01)
    linear = tifffile.imread(write(tmp_path, scene, Processing(format="tiff-linear"), shot))
    assert linear[2, 2] / 65535.0 == pytest.approx([0.5] * 3, abs=1e-4)
    jpeg = cv2.imread(str(write(tmp_path, scene, Processing(format="jpeg"), shot)))
    assert jpeg[2, 2] / 255.0 == pytest.approx([paper] * 3, abs=0.005)


def test_red_is_the_first_channel_of_a_finished_picture(tmp_path):
    scene = bench_scene(((0.0, 40.0), 10.0, 10.0), rows=180, cfa="rggb", red_outward=0.02)
    shot = replace(SHOT, noise=False)
    rgb = tifffile.imread(write(tmp_path, scene, Processing(format="tiff-linear"), shot)).astype(float)
    bgr = cv2.imread(str(write(tmp_path, scene, Processing(format="jpeg", jpeg_quality=100), shot))).astype(
        float
    )
    for red, green in ((rgb[..., 0], rgb[..., 1]), (bgr[..., 2], bgr[..., 1])):
        darkness = [(plane[2, 2] - plane)[60:120, 180:240].sum(axis=0) for plane in (red, green)]
        center = [np.average(np.arange(60), weights=weights) for weights in darkness]
        # 40 mm is 75 px from the centre; 2 % of it is 1.5 px.
        assert center[0] - center[1] == pytest.approx(1.5, abs=0.05)


def test_sharpening_overshoots_as_much_as_its_closed_form():
    scene = bench_scene(((0.0, 0.0), 40.0, 0.0), rows=300, residual_um=6.0)
    shot = replace(SHOT, noise=False, paper_level=0.5)
    plain, sharp = (picture(scene, shot, sharpening=amount).astype(float) for amount in (0.0, 0.8))
    # Unsharp masking in linear light: sharp = plain + 0.8 (plain - Gaussian of 1 px), so its transfer is
    # 1 + 0.8 (1 - exp(-2 pi^2 f^2)). Transform of one row across the vertical edge, against that.
    row, window = 90, slice(449 // 2 - 24, 449 // 2 + 24)
    lsf = [np.diff(image[row, window]) for image in (plain, sharp)]
    frequency = np.fft.rfftfreq(lsf[0].size)[1:8]
    ratio = np.abs(np.fft.rfft(lsf[1])[1:8] / np.fft.rfft(lsf[0])[1:8])
    assert ratio == pytest.approx(1.0 + 0.8 * (1.0 - np.exp(-2.0 * np.pi**2 * frequency**2)), abs=0.004)


def test_noise_has_the_variance_of_photons_and_reading():
    scene = bench_scene(((0.0, 0.0), 2.0, 10.0), rows=300, cfa="rggb")
    shot = replace(SHOT, paper_level=0.6)
    patch = photograph(scene, shot).mosaic[:100][scene.camera.sites("green")[:100]].astype(float)
    # Janesick: variance = electrons + read noise^2; 20 000 electrons at white at ISO 200, 15 871 steps.
    electrons = 0.6 * 20_000.0
    step = 20_000.0 / (16383 - 512)
    assert patch.mean() == pytest.approx(512 + 0.6 * (16383 - 512), rel=1e-3)
    assert patch.var() * step**2 == pytest.approx(electrons + 3.0**2, rel=0.05)


def test_a_series_tells_the_truth_of_every_file(tmp_path):
    scene = bench_scene(TARGET, rows=180, cfa="rggb", open_um=2.0)
    plan = Plan(focal_lengths_mm=[50.0], f_numbers=[2.0, 8.0], repeats=2, focus_spread_um=5.0, seed=4)
    jobs = series(scene, tmp_path / "a", plan=plan)
    done = []
    paths = shoot(jobs, seed=4, progress=done.append)
    assert [path.name for path in paths] == [f"shot_000{n}.dng" for n in (1, 2, 3, 4)]
    assert sum(done) == 4
    truth = following("truth", json.loads((tmp_path / "a" / "truth.json").read_text(encoding="utf-8")))
    assert truth["seed"] == 4
    assert [photo["file"] for photo in truth["photos"]] == [path.name for path in paths]
    assert [photo["settings"]["f_number"] for photo in truth["photos"]] == [2.0, 2.0, 8.0, 8.0]
    assert len({photo["settings"]["focus_error_um"] for photo in truth["photos"]}) == 4
    edges = truth["photos"][0]["edges"]
    assert len(edges) == 3 * 4
    assert set(edges[0]) == {
        "target", "arm", "channel", "angle_deg", "center_px", "frequency_cypx", "sfr", "mtf50_cypx",
    }  # fmt: skip
    assert edges[0]["sfr"][0] == 1.0
    assert (edges[0]["frequency_cypx"][0], edges[0]["frequency_cypx"][-1]) == (0.0, 1.0)
    # The MTF50 stated is where the curve stated crosses one half.
    half = np.interp(edges[0]["mtf50_cypx"], edges[0]["frequency_cypx"], edges[0]["sfr"])
    assert half == pytest.approx(0.5, abs=1e-3)


def test_worker_processes_make_the_same_files(tmp_path):
    scene = bench_scene(TARGET, rows=120, cfa="rggb")
    plan = Plan(focal_lengths_mm=[50.0], f_numbers=[4.0, 8.0], repeats=1)
    one, two = (
        shoot(series(scene, tmp_path / name, plan=plan), workers=workers)
        for name, workers in (("one", 1), ("two", 2))
    )
    assert [path.read_bytes() for path in one] == [path.read_bytes() for path in two]
    assert (tmp_path / "one" / "truth.json").read_bytes() == (tmp_path / "two" / "truth.json").read_bytes()


def test_another_seed_is_another_noise():
    scene = bench_scene(TARGET, rows=120)
    mosaics = [photograph(scene, replace(SHOT, seed=seed)).mosaic for seed in (1, 1, 2)]
    assert np.array_equal(mosaics[0], mosaics[1])
    assert not np.array_equal(mosaics[0], mosaics[2])


def test_a_lens_name_stays_whole_in_the_metadata(tmp_path):
    scene = bench_scene(TARGET, rows=120)
    lens = Lens(name="A name much longer than four bytes, 24-70 mm f/2.8", positions=scene.lens.positions)
    path = write(tmp_path, replace(scene, lens=lens), Processing(format="jpeg"))
    with path.open("rb") as stream:
        assert str(exifread.process_file(stream, details=False)["EXIF LensModel"]) == lens.name


@contextmanager
def room_for(count_bytes):
    """Let no file grow beyond so many bytes, as on a disk that fills up (setrlimit(2), RLIMIT_FSIZE)."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (count_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("kind", ["dng", "tiff", "jpeg"])
def test_a_disk_that_fills_up_leaves_nothing_half_written(tmp_path, kind):
    scene = bench_scene(TARGET, rows=700 if kind == "jpeg" else 300)
    with room_for(70_000), pytest.raises(SettingError, match="cannot be written"):
        shoot(
            [
                Job(
                    scene=scene,
                    shot=SHOT,
                    path=tmp_path / "shot",
                    processing=Processing(format=kind, jpeg_quality=100),
                )
                for _ in range(2)
            ]
        )
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written_is_told_before_any_picture_is_made(tmp_path):
    (tmp_path / "file").touch()
    job = Job(scene=bench_scene(TARGET), shot=SHOT, path=tmp_path / "file" / "shot.dng")
    with pytest.raises(SettingError, match="cannot be written"):
        shoot([job])


def test_a_stop_leaves_no_worker_and_nothing_half_written(tmp_path):
    def stopped(count):
        (tmp_path / ".0123456789ab.dng").write_bytes(b"half")  # as a worker that is killed leaves it
        raise KeyboardInterrupt

    scene = bench_scene(TARGET, rows=200)
    jobs = [
        Job(scene=scene, shot=replace(SHOT, focal_length_mm=50.0, seed=seed), path=tmp_path / f"{seed}.dng")
        for seed in range(8)
    ]
    before = set(multiprocessing.active_children())
    with pytest.raises(KeyboardInterrupt):
        shoot(jobs, workers=2, progress=stopped)
    assert set(multiprocessing.active_children()) <= before
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []
