"""The light's slope at every edge, as the rest of the chart tells it, and what it is worth beside a flare."""

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from chart_pictures import ArrayPicture
from wavefront_edges import wavefront_edge_regions

from lensbench.chart.find import find_chart
from lensbench.chart.layout import sheet
from lensbench.edge import measure_edges
from lensbench.model.shot import Box, Samples
from lensbench.shot.light import with_light
from lensbench.simulate import INVENTED_LENSES, Camera, Scene, Shot, lens_described, picture

SIZE_PX = (800, 1200)
HALF_PX = float(np.hypot(*SIZE_PX)) / 2.0


def level_at(row, col):
    """Lamps that lean to the right, and a lens that loses 0.4 in the logarithm at the corner."""
    down, right = (row - 399.5) / HALF_PX, (col - 599.5) / HALF_PX
    return np.exp(0.1 * right - 0.05 * down - 0.3 * (down**2 + right**2) - 0.1 * (down**2 + right**2) ** 2)


def seen_chart(noise=0.0):
    rng = np.random.default_rng(1)
    places = [(row, col) for row in range(50, 800, 100) for col in range(50, 1200, 100)]
    levels = [level_at(*place) * np.exp(noise * rng.normal()) for place in places]
    targets = [
        SimpleNamespace(crossing_px=place, bright_level=level, dark_level=0.25 * level)
        for place, level in zip(places, levels, strict=True)
    ]
    return SimpleNamespace(size_px=SIZE_PX, targets=targets)


def region_in(box):
    there = np.ones((box.height, box.width), bool)
    return Samples(box=box, channel="grey", values=np.ones(there.shape), present=there, clipped=~there)


def region_at(top, left):
    return region_in(Box(top=top, left=left, height=61, width=81))


@pytest.mark.parametrize(("top", "left"), [(10, 20), (370, 560), (700, 1000)])
def test_slopes_are_those_of_the_light(top, left):
    (known,) = with_light([region_at(top, left)], seen_chart(noise=0.005))
    middle = (top + 30.0, left + 40.0)
    expected = [
        np.log(level_at(*np.add(middle, step)) / level_at(*np.subtract(middle, step))) / 2.0
        for step in ((1.0, 0.0), (0.0, 1.0))
    ]
    # 3e-5 a pixel: 0.1 % over the region, from levels that scatter by 0.5 %.
    assert known.light_slope_per_px == pytest.approx(expected, abs=3e-5)


@pytest.mark.parametrize("flare", [0.0, 0.25])
def test_a_flare_that_grows_outwards_is_no_fall_of_light(flare):
    """A share of the light, growing with the square of the height, goes into a Gaussian of sigma 6 px."""
    camera = Camera(rows=SIZE_PX[0], cols=SIZE_PX[1], pitch_um=6.0, cfa="mono")
    scene = Scene(layout=sheet("A3"), lens=INVENTED_LENSES["sorrel"], camera=camera)
    sharp = picture(scene, Shot(focal_length_mm=35.0, f_number=8.0, paper_level=0.9, noise=False))
    row, col = np.arange(SIZE_PX[0])[:, None], np.arange(SIZE_PX[1])
    spread = flare * ((row - 399.5) ** 2 + (col - 599.5) ** 2) / HALF_PX**2
    blurred = (1.0 - spread) * sharp + spread * cv2.GaussianBlur(sharp, (0, 0), 6.0)
    lit = blurred * level_at(row, col)
    chart = find_chart(ArrayPicture(lit.astype(np.float32)))
    boxes = [arm.box for target in chart.targets for arm in target.arms]
    known = [region.light_slope_per_px for region in with_light(map(region_in, boxes), chart)]
    # The lens's own fall: 2^-v at the corner, growing with the height's square.
    own = INVENTED_LENSES["sorrel"]
    stops = own.at(35.0).vignetting_stops * own.stopped_down(8.0) ** 2
    expected = []
    for box in boxes:
        middle = np.array([box.top + (box.height - 1) / 2.0, box.left + (box.width - 1) / 2.0])
        rises = [np.log(level_at(*(middle + step)) / level_at(*(middle - step))) for step in np.eye(2) / 2.0]
        away = middle - [399.5, 599.5]
        expected.append(rises - 2.0 * stops * np.log(2.0) * away / HALF_PX**2)
    # 1e-5 a pixel: 0.03 % over a region of 33 px to each side. The paper's level alone was off by up to 2e-4.
    assert len(boxes) > 100
    assert np.array(known) == pytest.approx(np.array(expected), abs=1e-5)


def test_a_rough_or_small_chart_tells_nothing():
    chart = seen_chart(noise=0.3)
    assert next(with_light([region_at(10, 20)], chart)).light_slope_per_px is None
    chart = SimpleNamespace(size_px=SIZE_PX, targets=seen_chart().targets[:7])
    assert next(with_light([region_at(10, 20)], chart)).light_slope_per_px is None


def test_a_flare_is_not_taken_for_light_that_is_known():
    errors, away = [], []
    rows, cols = np.arange(160) - 79.5, np.arange(120) - 59.5
    light = np.exp(2e-4 * rows)[:, None] * np.exp(4e-4 * cols)
    for flipped in (False, True):
        cases = wavefront_edge_regions(
            lens_described("borage"), 2.0, (0.0, 0.5), [6.0], 150.0, draws=2,
            height=160, width=120, flipped=flipped,
        )  # fmt: skip
        for case in cases:
            lit = [replace(region, values=region.values * light) for region in case.regions]
            known = [replace(region, light_slope_per_px=(2e-4, 4e-4)) for region in lit]
            for regions in (lit, known):
                edges = measure_edges(regions, one_photograph=True)
                figures = np.array([(edge.mtf50_cypx, edge.mtf50_sd_cypx) for edge in edges])
                errors.append(figures[:, 0] / case.truth_cypx[50] - 1.0)
                away.append((figures[:, 0] - case.truth_cypx[50]) / figures[:, 1])
    guessed, told = np.concatenate(errors[::2]), np.concatenate(errors[1::2])
    assert np.sqrt(np.mean(told**2)) < 0.5 * np.sqrt(np.mean(guessed**2))
    assert np.sqrt(np.mean(told**2)) < 0.03
    assert np.abs(np.concatenate(away[1::2])).max() < 4.0
