"""How the table of edge shapes is made: `python tests/made/shape_prior.py` writes lensbench/edge/shape_prior.npz anew.

For each MTF50 of a grid, many edges are drawn at random: diffraction by a circular pupil with defocus, spherical
aberration and coma, a geometric blur disc, a Gaussian blur, and the square pixel seen at an angle, all scaled until the
MTF50 is within a quarter of the grid's. Their mean and their principal modes (odd and even apart) are kept, sampled
with first and second derivatives. Each mode is a sum of true edges, so its Fourier transform is known exactly.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from lensbench import optics
from lensbench.edge.shapes import (
    FREQUENCIES,
    FREQUENCIES_PER_MTF50,
    HALF,
    OUTPUT_FREQUENCY_CYPX,
    SHAPE_GRID_CYPX,
    TABLE,
    step_px,
)
from lensbench.model.units import FloatArray

ComplexArray = npt.NDArray[np.complex128]
Transfer = Callable[[FloatArray], ComplexArray]

ODD_MODES: Final = 16
EVEN_MODES: Final = 4
SPREAD: Final = 0.24
"""Members' MTF50 lie within this (natural logarithm) of the grid's."""
MEMBERS: Final = 480
WAVEFRONTS: Final = 240
SEED: Final = 12233


def esf_samples(
    transfer: Transfer, *, spacing_px: float, half: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Sample an ESF and its first two derivatives at -half..half times the spacing, by one long inverse FFT.

    The period is 32 half-ranges, so that the 1/x^2 tails of the LSF wrap to less than 1e-5.
    """
    fine = 2
    period = 32 * half * spacing_px
    count = 32 * half * fine
    frequency = np.arange(count // 2 + 1) / period
    otf = transfer(frequency)
    otf[-1] = 0.0
    turn = 2j * np.pi * frequency
    integral = np.zeros_like(otf)
    integral[1:] = otf[1:] / turn[1:]
    pick = (np.arange(-half, half + 1) * fine) % count
    scale = fine / spacing_px
    ramp = 0.5 + np.arange(-half, half + 1) * spacing_px / period
    esf = np.fft.irfft(integral, count)[pick] * scale + ramp
    lsf = np.fft.irfft(otf, count)[pick] * scale
    slope = np.fft.irfft(otf * turn, count)[pick] * scale
    return esf, lsf, slope


class Wavefronts:
    """A pool of aberrated pupils, as ratios of their OTF to the perfect one; two in five have defocus alone."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._nu = 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, 72)))
        perfect = optics.circular_mtf(self._nu)
        self._ratios = [self._ratio(rng, perfect) for _ in range(WAVEFRONTS)]

    def _ratio(self, rng: np.random.Generator, perfect: FloatArray) -> Callable[[FloatArray], ComplexArray]:
        size = rng.choice([0.15, 0.35, 0.7])
        defocus, spherical, coma = rng.normal(size=3) * size * np.array([1.0, 0.7, 0.7])
        if rng.random() < 0.4:
            defocus, spherical, coma = rng.uniform(-1.5, 1.5), 0.0, 0.0
        otf = _pupil_otf(self._nu, float(defocus), float(spherical), float(coma))
        ratio = otf / np.maximum(perfect, 1e-12)
        ratio[0], ratio[-1] = 1.0, ratio[-2]
        spline: Callable[[FloatArray], ComplexArray] = CubicSpline(self._nu, ratio)
        return spline

    def pick(self, rng: np.random.Generator) -> Callable[[FloatArray], ComplexArray]:
        return self._ratios[rng.integers(len(self._ratios))]


def _pupil_otf(nu: FloatArray, defocus: float, spherical: float, coma: float) -> ComplexArray:
    """Integrate the pupil's overlap with itself, W = defocus r^2 + spherical r^4 + coma r^2 x in waves."""
    nodes, weights = np.polynomial.legendre.leggauss(40)
    otf = np.zeros(nu.size, complex)
    for index, shift in enumerate(nu[:-1]):
        tall = np.sqrt(1.0 - shift * shift)
        y = (tall * nodes)[:, None]
        wide = np.sqrt(1.0 - y * y) - shift
        x = wide * nodes

        def wave(x: FloatArray, y: FloatArray = y) -> FloatArray:
            r2 = x * x + y * y
            return defocus * r2 + spherical * r2 * r2 + coma * r2 * x

        phase = 2.0 * np.pi * (wave(x + shift) - wave(x - shift))
        otf[index] = np.sum(tall * weights[:, None] * wide * weights * np.exp(1j * phase)) / np.pi
    return otf


def _member(rng: np.random.Generator, wavefronts: Wavefronts, mtf50_cypx: float) -> tuple[Transfer, bool]:
    """Draw one edge's transfer with this MTF50; True where it may be lopsided."""
    share = rng.dirichlet([0.5, 0.5, 0.5])
    kind = rng.random()
    if kind < 0.2:
        share = np.array([1.0, 0.0, 0.0])
    elif kind < 0.3:
        share = np.array([0.0, 1.0, 0.0])
    elif kind < 0.34:
        share = np.array([0.02, 0.0, 0.98])
    lengths = np.array([1.6, 0.75, 2.8]) * np.sqrt(share)
    aberrated = wavefronts.pick(rng) if kind > 0.2 and share[0] > 0.02 and rng.random() < 0.55 else None
    angle_deg = float(rng.random() * 45.0)

    def transfer(frequency_cypx: FloatArray, scale: float) -> ComplexArray:
        q, sigma, disc = scale * lengths
        real = optics.diffraction_mtf(frequency_cypx, q) if q > 0 else np.ones_like(frequency_cypx)
        real = real * optics.gaussian_mtf(frequency_cypx, sigma) * optics.defocus_mtf(frequency_cypx, disc)
        otf: ComplexArray = (real * optics.pixel_mtf(frequency_cypx, angle_deg)).astype(complex)
        if aberrated is not None:
            otf *= aberrated(np.clip(frequency_cypx * q, 0.0, 1.0))
        return otf

    low, high = 0.0, 400.0
    probe = np.linspace(mtf50_cypx / 12.0, mtf50_cypx, 12)
    for _ in range(44):
        middle = 0.5 * (low + high)
        if np.abs(transfer(probe, middle)).min() > 0.5:
            low = middle
        else:
            high = middle
    final = low
    return (lambda frequency: transfer(frequency, final)), aberrated is not None


def build_shape(mtf50_cypx: float, wavefronts: Wavefronts, rng: np.random.Generator) -> dict[str, FloatArray]:
    """Draw members of this MTF50 and condense them: mean, modes, and their transforms."""
    spacing = step_px(mtf50_cypx)
    own = np.arange(FREQUENCIES) * mtf50_cypx / FREQUENCIES_PER_MTF50
    grid = np.concatenate([own, OUTPUT_FREQUENCY_CYPX])
    samples, transforms = [], []
    for _ in range(MEMBERS):
        target = mtf50_cypx * np.exp(SPREAD * rng.uniform(-1.0, 1.0))
        transfer, lopsided = _member(rng, wavefronts, float(min(target, 0.6)))
        esf, lsf, slope = esf_samples(transfer, spacing_px=spacing, half=HALF)
        shift = _crossing_px(esf, lsf, spacing) if lopsided else 0.0
        if shift:
            moved = _shifted(transfer, shift)
            esf, lsf, slope = esf_samples(moved, spacing_px=spacing, half=HALF)
            transfer = moved
        samples.append(np.stack([esf, lsf, slope]))
        transforms.append(transfer(grid))
    return _condensed(np.array(samples), np.array(transforms))


def _shifted(transfer: Transfer, shift_px: float) -> Transfer:
    return lambda frequency: transfer(frequency) * np.exp(2j * np.pi * frequency * shift_px)


def _crossing_px(esf: FloatArray, lsf: FloatArray, spacing: float) -> float:
    nearest = int(np.argmin(np.abs(esf - 0.5)))
    return float((nearest - HALF) * spacing + (0.5 - esf[nearest]) / lsf[nearest])


def _condensed(samples: FloatArray, transforms: ComplexArray) -> dict[str, FloatArray]:
    """Split members into odd and even parts about the edge and keep the principal modes of each, unit variance.

    The prior is mirror-symmetric (coma of either sign is as likely), so the two parts do not mix. The odd part of an
    ESF gives the real part of its transform, the even part the imaginary one.
    """
    centred = samples - np.array([0.5, 0.0, 0.0])[:, None]
    mirrored = np.array([1.0, -1.0, 1.0])[:, None] * centred[:, :, ::-1]
    odd = 0.5 * (centred - mirrored)
    even = 0.5 * (centred + mirrored)
    mean, mean_otf = odd.mean(axis=0), transforms.real.mean(axis=0)
    odd_modes, odd_otf = _modes(odd - mean, transforms.real - mean_otf, ODD_MODES)
    even_modes, even_otf = _modes(even, transforms.imag, EVEN_MODES)
    mean[0] += 0.5
    return {
        "mean": mean[:, HALF:],
        "mean_otf": mean_otf,
        "odd": odd_modes[:, :, HALF:],
        "odd_otf": odd_otf,
        "even": even_modes[:, :, HALF:],
        "even_otf": even_otf,
    }


def _modes(parts: FloatArray, transforms: FloatArray, count: int) -> tuple[FloatArray, FloatArray]:
    left, _, _ = np.linalg.svd(parts[:, 0, :], full_matrices=False)
    combine = left[:, :count] / np.sqrt(len(parts))
    return np.einsum("mk,msx->ksx", combine, parts), combine.T @ transforms


def write_table(path: Path = TABLE) -> None:
    """Make all shapes and write them to one compressed file. Takes about a minute."""
    rng = np.random.default_rng(SEED)
    wavefronts = Wavefronts(rng)
    shapes = [build_shape(float(mtf50), wavefronts, rng) for mtf50 in SHAPE_GRID_CYPX]
    stacked = {name: np.stack([shape[name] for shape in shapes]).astype(np.float32) for name in shapes[0]}
    np.savez_compressed(path, allow_pickle=False, **stacked)


if __name__ == "__main__":
    write_table()
