"""Strips show every shot where it belongs on one scale from zero, and tell what is as good from what is open."""

import dataclasses
import io
import math
import re
from xml.etree import ElementTree as ET

import matplotlib.image
import numpy as np
import pytest
from invented_shoot import PITCH_UM, SIZE_PX, STOPS, invented_lens, zone_sharpness

from lensbench.model.errors import Note
from lensbench.model.sweep import Behind, Unclaimed
from lensbench.report.draw.render import draw
from lensbench.report.draw.strips import StripDifference, lens_strips
from lensbench.report.page.figures import figure_blocks
from lensbench.report.text.answer import percent_table

pytestmark = pytest.mark.usefixtures("fine_files")

BEST_CYPX = zone_sharpness(35.0, 5.6, "frame")


@pytest.fixture(scope="module")
def strips():
    return lens_strips(invented_lens(), key="k")


@pytest.fixture(scope="module")
def drawing(strips):
    return draw(strips)


@pytest.fixture(scope="module")
def pair(strips):
    """Two lines with their difference at one focal length."""
    (first, second) = (
        dataclasses.replace(strips.strips[number].lines[0], name=role, role=role, ribbon=(), best=None)
        for number, role in ((1, "first"), (2, "second"))
    )
    difference = StripDifference(place=3.0, percent=-8.0, low=-10.0, high=-6.0, visible_from_percent=9.0)
    strip = dataclasses.replace(strips.strips[1], lines=(first, second), differences=(difference,))
    return dataclasses.replace(strips, strips=(strip,))


def elements(svg, kind):
    """Elements of one class, whatever else they are."""
    return [each for each in ET.fromstring(svg).iter() if kind in each.attrib.get("class", "").split()]  # noqa: S314


def numbers(path):
    return np.array(re.findall(r"-?[\d.]+", path.attrib["d"]), float).reshape(-1, 2)


def test_the_scale_is_percent_of_the_best_setting(strips):
    line = strips.strips[2].lines[0]
    assert line.best[1] == pytest.approx(100.0 * zone_sharpness(70.0, 8.0, "frame") / BEST_CYPX)
    assert strips.strips[1].lines[0].best_percent == pytest.approx(100.0)
    assert [text for _, text in strips.across.ticks] == [f"f/{stop:g}" for stop in STOPS]


def test_a_positions_best_is_one_figure_in_strip_table_and_terminal():
    """The answer compares means, the curve is smooth: at 24 mm they part by 1 %, and the answer's figure counts."""
    lens = invented_lens()
    drawn = 100.0 * zone_sharpness(24.0, 8.0, "frame") / BEST_CYPX
    behind = Behind(
        focal_length_mm=24.0, f_number=8.0, percent=99.0 - drawn, ci95_percent=(0.0, 100.0 - drawn)
    )
    best = dataclasses.replace(lens.best, behind=(behind,))
    lens = dataclasses.replace(lens, zoom_at_own_best=best)
    said = f"{drawn + 1.0:.0f}"
    assert f"{drawn:.0f}" != said
    line = lens_strips(lens, key="k").strips[0].lines[0]
    assert line.best_percent == pytest.approx(drawn + 1.0)
    assert line.best[1] == pytest.approx(drawn)
    frame = next(block for block in figure_blocks(lens) if getattr(block, "header", ("",))[0] == "stop")
    cell = dict(frame.rows)["f/8"][0]
    assert cell.lines(frame.scales[0])[0] == f"{said} %"
    # lp/mm of the curve itself: 1000 f / pitch.
    assert cell.lines(frame.scales[1])[0] == f"{1000 * zone_sharpness(24.0, 8.0, 'frame') / PITCH_UM:.0f}"
    row = next(row for row in percent_table(lens) if row.lstrip().startswith("24 mm"))
    assert row.split()[5] == said
    page = elements(draw(lens_strips(lens, key="k")).svg, "small")
    assert [each.text for each in page if "of-frame" in each.attrib["class"]][:2] == [
        f"{said} %",
        cell.lines(frame.scales[1])[0],
    ]


def test_labels_follow_from_the_definitions_of_their_units(strips):
    # lp/mm = 1000 f / pitch and LW/PH = 2 f x picture height.
    labels = {scale.key: scale.label(50.0) for scale in strips.scales}
    assert labels == {
        "percent": "50 %",
        "lpmm": f"{500.0 * BEST_CYPX / PITCH_UM:.0f}",
        "lwph": f"{BEST_CYPX * SIZE_PX[0]:.0f}",
        "cypx": f"{BEST_CYPX / 2.0:.3f}",
    }
    bare = lens_strips(invented_lens(pixel_pitch_um=None, picture_height_px=None), key="k")
    assert [scale.key for scale in bare.scales] == ["percent", "cypx"]
    assert not any(strip.allowed for strip in bare.strips)


def test_shots_stand_at_their_places_over_a_base_line_of_zero(strips, drawing):
    dots = [dot for dot in elements(drawing.svg, "dot") if "of-frame" in dot.attrib["class"]]
    assert len(dots) == 3 * len(STOPS) * 3
    base = numbers(elements(drawing.svg, "axis")[0])[0, 1]
    values = np.array(strips.strips[0].lines[0].shots)
    spots = np.array([[float(dot.attrib["cx"]), float(dot.attrib["cy"])] for dot in dots[: len(values)]])
    for axis in (0, 1):
        fit = np.polyfit(values[:, axis], spots[:, axis], 1)
        # Figures of the drawing have one decimal.
        assert np.abs(np.polyval(fit, values[:, axis]) - spots[:, axis]).max() < 0.11
    assert fit[1] == pytest.approx(base, abs=0.4)


def test_what_is_as_good_is_solid_and_what_is_open_is_hollow(strips, drawing):
    good, untold = (
        [part for part in elements(drawing.svg, kind) if "of-frame" in part.attrib["class"]]
        for kind in ("good", "untold")
    )
    # The invented lens: nothing is surely as good; one, two and one other stop can't be told from the best.
    assert (len(good), len(untold)) == (3, 4)
    ring = numbers(next(one for one in elements(drawing.svg, "best") if "of-frame" in one.attrib["class"]))
    assert np.mean(np.ptp(ring, axis=0)) == pytest.approx(13.2, abs=0.2)
    middles = [(cols.min() + cols.max()) / 2.0 for cols in (numbers(good[0])[:, 0], ring[:, 0])]
    assert middles[0] == pytest.approx(middles[1], abs=0.1)


def test_where_no_winner_is_claimed_the_best_is_open_too():
    focal = invented_lens().by_focal_length[0]
    few = Note(Unclaimed.FEW_SHOTS, names=("assumed",))
    frame = dataclasses.replace(focal.best_by_zone["frame"], reservations=(few,))
    lens = invented_lens(by_focal_length=(dataclasses.replace(focal, best_by_zone={"frame": frame}),))
    line = lens_strips(lens, key="k").strips[0].lines[0]
    assert line.as_good == ()
    assert line.untold == (math.log2(5.6), 3.0)


def test_a_lens_without_known_stops_has_no_strips():
    focal = invented_lens().by_focal_length[0]
    curve = tuple(dataclasses.replace(point, f_number=0.0) for point in focal.curve)
    assert (
        lens_strips(invented_lens(by_focal_length=(dataclasses.replace(focal, curve=curve),)), key="k")
        is None
    )


def test_a_file_shows_the_whole_frame_and_the_page_each_third(drawing):
    pixels = matplotlib.image.imread(io.BytesIO(drawing.png))[..., :3]
    # 640 points at 200 dots per 72 points.
    assert pixels.shape[1] == 1777
    inner = abs(pixels - [0x0F / 255, 0x51 / 255, 0x44 / 255]).max(axis=2) < 0.01
    assert inner.sum() == 0
    assert len([path for path in elements(drawing.svg, "curve") if "of-inner" in path.attrib["class"]]) == 3


def test_words_keep_eleven_pixels_on_a_telephone_of_320(drawing):
    box = [float(part) for part in ET.fromstring(drawing.narrow).attrib["viewBox"].split()]  # noqa: S314
    sizes = [float(size) for size in re.findall(r'font-size="([\d.]+)"', drawing.narrow)]
    # The page leaves 16 pixels to either side.
    assert min(sizes) * (320 - 32) / box[2] >= 11.0


def test_two_lines_have_a_lane_for_their_difference(pair):
    svg = draw(pair).svg
    band = numbers(elements(svg, "equal")[0])[:, 1]
    (_, marks) = elements(svg, "visible")[:2]
    dot = next(each for each in elements(svg, "dot") if "frame" in each.attrib["class"].split())
    per_percent = (band.max() - band.min()) / 6.0
    zero = (band.max() + band.min()) / 2.0
    # Below zero the second is softer: 8 percent, and visible from 9 on; a decimal is drawn.
    assert (float(dot.attrib["cy"]) - zero) / per_percent == pytest.approx(8.0, abs=0.1)
    assert (numbers(marks)[0, 1] - zero) / per_percent == pytest.approx(9.0, abs=0.1)
    assert {"curve first", "curve second"} <= {each.attrib["class"] for each in elements(svg, "curve")}
