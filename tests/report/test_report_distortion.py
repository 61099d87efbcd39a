"""Distortion, fall of light and framing in the report: from figures put in by hand."""

from dataclasses import replace

from invented_shoot import FOCALS_MM, STOPS, invented_findings, invented_lens, invented_shots

from lensbench.model.shot import ShotResult
from lensbench.report.page.document import Fold, Part, Table
from lensbench.report.page.sweep import distortion_and_shading_grid, sweep_report


def lit(shots):
    """Half the light far out at the widest stop, a quarter more at each stop after it; barrel up to 35 mm."""
    for shot in shots:
        if not isinstance(shot.result, ShotResult):
            yield shot
            continue
        setting = shot.planned.setting
        chart = replace(
            shot.result.chart,
            framing_percent=93.4,
            outermost_height=0.91,
            outermost_light_percent=min(50.0 + 25.0 * sorted(STOPS).index(setting.f_number), 100.0),
            radial_distortion_percent=-2.0 if setting.focal_length_mm <= 35.0 else 1.0,
        )
        yield replace(shot, result=replace(shot.result, chart=chart))


def test_a_row_for_every_focal_length():
    grid = distortion_and_shading_grid(invented_lens(), list(lit(invented_shots())))
    assert [row[0] for row in grid.rows] == [f"{focal:g} mm" for focal in sorted(FOCALS_MM)]
    assert grid.caption.endswith(", 0.91 of the way to the corner")
    widest, narrowest = min(STOPS), max(STOPS)
    for focal, row in zip(sorted(FOCALS_MM), grid.rows, strict=True):
        assert row[1] == ("-2.0 %" if focal <= 35.0 else "+1.0 %")
        # log2 of a half is one stop.
        assert row[2].startswith(f"f/{widest:g}: 50 % (-1.0 stops)")
        assert row[3].startswith(f"f/{narrowest:g}: hardly any fall")
        assert row[4] == "93 %"


def test_shots_that_were_not_used_do_not_count():
    shots = list(lit(invented_shots()))
    astray = [
        replace(
            shot,
            result=replace(shot.result, chart=replace(shot.result.chart, radial_distortion_percent=50.0)),
            reason="out of focus",
        )
        for shot in shots
        if isinstance(shot.result, ShotResult)
    ]
    grid = distortion_and_shading_grid(invented_lens(), [*shots, *astray])
    assert {row[1] for row in grid.rows} <= {"-2.0 %", "+1.0 %"}


def test_nothing_is_said_where_the_chart_told_nothing():
    assert distortion_and_shading_grid(invented_lens(), invented_shots()) is None
    assert not any("light in percent" in caption for caption in captions(invented_shots()))


def captions(shots):
    """Of the tables under «Figures»."""
    (lens,) = (block for block in sweep_report(invented_findings(), shots).blocks if isinstance(block, Part))
    (fold,) = (block for block in lens.blocks if isinstance(block, Fold) and block.title == "Figures")
    return [block.grid.caption for block in fold.blocks if isinstance(block, Table)]


def test_it_stands_in_the_report():
    assert any("light in percent" in caption for caption in captions(list(lit(invented_shots()))))
