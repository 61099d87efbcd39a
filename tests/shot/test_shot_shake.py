"""Shake against astigmatism, on edges whose blur is put together here from its parts."""

from math import cos, radians, sqrt

import numpy as np
import pytest
from chart_edges import a_chart_edge, an_edge

from lensbench.model.shot import Direction, Edge
from lensbench.shot.quality import common_blur, shake_remarks

# MTF50 of a Gaussian: sqrt(ln 2 / 2) / (pi sigma).
MTF50_SIGMA = 0.18739


def a_field(*, movement_px=0.0, movement_deg=0.0, astigmatism=0.0, tilt=0.0, noise=0.01, seed=1):
    """Edges of both directions at 24 places; blur squared is base + parts, with noise on MTF50."""
    rng = np.random.default_rng(seed)
    edges = []
    for place in range(24):
        azimuth, height = 137.5 * place % 360 - 180, sqrt((place + 0.5) / 24)
        for across in (0.0, 90.0, 180.0, 270.0):
            # Normal of the edge, counter-clockwise from level: along or across the radius, some degrees off.
            normal = azimuth + across + rng.uniform(5, 10)
            squared = 0.5 + 0.3 * height**2 + tilt * height * cos(radians(azimuth))
            squared += astigmatism * height**2 * cos(radians(2 * (normal - azimuth)))
            squared += movement_px**2 / 12 * cos(radians(normal - movement_deg)) ** 2
            mtf50 = MTF50_SIGMA / sqrt(squared) * (1 + rng.normal(0, noise))
            edge = an_edge(mtf50)
            angle = (-normal + 90) % 180 - 90
            edge = Edge(**{n: getattr(edge, n) for n in edge.__dataclass_fields__} | {"angle_deg": angle})
            edges.append(a_chart_edge(edge, height=height, direction=Direction.OBLIQUE, azimuth=azimuth))
    return edges


@pytest.mark.parametrize("direction", [0.0, 90.0, 35.0, 140.0])
def test_movement_is_found_with_its_direction_and_length(direction):
    blur = common_blur(a_field(movement_px=1.5, movement_deg=direction, astigmatism=0.2))
    assert (blur.direction_deg - direction + 90) % 180 - 90 == pytest.approx(0.0, abs=5)
    assert blur.length_px == pytest.approx(1.5, rel=0.1)


@pytest.mark.parametrize(("direction", "name"), [(0.0, "level"), (90.0, "upright"), (45.0, "slanting")])
def test_movement_is_flagged_in_words(direction, name):
    (remark,) = shake_remarks(a_field(movement_px=1.5, movement_deg=direction))
    assert remark.flag == "shake"
    assert f"px of {name} movement, limit 6 %" in remark.seen


@pytest.mark.parametrize("seed", range(10))
def test_astigmatism_tilt_and_noise_are_no_shake(seed):
    assert shake_remarks(a_field(seed=seed, astigmatism=0.25, tilt=0.2, noise=0.02)) == []


def test_a_few_wild_edges_are_no_shake():
    edges = a_field()
    wild = [
        a_chart_edge(an_edge(0.05), height=0.4, direction=Direction.OBLIQUE, azimuth=20.0) for _ in range(4)
    ]
    assert shake_remarks(edges + wild) == []


def test_too_few_edges_say_nothing():
    assert common_blur(a_field()[:29]) is None
