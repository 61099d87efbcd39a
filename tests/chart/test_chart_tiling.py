"""A sheet over smaller pages: joined by the marks, the pages give the sheet again."""

import numpy as np
import pypdfium2
import pytest

from lensbench.chart.drawing import draw
from lensbench.chart.layout import sheet
from lensbench.chart.tiling import OVERLAP_MM, draw_tiled, tiling
from lensbench.errors import SettingError

DPI = 50


def rasters(path):
    document = pypdfium2.PdfDocument(path)
    pages = [page.render(scale=DPI / 72, grayscale=True).to_numpy().squeeze() for page in document]
    document.close()
    return pages


def test_joined_tiles_are_the_sheet(tmp_path):
    """Each tile's window, laid at its place, against PDFium's raster of the whole sheet."""
    layout = sheet("A2")
    plan = tiling(layout, "A4")
    draw(layout, tmp_path / "whole.pdf")
    draw_tiled(layout, plan, tmp_path / "tiles.pdf")
    (whole,) = rasters(tmp_path / "whole.pdf")
    pages = rasters(tmp_path / "tiles.pdf")
    assert len(pages) == plan.rows * plan.cols == len(plan.tiles)
    covered = np.zeros(whole.shape, dtype=bool)
    for tile, page in zip(plan.tiles, pages, strict=True):
        rows, cols = np.indices(page.shape)
        on_page = [
            ((index + 0.5) / count - 0.5) * size
            for index, count, size in zip((rows, cols), page.shape, plan.paper_mm, strict=True)
        ]
        window = np.all(
            [np.abs(mm) < shown / 2 - 0.6 for mm, shown in zip(on_page, plan.shown_mm, strict=True)], axis=0
        )
        place = [
            np.rint(((mm + middle) / size + 0.5) * count - 0.5).astype(int)
            for mm, middle, size, count in zip(
                on_page, tile.center_mm, layout.paper_mm, whole.shape, strict=True
            )
        ]
        inside = window & (place[0] >= 0) & (place[0] < whole.shape[0])
        inside &= (place[1] >= 0) & (place[1] < whole.shape[1])
        there = whole[place[0][inside], place[1][inside]].astype(int)
        # Rasters of half a millimetre a pixel differ at edges only.
        assert np.mean(np.abs(there - page[inside].astype(int)) > 60) < 0.02
        covered[place[0][inside], place[1][inside]] = True
    assert covered.mean() > 0.97


def test_neighbours_overlap_and_their_marks_meet(tmp_path):
    plan = tiling(sheet("A1"), "A4")
    by_name = {tile.name: tile for tile in plan.tiles}
    step = by_name["A2"].center_mm[1] - by_name["A1"].center_mm[1]
    assert step == pytest.approx(plan.shown_mm[1] - OVERLAP_MM)
    draw_tiled(sheet("A1"), plan, tmp_path / "tiles.pdf")
    page = rasters(tmp_path / "tiles.pdf")[0]
    # A mark at the upper border of the window, in the left margin.
    row = round((0.5 - plan.shown_mm[0] / 2 / plan.paper_mm[0]) * page.shape[0] - 0.5)
    col = round((0.5 - (plan.shown_mm[1] / 2 + 4) / plan.paper_mm[1]) * page.shape[1] - 0.5)
    assert page[row - 1 : row + 2, col].min() < 230


def test_words_on_every_tile(tmp_path):
    plan = tiling(sheet("A2"), "A4")
    draw_tiled(sheet("A2"), plan, tmp_path / "tiles.pdf")
    document = pypdfium2.PdfDocument(tmp_path / "tiles.pdf")
    for tile, page in zip(plan.tiles, document, strict=True):
        text = page.get_textpage().get_text_range()
        assert f"page {tile.name}" in text
        assert "50 mm long" in text
    document.close()


@pytest.mark.parametrize(("paper", "tile"), [("A4", "A4"), ("A4", "A3"), ("2000x1500", "140x140")])
def test_tiles_that_make_no_sense_are_refused(paper, tile):
    with pytest.raises(SettingError, match="--tile"):
        tiling(sheet(paper), tile)
