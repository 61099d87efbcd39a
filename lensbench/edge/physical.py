"""The physical reading of an edge: what diffraction and the pixel demand, and how much blur was added to them.

It says too whether it explains its edge, or sharpening, shake or a double image shows, by three looks at what the fit
leaves over: chi-square of all bins, chi-square of those near the edge, and the projections on what edges of other kinds
would leave, each a standard normal number where the model holds. A blur term that ended at zero is not projected out:
an edge crisper than diffraction and pixel allow is no edge of this model.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import gammaincc

from lensbench.edge.lens_model import Aperture
from lensbench.edge.physical_fit import (
    BLUR,
    DISC,
    SHIFT,
    SIZES,
    STEP,
    TURN,
    VARIANCE,
    BlurFit,
    fit_blur,
    solved,
)
from lensbench.edge.region import RefinedFit
from lensbench.model.errors import Remark, remark
from lensbench.model.shot import PhysicalFit
from lensbench.model.units import FloatArray
from lensbench.optics import gaussian_sigma_px

_TOLERANCE: Final = 4e-4  # misfit of a bin, as a part of the step, that is let pass however low the noise
_SMALLEST_CHANCE: Final = 0.002
_LARGEST_PULL_SD: Final = 2.8
_SHARPENED_SIGMAS: Final = (0.7, 1.5)
_GHOSTS_PX: Final = (2.0, 4.0, 8.0)
_LOPSIDED_PX: Final = (1.5, 2.5, 4.0, 8.0)


_IN_WORDS = {
    "sharpened": "crisper than diffraction and the pixel allow",
    "lopsided": "its two sides differ",
    "moved": "too straight a slope, as from shake or a double image",
}


def read_physical(refined: RefinedFit, aperture: Aperture) -> tuple[PhysicalFit, tuple[Remark, ...]]:
    """Physical reading of a region's edge; with the remark `outside_model` where the model does not hold.

    An EdgeError where too few distances from the edge are sampled.
    """
    fit = fit_blur(refined.points, refined.line, refined.noise, aperture)
    verdict = _judged(fit)
    reading = PhysicalFit(
        fits=verdict.fits,
        mtf50_cypx=fit.mtf50_cypx,
        mtf50_sd_cypx=fit.mtf50_sd_cypx,
        diffraction_q=aperture.q,
        defocus_disc_px=float(np.sqrt(fit.parameters[DISC])),
        gaussian_sigma_px=float(np.sqrt(fit.parameters[VARIANCE])),
        reduced_chi2=fit.reduced_chi2,
    )
    if verdict.fits:
        return reading, ()
    departure = (
        f"{_IN_WORDS[verdict.kind]}; {verdict.describe()}, misfit {fit.reduced_chi2:.2f} times the noise"
    )
    return reading, (remark("outside_model", departure),)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Verdict:
    """The outcome of the three looks."""

    fits: bool
    chance: float  # probability of an overall chi-square as large, if the model holds
    near_chance: float  # the same for the bins near the edge
    pull_sd: float  # largest projection on another kind of edge, in standard deviations
    kind: str  # what the edge looks like rather: sharpened, lopsided or moved

    def describe(self) -> str:
        """Say how unlikely the model is, in words."""
        if self.pull_sd >= _LARGEST_PULL_SD:
            return f"{self.pull_sd:.1f} sd from the model, limit {_LARGEST_PULL_SD:.1f}"
        chance = min(self.chance, self.near_chance)
        told = f"{chance:.1g}" if chance >= _SMALLEST_CHANCE / 10.0 else f"below {_SMALLEST_CHANCE / 10.0:g}"
        return f"chance {told}, limit {_SMALLEST_CHANCE:.1g}"


def _judged(fit: BlurFit) -> _Verdict:
    """Judge the fit of one edge; see the module."""
    model = fit.model
    step = float(fit.parameters[STEP])
    weight = 1.0 / (1.0 / model.weight + np.square(_TOLERANCE * step))
    kept = [k for k in fit.free if not (k in SIZES and fit.parameters[k] <= 0.0)]
    jacobian = model.jacobian[kept]
    squares = weight * np.square(model.residual)
    near = np.abs(fit.problem.place_px) < 1.0 + 3.0 * gaussian_sigma_px(fit.mtf50_cypx)
    inner = jacobian[:, near] * weight[near]
    leverage = np.trace(solved((jacobian * weight) @ jacobian.T, inner @ jacobian[:, near].T))
    chance = _chance(squares, float(len(kept)))
    near_chance = _chance(squares[near], float(leverage))
    pulls = _pulls(fit, jacobian, weight)
    pull = float(np.abs(pulls).max())
    return _Verdict(
        fits=min(chance, near_chance) > _SMALLEST_CHANCE and pull < _LARGEST_PULL_SD,
        chance=chance,
        near_chance=near_chance,
        pull_sd=pull,
        kind=_kind(pulls, at_zero=not any(k in kept for k in SIZES)),
    )


def _chance(squares: FloatArray, used: float) -> float:
    degrees = max(squares.size - used, 1.0)
    return float(gammaincc(0.5 * degrees, 0.5 * squares.sum()))


def _pulls(fit: BlurFit, jacobian: FloatArray, weight: FloatArray) -> FloatArray:
    """Project the residual on other kinds of edges, as far as the fitted parameters cannot imitate them."""
    others = _other_edges(fit)
    weighted = jacobian * weight
    others = others - (others @ weighted.T) @ solved(weighted @ jacobian.T, jacobian)
    size = np.sqrt(np.square(others) @ weight)
    return (others @ (weight * fit.model.residual)) / np.maximum(size, 1e-9)


def _other_edges(fit: BlurFit) -> FloatArray:
    """Differences of other kinds of edges from the fitted one, in every bin."""
    problem, parameters, model = fit.problem, fit.parameters, fit.model
    sigma_px = gaussian_sigma_px(fit.mtf50_cypx)
    f = problem.table.frequency_cypx
    base = problem.transfer(parameters[BLUR])[0]
    spread2 = max(12.0 * (parameters[DISC] / 16.0 + parameters[VARIANCE]), 1.0)
    moved = problem.transfer(np.zeros(2))[0] * np.sinc(f * np.sqrt(spread2)) - base
    sharpened = [
        base * -np.expm1(-2.0 * np.square(np.pi * size * sigma_px * f)) for size in _SHARPENED_SIGMAS
    ]
    doubled = [base * (np.cos(2.0 * np.pi * f * apart) - 1.0) for apart in _GHOSTS_PX]
    crisp = base * f * f
    shapes = problem.shapes(np.stack([moved, *sharpened, *doubled, crisp]))
    content, _, _ = problem.content(shapes, float(parameters[SHIFT]), float(parameters[TURN]))
    place, profile = problem.place_px, model.profile
    lopsided = [
        np.interp(place + apart, place, profile) - np.interp(place - apart, place, profile)
        for apart in _LOPSIDED_PX
    ]
    return np.concatenate([content.T, np.stack(lopsided)])


def _kind(pulls: FloatArray, *, at_zero: bool) -> str:
    """Name the departure: the last projections are lopsided, the one before them is towards a crisper edge."""
    symmetric, lopsided = pulls[: -len(_LOPSIDED_PX)], pulls[-len(_LOPSIDED_PX) :]
    if np.abs(lopsided).max() > np.abs(symmetric).max():
        return "lopsided"
    return "sharpened" if at_zero and symmetric[-1] > 0.0 else "moved"
