"""The PDF against the layout: rasterised by PDFium, an independent reader, and read as drawing operators."""

import re
from math import hypot
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest
import typer
from typer.testing import CliRunner

from lensbench.chart.draw.charts import draw
from lensbench.chart.draw.page import device_gray
from lensbench.chart.layout.parts import dictionary
from lensbench.chart.layout.sheet import sheet
from lensbench.cli.options import command
from lensbench.cli.prepare import chart
from lensbench.model.errors import SettingError

CHARTS = Path(__file__).parents[2] / "charts"
DPI = 300
PX_PER_MM = DPI / 25.4


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """A4 at 4:1: layout, file and raster."""
    layout = sheet("A4")
    path = tmp_path_factory.mktemp("drawn") / "a4.pdf"
    draw(layout, path)
    return layout, path, raster(path)


def raster(path):
    document = pypdfium2.PdfDocument(path)
    try:
        return document[0].render(scale=DPI / 72, grayscale=True).to_numpy().squeeze()
    finally:
        document.close()


def at(layout, picture, point_mm):
    """Give raster coordinates; PDFium stretches the page to whole pixels."""
    return tuple(
        (mm / size + 0.5) * pixels - 0.5
        for mm, size, pixels in zip(point_mm, layout.paper_mm, picture.shape, strict=True)
    )


def grey_at(layout, picture, point_mm):
    row, col = at(layout, picture, point_mm)
    return int(picture[round(row), round(col)])


@pytest.mark.parametrize("paper", ["A4", "Tabloid", "500x400"])
def test_page_is_exact_and_asks_not_to_be_scaled(tmp_path, paper):
    layout = sheet(paper)
    draw(layout, tmp_path / "chart.pdf")
    document = pypdfium2.PdfDocument(tmp_path / "chart.pdf")
    # A point is 1/72 inch (ISO 32000-1:2008, 8.3.2.3).
    expected = (layout.paper_mm[1] * 72 / 25.4, layout.paper_mm[0] * 72 / 25.4)
    assert document[0].get_size() == pytest.approx(expected, abs=1e-3)
    assert len(document) == 1
    document.close()
    assert b"/PrintScaling /None" in (tmp_path / "chart.pdf").read_bytes()


def test_the_same_bytes_every_time(drawn, tmp_path):
    layout, path, _ = drawn
    draw(layout, tmp_path / "again.pdf")
    assert (tmp_path / "again.pdf").read_bytes() == path.read_bytes()


def test_only_device_gray_vectors_and_an_embedded_font(drawn):
    _, path, _ = drawn
    whole = path.read_bytes()
    operators = drawing_operators(path).split()
    assert not {"rg", "RG", "k", "K", "cs", "CS", "sc", "scn", "sh", "Do", "BI"} & set(operators)
    assert "g" in operators
    for forbidden in (b"/JavaScript", b"/JS", b"/OpenAction", b"/AA", b"/URI", b"/Launch", b"/EmbeddedFile"):
        assert not re.search(re.escape(forbidden) + rb"\b", whole)
    assert whole.count(b"/FontFile2") == whole.count(b"/BaseFont") >= 1
    assert b"Helvetica" not in whole


def test_crossings_and_markers_stand_where_the_layout_says(drawn):
    layout, _, picture = drawn
    for target in layout.targets:
        row, col = at(layout, picture, target.center_mm)
        start = np.array([[[col, row]]], dtype=np.float32)
        limits = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-3)
        found = cv2.cornerSubPix(picture, start.copy(), (15, 15), (-1, -1), limits)[0, 0]
        # OpenCV's saddle on an unblurred raster is good to 0.05 px (4 um on the page).
        assert hypot(found[0] - col, found[1] - row) < 0.1
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary(), cv2.aruco.DetectorParameters()).detectMarkers(
        cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    )
    seen = dict(zip(ids.ravel().tolist(), corners, strict=True))
    for marker in layout.markers:
        middle = 2 * seen[marker.marker_id][0].mean(axis=0)[::-1] + 0.5
        assert middle == pytest.approx(at(layout, picture, marker.center_mm), abs=2.0)
        # Upright on the page: its first corner is the upper left one.
        first = seen[marker.marker_id][0][0]
        assert (2 * first < middle[::-1]).all()


def test_quarters_are_dark_and_light_as_the_layout_says(drawn):
    layout, _, picture = drawn
    # sRGB: 0.25 of the light is code 137 of 255 (IEC 61966-2-1).
    for target in layout.targets:
        for arm, grey in ((1, 137), (2, 255), (3, 137), (4, 255)):
            one, other = target.arm_direction(arm), target.arm_direction(arm % 4 + 1)
            middle = 0.5 * target.radius_mm * (np.array(one) + np.array(other)) / np.sqrt(2)
            assert abs(grey_at(layout, picture, target.center_mm + middle) - grey) <= 1
            rim = np.array(target.center_mm) + middle / hypot(*middle) * (target.radius_mm + 0.2)
            assert grey_at(layout, picture, rim) == 255
            within = np.array(target.center_mm) + middle / hypot(*middle) * (target.radius_mm - 0.2)
            assert abs(grey_at(layout, picture, within) - grey) <= 1


def test_the_printed_length_is_exact(drawn):
    layout, _, picture = drawn
    row_mm = layout.frames[0].size_mm[0] / 2
    below = picture[round(at(layout, picture, (row_mm + 2.0, 0))[0]) :, :] < 128
    longest_px = max(longest_run(line) for line in below)
    assert longest_px / PX_PER_MM == pytest.approx(100.0, abs=0.1)


def longest_run(line):
    """Give the length of the longest stretch of True."""
    ends = np.flatnonzero(np.diff(np.pad(line.astype(int), 1)))
    return int((ends[1::2] - ends[::2]).max(initial=0))


def test_words_and_ratios_are_on_the_page(drawn):
    _, path, _ = drawn
    document = pypdfium2.PdfDocument(path)
    text = document[0].get_textpage().get_text_range()
    document.close()
    for words in (
        "sheet A4",
        "100 mm",
        "actual size",
        "matte paper",
        "3:2",
        "4:3",
        "16:9",
        "1:1",
        "4:1",
        "hot",
    ):
        assert words in text


CORNERS = [(down, right) for down in (-1, 1) for right in (-1, 1)]


@pytest.mark.parametrize("paper", ["A4", "A3", "Letter", "500x400"])
def test_a_brackets_elbow_is_the_corner_of_its_frame(tmp_path, paper):
    """Ink right outside a frame's corner, paper right inside."""
    layout = sheet(paper)
    draw(layout, tmp_path / "chart.pdf")
    picture = raster(tmp_path / "chart.pdf")
    for frame in layout.frames:
        for down, right in CORNERS:
            row, col = down * frame.size_mm[0] / 2, right * frame.size_mm[1] / 2
            assert grey_at(layout, picture, (row + down * 0.2, col + right * 0.2)) == 0
            assert grey_at(layout, picture, (row - down * 0.3, col - right * 0.3)) == 255


def test_each_ratio_has_a_line_of_its_own(drawn):
    """Light and dark along each bracket's long arm, half a plain line outside the border: shares of ink tell them."""
    layout, _, picture = drawn
    reach = [max(frame.size_mm[axis] for frame in layout.frames) / 2 for axis in (0, 1)]
    unit_mm = 0.003 * layout.paper_mm[0]
    shares = {}
    for frame in layout.frames:
        half = np.divide(frame.size_mm, 2)
        axis = int(np.argmin(np.subtract(reach, half)))  # the border that lies in the margin
        inks = []
        for out in (0.5, 1.15, 2.0):
            steps = np.linspace(1.2, 10.8, 97) * unit_mm
            points = np.column_stack((half[axis] + out * unit_mm + 0 * steps, half[1 - axis] - steps))
            inks.append(
                np.mean([grey_at(layout, picture, p if axis == 0 else p[::-1]) < 128 for p in points])
            )
        shares[frame.ratio] = inks
    assert shares["3:2"][0] > 0.95
    assert shares["4:3"][0] > 0.95
    # The second stroke of the double line, and nothing between both.
    assert [shares[ratio][2] > 0.95 for ratio in ("3:2", "4:3", "16:9", "1:1")] == [False, True, False, False]
    assert shares["4:3"][1] < 0.3
    for ratio in ("16:9", "1:1"):
        assert 0.3 < shares[ratio][0] < 0.7


def test_nothing_is_printed_where_printers_do_not_reach(drawn):
    """Office printers leave 4 to 5 mm unprinted: common practice, no source."""
    _, _, picture = drawn
    margin = round(4.5 * PX_PER_MM)
    inside = picture[margin:-margin, margin:-margin]
    assert np.count_nonzero(picture < 128) == np.count_nonzero(inside < 128)


def test_grey_follows_srgb_and_says_it_is_no_reflectance():
    # IEC 61966-2-1: linear 0.2140411 is code 0.5.
    assert device_gray(0.2140411) == pytest.approx(0.5, abs=1e-6)
    assert device_gray(0.0) == 0.0
    assert device_gray(1.0) == pytest.approx(1.0)


def test_solid_is_black(tmp_path):
    layout = sheet("A4", solid=True)
    draw(layout, tmp_path / "solid.pdf")
    greys = set(re.findall(r"([\d.]+) g\b", drawing_operators(tmp_path / "solid.pdf")))
    tones = {round(device_gray(tone.reflectance), 4) for tone in layout.tones}
    assert {round(float(grey), 4) for grey in greys} == {0.0} | tones


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(SettingError, match="cannot be written"):
        draw(sheet("A4"), tmp_path / "missing" / "chart.pdf")


def drawing_operators(path: Path) -> str:
    """Give the page's content stream, which our PDFs keep uncompressed."""
    streams = re.findall(rb"stream\r?\n(.*?)endstream", path.read_bytes(), re.DOTALL)
    return next(stream for stream in streams if stream.startswith(b"1 0 0 1 0 0 cm")).decode("latin-1")


@pytest.mark.parametrize("paper", ["A4", "A3", "Letter"])
def test_ready_charts_are_what_the_program_draws(tmp_path, paper):
    draw(sheet(paper), tmp_path / "chart.pdf")
    ready = CHARTS / f"sheet-{paper.lower()}.pdf"
    assert drawing_operators(tmp_path / "chart.pdf") == drawing_operators(ready)


def test_command_draws_a_chart(tmp_path):
    app = typer.Typer()
    app.command()(command(chart))
    out = tmp_path / "chart.pdf"
    done = CliRunner().invoke(app, ["--paper", "A4", "--out", str(out)])
    assert done.exit_code == 0
    assert "sheet A4" in done.stdout
    draw(sheet("A4"), tmp_path / "again.pdf")
    assert out.read_bytes() == (tmp_path / "again.pdf").read_bytes()
    wrong = CliRunner().invoke(app, ["--solid", "--contrast", "3", "--out", str(out)])
    assert isinstance(wrong.exception, SettingError)
