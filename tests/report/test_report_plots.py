"""Plots show what the findings say, in the place where it belongs."""

import io
import math
import re
import sys
from dataclasses import replace
from xml.etree import ElementTree as ET

import matplotlib.image
import numpy as np
import pytest
from invented_shoot import SIZE_PX, invented_lens, invented_shots, sharpness

from lensbench.model.setting import Setting
from lensbench.model.shot import Place
from lensbench.report.draw.canvas import NARROW, WIDE
from lensbench.report.draw.curves import response_panel
from lensbench.report.draw.field import Spot, field_map_at, field_maps, spot_bars
from lensbench.report.draw.render import draw, figure_of

pytestmark = pytest.mark.usefixtures("fine_files")


@pytest.fixture(scope="module")
def lens():
    return invented_lens()


@pytest.fixture(scope="module")
def shots():
    return invented_shots()


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


def test_all_maps_of_a_lens_have_one_scale(lens, shots):
    """Equal figures give equal bars: a softer focal length looks softer."""
    fields = field_maps(lens, shots, key="k")
    wide_open = field_map_at(lens, Setting(focal_length_mm=70.0, f_number=2.8), shots, key="k")
    spot = Spot(name="T", center_px=(1999.5, 5000.0), sagittal_cypx=0.2, tangential_cypx=0.1)
    assert len({spot_bars(spot, field)["sagittal"] for field in (*fields, wide_open)}) == 1
    sharpest = [max(value for spot in field.spots for value in spot.figures_cypx) for field in fields]
    assert max(sharpest) > 1.05 * min(sharpest)


def test_bars_stay_within_the_picture(lens, shots):
    field = field_maps(lens, shots, key="k")[0]
    edge_px = [(0.0, 0.0), (0.0, 3000.0), (3999.0, 5999.0), (2000.0, 5999.0)]
    for center_px in edge_px:
        spot = Spot(name="T", center_px=center_px, sagittal_cypx=0.4, tangential_cypx=0.3)
        for ends in spot_bars(spot, field).values():
            for row, col in ends:
                assert 0.0 < row < SIZE_PX[0] - 1
                assert 0.0 < col < SIZE_PX[1] - 1


def test_centre_and_corners_are_told_in_figures(lens, shots):
    field = field_maps(lens, shots, key="k")[1]
    places = dict(field.places)
    assert list(places) == list(Place)
    # The invented lens by its own formula, at the heights of its targets.
    assert places[Place.CENTRE] == pytest.approx(sharpness(35.0, 5.6, 0.0), rel=1e-3)
    for place in list(Place)[1:]:
        assert places[place] == pytest.approx(sharpness(35.0, 5.6, 0.9), rel=1e-3)
    for place, figure in places.items():
        assert f"{place} {100 * figure / field.full_cypx:.0f}" in field.about


def test_no_figure_of_a_map_covers_a_bar_or_another_figure(lens, shots):
    """By the boxes and lines of the drawing itself, on the page's both shapes and in every unit."""
    fields = field_maps(lens, shots, key="k")
    aside = tuple(
        replace(spot, center_px=(spot.center_px[0], spot.center_px[1] + 80.0)) for spot in fields[0].spots
    )
    crowded = replace(fields[0], spots=(*fields[0].spots, *aside))
    for field, shape in ((fields[0], WIDE), (fields[2], NARROW), (crowded, NARROW)):
        figure = figure_of(field, shape, on_page=True)
        sheet = figure.axes[0]
        bars = [line for line in sheet.lines if str(line.get_gid()).startswith("whisker")]
        points = np.concatenate([line.get_path().interpolated(20).vertices for line in bars[:2]])
        places = sheet.transData.transform(points[np.isfinite(points).all(axis=1)])
        texts = [text for text in sheet.texts if str(text.get_gid()).startswith("small")]
        for unit in {str(text.get_gid()) for text in texts}:
            boxes = [text.get_window_extent() for text in texts if text.get_gid() == unit]
            assert len(boxes) > 5
            for number, box in enumerate(boxes):
                # Text's own box holds room for accents and tails, a third of its height.
                ink = box.shrunk(1.0, 0.7).translated(0.0, 0.15 * box.height)
                assert not ink.count_contains(places)
                assert not any(ink.overlaps(other.shrunk(1.0, 0.7)) for other in boxes[:number])


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


def test_the_map_keeps_the_shape_of_the_picture(lens, shots):
    svg = draw(field_maps(lens, shots, key="k")[0]).svg
    width, height = np.ptp(numbers(elements(svg, "picture")[0]), axis=0)
    assert height / width == pytest.approx(4000 / 6000, rel=1e-3)


def test_png_files_hold_a_picture_and_are_the_same_each_time(lens, shots):
    panel, field = response_panel(lens, shots, key="k"), field_maps(lens, shots, key="k")[0]
    first = draw(panel).png
    assert first == draw(panel).png
    for content in (first, draw(field).png):
        pixels = matplotlib.image.imread(io.BytesIO(content))
        # 460.8 points at 200 dots per 72 points.
        assert pixels.shape[1] == 1280
        assert np.ptp(pixels[..., :3]) > 0.8


def test_no_window_system_is_touched():
    assert "matplotlib.pyplot" not in sys.modules
