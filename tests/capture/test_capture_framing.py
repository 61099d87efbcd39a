"""Framing told by `check` of finished pictures, where many an edge cannot be measured; driven through the commands."""

import json

import pytest
from PIL import Image
from typer.testing import CliRunner

from lensbench.cli.main import app

FRAMING = ("cut off", "out of frame", "fills", "larger than the frame", "nothing of the chart")
SIZE = ["--size", "928x1392", "--pitch-um", "5"]


def done(*words):
    """Run a command and give what it says."""
    ran = CliRunner().invoke(app, [str(word) for word in words])
    assert ran.exit_code in {0, 1}, ran.output
    return ran.stdout


def shot(folder, *options):
    """Two JPEGs of the sheet at f/8, and the truth of their settings."""
    done("simulate", "--out", folder, "--format", "jpeg", "--stops", "8", *SIZE, *options)
    photos = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["photos"]
    return [folder / photo["file"] for photo in photos], photos[0]["settings"]


def pressed(path, out, *, left=0.0, top=0.0):
    """Save it anew as a strongly compressed JPEG, less a share of its left and of its top side."""
    with Image.open(path) as picture:
        width, height = picture.size
        box = (round(left * width), round(top * height), width, height)
        picture.crop(box).save(out, quality=60, exif=picture.getexif())
    return out


@pytest.fixture(scope="module")
def well_framed(tmp_path_factory):
    return shot(tmp_path_factory.mktemp("well") / "shots")


def test_a_well_framed_jpeg_hears_nothing_of_its_frame(well_framed, tmp_path):
    """The simulated camera fills its frame with the sheet's, to the pixel."""
    photos, _ = well_framed
    squeezed = [pressed(path, tmp_path / path.name) for path in photos]
    for folder in (photos[0].parent, squeezed[0].parent):
        said = done("check", folder)
        assert "2 of 2 usable" in said
        assert not any(words in said for words in FRAMING), said


@pytest.mark.parametrize(
    ("cut", "sides"), [({"left": 0.09}, "left"), ({"left": 0.09, "top": 0.09}, "left and the top")]
)
def test_a_jpeg_cut_off_is_told_by_its_sides(well_framed, tmp_path, cut, sides):
    """What was cut off the picture is what the camera missed: 9 % of a side, over the limit of 3 %."""
    path = pressed(well_framed[0][0], tmp_path / "cut.jpg", **cut)
    assert f"better repeat: chart cut off at the {sides}: step back or re-aim;" in done("check", path)


def test_a_small_chart_in_a_jpeg_is_told_by_how_much_it_fills(well_framed, tmp_path):
    """Its width goes with the magnification, and at the well framed distance it was all of the frame."""
    (path, _), settings = shot(tmp_path / "far", "--distance-mm", "3000")
    share = 100.0 * settings["magnification"] / well_framed[1]["magnification"]
    said = done("check", pressed(path, tmp_path / "far.jpg"))
    (filled,) = [float(words.split()[0]) for words in said.split("fills ")[1:]]
    assert filled == pytest.approx(share, abs=1.0)


def test_a_jpeg_tells_where_the_camera_stood(well_framed, tmp_path):
    """Distance, magnification and tilt are the simulated ones."""
    photos, settings = well_framed
    for path in (photos[0], pressed(photos[1], tmp_path / "squeezed.jpg")):
        measured = json.loads(done("measure", path, "--pitch-um", "5", "--json"))
        assert measured["distance_mm"] == pytest.approx(settings["distance_mm"], rel=1e-3)
        assert measured["magnification"] == pytest.approx(settings["magnification"], rel=1e-3)
        tilt = [measured["tilt_deg"][axis] for axis in ("pitch", "yaw", "roll")]
        assert tilt == pytest.approx([0.0, 0.0, 0.0], abs=0.1)
