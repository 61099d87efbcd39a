"""The table of edge shapes: remade it is the same, and its shapes agree with their transforms."""

import numpy as np
import pytest
from exact_pupils import diffraction_esf, gaussian_esf
from scipy import integrate
from shape_prior import drawn_edges, esf_samples

from lensbench.edge.shapes import (
    HALF,
    KINDS,
    OUTPUT_FREQUENCY_CYPX,
    SHAPE_GRID_CYPX,
    TABLE,
    nearest_shape,
    prior_shape,
)
from lensbench.optics import diffraction_mtf, gaussian_mtf


def test_plain_edges_drawn_anew_have_the_mean_in_the_table():
    samples, transforms = drawn_edges(0, KINDS[:1])
    mean, lsf = samples[:, 0].mean(axis=0), samples[:, 1].mean(axis=0)
    with np.load(TABLE, allow_pickle=False) as table:
        np.testing.assert_allclose(0.5 + 0.5 * (mean - mean[::-1])[HALF:], table["mean"][0][0], atol=2e-6)
        np.testing.assert_allclose(0.5 * (lsf + lsf[::-1])[HALF:], table["mean"][0][1], atol=2e-6)
        np.testing.assert_allclose(transforms.real.mean(axis=0), table["mean_otf"][0], atol=2e-6)


@pytest.mark.parametrize("q", [0.6, 3.0])
def test_sampled_esf_of_diffraction_is_its_closed_form(q):
    half, spacing = 200, 0.125
    esf, _, _ = esf_samples(lambda f: diffraction_mtf(f, q).astype(complex), spacing_px=spacing, half=half)
    distance = np.arange(-half, half + 1) * spacing
    np.testing.assert_allclose(esf, diffraction_esf(distance, q), atol=2e-4)


def test_sampled_esf_and_derivatives_of_a_gaussian():
    half, spacing, sigma = 100, 0.0625, 0.7
    esf, lsf, slope = esf_samples(
        lambda f: gaussian_mtf(f, sigma).astype(complex), spacing_px=spacing, half=half
    )
    x = np.arange(-half, half + 1) * spacing
    density = np.exp(-0.5 * (x / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))
    np.testing.assert_allclose(esf, gaussian_esf(x, sigma), atol=1e-9)
    np.testing.assert_allclose(lsf, density, atol=1e-9)
    np.testing.assert_allclose(slope, -x / sigma**2 * density, atol=1e-9)


@pytest.mark.parametrize("index", [0, 12, 24, 32])
def test_shapes_and_transforms_belong_together(index):
    # The transform of a mode by direct integration of its derivative over the table's range, at middling frequencies.
    shape = prior_shape(index)
    position = shape.fine.position_px
    places = np.arange(8, 40, 8)
    frequency = shape.own_frequency_cypx[places]
    turn = np.exp(-2j * np.pi * np.outer(frequency, position))
    # Tails beyond the range are left out here: an LSF falls as 1/x^2, a halo reaches further, so a little is missing.
    found = integrate.simpson(shape.fine.mean[1] * turn, x=position)
    assert np.abs(found - shape.mean_otf[places]).max() < 0.01
    count = shape.kind_factor.shape[1]
    for kind, factor in zip(KINDS, shape.kind_factor, strict=True):
        for amounts in factor.T:  # one standard deviation of each of its principal amounts
            found = integrate.simpson(amounts @ shape.fine.modes[1, :count] * turn, x=position)
            told = amounts @ shape.modes_otf[:count, places]
            assert np.abs(found - told).max() < (0.03 if kind in ("halo", "tail") else 0.01), kind
    for profile, otf in zip(shape.fine.modes[1, count:], shape.modes_otf[count:], strict=True):
        if np.abs(profile[[0, -1]]).max() < 1e-6:  # the widest reach beyond the table
            # Bumps as narrow as a step: the plain sum is exact for them, Simpson's rule is not.
            assert np.abs(np.trapezoid(profile * turn, x=position) - otf[places]).max() < 0.01


@pytest.mark.parametrize("index", [0, 12, 24])
def test_derivatives_are_those_of_the_shapes(index):
    # Euler-Maclaurin: a step of the shape is h (s0 + s1)/2 - h^2 (c1 - c0)/12 with its slopes s and curvatures c.
    shape = prior_shape(index)
    step = shape.step_px
    count = shape.kind_factor.shape[1]
    # Tails may have a cusp, and halos a core as narrow as a pixel: there derivatives are those of no smooth shape. The
    # second derivative of the principal shapes comes from differences of the first, 3 % off where a pixel's own corners
    # stand a step apart; it enters a bin's level with h^2 / 24 = 4e-4 of its width squared, so 1e-5 of the step.
    smooth = [np.einsum("kr,skx->srx", shape.kind_factor[k], shape.fine.modes[:, :count]) for k in range(3)]
    rest = [(kind, 0.03) for kind in (*smooth, shape.fine.modes[:, count:])]
    for kind, limit in ((shape.fine.mean[:, None], 0.01), *rest):
        value, slope, bend = kind
        change = np.diff(value, axis=1)
        told = 0.5 * step * (slope[:, 1:] + slope[:, :-1]) - step**2 / 12.0 * np.diff(bend, axis=1)
        assert np.abs(change - told).max() < limit * step * np.abs(slope).max()


def test_free_shapes_change_neither_plateau():
    for index in (0, 16, 32):
        shape = prior_shape(index)
        count = shape.kind_factor.shape[1]
        assert np.abs(shape.modes_otf[count:, 0]).max() < 1e-12


def test_the_grid_has_a_shape_for_every_sharpness():
    assert [nearest_shape(float(mtf50)) for mtf50 in SHAPE_GRID_CYPX] == list(range(len(SHAPE_GRID_CYPX)))
    assert nearest_shape(5.0) == len(SHAPE_GRID_CYPX) - 1
    assert nearest_shape(1e-4) == 0
    assert nearest_shape(float("nan")) == len(SHAPE_GRID_CYPX) - 1
    assert prior_shape(3).fine.position_px.size == 2 * HALF + 1
    assert prior_shape(3).mean_otf.size == prior_shape(3).own_frequency_cypx.size + OUTPUT_FREQUENCY_CYPX.size
