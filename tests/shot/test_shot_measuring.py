"""Whole photographs: one rasterised from the printed page and projected by hand, others simulated."""

import json
from math import atan2, degrees, hypot
from weakref import ref

import cv2
import numpy as np
import pytest
from printed_photograph import FOCAL_MM, PITCH_UM, page_of, photograph_page, write_tiff
from typer.testing import CliRunner

from lensbench import edge, simulate
from lensbench.chart.layout.sheet import sheet
from lensbench.cli.main import app, run
from lensbench.model.errors import ChartError, ImageError, LensError, SettingError
from lensbench.model.shot import Direction, Metadata
from lensbench.photo import open_photo
from lensbench.shot import MeasureOptions, measure_shot
from lensbench.shot import task as tasks
from lensbench.storage.cache import ResultCache

SIZE = (1100, 1500)
TURNS = {"yaw": 6.0, "pitch": -4.0, "roll": 9.0}
AIM_MM, M = (18.0, -25.0), 0.045


@pytest.fixture(scope="module")
def printed(tmp_path_factory):
    """The decentred, turned photograph of the page, measured."""
    folder = tmp_path_factory.mktemp("printed")
    light = photograph_page(page_of(sheet("A3"), folder), SIZE, aim_mm=AIM_MM, m=M, **TURNS)
    path = write_tiff(folder / "a.tif", light)
    known = Metadata(focal_length_mm=FOCAL_MM)
    return measure_shot(path, MeasureOptions(pitch_um=PITCH_UM, encoding="linear"), overrides=known)


def test_the_printed_page_tells_how_the_camera_stood(printed):
    assert printed.tilt.yaw_deg == pytest.approx(TURNS["yaw"], abs=0.1)
    assert printed.tilt.pitch_deg == pytest.approx(TURNS["pitch"], abs=0.1)
    assert printed.tilt.roll_deg == pytest.approx(TURNS["roll"], abs=0.05)
    assert printed.magnification == pytest.approx(M, rel=2e-3)
    assert printed.distance_mm == pytest.approx(FOCAL_MM * (2 + M + 1 / M), rel=2e-3)
    assert printed.chart.name == "sheet A3"
    assert printed.chart.residual_px < 0.2
    assert abs(printed.chart.radial_distortion_percent) < 0.1


def test_edges_lie_where_the_page_has_them(printed):
    """Image height, azimuth and direction against the chart's own layout, turned by hand."""
    by_name = {target.name: target for target in sheet("A3").targets}
    checked = 0
    for chart_edge in printed.edges:
        target = by_name[chart_edge.target]
        row_mm, col_mm = np.array(target.center_mm) - AIM_MM
        # Far from the aim a few degrees of tilt hardly turn the azimuth; roll does: clockwise roll of the
        # camera turns the picture counter-clockwise.
        if hypot(row_mm, col_mm) > 60:
            expected = degrees(atan2(-row_mm, col_mm)) + TURNS["roll"]
            assert (chart_edge.azimuth_deg - expected + 180) % 360 - 180 == pytest.approx(0, abs=12)
            checked += 1
        down, right = chart_edge.center_px[0] - (SIZE[0] - 1) / 2, chart_edge.center_px[1] - (SIZE[1] - 1) / 2
        assert chart_edge.image_height == pytest.approx(hypot(down, right) / (hypot(*SIZE) / 2))
    assert checked > 30


def test_regions_hold_their_edge(printed):
    """The measured angle is the page's own: the arm's direction from the layout, turned by the roll."""
    by_name = {target.name: target for target in sheet("A3").targets}
    for chart_edge in printed.edges:
        row, col = by_name[chart_edge.target].arm_direction(chart_edge.arm)
        expected = degrees(atan2(col, -row)) - TURNS["roll"]
        assert (chart_edge.edge.angle_deg - expected + 90) % 180 - 90 == pytest.approx(0, abs=3)
        assert chart_edge.edge.measured


def test_five_thumbnails_are_kept_and_hold_the_files_own_pixels(printed, tmp_path):
    pixels = (
        cv2.imread(str(printed.path), cv2.IMREAD_UNCHANGED) / 65535.0
    )  # read without the program's own reader
    names = {(row, col): f"{row} {col}" for row in ("upper", "lower") for col in ("left", "right")}
    places = {place: thumbnail for thumbnail in printed.thumbnails for place in [str(thumbnail.place)]}
    assert set(places) == {"centre", *names.values()}
    for place, thumbnail in places.items():
        box = thumbnail.box
        down, right = box.top + box.height / 2 - SIZE[0] / 2, box.left + box.width / 2 - SIZE[1] / 2
        named = names["lower" if down > 0 else "upper", "right" if right > 0 else "left"]
        assert place == (named if hypot(down, right) > 0.5 * hypot(*SIZE) / 2 else "centre")
        step = thumbnail.bright_level - thumbnail.dark_level
        seen = thumbnail.dark_level + step * thumbnail.light
        own = pixels[box.top : box.top + box.height, box.left : box.left + box.width]
        # Half of a code, of which 255 cover 1.7 steps.
        assert np.abs(seen - own).max() <= 0.5001 * 1.7 / 255 * step
    cache = ResultCache(folder=tmp_path / "measured")
    cache.put(name := f"{'a' * 40}.shot.gz", printed)
    assert cache.get(name, printed.path).thumbnails == printed.thumbnails


def test_a_quick_look_keeps_no_thumbnails(printed):
    options = MeasureOptions(pitch_um=PITCH_UM, encoding="linear", fast=True)
    assert measure_shot(printed.path, options).thumbnails == ()


def test_the_decoded_picture_is_gone_before_its_edges_are_fitted(printed, monkeypatch):
    pictures, fit_edges = [], edge.measure_edges

    def opened(*given, **named):
        photo = open_photo(*given, **named)
        pictures.append(ref(photo._pixels.codes))
        return photo

    def fitted(regions, **named):
        assert pictures[0]() is None
        pictures.clear()
        return fit_edges(regions, **named)

    monkeypatch.setattr("lensbench.photo.open_photo", opened)
    monkeypatch.setattr("lensbench.edge.measure_edges", fitted)
    measure_shot(printed.path, MeasureOptions(pitch_um=PITCH_UM, encoding="linear", fast=True))
    assert not pictures


@pytest.mark.parametrize("change", [lambda path: path.unlink(), lambda path: path.write_bytes(b"another")])
def test_a_file_that_changed_before_its_second_opening_is_no_lasting_fault(
    printed, tmp_path, monkeypatch, change
):
    """Far light asks for a second opening; what has become of the file by then is no result of what it was."""
    path = tmp_path / printed.path.name
    path.write_bytes(printed.path.read_bytes())

    def look(edges, arms, **_):
        change(path)
        return {arms[0][0].target.name: 0.03}

    monkeypatch.setattr("lensbench.shot.measure.strays", look)
    options = MeasureOptions(pitch_um=PITCH_UM, encoding="linear")
    outcome, lasting = tasks.measured(tasks.Task(path=path, options=options))
    assert "changed or taken away while it was measured" in outcome.reason
    assert not lasting


@pytest.mark.parametrize(
    ("light", "f_number", "openings"), [(0.015, None, 1), (0.03, None, 2), (0.015, 8.0, 2)]
)
def test_what_diffraction_may_have_sent_asks_for_no_second_opening(
    printed, monkeypatch, light, f_number, openings
):
    """By 5 px f/8 sends 2 q / (pi^3 5 px), 1.4 % at 4 um (derived from the edge spread of a round pupil)."""
    opened = []
    monkeypatch.setattr(
        "lensbench.photo.open_photo", lambda *given, **named: opened.append(1) or open_photo(*given, **named)
    )
    monkeypatch.setattr(
        "lensbench.shot.measure.strays", lambda _, arms, **__: {arms[0][0].target.name: light}
    )
    options = MeasureOptions(pitch_um=PITCH_UM, encoding="linear")
    measure_shot(printed.path, options, overrides=Metadata(focal_length_mm=FOCAL_MM, f_number=f_number))
    assert len(opened) == openings


def simulated(folder, **changes):
    """One exposure through an invented lens with lateral colour; gives the file and its truth."""
    position = simulate.ZoomPosition(focal_length_mm=35, **changes.pop("position", {}))
    scene = simulate.Scene(
        layout=sheet("A3"),
        lens=simulate.prime("Invented 35", position),
        camera=simulate.Camera(rows=1160, cols=1740, pitch_um=4.0),
        pose=changes.pop("pose", simulate.Pose()),
    )
    plan = simulate.Plan(
        focal_lengths_mm=[35.0], f_numbers=[5.6], repeats=1, focus_spread_um=0.0, iso=100, seed=3
    )
    jobs = simulate.series(scene, folder, plan=plan, processing=simulate.Processing(**changes))
    simulate.shoot(jobs, workers=1, seed=3)
    truth = json.loads((folder / "truth.json").read_text())["photos"][0]
    return folder / truth["file"], truth


@pytest.fixture(scope="module")
def raw_shot(tmp_path_factory):
    pose = simulate.Pose(pitch_deg=1.2, yaw_deg=-2.0, roll_deg=3.0)
    path, truth = simulated(tmp_path_factory.mktemp("raw"), pose=pose)
    return path, truth, measure_shot(path)


def test_a_simulated_raw_is_measured_to_its_truth(raw_shot):
    _, truth, shot = raw_shot
    assert (shot.tilt.pitch_deg, shot.tilt.yaw_deg, shot.tilt.roll_deg) == pytest.approx(
        (1.2, -2.0, 3.0), abs=0.1
    )
    assert shot.magnification == pytest.approx(truth["settings"]["magnification"], rel=1e-3)
    assert shot.distance_mm == pytest.approx(truth["settings"]["distance_mm"], rel=1e-3)
    assert shot.pixel_pitch_um == pytest.approx(4.0, rel=0.01)
    green = [edge for edge in truth["edges"] if edge["channel"] == "green"]
    errors = []
    for measured in shot.edges:
        near = min(green, key=lambda edge: hypot(*np.subtract(edge["center_px"], measured.center_px)))
        assert near["target"] == measured.target
        errors.append(measured.edge.mtf50_cypx / near["mtf50_cypx"] - 1)
    # The sweep's own limit: 2 % median absolute error an edge.
    assert np.nanmedian(np.abs(errors)) < 0.02
    assert len(errors) > 60


def test_every_direction_and_zone_is_there(raw_shot):
    shot = raw_shot[2]
    assert {edge.direction for edge in shot.edges} == set(Direction)
    for zone in ("inner", "middle", "outer", "frame"):
        figure = shot.summary[zone]
        assert figure.ci95_cypx[0] < figure.mtf50_cypx < figure.ci95_cypx[1]
    assert shot.summary["frame"].edges == sum(
        shot.summary[zone].edges for zone in ("inner", "middle", "outer")
    )


def test_lateral_colour_is_the_simulated_one(raw_shot):
    """Red and blue edges against green ones in truth.json, along the radius."""
    _, truth, shot = raw_shot
    middle = (np.array(shot.size_px) - 1) / 2
    errors = []
    for measured in shot.edges:
        if measured.edge.lateral_color_px is None:
            continue
        assert measured.direction is Direction.TANGENTIAL
        places = {
            channel: min(
                (edge["center_px"] for edge in truth["edges"] if edge["channel"] == channel),
                key=lambda place: hypot(*np.subtract(place, measured.center_px)),
            )
            for channel in ("red", "green", "blue")
        }
        for colour, found in zip(("red", "blue"), measured.edge.lateral_color_px, strict=True):
            heights = [hypot(*(np.array(places[channel]) - middle)) for channel in (colour, "green")]
            errors.append(found - (heights[0] - heights[1]))
    assert len(errors) > 30
    assert np.median(np.abs(errors)) < 0.05


def test_json_and_text_of_the_command(raw_shot):
    path = raw_shot[0]
    result = CliRunner().invoke(app, ["measure", str(path), "--json"])
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    # Every key that outsiders rely on.
    assert {
        *("photo", "camera", "lens", "f_number", "focal_length_mm", "iso", "exposure_s", "size_px"),
        *(
            "pixel_pitch_um",
            "chart",
            "magnification",
            "distance_mm",
            "tilt_deg",
            "edges",
            "summary",
            "quality",
        ),
    } <= set(document)
    assert document["f_number"] == pytest.approx(5.6)
    assert set(document["summary"]["frame"]) >= {"mtf50_cypx", "ci95_cypx", "edges", "sagittal_cypx"}
    assert set(document["edges"][0]) >= {
        "target",
        "center_px",
        "image_height",
        "azimuth_deg",
        "direction",
        "roi",
    }
    text = CliRunner().invoke(app, ["measure", str(path)]).stdout
    first = text.splitlines()[0]
    assert f"{document['summary']['frame']['mtf50_cypx']:.3f} cy/px" in first
    assert "lp/mm" in first
    assert "LW/PH" in first


def test_the_users_figures_take_precedence(raw_shot):
    path = raw_shot[0]
    own = Metadata(lens="Adapted 35", f_number=8.0, focal_length_mm=40.0)
    shot = measure_shot(path, MeasureOptions(method="iso", pitch_um=5.0), overrides=own)
    assert (shot.metadata.lens, shot.metadata.f_number, shot.metadata.focal_length_mm) == (
        "Adapted 35",
        8.0,
        40.0,
    )
    assert shot.metadata.camera == raw_shot[2].metadata.camera
    assert shot.pixel_pitch_um == 5.0
    assert any(one.flag == "standard_window" for one in shot.quality)
    assert not any(one.flag == "standard_window" for one in raw_shot[2].quality)
    assert shot.magnification == pytest.approx(raw_shot[2].magnification * 1.25, rel=1e-3)


def test_what_cannot_be_measured_is_refused_in_one_sentence(tmp_path, raw_shot, monkeypatch, capsys):
    grey = np.random.default_rng(1).normal(0.5, 0.05, (400, 600))
    blank = write_tiff(tmp_path / "blank.tif", grey)
    with pytest.raises(ChartError, match=r"blank\.tif: no chart was found"):
        measure_shot(blank)
    with pytest.raises(SettingError, match=r"pixel pitch -4 um: give 0\.3 to 100 micrometres"):
        MeasureOptions(pitch_um=-4.0)
    with pytest.raises(ImageError, match="there is no such photograph"):
        measure_shot(tmp_path / "none.dng")
    monkeypatch.setattr("sys.argv", ["lensbench", "measure", str(blank)])
    with pytest.raises(SystemExit) as stopped:
        run()
    assert stopped.value.code == 1
    assert capsys.readouterr().err.count("\n") == 1


def test_a_photograph_whose_every_edge_is_clipped_is_refused(tmp_path):
    light = photograph_page(
        page_of(sheet("A3"), tmp_path), SIZE, aim_mm=(0.0, 0.0), m=M, yaw=0.0, pitch=0.0, roll=5.0
    )
    path = write_tiff(tmp_path / "white.tif", light * 2.0)
    with pytest.raises(LensError, match=r"white\.tif: none of the chart's \d+ edges .* white or black limit"):
        measure_shot(path, MeasureOptions(encoding="linear"))


@pytest.mark.parametrize("sharpening", [0.0, 0.8])
def test_a_jpeg_says_that_its_figures_are_relative_and_whether_it_was_sharpened(tmp_path, sharpening):
    path, _ = simulated(tmp_path, format="jpeg", sharpening=sharpening)
    shot = measure_shot(path)
    flags = {remark.flag for remark in shot.quality}
    assert {"not_sensor_data", "tone_unknown"} <= flags
    assert ("sharpened" in flags) is (sharpening > 0)
    assert not shot.sensor_data
    assert shot.summary["frame"].mtf50_cypx > 0.1
