"""Lateral colour on hand-made edges: sign, size, and what cannot be told."""

from math import cos, isnan, radians, sin

import numpy as np
import pytest
from chart_edges import an_edge
from scipy.special import ndtr

from lensbench.records import Box, Edge, Samples
from lensbench.shot.lateral import EdgeShapes, edge_shift_px, radial_shifts_px

BOX = Box(top=100, left=300, height=70, width=50)


def edge_samples(*, angle_deg, shift_px, sigma_px=0.8, bright_right=True, every=2, noise=0.0) -> Samples:
    """A Gaussian-blurred edge through the box's centre, moved along (cos angle right, sin angle down)."""
    rows, columns = np.indices((BOX.height, BOX.width))
    down, right = rows - (BOX.height - 1) / 2, columns - (BOX.width - 1) / 2
    distance = right * cos(radians(angle_deg)) + down * sin(radians(angle_deg)) - shift_px
    step = ndtr(distance / sigma_px * (1 if bright_right else -1))
    values = 0.1 + 0.5 * step + np.random.default_rng(4).normal(0, noise, step.shape)
    present = (rows % every == 0) & (columns % every == 0)
    return Samples(box=BOX, channel="red", values=values, present=present, clipped=np.zeros_like(present))


def measured_edge(*, angle_deg, sigma_px=0.7) -> Edge:
    position = np.arange(-12, 12.01, 0.1)
    edge = an_edge(0.25, esf_position_px=position, esf=ndtr(position / sigma_px), point_px=(134.5, 324.5))
    return Edge(
        **{name: getattr(edge, name) for name in edge.__dataclass_fields__} | {"angle_deg": angle_deg}
    )


def shift_of(samples: Samples, edge: Edge) -> float:
    shapes = EdgeShapes.of(edge)
    assert shapes is not None
    return edge_shift_px(samples, edge, shapes)


@pytest.mark.parametrize("shift", [0.0, 0.13, -0.4, 1.7])
@pytest.mark.parametrize("angle", [5.0, -12.0, 80.0, -84.0])
@pytest.mark.parametrize("bright_right", [True, False])
def test_the_shift_comes_back_with_its_sign(shift, angle, bright_right):
    samples = edge_samples(angle_deg=angle, shift_px=shift, bright_right=bright_right)
    assert shift_of(samples, measured_edge(angle_deg=angle)) == pytest.approx(shift, abs=0.01)


def test_the_sign_along_the_radius_is_positive_outwards():
    """Right of the centre a shift to the right is outwards, left of it inwards."""
    samples = edge_samples(angle_deg=6.0, shift_px=0.3)
    edge = measured_edge(angle_deg=6.0)
    assert radial_shifts_px((samples,), edge, radius=(0.0, 900.0))[0] == pytest.approx(
        0.3 / cos(radians(6)), abs=0.01
    )
    assert radial_shifts_px((samples,), edge, radius=(0.0, -900.0))[0] == pytest.approx(
        -0.3 / cos(radians(6)), abs=0.01
    )


def test_noise_costs_a_few_hundredths():
    samples = edge_samples(angle_deg=5.0, shift_px=0.2, noise=0.01)  # SNR 50
    assert shift_of(samples, measured_edge(angle_deg=5.0)) == pytest.approx(0.2, abs=0.04)


def test_what_is_no_edge_gives_nan():
    flat = edge_samples(angle_deg=5.0, shift_px=40.0)
    assert isnan(shift_of(flat, measured_edge(angle_deg=5.0)))
    assert isnan(radial_shifts_px((flat,), an_edge(0.2), radius=(1.0, 1.0))[0])
