"""Lateral colour along the radius of a photograph; the shift across an edge is checked in the edge room."""

from dataclasses import replace
from math import cos, isnan, radians, sin

import numpy as np
import pytest
from chart_edges import an_edge
from scipy.special import ndtr

from lensbench.model.shot import Box, Edge, Samples
from lensbench.shot.measure import middle_of, radial_shifts_px

BOX = Box(top=100, left=300, height=70, width=50)


def edge_samples(*, angle_deg, shift_px, sigma_px=0.8) -> Samples:
    """A Gaussian-blurred edge through the box's centre, moved along (cos angle right, sin angle down)."""
    rows, columns = np.indices((BOX.height, BOX.width))
    down, right = rows - (BOX.height - 1) / 2, columns - (BOX.width - 1) / 2
    distance = right * cos(radians(angle_deg)) + down * sin(radians(angle_deg)) - shift_px
    values = 0.1 + 0.5 * ndtr(distance / sigma_px)
    present = (rows % 2 == 0) & (columns % 2 == 0)
    return Samples(box=BOX, channel="red", values=values, present=present, clipped=np.zeros_like(present))


def measured_edge(*, angle_deg, sigma_px=0.7) -> Edge:
    position = np.arange(-12, 12.01, 0.1)
    edge = an_edge(0.25, esf_position_px=position, esf=ndtr(position / sigma_px), point_px=(134.5, 324.5))
    return replace(edge, angle_deg=angle_deg)


@pytest.mark.parametrize(("right", "sign"), [(900.0, 1.0), (-900.0, -1.0)])
def test_the_sign_along_the_radius_is_positive_outwards(right, sign):
    """Right of the centre a shift to the right is outwards, left of it inwards."""
    samples = edge_samples(angle_deg=6.0, shift_px=0.3)
    found = radial_shifts_px((samples,), measured_edge(angle_deg=6.0), radius=(0.0, right))
    assert found[0] == pytest.approx(sign * 0.3 / cos(radians(6)), abs=0.01)


def test_an_edge_along_the_radius_tells_nothing():
    samples = edge_samples(angle_deg=6.0, shift_px=0.3)
    assert isnan(radial_shifts_px((samples,), measured_edge(angle_deg=6.0), radius=(900.0, 0.0))[0])


def test_what_is_no_edge_gives_nan():
    flat = edge_samples(angle_deg=5.0, shift_px=40.0)
    assert isnan(radial_shifts_px((flat,), measured_edge(angle_deg=5.0), radius=(0.0, 1.0))[0])
    assert isnan(radial_shifts_px((flat,), an_edge(0.2), radius=(1.0, 1.0))[0])


def test_the_middle_of_a_long_region():
    assert middle_of(Box(top=10, left=20, height=172, width=40), 72) == Box(
        top=60, left=20, height=72, width=40
    )
