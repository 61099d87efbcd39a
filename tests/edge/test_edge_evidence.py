"""The linear part of the fit against brute force: each combination as one large Gaussian over the bins."""

from dataclasses import dataclass

import numpy as np
import pytest
from exact_edges import BRIGHT, DARK, Blur, Scene, esf_values, noisy

from lensbench.edge.columns import level_columns, light_along, rows, variance
from lensbench.edge.line import EdgeLine, fit_lines
from lensbench.edge.region import Region
from lensbench.edge.samples import points_of, stack_bins
from lensbench.edge.shapes import KINDS, MIDDLES, prior_shape
from lensbench.edge.system import LEVELS, LIGHT_SD, SIZE_SD, System


@dataclass(frozen=True, kw_only=True, eq=False)
class Dense:
    """Columns, values and noise of the filled bins, and how the unknowns of a combination make the columns."""

    columns: np.ndarray
    value: np.ndarray
    noise: np.ndarray
    unknowns: dict

    def logpdf(self, which):
        made = self.columns.T @ self.unknowns[which]
        covariance = np.diag(self.noise) + made @ made.T
        _, logarithm = np.linalg.slogdet(covariance)
        return -0.5 * (logarithm + self.value @ np.linalg.solve(covariance, self.value))

    def posterior(self, which):
        own = self.unknowns[which]
        made = self.columns.T @ own
        gain = np.linalg.solve(np.diag(self.noise) + made @ made.T, made).T
        return own @ (gain @ self.value), own @ (np.eye(len(gain)) - gain @ made) @ own.T


@pytest.fixture(scope="module")
def problem():
    """One noisy edge as the fit sees it, and the same with every matrix written out."""
    scene = Scene(angle_deg=7.3, height=40, width=32)
    clean = DARK + (BRIGHT - DARK) * esf_values(Blur(q=0.8, waves=0.6, sigma_px=0.3), scene)
    points = points_of(noisy(clean, 80.0, np.random.default_rng(4), 1)[0])
    line = fit_lines([points])[0]
    assert isinstance(line, EdgeLine)
    region = Region.opened(0, points, line)
    shape = prior_shape(region.shape)
    bins, plateaus = region.pooled(shape.step_px)
    system = System([bins], shape, [plateaus], np.array([[line.dark, line.bright]]))

    stacked, span = stack_bins([bins], shape.step_px), slice(0, MIDDLES.size)
    base, modes = level_columns(stacked, shape.fitted, span), rows(stacked, shape.fitted.modes, span)
    known, along_sd = light_along(stacked, [plateaus], span, base[:, 1])
    held = np.flatnonzero(stacked.count[0])
    step, dark_part = line.step, line.dark / line.bright
    unknowns = {}
    # Prior sds: docs/method/method.md, 5.3. Levels 10 steps, shift 0.3 px; light the same part of both levels.
    for light, light_sd in enumerate(LIGHT_SD):
        across = max(light_sd * dark_part, LIGHT_SD[0])
        along = np.maximum(along_sd[0] / step, 1e-5)
        levels = step * np.array([10.0, 10.0, 0.3, across, along[0], light_sd, along[1]])
        for kind in range(len(KINDS)):
            mean, factor = shape.kind_mean[kind], shape.kind_factor[kind]
            count, free = mean.size, modes.shape[1] - mean.size
            for size, size_sd in enumerate(SIZE_SD):
                own = np.zeros((LEVELS + count + free, LEVELS + factor.shape[1] + free))
                own[:LEVELS, :LEVELS] = np.diag(levels)
                own[LEVELS : LEVELS + count, 1] = mean * levels[1]
                own[LEVELS : LEVELS + count, LEVELS:-free] = factor * step
                own[LEVELS + count :, -free:] = size_sd * step * np.eye(free)
                unknowns[kind, light, size] = own
    dense = Dense(
        columns=np.concatenate([base, modes], axis=1)[0][:, held],
        value=(stacked.value - known)[0, held],
        noise=(variance([plateaus], base[:, 1], shape.fitted.position_px) / np.maximum(stacked.count, 1.0))[
            0, held
        ],
        unknowns=unknowns,
    )
    return system, dense


def test_every_combination_has_the_evidence_of_one_large_gaussian(problem):
    system, dense = problem
    evidence = system.log_evidence(np.zeros((len(KINDS), len(LIGHT_SD))))[0]
    tried = [tuple(which) for which in np.argwhere(np.isfinite(evidence))]
    # Every kind and light alone, and two of these pairs with every other size.
    assert len(tried) == len(KINDS) * len(LIGHT_SD) + 2 * (len(SIZE_SD) - 1)
    against = {which: dense.logpdf(which) - dense.logpdf((0, 0, 0)) for which in tried}
    for which, expected in against.items():
        # 1e-4: the evidence is a difference of numbers near 1e7, in double precision.
        assert evidence[which] - evidence[0, 0, 0] == pytest.approx(expected, abs=1e-4), which
    assert max(against.values()) - min(against.values()) > 5.0


@pytest.mark.parametrize("which", [(0, 0, 0), (2, 1, 0), (1, 0, 2), (4, 1, 3)])
def test_coefficients_and_covariance_are_those_of_one_large_gaussian(problem, which):
    system, dense = problem
    found = system.solved(np.array([[0, *which]]).T)
    mean, covariance = dense.posterior(which)
    sd = np.sqrt(np.diag(covariance)) + 1e-12
    # 1e-5 of a standard deviation: double precision over a condition of some 1e9.
    np.testing.assert_allclose((found.mean[0] - mean) / sd, 0.0, atol=1e-5)
    own = found.spread[0] @ found.spread[0].T
    np.testing.assert_allclose(own / np.outer(sd, sd), covariance / np.outer(sd, sd), atol=1e-5)
    assert found.line.size == 0
