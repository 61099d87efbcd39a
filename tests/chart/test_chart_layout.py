"""The sheet as data: where things stand, how they are turned, and that markers spell the page."""

from itertools import combinations, pairwise
from math import degrees, hypot

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lensbench.chart.layout.parts import (
    ARMS,
    FIRST_FREE_ID,
    MARKERS,
    NAMED_PAPERS,
    marker_ids,
    paper_from_ids,
    paper_named,
)
from lensbench.chart.layout.sheet import layout_from_markers, sheet
from lensbench.model.errors import ChartError, SettingError

PAPERS = ["A4", "A3", "A0", "Letter", "Legal", "Tabloid", "500x400", "600x300", "140x140"]


@pytest.fixture(params=PAPERS)
def layout(request):
    return sheet(request.param)


# ISO 216:2007 table 1 (A series); Letter and Tabloid from inches (ANSI/ASME Y14.1): 8.5 x 11, 11 x 17.
@pytest.mark.parametrize(
    ("name", "size_mm"),
    [
        ("A4", (210, 297)),
        ("a3", (297, 420)),
        ("A2", (420, 594)),
        ("A1", (594, 841)),
        ("A0", (841, 1189)),
        ("letter", (8.5 * 25.4, 11 * 25.4)),
        ("Legal", (8.5 * 25.4, 14 * 25.4)),
        ("Tabloid", (11 * 25.4, 17 * 25.4)),
        ("500x333", (333, 500)),
        ("333 x 500 mm".replace(" ", ""), (333, 500)),
    ],
)
def test_pages_have_their_standard_sizes(name, size_mm):
    assert paper_named(name).size_mm == pytest.approx(size_mm, abs=1e-9)


@pytest.mark.parametrize("name", ["A5x", "", "500", "500x", "100x400", "3000x200", "-5x300", "210.5x297"])
def test_unknown_pages_are_refused_in_words(name):
    with pytest.raises(SettingError, match="paper"):
        paper_named(name)


@pytest.mark.parametrize("contrast", [1.0, 25.0, -4.0, float("nan")])
def test_contrast_out_of_range_is_refused(contrast):
    with pytest.raises(SettingError, match="contrast"):
        sheet("A4", contrast=contrast)


def test_contrast_and_solid_set_the_reflectance():
    assert sheet("A4").contrast == 4.0
    assert sheet("A4", contrast=8.0).dark_reflectance == 0.125
    assert sheet("A4", solid=True).dark_reflectance == 0.0


def test_there_are_targets_enough_and_one_in_the_middle(layout):
    assert len(layout.targets) >= 23
    assert layout.targets[0].center_mm == (0.0, 0.0)
    assert len({target.name for target in layout.targets}) == len(layout.targets)


def test_every_frame_has_a_target_out_at_each_corner(layout):
    for frame in layout.frames:
        half_row, half_col = (side / 2 for side in frame.size_mm)
        across, down = (int(part) for part in frame.ratio.split(":"))
        assert half_col / half_row == pytest.approx(across / down, rel=1e-9)
        for down_sign in (-1, 1):
            for right_sign in (-1, 1):
                reach = max(
                    (hypot(*t.center_mm) + t.radius_mm) / hypot(half_row, half_col)
                    for t in layout.targets
                    if abs(t.center_mm[0]) + t.radius_mm <= half_row
                    and abs(t.center_mm[1]) + t.radius_mm <= half_col
                    and t.center_mm[0] * down_sign > 0
                    and t.center_mm[1] * right_sign > 0
                )
                assert reach > 0.89


def test_nothing_touches_anything_else(layout):
    for one, other in combinations(layout.targets, 2):
        apart = hypot(one.center_mm[0] - other.center_mm[0], one.center_mm[1] - other.center_mm[1])
        assert apart > one.radius_mm + other.radius_mm
    for marker in layout.markers:
        quiet = marker.side_mm / 2 + marker.side_mm / 7
        for target in layout.targets:
            offset = np.abs(np.subtract(target.center_mm, marker.center_mm))
            assert np.hypot(*np.maximum(offset - quiet, 0)) >= target.radius_mm - 0.15
        assert hypot(*marker.center_mm) > layout.quiet_radius_mm
    for one, other in combinations(layout.markers, 2):
        assert np.abs(np.subtract(one.center_mm, other.center_mm)).max() > 1.25 * one.side_mm


def test_everything_stands_on_the_page(layout):
    for mark, reach in [(t, t.radius_mm) for t in layout.targets] + [
        (m, m.side_mm / 2) for m in layout.markers
    ]:
        for axis in (0, 1):
            assert abs(mark.center_mm[axis]) + reach < layout.paper_mm[axis] / 2 - 5.0


def test_arms_lie_near_the_radius_and_away_from_pixel_directions(layout):
    """The design's rule: 5 to 10 degrees off the radius, 3 degrees and more from rows, columns, diagonals."""
    for target in layout.targets:
        assert -90.0 <= target.turn_deg < 90.0
        for arm in ARMS:
            down, right = target.arm_direction(arm)
            from_axis = degrees(np.arctan2(abs(down), abs(right)))
            assert min(abs(from_axis - axis) for axis in (0, 45, 90)) >= 3.0
        if target.center_mm != (0.0, 0.0):
            radial = np.array(target.center_mm) / hypot(*target.center_mm)
            off = degrees(np.arccos(abs(np.dot(radial, target.arm_direction(1)))))
            assert 4.74 <= off <= 10.26  # turns are rounded to half degrees


def test_arms_follow_each_other_counter_clockwise_from_the_upper_end_of_the_first_line():
    """By hand: a line that leans right at its upper end by 20 degrees points up and a little to the right."""
    target = next(t for t in sheet("A3").targets if t.turn_deg > 5)
    up = target.arm_direction(1)
    assert up[0] < 0 < up[1]
    assert degrees(np.arctan2(up[1], -up[0])) == pytest.approx(target.turn_deg)
    for one, following in pairwise([1, 2, 3, 4, 1]):
        before, after = target.arm_direction(one), target.arm_direction(following)
        # Counter-clockwise as seen: from up to left, so (down, right) turns (-1, 0) into (0, -1).
        assert after == pytest.approx((-before[1], before[0]), abs=1e-12)


def test_ids_of_named_pages_tell_page_and_place_alone():
    seen = {}
    for paper in NAMED_PAPERS:
        for place, marker_id in enumerate(marker_ids(paper)):
            assert seen.setdefault(marker_id, paper) is paper
            assert marker_id == MARKERS * NAMED_PAPERS.index(paper) + place
            assert paper_from_ids([marker_id]) is paper


@settings(max_examples=60, deadline=None)
@given(short=st.integers(140, 2047), long=st.integers(140, 2047), first=st.integers(0, 1))
def test_half_a_sheet_of_any_size_spells_its_page(short, long, first):
    paper = paper_named(f"{short}x{long}")
    ids = marker_ids(paper)
    assert len(set(ids)) == MARKERS
    assert max(ids) < FIRST_FREE_ID
    half = ids[12 * first : 12 * first + 12]
    assert paper_from_ids(half).size_mm == paper.size_mm


def test_a_misread_marker_does_no_harm():
    ids = list(marker_ids(paper_named("500x400")))
    ids[3] = 17  # an A4 marker among them
    assert paper_from_ids(ids).size_mm == (400, 500)
    assert layout_from_markers([*marker_ids(paper_named("A3"))[:5], 200, 301]).name == "sheet A3"


def test_ids_that_are_no_sheets_are_refused():
    with pytest.raises(ChartError, match="do not tell which chart"):
        layout_from_markers([700, 801, 999])
    with pytest.raises(ChartError, match="at least half"):
        layout_from_markers(marker_ids(paper_named("500x400"))[:3])


def test_layouts_are_the_same_every_time():
    assert sheet("A2") == sheet("a2")
    assert layout_from_markers(marker_ids(paper_named("640x480"))).targets == sheet("640x480").targets
