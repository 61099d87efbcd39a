"""The light's slope at every edge, as the rest of the chart tells it, and what it is worth beside a flare."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from wavefront_edges import wavefront_edge_regions

from lensbench.edge import measure_edges
from lensbench.model.shot import Box, Samples
from lensbench.shot.light import with_light
from lensbench.simulate import lens_described

SIZE_PX = (800, 1200)
HALF_PX = float(np.hypot(*SIZE_PX)) / 2.0


def level_at(row, col):
    """Lamps that lean to the right, and a lens that loses 0.4 in the logarithm at the corner."""
    down, right = (row - 399.5) / HALF_PX, (col - 599.5) / HALF_PX
    return np.exp(0.1 * right - 0.05 * down - 0.3 * (down**2 + right**2) - 0.1 * (down**2 + right**2) ** 2)


def seen_chart(noise=0.0):
    rng = np.random.default_rng(1)
    places = [(row, col) for row in range(50, 800, 100) for col in range(50, 1200, 100)]
    targets = [
        SimpleNamespace(crossing_px=place, bright_level=level_at(*place) * np.exp(noise * rng.normal()))
        for place in places
    ]
    return SimpleNamespace(size_px=SIZE_PX, targets=targets)


def region_at(top, left):
    box = Box(top=top, left=left, height=61, width=81)
    there = np.ones((61, 81), bool)
    return Samples(box=box, channel="grey", values=np.ones((61, 81)), present=there, clipped=~there)


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
