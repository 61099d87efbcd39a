"""The wall set: its pages as data, where they hang, and the PDF as PDFium reads it."""

import re
from itertools import combinations
from math import hypot
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest
import typer
from typer.testing import CliRunner

from lensbench.chart.draw.charts import draw_wall
from lensbench.chart.layout.parts import (
    FIRST_FREE_ID,
    MOST_PAGES,
    WALL_PAPERS,
    dictionary,
    page_marker,
    page_marker_ids,
)
from lensbench.chart.layout.sheet import RATIOS
from lensbench.chart.layout.wall import PLACES, arrow_turn_deg, hanging, hung, wall_page
from lensbench.cli.options import command
from lensbench.cli.prepare import chart
from lensbench.model.errors import SettingError

DPI = 200


def clearance(angle_deg):
    """Degrees to the nearest pixel row, column or diagonal."""
    return min(abs(angle_deg % 45.0), 45.0 - angle_deg % 45.0)


def test_every_marker_tells_paper_page_and_place():
    seen = {}
    for paper in WALL_PAPERS:
        for number in range(1, MOST_PAGES + 1):
            for place, marker_id in enumerate(page_marker_ids(paper, number)):
                assert marker_id not in seen
                seen[marker_id] = (paper, number, place)
    assert min(seen) == 576  # sheets end at 575
    assert max(seen) == FIRST_FREE_ID - 1 < 1000  # the family has 1000 ids
    for marker_id, (paper, number, place) in seen.items():
        told = page_marker(marker_id)
        assert (told.paper, told.number, told.place) == (paper, number, place)
    assert page_marker(575) is None
    assert page_marker(FIRST_FREE_ID) is None


@pytest.mark.parametrize("paper", WALL_PAPERS)
def test_nothing_touches_on_a_page(paper):
    page = wall_page(paper, 5)
    height, width = page.paper_mm
    for shape in (*page.markers, *page.tones):
        inner = [max(abs(c) - shape.side_mm / 2, 0.0) for c in shape.center_mm]
        assert hypot(*inner) > page.target.radius_mm + 3.0
        assert all(
            abs(c) + shape.side_mm / 2 <= side / 2 - 9.99
            for c, side in zip(shape.center_mm, (height, width), strict=True)
        )
    for one, other in combinations((*page.markers, *page.tones), 2):
        apart = max(abs(a - b) for a, b in zip(one.center_mm, other.center_mm, strict=True))
        # A marker's quiet zone is one module: a seventh of its side.
        quiet = max(getattr(s, "side_mm", 0) for s in page.markers) / 7 if one in page.markers else 0
        assert apart >= (one.side_mm + other.side_mm) / 2 + quiet
    assert page.target.radius_mm > 0.42 * width


@pytest.mark.parametrize("number", range(1, MOST_PAGES + 1))
def test_arms_run_along_the_radius_give_or_take_and_clear_of_the_pixels_axes(number):
    """As hung with the arrow to the centre: 5 to 10 degrees off, 3 from rows, columns and diagonals."""
    page = wall_page("A4", number)
    assert 5.0 <= abs(page.target.turn_deg) <= 10.0
    down, right = PLACES[number - 1].share
    for across, along in RATIOS:
        # Outermost targets hang 0.06 of the frame's width inside its border.
        center = ((along / across / 2 - 0.06) * down, 0.44 * right)
        assert clearance(page.target.turn_deg + arrow_turn_deg(center)) >= 3.0


@pytest.mark.parametrize(("pages", "paper", "distance"), [(13, "A4", 50), (29, "Letter", 80), (9, "A3", 70)])
def test_the_plan_reaches_corners_and_edges(pages, paper, distance):
    plan = hanging(pages, paper=paper, focal_lengths=distance)
    # Thin lens: wall to sensor f (2 + m + 1/m).
    m = 24.0 / plan.frame_mm[0]
    assert 2 + m + 1 / m == pytest.approx(distance)
    half = np.array(plan.frame_mm) / 2
    for page in plan.pages:
        assert (np.abs(page.center_mm) + page.target.radius_mm <= half).all()
    corner = max(hypot(*page.center_mm) for page in plan.pages)
    assert corner > 0.8 * hypot(*half)
    assert {page.page.number for page in plan.pages} == set(range(1, pages + 1))


def test_arrows_point_to_the_centre():
    for page in hanging(13, paper="A4").pages[1:]:
        top = np.array(page.center_mm) + 100 * np.array(
            [-np.cos(np.radians(page.turn_deg)), np.sin(np.radians(page.turn_deg))]
        )
        assert hypot(*top) == pytest.approx(hypot(*page.center_mm) - 100, abs=1e-9)


def test_a_page_hung_turned_has_its_marks_where_a_turned_page_has_them():
    """By hand: turned 90 degrees clockwise, the page's upper left corner stands at the upper right."""
    page = hung(wall_page("A4", 3), (10.0, 20.0), turn_deg=90.0, scale=1.01)
    row, col = wall_page("A4", 3).markers[0].center_mm
    assert page.markers[0].center_mm == pytest.approx((10.0 + 1.01 * col, 20.0 - 1.01 * row))
    assert page.target.turn_deg == pytest.approx(wall_page("A4", 3).target.turn_deg + 90.0)


def test_pages_that_would_overlap_are_refused_with_a_way_out():
    with pytest.raises(SettingError, match=r"stand at \d+ focal lengths, or hang 5"):
        hanging(13, paper="A4", focal_lengths=25)
    told = hanging(13, paper="A4", focal_lengths=40)
    assert len(told.pages) == 13
    for wrong in ({"paper": "A0"}, {"paper": "A4", "focal_lengths": 3}, {"paper": "A4", "sensor_mm": (1, 2)}):
        with pytest.raises(SettingError):
            hanging(5, **wrong)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    path = tmp_path_factory.mktemp("wall") / "wall.pdf"
    plan = hanging(13, paper="A4")
    draw_wall(plan, path)
    document = pypdfium2.PdfDocument(path)
    yield plan, path, document
    document.close()


def test_a_page_each_and_one_that_tells_where_to_hang(drawn):
    plan, path, document = drawn
    assert len(document) == 14
    first = document[0].get_textpage().get_text_range()
    for words in (
        "Where to hang the 13 pages",
        "50 focal lengths",
        "173 x 115 cm",
        "50 mm: 2.50 m",
        "47 down",
    ):
        assert words in first
    for caution in ("ladder", "tape", "hot", "not yours", "100 %"):
        assert caution in first
    for number in range(1, 14):
        text = document[number].get_textpage().get_text_range()
        assert "of 13" in text
        assert "100 mm long" in text
        assert document[number].get_size() == pytest.approx((210 * 72 / 25.4, 297 * 72 / 25.4), abs=1e-3)
    draw_wall(plan, path.with_name("again.pdf"))
    assert path.with_name("again.pdf").read_bytes() == path.read_bytes()
    assert b"/PrintScaling /None" in path.read_bytes()


@pytest.mark.parametrize("number", [1, 7])
def test_marks_stand_where_the_layout_says(drawn, number):
    """OpenCV reads the markers, and its saddle finder the crossing, on PDFium's raster."""
    _, _, document = drawn
    page = wall_page("A4", number)
    picture = document[number].render(scale=DPI / 72, grayscale=True).to_numpy().squeeze()

    def at(point_mm):
        return [
            (mm / size + 0.5) * pixels - 0.5
            for mm, size, pixels in zip(point_mm, page.paper_mm, picture.shape, strict=True)
        ]

    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary(), cv2.aruco.DetectorParameters()).detectMarkers(
        picture
    )
    seen = dict(zip(ids.ravel().tolist(), corners, strict=True))
    assert set(seen) == {marker.marker_id for marker in page.markers}
    for marker in page.markers:
        assert seen[marker.marker_id][0].mean(axis=0)[::-1] == pytest.approx(at(marker.center_mm), abs=1.0)
    row, col = at((0.0, 0.0))
    limits = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-3)
    start = np.array([[[col, row]]], dtype=np.float32)
    assert cv2.cornerSubPix(picture, start, (15, 15), (-1, -1), limits)[0, 0] == pytest.approx(
        (col, row), abs=0.15
    )
    for arm, dark in ((1, True), (2, False), (3, True), (4, False)):
        middle = np.add(page.target.arm_direction(arm), page.target.arm_direction(arm % 4 + 1))
        for reach, ink in ((0.6, dark), (0.705, dark), (0.71, False)):
            r, c = at(reach * page.target.radius_mm * middle)
            assert (picture[round(r), round(c)] < 128) == ink
    for tone in page.tones:
        r, c = at(tone.center_mm)
        # sRGB, IEC 61966-2-1.
        linear = picture[round(r), round(c)] / 255
        linear = linear / 12.92 if linear <= 0.04045 else ((linear + 0.055) / 1.055) ** 2.4
        assert linear == pytest.approx(tone.reflectance, abs=0.005)


def test_the_ready_wall_set_is_what_the_program_draws(drawn):
    ready = Path(__file__).parents[2] / "charts" / "wall-13-a4.pdf"
    assert operators(ready) == operators(drawn[1])
    assert len(operators(ready)) == 14


def operators(path):
    """Give the pages' content streams, which our PDFs keep uncompressed."""
    streams = re.findall(rb"stream\r?\n(.*?)endstream", path.read_bytes(), re.DOTALL)
    return [stream for stream in streams if stream.startswith(b"1 0 0 1 0 0 cm")]


def test_command_makes_a_wall_set(tmp_path):
    app = typer.Typer()
    app.command()(command(chart))
    out = tmp_path / "wall.pdf"
    done = CliRunner().invoke(app, ["--wall", "5", "--paper", "A4", "--distance-f", "30", "--out", str(out)])
    assert done.exit_code == 0
    assert "5 pages A4" in done.stdout
    assert out.exists()
    strange = CliRunner().invoke(app, ["--wall", "5", "--sensor", "big", "--out", str(out)])
    assert isinstance(strange.exception, SettingError)
