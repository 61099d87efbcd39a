"""How much of the picture the chart covers and how the light falls, against a simulated lens and a hand-made chart."""

from dataclasses import replace
from math import pi

import numpy as np
import pytest
from typer.testing import CliRunner

from lensbench import simulate
from lensbench.chart.find import ChartFound, FoundTarget
from lensbench.chart.find.mapping import Mapping
from lensbench.chart.layout.parts import Target
from lensbench.chart.layout.sheet import sheet
from lensbench.cli.main import app
from lensbench.model.shot import Box, Samples
from lensbench.shot import measure_shot
from lensbench.shot.light import framing_percent, illumination, with_light

SIZE = (800, 1200)
STOPS = 1.1


def chart_of(places_mm, *, px_per_mm, level=lambda *_: 1.0):
    """A chart seen squarely: discs of 20 mm at these places, (down, right) from the picture's middle."""
    center = (np.array(SIZE) - 1) / 2
    half_diagonal = float(np.hypot(*SIZE)) / 2
    mapping = Mapping(
        homography=np.array([[px_per_mm, 0, center[0]], [0, px_per_mm, center[1]], [0, 0, 1.0]]),
        center_px=(float(center[0]), float(center[1])),
        half_diagonal_px=half_diagonal,
        radial=(0.0, 0.0),
    )
    targets = []
    for number, place in enumerate(places_mm):
        crossing = center + px_per_mm * np.array(place)
        down, right = (crossing - center) / half_diagonal
        targets.append(
            FoundTarget(
                target=Target(name=f"T{number}", center_mm=place, radius_mm=20.0, turn_deg=10.0),
                crossing_px=(float(crossing[0]), float(crossing[1])),
                crossing_sd_px=0.01,
                radius_px=20.0 * px_per_mm,
                blur_px=1.0,
                dark_level=0.07 * level(down, right),
                bright_level=level(down, right),
                arms=(),
            )
        )
    return ChartFound(
        layout=sheet("A3"),
        size_px=SIZE,
        mapping=mapping,
        targets=tuple(targets),
        targets_on_chart=33,
        residual_px=0.0,
    )


def test_framing_is_the_outlines_share_of_the_picture():
    """Four discs of radius r at the corners of a rectangle a x b: its outline holds (a + 2r)(b + 2r) - (4 - pi) r^2."""
    corners = [(-100.0, -150.0), (-100.0, 150.0), (100.0, 150.0), (100.0, -150.0)]
    share = ((200 + 40) * (300 + 40) - (4 - pi) * 400) * 2.0**2 / (800 * 1200)
    chart = chart_of(corners, px_per_mm=2.0)
    # 24 points on a circle leave 1.1 % of a disc out: here 0.2 % of the whole.
    assert framing_percent(chart) == pytest.approx(100 * share, rel=3e-3)
    assert framing_percent(chart_of(corners, px_per_mm=4.0)) == pytest.approx(100.0, abs=1e-6)


def test_the_lamps_slope_is_taken_out_and_the_lenss_fall_stays():
    """Light written by formula: a fall of 0.8 stops with h^2 and 0.5 with h^4, and lamps brighter at the right."""
    places = [(float(r), float(c)) for r in (-160, -80, 0, 80, 160) for c in (-250, -120, 0, 130, 240)]

    def fall(height):
        return 2.0 ** (-0.8 * height**2 - 0.5 * height**4)

    chart = chart_of(
        places,
        px_per_mm=2.3,
        level=lambda down, right: 0.7 * fall(np.hypot(down, right)) * np.exp(0.2 * right - 0.1 * down),
    )
    seen = illumination(chart)
    for light in seen.targets:
        assert light.percent == pytest.approx(100 * fall(light.image_height), rel=1e-6)
    assert seen.outermost_percent == pytest.approx(100 * fall(seen.outermost_height), rel=1e-6)
    assert seen.uneven_percent == pytest.approx(100 * np.hypot(0.2, 0.1), rel=1e-6)


def test_a_lens_that_darkens_the_corners_is_no_uneven_light():
    places = [(float(r), float(c)) for r in (-160, -80, 0, 80, 160) for c in (-250, -120, 0, 130, 240)]
    dim = chart_of(places, px_per_mm=2.3, level=lambda down, right: 0.6 - 0.4 * (down**2 + right**2))
    assert illumination(dim).uneven_percent < 1.0

    def lamps(down, right):
        return 1.0 + 0.06 * right - 0.08 * down

    lit = chart_of(
        places,
        px_per_mm=2.3,
        level=lambda down, right: lamps(down, right) * 0.6 * (1.0 - 0.5 * (down**2 + right**2)),
    )
    # The lamps' own slope, 6 and 8 % over half a diagonal, though the lens takes half of it off in the corners.
    assert illumination(lit).uneven_percent == pytest.approx(10.0, rel=0.02)


@pytest.mark.parametrize("period", [0.5, 0.7, 1.0])
def test_light_that_ripples_may_slope_twice_as_steeply_as_it_does_on_average(period):
    """Light written by formula, a ripple of 5 %: its slope's rms is 0.05 (2 pi / period) / 2^1/2 (derived)."""
    places = [(float(r), float(c)) for r in range(-150, 151, 50) for c in range(-240, 241, 48)]

    def left(ripple):
        chart = chart_of(
            places,
            px_per_mm=2.3,
            level=lambda down, right: (
                0.6
                * np.exp(0.2 * right - 0.3 * (down**2 + right**2) + ripple * np.sin(2 * pi * right / period))
            ),
        )
        own = Samples(
            box=Box(top=300, left=500, height=2, width=2),
            channel="grey",
            values=np.ones((2, 2)),
            present=np.ones((2, 2), bool),
            clipped=np.zeros((2, 2), bool),
        )
        (lit,) = with_light([own], chart)
        return lit.light_slope_sd_per_px * float(np.hypot(*SIZE)) / 2.0

    # A quarter: straight lines between targets miss some of it, and the smooth fit takes some.
    assert left(0.05) == pytest.approx(2.0 * 0.05 * 2 * pi / period / np.sqrt(2.0), rel=0.25)
    assert left(0.0) < 1e-9  # digits


def test_few_targets_tell_nothing_of_the_light():
    seen = illumination(chart_of([(0.0, 0.0), (0.0, 50.0), (50.0, 0.0), (50.0, 50.0)], px_per_mm=2.0))
    assert seen.targets == ()
    assert np.isnan(seen.outermost_percent)
    assert np.isnan(seen.uneven_percent)


@pytest.fixture(scope="module")
def wide_open(tmp_path_factory):
    """An invented 35 mm at its widest stop, that loses light towards the corner; lamps 8 % brighter below."""
    folder = tmp_path_factory.mktemp("light")
    lens = simulate.prime(
        "Invented 35",
        simulate.ZoomPosition(focal_length_mm=35, vignetting_stops=STOPS, distortion_percent=-3.0),
    )
    scene = simulate.Scene(
        layout=sheet("A3"), lens=lens, camera=simulate.Camera(rows=800, cols=1200, pitch_um=6.0)
    )
    plan = simulate.Plan(focal_lengths_mm=[35.0], f_numbers=[lens.widest_f_number], repeats=1, seed=5)
    (job,) = simulate.series(scene, folder, plan=plan)
    sloped = replace(job, shot=replace(job.shot, light_slope=(0.08, 0.0)))
    simulate.shoot([sloped], workers=1, truth_channels=())
    return job.path


def test_a_simulated_lens_is_told(wide_open):
    chart = measure_shot(wide_open).chart
    # The lens loses STOPS in the corner, going with h^2.
    expected = 100 * 2.0 ** (-STOPS * chart.outermost_height**2)
    assert chart.outermost_light_percent == pytest.approx(expected, rel=0.02)
    for light in chart.relative_illumination:
        assert light.percent == pytest.approx(100 * 2.0 ** (-STOPS * light.image_height**2), rel=0.03)
    assert len(chart.relative_illumination) == chart.targets_found
    assert 80 < chart.framing_percent < 100
    # The sheet is drawn for 4:1, and the simulation knows no glare.
    assert chart.contrast == pytest.approx(4.0, rel=0.01)
    assert chart.radial_distortion_percent == pytest.approx(-3.0, abs=0.1)


def test_measure_says_it(wide_open):
    said = CliRunner().invoke(app, ["measure", str(wide_open)]).stdout
    assert "% of the picture" in said
    assert "% of the centre's" in said
