"""How edges look before they are measured: the shape prior, and free-form shapes for what it does not hold.

For each MTF50 of a grid, a small table holds the mean and the principal modes of the ESFs that lenses, pixels and blur
can make (odd and even about the edge apart), sampled with first and second derivatives, and their Fourier transforms.
Each mode is a sum of true edges, so its transform is known exactly, tails to infinity included: no window is needed.
A fit takes the mean edge, the modes with unit prior variance, and smooth local bumps of the ESF for the rest
(sharpening, shake, ghosts). The table is made by tests/made/shape_prior.py, which tells how its edges are drawn.
"""

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
SHAPE_GRID_CYPX: Final[FloatArray] = 0.0125 * np.exp(0.12 * np.arange(33))
"""MTF50 of the prior's shapes: 0.0125 to 0.58 cy/px, 13 % apart."""
FREQUENCIES_PER_MTF50: Final = 32
FREQUENCIES: Final = 161
OUTPUT_FREQUENCY_CYPX: Final[FloatArray] = np.linspace(0.0, 1.0, 101)

HALF: Final = 320
SIZE: Final = 2 * HALF + 1
"""Positions at which a shape is known, `step_px` apart: the fine bins of distance from the edge."""
_FINE: Final = 65
_WIDE: Final = 5
"""Beyond so many bins from the edge, six blurs at the least, the fit takes so many as one: tails are smooth."""
BIN_STARTS: Final = np.concatenate(
    [
        np.arange(0, HALF - _FINE, _WIDE),
        np.arange(HALF - _FINE, HALF + _FINE + 1),
        np.arange(HALF + _FINE + 1, SIZE, _WIDE),
    ]
)
BIN_WIDTHS: Final = np.diff(np.append(BIN_STARTS, SIZE))
MIDDLES: Final = np.where(np.abs(BIN_STARTS - HALF) > _FINE, BIN_STARTS + _WIDE // 2, BIN_STARTS)
"""The fine bin in the middle of each bin that the fit takes."""

FREE_MODES: Final = 44
_BUMP_SPACING_SIGMA: Final = 0.2
_BUMPS_EACH_SIDE: Final = 52
_SCALES_SIGMA: Final = ((5.0, 0.7, 1.0), (2.5, 0.22, 0.1))
"""Reach, smoothness and variance of the two Gaussian processes that make up the free-form part."""


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
    """Shape (3, modes, positions), unit prior variance in units of the edge's step."""
    free: FloatArray
    """Shape (3, free modes, positions)."""

    def at(self, places: npt.NDArray[np.intp]) -> "Shapes":
        """Shapes at some of the positions."""
        return Shapes(
            position_px=self.position_px[places],
            mean=self.mean[:, places],
            modes=np.ascontiguousarray(self.modes[..., places]),
            free=np.ascontiguousarray(self.free[..., places]),
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
    free_otf: ComplexArray


@cache
def _table() -> dict[str, FloatArray]:
    with np.load(TABLE, allow_pickle=False) as table:
        return {name: table[name].astype(np.float64) for name in table.files}


def nearest_shape(mtf50_cypx: float) -> int:
    """Index of the shape nearest in the logarithm of MTF50; the last one where it is unknown or beyond the grid."""
    if not np.isfinite(mtf50_cypx) or mtf50_cypx <= 0:
        return len(SHAPE_GRID_CYPX) - 1
    place = np.log(mtf50_cypx / SHAPE_GRID_CYPX[0]) / np.log(SHAPE_GRID_CYPX[1] / SHAPE_GRID_CYPX[0])
    return int(np.clip(np.rint(place), 0, len(SHAPE_GRID_CYPX) - 1))


@cache
def prior_shape(index: int) -> PriorShape:
    """One shape of the table, whole ranges rebuilt from halves."""
    table = _table()
    mtf50 = float(SHAPE_GRID_CYPX[index])
    mean = table["mean"][index].copy()
    mean[0] -= 0.5
    mean = _whole(mean, odd=True)
    mean[0] += 0.5
    odd = _whole(table["odd"][index].transpose(1, 0, 2), odd=True)
    even = _whole(table["even"][index].transpose(1, 0, 2), odd=False)
    own = np.arange(FREQUENCIES) * mtf50 / FREQUENCIES_PER_MTF50
    free, free_otf = _free_modes(mtf50, np.concatenate([own, OUTPUT_FREQUENCY_CYPX]))
    position_px = np.arange(-HALF, HALF + 1, dtype=np.float64) * step_px(mtf50)
    fine = Shapes(position_px=position_px, mean=mean, modes=np.concatenate([odd, even], axis=1), free=free)
    return PriorShape(
        index=index,
        mtf50_cypx=mtf50,
        step_px=step_px(mtf50),
        fine=fine,
        fitted=fine.at(MIDDLES),
        own_frequency_cypx=own,
        mean_otf=table["mean_otf"][index].astype(complex),
        modes_otf=np.concatenate([table["odd_otf"][index].astype(complex), 1j * table["even_otf"][index]]),
        free_otf=free_otf,
    )


def _whole(half: FloatArray, *, odd: bool) -> FloatArray:
    """Mirror samples kept for d >= 0; the first axis is samples, first and second derivative."""
    sign = np.array([-1.0, 1.0, -1.0] if odd else [1.0, -1.0, 1.0]).reshape((3,) + (1,) * (half.ndim - 1))
    return np.concatenate([sign * half[..., :0:-1], half], axis=-1)


def _free_modes(mtf50_cypx: float, grid_cypx: FloatArray) -> tuple[FloatArray, ComplexArray]:
    """Smooth local departures of the ESF: principal modes of a Gaussian process, spanned by cubic B-splines.

    A bump of the ESF returns to zero on both sides, so it changes neither plateau: its transform is zero at f = 0.
    """
    sigma = gaussian_sigma_px(mtf50_cypx)
    spacing = _BUMP_SPACING_SIGMA * sigma
    center = np.arange(-_BUMPS_EACH_SIDE, _BUMPS_EACH_SIDE + 1) * spacing
    position = np.arange(-HALF, HALF + 1) * step_px(mtf50_cypx)
    bumps = np.stack(_cubic_bspline((position - center[:, None]) / spacing))
    bumps /= np.array([1.0, spacing, spacing**2])[:, None, None]
    turn = 2j * np.pi * grid_cypx
    transform = turn * spacing * np.sinc(grid_cypx * spacing) ** 4 * np.exp(-turn * center[:, None])
    covariance = np.zeros((center.size, center.size))
    for reach, smooth, size in _SCALES_SIGMA:
        envelope = np.exp(-0.5 * np.square(center / (reach * sigma)))
        apart = (center[:, None] - center) / (smooth * sigma)
        covariance += size * envelope[:, None] * envelope * np.exp(-0.5 * apart * apart)
    variance, vectors = np.linalg.eigh(covariance)
    keep = np.argsort(-variance)[:FREE_MODES]
    combine = (vectors[:, keep] * np.sqrt(np.maximum(variance[keep], 0.0))).T
    return np.einsum("kj,sjx->skx", combine, bumps), combine @ transform


def _cubic_bspline(u: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Cubic B-spline of unit spacing with its first and second derivative."""
    a, sign = np.abs(u), np.sign(u)
    inside, outside = a < 1.0, a < 2.0
    rest = 2.0 - a
    value = np.where(inside, 2.0 / 3.0 - a * a + 0.5 * a**3, np.where(outside, rest**3 / 6.0, 0.0))
    first = sign * np.where(inside, 1.5 * a * a - 2.0 * a, np.where(outside, -0.5 * rest * rest, 0.0))
    second = np.where(inside, 3.0 * a - 2.0, np.where(outside, rest, 0.0))
    return value, first, second
