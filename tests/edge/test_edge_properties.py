"""What must not change the figures: gain, offset, mirror, quarter turn, transpose, sub-pixel shift."""

import weakref
from functools import cache

import numpy as np
import pytest
from exact_edges import BRIGHT, DARK, Blur, Scene, edge_samples, esf_values, noisy, samples
from hypothesis import given, settings
from hypothesis import strategies as st

from lensbench.edge import measure_edge, measure_edges

FEW = settings(max_examples=15, deadline=None, derandomize=True)
BLURS = st.builds(
    Blur,
    q=st.floats(0.5, 2.2),
    disc_px=st.sampled_from([0.0, 1.5, 3.0]),
    sigma_px=st.sampled_from([0.0, 0.4, 0.8]),
)
ANGLES = st.one_of(
    st.floats(2.5, 43.0), st.floats(-43.0, -2.5), st.floats(47.0, 87.5), st.floats(-87.5, -47.0)
)
FIGURES = ("mtf50_cypx", "mtf30_cypx", "mtf20_cypx", "rise_10_90_px")


@cache
def a_noisy_region():
    clean = DARK + (BRIGHT - DARK) * esf_values(Blur(q=1.1, sigma_px=0.4), Scene(angle_deg=6.0))
    return noisy(clean, 80.0, np.random.default_rng(3), 1)[0].values


def assert_same(one, other, *, rel):
    for name in FIGURES:
        assert getattr(one, name) == pytest.approx(getattr(other, name), rel=rel), name


@FEW
@given(gain=st.floats(1e-3, 1e3), offset=st.floats(-2.0, 2.0))
def test_gain_and_offset_change_nothing(gain, offset):
    plain = measure_edge(samples(a_noisy_region()))
    changed = measure_edge(samples(gain * (a_noisy_region() + offset)))
    assert_same(plain, changed, rel=1e-4)
    assert changed.snr == pytest.approx(plain.snr, rel=1e-4)
    assert changed.mtf50_sd_cypx == pytest.approx(plain.mtf50_sd_cypx, rel=1e-3)


TURNS = {
    "left to right": (lambda a: a[:, ::-1], lambda angle: -angle),
    "upside down": (lambda a: a[::-1], lambda angle: -angle),
    "half turn": (lambda a: a[::-1, ::-1], lambda angle: angle),
    "quarter turn": (np.rot90, lambda angle: angle - 90.0),
    "transposed": (np.transpose, lambda angle: 90.0 - angle),
    "brightness turned round": (lambda a: 1.0 - a, lambda angle: angle),
}


@pytest.mark.parametrize("name", TURNS)
@FEW
@given(blur=BLURS, angle=ANGLES)
def test_mirrors_and_turns_change_nothing(name, blur, angle):
    turn, new_angle = TURNS[name]
    region = edge_samples(blur, Scene(angle_deg=angle, height=64, width=64)).values
    plain, turned = measure_edge(samples(region)), measure_edge(samples(np.ascontiguousarray(turn(region))))
    assert_same(plain, turned, rel=1e-3)
    apart = (turned.angle_deg - new_angle(plain.angle_deg) + 90.0) % 180.0 - 90.0
    assert apart == pytest.approx(0.0, abs=0.01)
    assert -90.0 <= turned.angle_deg < 90.0


@pytest.mark.parametrize("name", TURNS)
def test_mirrors_and_turns_of_a_noisy_region_stay_well_within_its_noise(name):
    turn, _ = TURNS[name]
    plain = measure_edge(samples(a_noisy_region()))
    turned = measure_edge(samples(np.ascontiguousarray(turn(a_noisy_region()))))
    assert abs(turned.mtf50_cypx - plain.mtf50_cypx) < 0.35 * plain.mtf50_sd_cypx


@FEW
@given(blur=BLURS, angle=ANGLES, offset=st.floats(-3.0, 3.0))
def test_a_sub_pixel_shift_changes_nothing(blur, angle, offset):
    # Beyond 40 degrees the few distances between the samples may alias at the smallest blurs.
    here, there = (
        measure_edge(edge_samples(blur, Scene(angle_deg=angle, height=64, width=64, offset_px=place)))
        for place in (0.0, offset)
    )
    assert here.mtf50_cypx == pytest.approx(there.mtf50_cypx, rel=1e-3)


@FEW
@given(blur=BLURS, angle=st.floats(3.0, 20.0), more=st.floats(0.15, 1.0))
def test_more_blur_never_raises_mtf50(blur, angle, more):
    scene = Scene(angle_deg=angle, height=80, width=60)
    blurred = Blur(q=blur.q, disc_px=blur.disc_px, sigma_px=float(np.hypot(blur.sigma_px, more)))
    sharp, soft = (measure_edge(edge_samples(one, scene)).mtf50_cypx for one in (blur, blurred))
    assert soft < sharp


@FEW
@given(blur=BLURS, angle=ANGLES)
def test_every_sfr_starts_at_one_and_every_sd_at_zero(blur, angle):
    edge = measure_edge(edge_samples(blur, Scene(angle_deg=angle, height=60, width=60)))
    assert edge.frequency_cypx[0] == 0.0
    assert edge.sfr[0] == pytest.approx(1.0, abs=1e-6)
    assert edge.sfr_sd[0] == pytest.approx(0.0, abs=1e-6)
    assert edge.sfr.shape == edge.frequency_cypx.shape == edge.sfr_sd.shape


def test_the_place_of_the_box_only_moves_the_point():
    region = a_noisy_region()
    here = measure_edge(samples(region))
    box = type(here.roi)(top=100, left=1000, height=region.shape[0], width=region.shape[1])
    there = measure_edge(samples(region, box=box))
    assert there.mtf50_cypx == here.mtf50_cypx
    assert np.subtract(there.point_px, here.point_px) == pytest.approx([100.0, 1000.0])


def test_edges_measured_together_are_those_measured_alone():
    together = [a_noisy_region(), 0.5 * a_noisy_region()[:70], a_noisy_region()[::-1]]
    for one, region in zip(measure_edges([samples(r) for r in together]), together, strict=True):
        assert one.mtf50_cypx == pytest.approx(measure_edge(samples(region)).mtf50_cypx, rel=1e-9)


def test_regions_that_are_cut_when_asked_for_are_let_go_soon():
    clean, alive, most = a_noisy_region(), [], 0

    def cut():
        nonlocal most
        for _ in range(150):
            region = samples(clean.copy())
            alive.append(weakref.ref(region.values))
            most = max(most, sum(values() is not None for values in alive))
            yield region

    edges = measure_edges(cut(), one_photograph=True)
    assert len(edges) == 150
    assert len({edge.mtf50_cypx for edge in edges}) == 1
    # Its samples are listed apart, so the region's own are needed while they are, and while the next one is cut.
    assert most <= 3
