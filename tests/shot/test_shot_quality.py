"""Every remark on a photograph: a case that must raise it, and one that must not."""

from dataclasses import replace
from math import atan, degrees, hypot, nan, sqrt
from pathlib import Path

import numpy as np
import pytest
from chart_edges import a_chart_edge, an_edge, some_samples

from lensbench.model.shot import ChartSeen, Direction, Metadata, ShotResult, Tilt
from lensbench.shot.quality import is_white_clipped, quality_remarks, tilt_limit_deg

HEIGHTS = (0.1, 0.2, 0.5, 0.6, 0.8, 0.9) * 4


def a_shot(samples=None, uneven_light_percent=2.0, **changes) -> dict:
    """A photograph without fault: 24 edges in all zones, 12 targets, even light, 30 focal lengths away."""
    sound = ShotResult(
        path=Path("a.dng"),
        metadata=Metadata(lens="Example 50", f_number=5.6, focal_length_mm=50.0),
        size_px=(4000, 6000),
        sensor_data=True,
        pixel_pitch_um=4.0,
        chart=ChartSeen(
            name="sheet A3",
            targets_found=12,
            targets_on_chart=23,
            contrast=4.0,
            residual_px=0.1,
            radial_distortion_percent=0.0,
        ),
        tilt=Tilt(pitch_deg=0.1, yaw_deg=-0.2, roll_deg=8.0),
        magnification=1 / 28,
        distance_mm=1500.0,
        edges=tuple(a_chart_edge(an_edge(0.25), height=h, direction=Direction.SAGITTAL) for h in HEIGHTS),
        summary={},
        quality=(),
    )
    return {
        "shot": replace(sound, **changes),
        "white_clipped": [is_white_clipped(samples or some_samples())] * len(HEIGHTS),
        "uneven_light_percent": uneven_light_percent,
    }


def flags(taken: dict) -> list[str]:
    return [remark.flag for remark in quality_remarks(**taken)]


def edges_with(share=1.0, **figures) -> list:
    wanted = round(share * len(HEIGHTS))
    return [
        a_chart_edge(an_edge(0.25, **(figures if n < wanted else {})), height=h, direction=Direction.SAGITTAL)
        for n, h in enumerate(HEIGHTS)
    ]


def test_a_sound_shot_has_no_remark():
    assert flags(a_shot()) == []


SOUND = a_shot()["shot"]
CASES = {
    "pitch_unknown": {"pixel_pitch_um": None},
    "lens_unknown": {"metadata": replace(SOUND.metadata, lens=None)},
    "f_number_unknown": {"metadata": replace(SOUND.metadata, f_number=None)},
    "white_clipped": {"samples": some_samples(clipped=0.1), "edges": edges_with(0.5, flags=("clipped",))},
    "underexposed": {"edges": edges_with(bright_level=0.15)},
    "low_snr": {"edges": edges_with(snr=12.0)},
    "sharpened": {"edges": edges_with(0.7, overshoot_percent=2.5, undershoot_percent=1.5)},
    "tone_curve": {"edges": edges_with(0.4, flags=("tone_curve",))},
    "screened_print": {"edges": edges_with(0.4, flags=("screened_print",))},
    "curved": {"edges": edges_with(0.4, flags=("curved",))},
    "tilted": {"tilt": Tilt(pitch_deg=1.5, yaw_deg=-1.0, roll_deg=0.0)},
    "too_near": {"distance_mm": 635.0},
    "few_targets": {"chart": replace(SOUND.chart, targets_found=5)},
    "corners_unmeasured": {"chart": replace(SOUND.chart, framing_percent=84.0)},
    "uneven_light": {"uneven_light_percent": 15.0},
}


@pytest.mark.parametrize("flag", CASES)
def test_each_fault_is_raised_alone_and_with_its_figure(flag):
    remarks = quality_remarks(**a_shot(**CASES[flag]))
    assert [remark.flag for remark in remarks] == [flag]
    if flag not in ("pitch_unknown", "lens_unknown", "f_number_unknown"):
        assert "limit" in remarks[0].seen or "of 24" in remarks[0].seen


@pytest.mark.parametrize(
    "changes",
    [
        {"samples": some_samples(clipped=0.1), "edges": edges_with(0.15, flags=("clipped",))},
        {"samples": some_samples(clipped=0.1, level=0.3), "edges": edges_with(flags=("clipped",))},
        {"edges": edges_with(0.4, overshoot_percent=6.0, undershoot_percent=5.0)},
        {"tilt": Tilt(pitch_deg=nan, yaw_deg=nan, roll_deg=0.0)},
        {"distance_mm": None},
        {"uneven_light_percent": nan},
    ],
    ids=["glare", "black", "few sharpened", "no tilt known", "no distance", "few targets"],
)
def test_what_is_no_fault_raises_nothing(changes):
    assert flags(a_shot(**changes)) == []


def test_an_empty_zone_is_named():
    inside = [edge for edge in SOUND.edges if edge.image_height < 0.64]
    (remark,) = quality_remarks(**a_shot(edges=inside))
    assert remark.flag == "few_targets"
    assert remark.seen == "no edge measured in zone outer"


def test_the_tilt_limit_follows_the_depth_of_focus():
    """h m tan(tilt) = 0.371 sqrt(3) lambda N^2, written out at f/8, h = 14.42 mm, m = 1/28."""
    standing = {"size_px": (4000, 6000), "pitch_um": 4.0, "magnification": 1 / 28}
    height_mm = hypot(4000, 6000) / 2 * 0.004
    expected = degrees(atan(0.371 * sqrt(3) * 0.54e-3 * 64 / (height_mm / 28)))
    limit = tilt_limit_deg(Metadata(f_number=8.0), **standing)
    assert limit == pytest.approx(expected)
    assert tilt_limit_deg(Metadata(f_number=1.4), **standing) == 0.5
    assert tilt_limit_deg(Metadata(), **standing) == 1.0
    assert np.isfinite(limit)
