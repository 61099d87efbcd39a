"""Weighted linear problems of several regions: solved, and their evidence weighed, for any Gaussian prior."""

from dataclasses import dataclass

import numpy as np

from lensbench.units import FloatArray

__all__ = ["Solution", "System"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solution:
    """Posterior mean and covariance, and how well they fit, for each region."""

    coefficient: FloatArray
    covariance: FloatArray
    fitted: FloatArray
    chi2: FloatArray
    degrees: FloatArray


class System:
    """Weighted linear problems of several regions, solved for any prior."""

    def __init__(self, columns: FloatArray, weight: FloatArray, value: FloatArray) -> None:
        self.weight = weight
        self.value = value
        self._columns = columns
        weighted = columns * weight[:, None]
        self._gram = weighted @ columns.transpose(0, 2, 1)
        self._moment = (weighted @ value[:, :, None])[:, :, 0]

    def add(self, gram: FloatArray, moment: FloatArray) -> None:
        """Add what is known of the last columns beside the bins, of one region."""
        last = slice(self._gram.shape[1] - gram.shape[0], None)
        self._gram[0, last, last] += gram
        self._moment[0, last] += moment

    def _scaled(
        self, prior_sd: FloatArray, part: slice = slice(None)
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Give the system I + S G S with a unit diagonal, the moment to match, and the scale of each unknown."""
        diagonal = np.arange(prior_sd.shape[1])
        gram = self._gram[part]
        scale = 1.0 / np.sqrt(1.0 + gram[:, diagonal, diagonal] * np.square(prior_sd))
        sd = prior_sd * scale
        system = gram * sd[:, :, None] * sd[:, None, :]
        system[:, diagonal, diagonal] = 1.0
        return system, self._moment[part] * sd, scale

    def evidence(self, prior_sd: FloatArray, part: slice = slice(None)) -> FloatArray:
        """Give the logarithm of the data's probability under a prior, up to a constant, for each region."""
        system, moment, scale = self._scaled(prior_sd, part)
        factor = np.linalg.cholesky(system)
        solved = np.linalg.solve(system, moment[:, :, None])[:, :, 0]
        logarithm = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1) - np.log(scale).sum(axis=1)
        evidence: FloatArray = 0.5 * (moment * solved).sum(axis=1) - logarithm
        return evidence

    def evidence_of(self, i: int, prior_sd: FloatArray) -> float:
        """Give the evidence of one region."""
        return float(self.evidence(prior_sd, slice(i, i + 1))[0])

    def solve(self, prior_sd: FloatArray) -> Solution:
        """Give coefficients, covariance, chi-square and its degrees of freedom for each region."""
        system, moment, scale = self._scaled(prior_sd)
        inverse = np.linalg.inv(system)
        sd = prior_sd * scale
        coefficient = (inverse @ moment[:, :, None])[:, :, 0] * sd
        fitted = (coefficient[:, None, :] @ self._columns)[:, 0]
        chi2 = (self.weight * np.square(self.value - fitted)).sum(axis=1)
        used = prior_sd.shape[1] - (np.diagonal(inverse, axis1=1, axis2=2) * np.square(scale)).sum(axis=1)
        filled = np.count_nonzero(self.weight, axis=1)
        return Solution(
            coefficient=coefficient,
            covariance=inverse * sd[:, :, None] * sd[:, None, :],
            fitted=fitted,
            chi2=chi2,
            degrees=np.maximum(filled - used, 1.0),
        )
