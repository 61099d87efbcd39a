"""How edges look before they are measured: kinds of edges with their mean and spread, and what no kind holds.

For each MTF50 of a grid, a small table holds a mean ESF and principal shapes (odd and even about the edge apart),
sampled with first derivatives, and their Fourier transforms. Each is a sum of true edges, so its transform is known
exactly, tails to infinity included: no window is needed. In these shapes every kind of edge (plain, out of focus,
aberrated pupil, core and halo, exponential tails) is a Gaussian cloud of its own; smooth local bumps of the ESF, narrow
beside the edge and wider further out, stand for what none of them foresaw. The table is made by
tests/made/shape_prior.py, which tells how its edges are drawn.
"""

import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.model.units import FloatArray
from lensbench.optics import gaussian_sigma_px

ComplexArray = npt.NDArray[np.complex128]

TABLE: Final = Path(__file__).with_name("shape_prior.npz")
_SOFTEST_CYPX: Final = 0.0125
_APART: Final = 0.12
SHAPE_GRID_CYPX: Final[FloatArray] = _SOFTEST_CYPX * np.exp(_APART * np.arange(33))
"""MTF50 of the prior's shapes: 0.0125 to 0.58 cy/px, 13 % apart."""
FREQUENCIES_PER_MTF50: Final = 32
FREQUENCIES: Final = 161
OUTPUT_FREQUENCY_CYPX: Final[FloatArray] = np.linspace(0.0, 1.0, 101)

HALF: Final = 320
SIZE: Final = 2 * HALF + 1
"""Positions at which a shape is known, `step_px` apart: the fine bins of distance from the edge."""
_OUTWARDS: Final = np.repeat([1, 2, 8, 16], [28, 10, 10, 12])
"""Fine bins that the fit takes as one, from the edge outwards: the further from it, the smoother it is."""
BIN_WIDTHS: Final = np.concatenate([_OUTWARDS[::-1], [1], _OUTWARDS])
BIN_STARTS: Final = np.cumsum(BIN_WIDTHS) - BIN_WIDTHS
MIDDLES: Final = BIN_STARTS + BIN_WIDTHS // 2
"""The fine bin in the middle of each bin that the fit takes."""

KINDS: Final = ("plain", "defocus", "pupil", "halo", "tail")
"""Kinds of edges in the table, in its order."""
FREE_MODES: Final = 22
_BUMPS: Final[FloatArray] = 2.0 * np.sinh(0.11 * np.arange(-30, 31))
"""Where the bumps of the free-form part stand, in units of the Gaussian sigma: 0.22 apart, further out wider."""
_BUMP_RANGE: Final = 32.0


def step_px(mtf50_cypx: float) -> float:
    """Spacing of the positions at this MTF50: a power of two, about a tenth of the Gaussian sigma.

    So fine, because a soft edge may hide a sharp core, whose high frequencies must be seen too.
    """
    return float(2.0 ** np.floor(np.log2(max(0.1 * gaussian_sigma_px(mtf50_cypx), 0.125))))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shapes:
    """Shapes at some distances from the edge; a first axis of three is samples, first and second derivative."""

    position_px: FloatArray
    mean: FloatArray
    """Shape (3, positions)."""
    modes: FloatArray
    """Shape (3, modes, positions): principal shapes of all kinds, then the free-form ones, in units of the step."""

    def at(self, places: npt.NDArray[np.intp]) -> "Shapes":
        """Shapes at some of the positions."""
        return Shapes(
            position_px=self.position_px[places],
            mean=self.mean[:, places],
            modes=np.ascontiguousarray(self.modes[..., places]),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PriorShape:
    """Shapes of edges whose MTF50 lies near this one."""

    index: int
    """Of `SHAPE_GRID_CYPX`."""
    mtf50_cypx: float
    step_px: float
    fine: Shapes
    """At every position of the table."""
    fitted: Shapes
    """At the middles of the bins that the fit takes."""
    own_frequency_cypx: FloatArray
    """Fine grid, up to five times the MTF50."""
    mean_otf: ComplexArray
    """On the own grid, then on the output grid (0 to 1 cy/px by 0.01)."""
    modes_otf: ComplexArray
    kind_mean: FloatArray
    """Shape (kinds, principal shapes): the kinds' means, from the table's mean."""
    kind_factor: FloatArray
    """Shape (kinds, principal shapes, rank): F with F F' each kind's covariance."""


@cache
def _table() -> dict[str, npt.NDArray[np.float32]]:
    with np.load(TABLE, allow_pickle=False) as table:
        return {name: table[name] for name in table.files}


def nearest_shape(mtf50_cypx: float) -> int:
    """Index of the shape nearest in the logarithm of MTF50; the last one where it is unknown or beyond the grid."""
    if not math.isfinite(mtf50_cypx) or mtf50_cypx <= 0:
        return len(SHAPE_GRID_CYPX) - 1
    place = math.log(mtf50_cypx / _SOFTEST_CYPX) / _APART
    return min(max(round(place), 0), len(SHAPE_GRID_CYPX) - 1)


@cache
def prior_shape(index: int) -> PriorShape:
    """One shape of the table, whole ranges rebuilt from halves."""
    table = {name: shapes[index].astype(np.float64) for name, shapes in _table().items()}
    mtf50 = float(SHAPE_GRID_CYPX[index])
    step = step_px(mtf50)
    mean = table["mean"]
    mean[0] -= 0.5
    mean = _whole(mean, step, odd=True)
    mean[0] += 0.5
    odd = _whole(table["odd"].transpose(1, 0, 2), step, odd=True)
    even = _whole(table["even"].transpose(1, 0, 2), step, odd=False)
    own = np.arange(FREQUENCIES) * mtf50 / FREQUENCIES_PER_MTF50
    free, free_otf = _free_modes(mtf50, np.concatenate([own, OUTPUT_FREQUENCY_CYPX]))
    position_px = np.arange(-HALF, HALF + 1, dtype=np.float64) * step
    modes = np.concatenate([odd, even, free], axis=1)
    fine = Shapes(position_px=position_px, mean=mean, modes=modes)
    odd_factor, even_factor = table["kind_odd"], table["kind_even"]
    factor = np.zeros((len(KINDS), *np.add(odd_factor.shape[1:], even_factor.shape[1:])))
    factor[:, : odd_factor.shape[1], : odd_factor.shape[2]] = odd_factor
    factor[:, odd_factor.shape[1] :, odd_factor.shape[2] :] = even_factor
    kind_mean = np.pad(table["kind_mean"], ((0, 0), (0, even_factor.shape[1])))
    even_otf = 1j * table["even_otf"]
    return PriorShape(
        index=index,
        mtf50_cypx=mtf50,
        step_px=step,
        fine=fine,
        fitted=fine.at(MIDDLES),
        own_frequency_cypx=own,
        mean_otf=table["mean_otf"].astype(complex),
        modes_otf=np.concatenate([table["odd_otf"].astype(complex), even_otf, free_otf]),
        kind_mean=kind_mean,
        kind_factor=factor,
    )


def _whole(half: FloatArray, step: float, *, odd: bool) -> FloatArray:
    """Mirror samples and slopes kept for d >= 0, and add the second derivative."""
    sign = np.array([-1.0, 1.0] if odd else [1.0, -1.0]).reshape((2,) + (1,) * (half.ndim - 1))
    whole = np.concatenate([sign * half[..., :0:-1], half], axis=-1)
    bend = np.gradient(whole[1:], step, axis=-1)
    slope = whole[1:]
    bend[..., 2:-2] = (slope[..., :-4] - slope[..., 4:] + 8.0 * (slope[..., 3:-1] - slope[..., 1:-3])) / (
        12.0 * step
    )
    return np.concatenate([whole, bend])


def _free_modes(mtf50_cypx: float, grid_cypx: FloatArray) -> tuple[FloatArray, ComplexArray]:
    """Smooth local departures of the ESF: principal modes of a Gaussian process, spanned by Gaussian bumps.

    A bump of the ESF returns to zero on both sides, so it changes neither plateau: its transform is zero at f = 0.
    """
    sigma = gaussian_sigma_px(mtf50_cypx)
    combine, center, width = _free_bumps()
    step = step_px(mtf50_cypx)
    center, width = center * sigma, np.maximum(width * sigma, step)[:, None]
    position = np.arange(-HALF, HALF + 1) * step
    u = (position - center[:, None]) / width
    bump = np.exp(-0.5 * u * u)
    bumps = np.stack([bump, -u / width * bump, (u * u - 1.0) / width**2 * bump])
    turn = 2j * np.pi * grid_cypx
    blur = np.sqrt(2.0 * np.pi) * width * np.exp(-2.0 * np.square(np.pi * width * grid_cypx))
    return np.einsum("kj,sjx->skx", combine, bumps), combine @ (turn * blur * np.exp(-turn * center[:, None]))


@cache
def _free_bumps() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Combinations of bumps with unit prior variance, and the bumps' centres and widths, in units of sigma.

    The process is rough beside the edge (0.22 sigma within 2.5) and smoother further out, where it fades.
    """
    width = np.maximum(np.gradient(_BUMPS), 0.18)
    d = np.linspace(-_BUMP_RANGE, _BUMP_RANGE, 641)
    smooth = 0.5 + 0.3 * np.abs(d)
    fading = np.exp(-np.square(d / 20.0)) / np.sqrt(1.0 + np.square(d / 3.0))
    apart = d[:, None] - d
    squares = smooth[:, None] ** 2 + smooth**2
    covariance = np.sqrt(2.0 * smooth[:, None] * smooth / squares) * np.exp(-np.square(apart) / squares)
    covariance *= fading[:, None] * fading
    near = np.sqrt(0.1) * np.exp(-0.5 * np.square(d / 2.5))
    covariance += near[:, None] * near * np.exp(-0.5 * np.square(apart / 0.22))
    bumps = np.exp(-0.5 * np.square((d - _BUMPS[:, None]) / width[:, None]))
    onto = np.linalg.pinv(bumps.T, rcond=1e-6)
    variance, vectors = np.linalg.eigh(onto @ covariance @ onto.T)
    keep = np.argsort(-variance)[:FREE_MODES]
    return (vectors[:, keep] * np.sqrt(np.maximum(variance[keep], 0.0))).T, _BUMPS, width
