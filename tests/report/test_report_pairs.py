"""The report of a comparison: both lenses on one scale, their difference, and the same targets to look at."""

import base64
import dataclasses
import io
import math

import numpy as np
import PIL.Image
import pypdfium2
import pytest
from invented_shoot import THUMBNAILS
from measured_lenses import sharper, sweep_lens

from lensbench.compare.compare import compare_lenses
from lensbench.model.measured import BestOfSweep
from lensbench.model.setting import Setting
from lensbench.model.shot import Place
from lensbench.report.draw.render import draw
from lensbench.report.out.html import page_of
from lensbench.report.out.pdf import pdf_of
from lensbench.report.page.compare import compare_report
from lensbench.report.page.document import Crops, Part, Plots

CURVE = {2.8: 0.22, 5.6: 0.30}


def pictured(lens, thumbnails=THUMBNAILS):
    """The lens with pixels kept of its first shot of each setting, and its best setting."""
    shots = []
    for shot in lens.shots:
        first = shot.setting not in {other.setting for other in shots}
        shots.append(dataclasses.replace(shot, thumbnails=thumbnails if first else ()))
    best = BestOfSweep(setting=Setting(focal_length_mm=35.0, f_number=5.6), mtf50_cypx=0.3, ci95_cypx=None)
    return dataclasses.replace(lens, shots=tuple(shots), best=best)


@pytest.fixture(scope="module")
def lenses():
    return (
        pictured(sweep_lens("Fennel", CURVE, seed=1, sd=0.004)),
        pictured(sweep_lens("Sorrel", sharper(0.2, CURVE), seed=2, sd=0.004)),
    )


@pytest.fixture(scope="module")
def report(lenses):
    return compare_report(compare_lenses(lenses), lenses)


def blocks_of(report, kind):
    (pair,) = [block for block in report.blocks if isinstance(block, Part)]
    return [block for block in pair.blocks if isinstance(block, kind)]


def test_both_lenses_stand_on_one_scale_with_their_difference(report, lenses):
    (frame,), (thirds,) = (block.plots for block in blocks_of(report, Plots))
    (strip,) = frame.strips
    first, second = strip.lines
    rows = [row for row in compare_lenses(lenses).pairs[0].rows if row.zone == "frame"]
    # 100 % is the higher of all means; a stop is 0.5 on the axis.
    assert [percent for _, percent in second.path] == pytest.approx(
        [100.0 * row.second / rows[1].second for row in rows]
    )
    assert [place for place, _ in first.path] == pytest.approx([math.log2(2.8), math.log2(5.6)])
    assert (len(first.shots), len(second.shots)) == (6, 6)
    assert (first.best, second.best_percent) == (first.path[1], 100.0)
    assert [one.percent for one in strip.differences] == [row.difference_percent for row in rows]
    assert frame.equal_percent == rows[0].equal_within_percent == 3.0
    assert [strip.name for strip in thirds.strips] == ["inner third", "middle third", "outer third"]


def test_the_same_targets_of_both_are_shown_in_actual_pixels(report):
    (crops,) = blocks_of(report, Crops)
    assert [(row.setting, row.name) for row in crops.rows] == [
        (f"35 mm, f/{stop:g}", name) for stop in (2.8, 5.6) for name in ("Fennel", "Sorrel")
    ]
    with PIL.Image.open(io.BytesIO(base64.b64decode(crops.rows[0].picture.partition(",")[2]))) as picture:
        assert picture.size == (crops.width_px, crops.height_px)
        grey = np.asarray(picture.convert("LA"))
    side_px = min(crops.height_px, THUMBNAILS[0].box.height)
    light = THUMBNAILS[0].light
    start = (light.shape[0] - side_px) // 2
    shown = light[start : start + side_px, start : start + side_px] > 0.5
    # One pixel of the picture for one of the photograph, bright where it is bright.
    assert ((grey[:side_px, :side_px, 0] > 150) == shown).all()


def test_a_target_that_only_one_lens_shows_is_left_out(lenses):
    other = [
        dataclasses.replace(own, target="T99") if own.place is Place.UPPER_LEFT else own for own in THUMBNAILS
    ]
    both = (lenses[0], pictured(lenses[1], tuple(other)))
    (crops,) = blocks_of(compare_report(compare_lenses(both), both), Crops)
    assert {row.places for row in crops.rows} == {"centre, upper right, lower left, lower right"}
    without = (lenses[0], pictured(lenses[1], ()))
    assert blocks_of(compare_report(compare_lenses(without), without), Crops) == []


def test_page_and_paper_show_the_crops(report):
    drawings = {plot.key: draw(plot) for plot in report.plots}
    page = page_of(report, drawings)
    assert page.count('<img src="data:image/png;base64,') == 4
    assert 'alt="Sorrel at 35 mm, f/5.6: centre, upper left' in page
    with pypdfium2.PdfDocument(pdf_of(report)) as paper:
        text = " ".join(sheet.get_textpage().get_text_bounded() for sheet in paper)
    assert "See for yourself" in text
    assert "35 mm, f/5.6: Fennel" in text
