"""A sheet over smaller pages: joined by the marks, the pages give the sheet again."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pypdfium2
import pytest

from lensbench.chart.draw.sheet import draw
from lensbench.chart.draw.tiling import OVERLAP_MM, draw_tiled, tiling
from lensbench.chart.layout.sheet import sheet
from lensbench.model.errors import SettingError

DPI = 50


def rasters(path):
    document = pypdfium2.PdfDocument(path)
    pages = [page.render(scale=DPI / 72, grayscale=True).to_numpy().squeeze() for page in document]
    document.close()
    return pages


@pytest.mark.parametrize("paper", ["A2", "A1"])
def test_joined_tiles_are_the_sheet(tmp_path, paper):
    """Each tile's window, laid at its place, against PDFium's raster of the sheet less what joins would cross."""
    layout = sheet(paper)
    plan = tiling(layout, "A4")
    kept = replace(layout, targets=tuple(t for t in layout.targets if t.name not in plan.left_out))
    draw(kept, tmp_path / "whole.pdf")
    draw_tiled(layout, plan, tmp_path / "tiles.pdf")
    (whole,) = rasters(tmp_path / "whole.pdf")
    pages = rasters(tmp_path / "tiles.pdf")
    assert len(pages) == len(plan.tiles)
    covered = np.zeros(whole.shape, dtype=bool)
    for tile, page in zip(plan.tiles, pages, strict=True):
        rows, cols = np.indices(page.shape)
        on_page = [
            ((index + 0.5) / count - 0.5) * size
            for index, count, size in zip((rows, cols), page.shape, plan.paper_mm, strict=True)
        ]
        window = np.all(
            [np.abs(mm) < shown / 2 - 0.6 for mm, shown in zip(on_page, tile.shown_mm, strict=True)], axis=0
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


def borders(tile):
    """Upper, left, lower, right border of what a tile shows, on the sheet."""
    (row, col), (height, width) = tile.center_mm, tile.shown_mm
    return row - height / 2, col - width / 2, row + height / 2, col + width / 2


@pytest.mark.parametrize(("paper", "tile", "lost"), [("A3", "A4", 0), ("A2", "A4", 0), ("A1", "A4", 5)])
def test_joins_keep_off_the_targets(paper, tile, lost):
    """Neither printed target nor focusing aid nor tone lies under a cut edge; checked tile by tile."""
    layout = sheet(paper)
    plan = tiling(layout, tile)
    assert len(plan.left_out) <= lost
    printed = [t for t in layout.targets if t.name not in plan.left_out]
    discs = [(t.center_mm, t.radius_mm) for t in printed] + [((0.0, 0.0), layout.quiet_radius_mm)]
    discs += [(tone.center_mm, tone.side_mm / 2) for tone in layout.tones]
    for one in plan.tiles:
        top, left, bottom, right = borders(one)
        for (row, col), radius in discs:
            if not one.uncut[0] and left - radius < col < right - OVERLAP_MM + radius:
                assert abs(row - top) > radius
            if not one.uncut[1] and top - radius < row < bottom - OVERLAP_MM + radius:
                assert abs(col - left) > radius


@pytest.mark.parametrize(("paper", "tile"), [("A1", "A4"), ("A3", "Letter"), ("Tabloid", "A4")])
def test_neighbours_overlap_by_ten_millimetres(paper, tile):
    plan = tiling(sheet(paper), tile)
    for one, other in pairwise(plan.tiles):
        if one.strip == other.strip:
            assert borders(one)[3 - plan.axis] - borders(other)[1 - plan.axis] == pytest.approx(OVERLAP_MM)
            assert borders(one)[plan.axis] == borders(other)[plan.axis]
        else:
            assert borders(one)[2 + plan.axis] - borders(other)[plan.axis] == pytest.approx(OVERLAP_MM)


def test_marks_stand_where_to_cut_and_where_the_neighbours_cut_comes_to_lie(tmp_path):
    layout = sheet("A3")
    plan = tiling(layout, "A4")
    draw_tiled(layout, plan, tmp_path / "tiles.pdf")
    pages = rasters(tmp_path / "tiles.pdf")
    for tile, page in zip(plan.tiles, pages, strict=True):
        half_row, half_col = (shown / 2 for shown in tile.shown_mm)

        def darkest(row_mm, col_mm, page=page):
            """Look at a pixel and its neighbours."""
            row, col = (
                round((0.5 + mm / size) * count - 0.5)
                for mm, size, count in zip((row_mm, col_mm), plan.paper_mm, page.shape, strict=True)
            )
            return page[row - 1 : row + 2, col - 1 : col + 2].min()

        assert (darkest(-half_row, -half_col - 4.0) < 230) is not tile.uncut[0]
        assert (darkest(half_row - OVERLAP_MM, half_col + 4.0) < 230) is not tile.last[0]
        assert (darkest(half_row + 4.0, -half_col) < 230) is not tile.uncut[1]


def test_words_on_every_tile(tmp_path):
    plan = tiling(sheet("A1"), "A4")
    draw_tiled(sheet("A1"), plan, tmp_path / "tiles.pdf")
    document = pypdfium2.PdfDocument(tmp_path / "tiles.pdf")
    for tile, page in zip(plan.tiles, document, strict=True):
        text = page.get_textpage().get_text_range()
        assert f"column {tile.strip}, page {tile.page}" in text
        assert "50 mm long" in text
        assert all(name in text for name in plan.left_out)
    document.close()


@pytest.mark.parametrize(("paper", "tile"), [("A4", "A4"), ("A4", "A3"), ("2000x1500", "140x140")])
def test_tiles_that_make_no_sense_are_refused(paper, tile):
    with pytest.raises(SettingError, match="--tile"):
        tiling(sheet(paper), tile)
