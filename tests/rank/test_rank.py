"""Ranking against known blur: every frame is blurred, moved and made noisy by formulas, and the order is known."""

import json

import handheld_frames as handheld
import numpy as np
import pytest
import skimage.data
from blurred_frames import frame, leaves, write_jpeg, write_raw, write_tiff
from schema_check import following
from scipy import ndimage
from typer.testing import CliRunner

from lensbench.cli.main import app
from lensbench.model.errors import ImageError, SettingError, SweepError
from lensbench.rank.rank import frames_of, rank

SNR = 50.0
STEP = 1.05
WRITERS = {"tif": write_tiff, "jpg": write_jpeg, "dng": write_raw}


@pytest.fixture(scope="module")
def scene():
    return leaves(400, seed=3, count=5000)


def picture(name):
    light = getattr(skimage.data, name)() / 255.0
    light = light @ [0.2126, 0.7152, 0.0722] if light.ndim == 3 else light
    rows, cols = light.shape
    return 0.02 + 0.9 * light[: rows - rows % 2, : cols - cols % 2] ** 2.2


def series(folder, light, sigmas_px, *, kind="tif", seed=0, snr=SNR):
    random = np.random.default_rng(seed)
    return [
        WRITERS[kind](folder / f"{number}.{kind}", frame(light, random=random, snr=snr, sigma_px=sigma))
        for number, sigma in enumerate(sigmas_px)
    ]


def names(ranking):
    return [int(one.photo.stem) for one in ranking.frames]


@pytest.mark.parametrize("kind", WRITERS)
@pytest.mark.parametrize("sigma", [0.8, 2.0])
def test_known_blur_gives_the_known_order(tmp_path, scene, kind, sigma):
    # 5 % between neighbours; the benchmark docs/measured/ranking.md counts many more.
    paths = series(tmp_path, scene, [sigma * STEP**2, sigma, sigma * STEP], kind=kind)
    ranking = rank(paths)
    assert names(ranking) == [1, 2, 0]
    assert ranking.groups == tuple((paths[number],) for number in (1, 2, 0))
    assert all(pair.probability > 0.95 for pair in ranking.pairs)
    assert ranking.sensor_data == (kind == "dng")


@pytest.mark.parametrize("name", ["camera", "coffee", "moon"])
def test_pictures_of_a_public_library_blurred_by_known_amounts(tmp_path, name):
    assert names(rank(series(tmp_path, picture(name), [1.2 * STEP, 1.2]))) == [1, 0]


@pytest.mark.parametrize(("kind", "share"), [("tif", 0.08), ("dng", 0.15)])
def test_the_blur_itself_comes_out(tmp_path, scene, kind, share):
    # Closed form: Gaussians add in variance, contrast falls by exp(-2 pi^2 f^2 (s2^2 - s1^2)). It comes out a
    # little small: rings are broad, and a sharp scene folds over on a colour sensor's sparser green sites.
    ranking = rank(series(tmp_path, scene, [1.0, 1.3], kind=kind))
    soft = ranking.frames[1]
    assert soft.extra_blur_px**2 == pytest.approx(1.3**2 - 1.0, rel=share)
    fall = np.expm1(-2.0 * np.pi**2 * ranking.frequency_cypx**2 * (1.3**2 - 1.0))
    assert soft.detail_percent == pytest.approx(100.0 * fall, rel=share)
    assert soft.ci95_percent[0] < soft.detail_percent < soft.ci95_percent[1] < 0.0


def test_six_by_six_filters_are_averaged_over_their_smallest_square(tmp_path):
    # Green repeats every 3 x 3 pixels there: five of nine, from the simulator's arrangement.
    random = np.random.default_rng(8)
    light = leaves(640, seed=9, count=5000)
    paths = [
        write_raw(tmp_path / f"{i}.dng", frame(light, random=random, snr=SNR, sigma_px=sigma), cfa="xtrans")
        for i, sigma in enumerate((2.2, 2.0))
    ]
    ranking = rank(paths)
    assert names(ranking) == [1, 0]
    assert ranking.cell_px == 3
    assert any("3 x 3 pixels" in caution for caution in ranking.cautions)
    # Closed form as above; a cell's own blur is shared by both frames and does not count.
    assert ranking.frames[1].extra_blur_px ** 2 == pytest.approx(2.2**2 - 2.0**2, rel=0.3)


def test_frames_alike_are_refused(tmp_path, scene):
    told = 0
    for seed in range(12):
        ranking = rank(series(tmp_path, scene, [1.0, 1.0], seed=seed))
        told += ranking.told_apart
        assert ("can't be told apart" in ranking.answer) is not ranking.told_apart
        assert len(ranking.groups) == 1 + ranking.told_apart
    # 5 % risk each: more than 3 of 12 would come up in 0.2 % of such runs (binomial).
    assert told <= 3


def test_noisier_frames_do_not_seem_sharper(tmp_path, scene):
    random = np.random.default_rng(5)
    sharp = frame(scene, random=random, snr=60.0, sigma_px=1.2)
    soft = frame(scene, random=random, snr=15.0, sigma_px=1.2 * 1.1)
    paths = [write_tiff(tmp_path / f"{i}.tif", light) for i, light in enumerate((soft, sharp))]
    assert names(rank(paths)) == [1, 0]


@pytest.mark.parametrize(
    ("kind", "write"),
    [("dng", handheld.write_raw), ("tif", handheld.write_tiff), ("jpg", handheld.write_jpeg)],
)
def test_frames_of_unlike_iso_and_exposure_keep_their_order(tmp_path, scene, kind, write):
    # One pupil and hand; ISO 1 and 8 times, half a stop apart; equal blur, then a quarter more.
    # The benchmark docs/measured/ranking.md counts many more.
    random = np.random.default_rng(11)
    blur = handheld.drawn_blur(random)
    told = []
    for larger, shown in ((1.0, (8000.0, 1000.0)), (1.0, (1000.0, 8000.0)), (1.25, (1000.0, 8000.0))):
        for number, (size, electrons) in enumerate(zip((1.0, larger), shown, strict=True)):
            light = handheld.optical_image(
                np.repeat(scene[..., None], 3, axis=2),
                blur.larger(size),
                shift_px=random.uniform(-0.5, 0.5, 2),
            )
            mosaic = handheld.exposed(light, random=random, electrons=electrons, stops=0.5 * number)
            write(tmp_path / f"{number}.{kind}", mosaic)
        ranking = rank([tmp_path / f"{number}.{kind}" for number in (0, 1)])
        told.append(names(ranking) if ranking.told_apart else None)
    assert told == [None, None, [0, 1]]


@pytest.mark.parametrize("blur", [{"disc_px": 3.0}, {"motion_px": (0.0, 3.0)}])
def test_other_kinds_of_blur_are_seen_too(tmp_path, scene, blur):
    random = np.random.default_rng(6)
    lights = [frame(scene, random=random, snr=SNR, sigma_px=0.8, **more) for more in (blur, {})]
    assert names(rank([write_tiff(tmp_path / f"{i}.tif", one) for i, one in enumerate(lights)])) == [1, 0]


def test_a_camera_that_moved_and_turned_a_little(tmp_path, scene):
    random = np.random.default_rng(7)
    first = frame(scene, random=random, snr=SNR, sigma_px=1.1)
    turned = ndimage.rotate(frame(scene, random=random, snr=1e6, sigma_px=1.6), 0.2, reshape=False, order=5)
    moved = np.roll(turned, (9, -14), (0, 1)) + random.normal(0.0, 0.01, scene.shape)
    ranking = rank([write_tiff(tmp_path / "0.tif", moved), write_tiff(tmp_path / "1.tif", first)])
    assert names(ranking) == [1, 0]
    assert ranking.frames[0].shift_px == pytest.approx((-9.0, 14.0), abs=1.0)


def test_the_order_of_the_files_changes_nothing(tmp_path, scene):
    paths = series(tmp_path, scene, [1.0, 1.1, 1.2])
    one, other = rank(paths), rank(paths[::-1])
    assert names(one) == names(other) == [0, 1, 2]


@pytest.mark.parametrize("place", [0, 1, 3], ids=["first", "between", "last"])
@pytest.mark.parametrize("foreign", ["scene", "plain", "size"])
def test_a_foreign_frame_is_left_out_and_named_wherever_it_stands(tmp_path, scene, foreign, place):
    paths = series(tmp_path, scene[:300, :300], [1.3, 1.0, 1.15])
    light = {
        "scene": leaves(300, seed=4, count=3000),
        "plain": np.full((300, 300), 0.5),
        "size": scene[:280, :300],
    }
    stranger = write_tiff(
        tmp_path / "stranger.tif", frame(light[foreign], random=np.random.default_rng(1), snr=SNR)
    )
    ranking = rank([*paths[:place], stranger, *paths[place:]])
    assert names(ranking) == [1, 2, 0]
    assert [one.path for one in ranking.left_out] == [stranger]
    assert ("not of the kind" if foreign == "size" else "not the same scene") in ranking.left_out[0].reason


def test_another_scene_is_refused(tmp_path, scene):
    paths = series(tmp_path, scene, [1.0, 1.0])
    write_tiff(paths[1], frame(leaves(400, seed=4, count=5000), random=np.random.default_rng(1), snr=SNR))
    with pytest.raises(SweepError, match=r"1\.tif: not the same scene as 0\.tif .*hardly moved"):
        rank(paths)


def test_a_scene_without_detail_is_refused(tmp_path):
    paths = series(tmp_path, np.linspace(0.2, 0.8, 400) * np.ones((400, 1)), [1.0, 1.0], snr=20.0)
    with pytest.raises(SweepError, match=r"places hold detail .* fine texture"):
        rank(paths)


def test_frames_of_two_kinds_are_refused(tmp_path, scene):
    paths = series(tmp_path, scene, [1.0])
    other = write_tiff(tmp_path / "small.tif", scene[:300])
    with pytest.raises(SweepError, match=r"small\.tif: 300 x 400 .*not of the kind"):
        rank([*paths, other])
    with pytest.raises(ImageError, match="too few"):
        rank([write_tiff(tmp_path / "tiny.tif", scene[:100]), *paths])


def test_a_damaged_file_is_left_out_and_named(tmp_path, scene):
    # Also as the first one, which the others would be laid over.
    paths = series(tmp_path, scene, [1.3, 1.0, 1.1])
    whole = paths[0].read_bytes()
    (tmp_path / "00.tif").write_bytes(whole[: len(whole) // 3])
    (tmp_path / "1b.tif").write_bytes(b"")
    ranking = rank(frames_of([tmp_path]))
    assert names(ranking) == [1, 2, 0]
    assert {one.path.name for one in ranking.left_out} == {"00.tif", "1b.tif"}
    shown = CliRunner().invoke(app, ["rank", str(tmp_path)])
    assert shown.exit_code == 0
    assert "left out: 1b.tif: " in shown.stderr
    assert "-0.0" not in shown.stdout
    with pytest.raises(ImageError, match="1 of 2 photographs can be read"):
        rank([paths[0], tmp_path / "1b.tif"])


def test_which_frames_are_meant(tmp_path, scene):
    paths = series(tmp_path, scene[:256, :256], [1.0, 1.0, 1.0], kind="dng")
    (tmp_path / "1.jpg").write_bytes(b"beside the raw file")
    assert frames_of([tmp_path]) == paths
    with pytest.raises(SettingError, match="1 photograph; give two or more"):
        frames_of(paths[:1])
    with pytest.raises(SettingError, match="named twice"):
        frames_of([paths[0], tmp_path])
    with pytest.raises(SettingError, match="at most 60"):
        frames_of([path for path in paths for _ in range(30)])


def test_the_command_tells_the_order(tmp_path, scene):
    paths = [str(path) for path in series(tmp_path, scene, [1.3, 1.0])]
    shown = CliRunner().invoke(app, ["rank", *paths])
    assert shown.exit_code == 0
    assert shown.output.startswith("1.tif is the sharpest of 2 frames; 0.tif is the softest")
    sharpest = next(line.split() for line in shown.output.splitlines() if line.startswith("     1"))
    assert sharpest[2:] == ["1.tif", "100.0", "-", "0.00"]
    told = following("ranking", json.loads(CliRunner().invoke(app, ["rank", str(tmp_path), "--json"]).stdout))
    assert [frame["photo"] for frame in told["frames"]] == paths[::-1]
    assert told["told_apart"] is True


def test_a_tie_is_an_answer_and_names_no_order(tmp_path, scene):
    paths = [str(path) for path in series(tmp_path, scene, [1.0, 1.0], seed=1)]
    shown = CliRunner().invoke(app, ["rank", *paths, "--json"])
    assert shown.exit_code == 0
    assert "can't be told apart" in json.loads(shown.stdout)["text"][0]
    assert len(json.loads(shown.stdout)["groups"]) == 1
    told = CliRunner().invoke(app, ["rank", *paths])
    assert told.exit_code == 0
    assert told.stdout.startswith("These 2 frames can't be told apart")
    assert told.stdout.count("\n") == 1


def test_frames_of_one_name_are_told_apart_by_their_folders(tmp_path, scene):
    for folder, sigma in (("morning", 0.5), ("evening", 0.9)):
        (tmp_path / folder).mkdir()
        series(tmp_path / folder, scene, [sigma])
    shown = CliRunner().invoke(app, ["rank", str(tmp_path)]).stdout
    assert shown.startswith("morning/0.tif is the sharpest of 2 frames; evening/0.tif is the softest")
    assert "morning/0.tif is sharper than evening/0.tif" in shown


def test_copies_are_no_further_frames(tmp_path, scene):
    paths = series(tmp_path, scene, [0.5, 0.9])
    (tmp_path / "copy.tif").write_bytes(paths[0].read_bytes())
    shown = CliRunner().invoke(app, ["rank", str(tmp_path), "--json"])
    assert len(json.loads(shown.stdout)["frames"]) == 2
    assert shown.stderr.startswith("left out: a copy of 0.tif")
    paths[1].unlink()
    alone = CliRunner().invoke(app, ["rank", str(tmp_path)])
    assert isinstance(alone.exception, SettingError)
