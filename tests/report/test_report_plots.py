"""Plots show what the findings say, in the place where it belongs."""

import dataclasses
import io
import math
import re
import sys
from xml.etree import ElementTree as ET

import matplotlib.image
import numpy as np
import pytest
from invented_shoot import SIZE_PX, invented_lens, invented_shots

from lensbench.model.errors import Note
from lensbench.model.sweep import Unclaimed
from lensbench.report.curves import Spot, field_maps, response_panel, sharpness_panels, spot_bars, zoom_panel
from lensbench.report.panels import lpmm_axis, round_step, value_axis
from lensbench.report.render import draw
from lensbench.report.words import Scale


@pytest.fixture(scope="module")
def lens():
    return invented_lens()


@pytest.fixture(scope="module")
def shots():
    return invented_shots()


def test_every_stop_has_its_place_and_ties_are_shaded_around_theirs(lens):
    panel = sharpness_panels(lens, key="k")[1]
    assert [text for _, text in panel.across.ticks] == ["f/2.8", "f/4", "f/5.6", "f/8", "f/11", "f/16"]
    assert panel.best == math.log2(5.6)
    assert len(panel.shades) == 3
    starts, ends = zip(*panel.shades, strict=True)
    assert starts[0] < math.log2(4.0) < ends[0] == starts[1] < math.log2(5.6) < ends[1]
    assert "f/4 and f/8 can't be told from it" in panel.about


def test_a_shot_count_of_one_claims_no_winner(lens):
    focal = lens.by_focal_length[0]
    few = Note(Unclaimed.FEW_SHOTS, names=("assumed",))
    frame = dataclasses.replace(focal.best_by_zone["frame"], reservations=(few,))
    lens = invented_lens(by_focal_length=(dataclasses.replace(focal, best_by_zone={"frame": frame}),))
    assert "came out sharpest" in sharpness_panels(lens, key="k")[0].about


def test_panels_of_a_lens_share_one_scale_of_sharpness(lens):
    assert len({(panel.up.low, panel.up.high) for panel in sharpness_panels(lens, key="k")}) == 1


def test_a_single_focal_length_has_no_zoom_plot(lens):
    assert zoom_panel(invented_lens(by_focal_length=lens.by_focal_length[:1]), key="k") is None


def test_an_unknown_f_number_is_left_out_of_the_plot(lens):
    focal = lens.by_focal_length[0]
    curve = tuple(dataclasses.replace(point, f_number=math.nan) for point in focal.curve)
    lens = invented_lens(by_focal_length=(dataclasses.replace(focal, curve=curve, best_f_number=math.nan),))
    assert sharpness_panels(lens, key="k") == []


@pytest.mark.parametrize(
    ("low", "high"), [(0.12, 0.34), (-8.1, 11.3), (0.3, 0.3), (60.0, 84.0), (1200.0, 2600.0)]
)
def test_an_axis_holds_its_values_and_has_round_ticks(low, high):
    axis = value_axis([low, high])
    assert axis.low <= low <= high <= axis.high
    assert 2 <= len(axis.ticks) <= 9
    assert all(float(text) == pytest.approx(place, rel=1e-9, abs=1e-12) for place, text in axis.ticks)


@pytest.mark.parametrize("extent", [0.013, 0.2, 1.0, 7.0, 450.0])
def test_steps_are_one_two_or_five(extent):
    step = round_step(extent)
    assert f"{step:e}"[0] in "125"
    assert 2.0 <= extent / step <= 5.01


def test_the_right_axis_is_the_same_scale_in_line_pairs():
    up = value_axis([0.1, 0.4])
    axis = lpmm_axis(up, Scale(pixel_pitch_um=4.0))
    # 0.25 cy/px at 4 um is 62.5 lp/mm: lp/mm = 1000 f / pitch.
    assert axis.low == pytest.approx(250.0 * up.low)
    assert lpmm_axis(up, Scale()) is None


def test_bars_lie_along_and_across_the_radius_and_are_as_long_as_the_figures_are_high(lens, shots):
    field = field_maps(lens, shots, key="k")[0]
    spot = Spot(name="T", center_px=(1999.5, 5000.0), sagittal_cypx=0.2, tangential_cypx=0.1)
    bars = spot_bars(spot, field)
    # Right of the centre the radius runs along the row.
    assert bars["sagittal"][0][0] == pytest.approx(bars["sagittal"][1][0])
    assert bars["tangential"][0][1] == pytest.approx(bars["tangential"][1][1])
    lengths = [math.dist(*bars[role]) for role in ("sagittal", "tangential")]
    assert lengths[0] == pytest.approx(2.0 * lengths[1])


def test_a_map_is_the_mean_of_the_used_shots_of_its_setting(lens, shots):
    field = field_maps(lens, shots, key="k")[1]
    assert field.title.startswith("35 mm, f/5.6")
    assert field.about.startswith("Mean of 3 shots.")
    assert len({spot.name for spot in field.spots}) == len(field.spots) > 10
    corner = max(field.spots, key=lambda spot: math.dist(spot.center_px, (SIZE_PX[0] / 2, SIZE_PX[1] / 2)))
    # The invented lens: sagittal figures are 1 + 0.12 h^2 times, tangential ones 1 - 0.12 h^2 times the mean.
    ratio = corner.sagittal_cypx / corner.tangential_cypx
    assert ratio == pytest.approx((1 + 0.12 * 0.9**2) / (1 - 0.12 * 0.9**2), rel=1e-6)


def test_response_curves_come_from_the_best_setting(lens, shots):
    panel = response_panel(lens, shots, key="k")
    assert panel.title.startswith("35 mm, f/5.6")
    assert [line.name for line in panel.lines] == ["inner", "middle", "outer"]
    for line in panel.lines:
        assert line.path[0] == (0.0, 1.0)
        assert line.path[-1][0] == 0.5
    assert response_panel(lens, [], key="k") is None


def elements(svg, kind):
    """The elements of one class."""
    return [each for each in ET.fromstring(svg).iter() if each.attrib.get("class") == kind]  # noqa: S314


def numbers(path):
    """The numbers of a path's data, pairs of (column, row)."""
    return np.array(re.findall(r"-?[\d.]+", path.attrib["d"]), float).reshape(-1, 2)


def test_marks_stand_where_the_values_are(lens):
    panel = sharpness_panels(lens, key="k")[0]
    svg = draw(panel).svg
    # The curve through the marks' values, the ends of their intervals, and the shade are drawn by other elements.
    marks = elements(svg, "mark inner")[:6]
    (line,) = [each for each in panel.lines if each.role == "inner"]
    values = np.array([[point.place, point.value] for point in line.points])
    places = np.array([[float(mark.attrib["cx"]), float(mark.attrib["cy"])] for mark in marks])
    for axis, sign in ((0, 1.0), (1, -1.0)):
        scale = np.diff(places[:, axis]) / np.diff(values[:, axis])
        # One scale for all: a mark lies within 0.05 points of its place, and neighbours are 2 points apart or more.
        assert np.all(np.sign(scale) == sign)
        fit = np.polyfit(values[:, axis], places[:, axis], 1)
        assert np.abs(np.polyval(fit, values[:, axis]) - places[:, axis]).max() < 0.11
    # The best stop is the dotted line, and the shade lies about it.
    best = numbers(elements(svg, "best")[0])[0, 0]
    assert best == pytest.approx(np.interp(panel.best, values[:, 0], places[:, 0]), abs=0.11)
    tied = np.concatenate([numbers(each) for each in elements(svg, "tied")])
    assert tied[:, 0].min() < best < tied[:, 0].max()


def test_page_and_file_draw_the_same_figure(lens):
    panel = sharpness_panels(lens, key="k")[0]
    pixels = matplotlib.image.imread(io.BytesIO(draw(panel).png))[..., :3]
    box = [float(part) for part in ET.fromstring(draw(panel).svg).attrib["viewBox"].split()]  # noqa: S314
    scale = pixels.shape[1] / box[2]
    # The legend's first mark, in the colour of the inner zone (#0a62ad).
    mark = elements(draw(panel).svg, "mark inner")[-1]
    row, col = (round(scale * float(mark.attrib[name])) for name in ("cy", "cx"))
    assert pixels[row, col] == pytest.approx([0x0A / 255, 0x62 / 255, 0xAD / 255], abs=0.02)


def test_the_map_keeps_the_shape_of_the_picture(lens, shots):
    svg = draw(field_maps(lens, shots, key="k")[0]).svg
    width, height = np.ptp(numbers(elements(svg, "picture")[0]), axis=0)
    assert height / width == pytest.approx(4000 / 6000, rel=1e-3)


def test_png_files_hold_a_picture_and_are_the_same_each_time(lens, shots):
    panel, field = sharpness_panels(lens, key="k")[0], field_maps(lens, shots, key="k")[0]
    first = draw(panel).png
    assert first == draw(panel).png
    for content in (first, draw(field).png):
        pixels = matplotlib.image.imread(io.BytesIO(content))
        assert pixels.shape[1] == 960
        assert np.ptp(pixels[..., :3]) > 0.8


def test_no_window_system_is_touched():
    assert "matplotlib.pyplot" not in sys.modules
