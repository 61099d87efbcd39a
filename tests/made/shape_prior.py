"""How the table of edge shapes is made: `python tests/made/shape_prior.py` writes lensbench/edge/shape_prior.npz anew.

For each MTF50 of a grid, many edges of five kinds are drawn at random and scaled until the MTF50 is within a quarter of
the grid's:

- plain: diffraction by a round pupil with a little defocus, spherical aberration and coma, a geometric blur disc, a
  Gaussian blur, and the square pixel seen at an angle;
- defocus: a round pupil out of focus by 0.2 to 2.5 waves with little else;
- pupil: stronger and balanced aberrations (third- and fifth-order spherical with defocus, coma and astigmatism at any
  angle to the edge), central stops, pupils clipped by a second rim;
- halo: a core with one or two halos around it, Gaussian or exponential, of 1.2 to 40 times its width;
- tail: exponential spreads to both sides or to one, alone or beside a core.

All are sums of a few principal shapes, odd and even about the edge apart, kept with first derivatives; each is a sum of
true edges, so its Fourier transform is known exactly. Of each kind the mean and the covariance in them are kept.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial
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
    KINDS,
    OUTPUT_FREQUENCY_CYPX,
    SHAPE_GRID_CYPX,
    TABLE,
    step_px,
)
from lensbench.model.units import FloatArray
from lensbench.optics import gaussian_sigma_px

ComplexArray = npt.NDArray[np.complex128]
Transfer = Callable[[FloatArray], ComplexArray]
Scaled = Callable[[FloatArray, float], ComplexArray]

ODD_MODES: Final = 30
EVEN_MODES: Final = 14
ODD_RANK: Final = 16
EVEN_RANK: Final = 8
SPREAD: Final = 0.24
"""Members' MTF50 lie within this (natural logarithm) of the grid's."""
MEMBERS: Final = 400
"""Of each kind at each MTF50."""
WAVEFRONTS: Final = 240
PUPILS: Final = 480
PLAIN_WEIGHT: Final = 3.0
"""How much better the plain edges are held by the principal shapes than the others."""
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
    otf = transfer(frequency).astype(complex)
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

    def _ratio(self, rng: np.random.Generator, perfect: FloatArray) -> Transfer:
        size = rng.choice([0.15, 0.35, 0.7])
        defocus, spherical, coma = rng.normal(size=3) * size * np.array([1.0, 0.7, 0.7])
        if rng.random() < 0.4:
            defocus, spherical, coma = rng.uniform(-1.5, 1.5), 0.0, 0.0
        otf = _overlap(self._nu, float(defocus), float(spherical), float(coma))
        ratio = otf / np.maximum(perfect, 1e-12)
        ratio[0], ratio[-1] = 1.0, ratio[-2]
        spline: Transfer = CubicSpline(self._nu, ratio)
        return spline

    def pick(self, rng: np.random.Generator) -> Transfer:
        return self._ratios[rng.integers(len(self._ratios))]


def _overlap(nu: FloatArray, defocus: float, spherical: float, coma: float) -> ComplexArray:
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


def _pupil_otf(rng: np.random.Generator) -> Transfer:
    """OTF across an edge, over the cutoff frequency, of a pupil with aberrations, stop and rim drawn at random."""
    axis = np.linspace(-1.0, 1.0, 121)
    x, y = np.meshgrid(axis, axis)
    spacing = axis[1] - axis[0]

    def disc(right: float, down: float, radius: float) -> FloatArray:
        return np.asarray(np.clip((radius - np.hypot(x - right, y - down)) / spacing + 0.5, 0.0, 1.0))

    def along(angle: float) -> FloatArray:
        return np.asarray(x * np.cos(angle) + y * np.sin(angle))

    amplitude = disc(0.0, 0.0, 1.0)
    stopped = rng.random() < 0.25
    if stopped:
        amplitude = amplitude - disc(0.0, 0.0, rng.uniform(0.15, 0.6))
    if rng.random() < 0.35:
        angle, offset = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(0.15, 0.9)
        amplitude = amplitude * disc(offset * np.cos(angle), offset * np.sin(angle), rng.uniform(1.0, 1.3))
    size = rng.choice([0.05, 0.3, 0.8]) if stopped else rng.choice([0.3, 0.7, 1.2])
    third, fifth = rng.normal() * size, rng.normal() * 1.5 * size * (rng.random() < 0.4)
    defocus = -rng.uniform(0.4, 1.6) * third - 0.6 * rng.uniform(0.5, 1.3) * fifth + rng.normal() * 0.6 * size
    third -= rng.uniform(0.8, 1.4) * fifth
    if rng.random() < 0.25:
        third, fifth, defocus = 0.0, 0.0, rng.normal() * size
    coma, high_coma, astigmatism = (
        rng.normal() * share * size * (rng.random() < chance)
        for share, chance in ((0.8, 0.6), (0.5, 0.25), (0.5, 0.6))
    )
    r2 = x * x + y * y
    towards = along(rng.uniform(0.0, 2.0 * np.pi))
    waves = defocus * r2 + third * r2**2 + fifth * r2**3 + (coma + high_coma * r2) * r2 * towards
    waves = waves + astigmatism * (along(rng.uniform(0.0, 2.0 * np.pi)) ** 2 - 0.5 * r2)
    pupil = amplitude * np.exp(2j * np.pi * waves)
    count = axis.size
    otf = np.array([np.sum(pupil[:, k:] * np.conj(pupil[:, : count - k])) for k in range(count)])
    # Rim cells are filled in part: their squares fall short of the area, which alone makes the zero shift wrong.
    otf /= amplitude.sum()
    otf[0], otf[-1] = 1.0, 0.0
    spline = CubicSpline(np.linspace(0.0, 1.0, count), otf)
    return lambda nu: np.where(nu < 1.0, spline(np.clip(nu, 0.0, 1.0)), 0.0)


@cache
def _wavefronts() -> Wavefronts:
    return Wavefronts(np.random.default_rng(SEED))


@cache
def _pupils() -> tuple[Transfer, ...]:
    rng = np.random.default_rng(SEED + 1)
    return tuple(_pupil_otf(rng) for _ in range(PUPILS))


def _scaled_to(transfer: Scaled, mtf50_cypx: float, highest: float) -> Transfer:
    """Transfer at the scale that gives this MTF50, or the nearest that can be had."""
    low, high = 0.0, highest
    probe = np.linspace(mtf50_cypx / 12.0, mtf50_cypx, 12)
    for _ in range(44):
        middle = 0.5 * (low + high)
        if np.abs(transfer(probe, middle)).min() > 0.5:
            low = middle
        else:
            high = middle
    return partial(_at_scale, transfer, low)


def _at_scale(transfer: Scaled, scale: float, frequency_cypx: FloatArray) -> ComplexArray:
    return transfer(frequency_cypx, scale)


def _plain(rng: np.random.Generator, mtf50_cypx: float) -> Transfer:
    share = rng.dirichlet([0.5, 0.5, 0.5])
    kind = rng.random()
    if kind < 0.2:
        share = np.array([1.0, 0.0, 0.0])
    elif kind < 0.3:
        share = np.array([0.0, 1.0, 0.0])
    elif kind < 0.34:
        share = np.array([0.02, 0.0, 0.98])
    lengths = np.array([1.6, 0.75, 2.8]) * np.sqrt(share)
    aberrated = _wavefronts().pick(rng) if kind > 0.2 and share[0] > 0.02 and rng.random() < 0.55 else None
    angle_deg = float(rng.random() * 45.0)

    def transfer(frequency_cypx: FloatArray, scale: float) -> ComplexArray:
        q, sigma, disc = scale * lengths
        real = optics.diffraction_mtf(frequency_cypx, q) if q > 0 else np.ones_like(frequency_cypx)
        real = real * optics.gaussian_mtf(frequency_cypx, sigma) * optics.defocus_mtf(frequency_cypx, disc)
        otf: ComplexArray = (real * optics.pixel_mtf(frequency_cypx, angle_deg)).astype(complex)
        if aberrated is not None:
            otf *= aberrated(np.clip(frequency_cypx * q, 0.0, 1.0))
        return otf

    return _scaled_to(transfer, mtf50_cypx, 400.0)


def _pupil(rng: np.random.Generator, mtf50_cypx: float) -> Transfer:
    pupil = _pupils()[rng.integers(PUPILS)]
    share = np.array([1.0, 0.0, 0.0]) if rng.random() < 0.3 else rng.dirichlet([2.0, 0.3, 0.2])
    lengths = np.array([1.6, 0.75, 2.8]) * np.sqrt(share)
    angle_deg = float(rng.random() * 45.0)

    def transfer(frequency_cypx: FloatArray, scale: float) -> ComplexArray:
        q, sigma, disc = scale * lengths
        real = optics.gaussian_mtf(frequency_cypx, sigma) * optics.defocus_mtf(frequency_cypx, disc)
        return real * optics.pixel_mtf(frequency_cypx, angle_deg) * pupil(frequency_cypx * q)

    return _scaled_to(transfer, mtf50_cypx, 400.0)


def _defocus(rng: np.random.Generator, mtf50_cypx: float) -> Transfer:
    waves = rng.uniform(0.2, 2.5)
    share = np.array([1.0, 0.0]) if rng.random() < 0.5 else rng.dirichlet([3.0, 0.3])
    lengths = np.array([1.6, 0.75]) * np.sqrt(share)
    angle_deg = float(rng.random() * 45.0)

    def transfer(frequency_cypx: FloatArray, scale: float) -> ComplexArray:
        q, sigma = scale * lengths
        otf = optics.defocused_diffraction_otf(np.minimum(frequency_cypx * q, 1.0), waves)
        real = otf * optics.gaussian_mtf(frequency_cypx, sigma) * optics.pixel_mtf(frequency_cypx, angle_deg)
        return np.asarray(real, complex)

    return _scaled_to(transfer, mtf50_cypx, 400.0)


def _core(rng: np.random.Generator, mtf50_cypx: float) -> Transfer:
    return _plain(rng, mtf50_cypx) if rng.random() < 0.7 else _pupil(rng, mtf50_cypx)


def _halo(rng: np.random.Generator, mtf50_cypx: float) -> Transfer:
    core = _core(rng, mtf50_cypx)
    share = np.array([rng.beta(1.0, 4.0) * 0.55, rng.beta(1.0, 4.0) * 0.3 * (rng.random() < 0.3)])
    width_px = np.exp(rng.uniform(np.log(1.2), np.log(40.0), 2)) * gaussian_sigma_px(mtf50_cypx)
    exponential = rng.random(2) < 0.4

    def transfer(frequency_cypx: FloatArray, scale: float) -> ComplexArray:
        total = (1.0 - share.sum()) * core(frequency_cypx * scale)
        for part, width, long_tailed in zip(share, width_px, exponential, strict=True):
            turn = 2.0 * np.pi * width * frequency_cypx
            total = total + part * (1.0 / (1.0 + 0.5 * turn**2) if long_tailed else np.exp(-0.5 * turn**2))
        return total

    return _scaled_to(transfer, mtf50_cypx, 6.0)


def _tail(rng: np.random.Generator, mtf50_cypx: float) -> Transfer:
    core = _core(rng, mtf50_cypx)
    part, kind = rng.uniform(0.05, 0.9), rng.random()
    one, other = np.exp(rng.uniform(np.log(0.4), np.log(5.0), 2)) * gaussian_sigma_px(mtf50_cypx)
    side, narrow = rng.choice([-1.0, 1.0]), rng.uniform(0.05, 1.0)

    def tail(frequency_cypx: FloatArray) -> ComplexArray:
        turn = 2.0 * np.pi * one * frequency_cypx
        if kind < 0.4:
            return (1.0 - part) + part / (1.0 + 1j * side * turn)
        if kind < 0.65:
            return ((1.0 - part) + part / (1.0 + turn**2)).astype(complex)
        if kind < 0.85:
            return (1.0 / (1.0 + turn**2)).astype(complex)
        back = 2.0 * np.pi * other * frequency_cypx
        lopsided = one / (one + other) / (1.0 + 1j * turn) + other / (one + other) / (1.0 - 1j * back)
        return np.asarray((1.0 - part) + part * lopsided, complex)

    def transfer(frequency_cypx: FloatArray, scale: float) -> ComplexArray:
        return core(frequency_cypx * scale * narrow) * tail(frequency_cypx * min(scale, 1.0))

    return _scaled_to(transfer, mtf50_cypx, 50.0)


DRAWN: Final = dict(zip(KINDS, (_plain, _defocus, _pupil, _halo, _tail), strict=True))


def build_shape(index: int) -> dict[str, FloatArray]:
    """Draw members of every kind at this MTF50 and condense them."""
    return _condensed(*drawn_edges(index, KINDS))


def drawn_edges(index: int, kinds: Sequence[str]) -> tuple[FloatArray, ComplexArray]:
    """Members of the first kinds: ESF with two derivatives, and transfers on both grids."""
    mtf50_cypx = float(SHAPE_GRID_CYPX[index])
    rng = np.random.default_rng((SEED, index))
    spacing = step_px(mtf50_cypx)
    own = np.arange(FREQUENCIES) * mtf50_cypx / FREQUENCIES_PER_MTF50
    grid = np.concatenate([own, OUTPUT_FREQUENCY_CYPX])
    samples, transforms = [], []
    for kind in kinds:
        draw = DRAWN[kind]
        missing = MEMBERS
        while missing:
            target = min(mtf50_cypx * np.exp(SPREAD * rng.uniform(-1.0, 1.0)), 0.6)
            transfer = draw(rng, float(target))
            esf, lsf, slope = esf_samples(transfer, spacing_px=spacing, half=HALF)
            nearest = int(np.argmin(np.abs(esf - 0.5)))
            shift = (nearest - HALF) * spacing + (0.5 - esf[nearest]) / lsf[nearest]
            if not abs(shift) < 0.3 * HALF * spacing:
                continue
            if abs(shift) > 1e-9:
                transfer = partial(_shifted, transfer, shift)
                esf, lsf, slope = esf_samples(transfer, spacing_px=spacing, half=HALF)
            samples.append(np.stack([esf, lsf, slope]))
            transforms.append(transfer(grid))
            missing -= 1
    return np.array(samples), np.array(transforms)


def _shifted(transfer: Transfer, shift_px: float, frequency_cypx: FloatArray) -> ComplexArray:
    moved: ComplexArray = transfer(frequency_cypx) * np.exp(2j * np.pi * frequency_cypx * shift_px)
    return moved


def _condensed(samples: FloatArray, transforms: ComplexArray) -> dict[str, FloatArray]:
    """Split members into odd and even parts about the edge, and keep the principal shapes of each.

    The prior is mirror-symmetric (coma of either sign is as likely), so the two parts do not mix. The odd part of an
    ESF gives the real part of its transform, the even part the imaginary one.
    """
    centred = samples - np.array([0.5, 0.0, 0.0])[:, None]
    mirrored = np.array([1.0, -1.0, 1.0])[:, None] * centred[:, :, ::-1]
    odd, even = 0.5 * (centred - mirrored), 0.5 * (centred + mirrored)
    plain = np.arange(len(samples)) < MEMBERS
    weight = np.where(plain, PLAIN_WEIGHT, 1.0)
    mean, mean_otf = odd[plain].mean(axis=0), transforms.real[plain].mean(axis=0)
    odd_shapes, odd_otf, odd_part = _principal(odd - mean, transforms.real - mean_otf, weight, ODD_MODES)
    even_shapes, even_otf, even_part = _principal(even, transforms.imag, weight, EVEN_MODES)
    odd_part, even_part = (part.reshape(len(DRAWN), MEMBERS, -1) for part in (odd_part, even_part))
    odd_mean = odd_part.mean(axis=1)
    mean[0] += 0.5
    return {
        "mean": mean[:2, HALF:],
        "mean_otf": mean_otf,
        "odd": odd_shapes[:, :2, HALF:],
        "odd_otf": odd_otf,
        "even": even_shapes[:, :2, HALF:],
        "even_otf": even_otf,
        "kind_mean": odd_mean,
        "kind_odd": np.stack([_factor(part, ODD_RANK) for part in odd_part - odd_mean[:, None]]),
        "kind_even": np.stack([_factor(part, EVEN_RANK) for part in even_part]),
    }


def _principal(
    parts: FloatArray, transforms: FloatArray, weight: FloatArray, count: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Principal shapes (orthonormal in the ESF), their transforms, and every member's coefficients."""
    left, size, _ = np.linalg.svd(parts[:, 0] * weight[:, None], full_matrices=False)
    combine = (left[:, :count] / size[:count] * weight[:, None]).T
    shapes = np.einsum("km,msx->ksx", combine, parts)
    return shapes, combine @ transforms, parts[:, 0] @ shapes[:, 0].T


def _factor(parts: FloatArray, rank: int) -> FloatArray:
    """Factor F with F F' the covariance of these coefficients, of the largest terms."""
    _, size, right = np.linalg.svd(parts / np.sqrt(len(parts)), full_matrices=False)
    return np.asarray((right[:rank] * size[:rank, None]).T)


def write_table(path: Path = TABLE) -> None:
    """Make all shapes and write them to one compressed file. Takes some minutes."""
    with ProcessPoolExecutor() as pool:
        shapes = list(pool.map(build_shape, range(len(SHAPE_GRID_CYPX))))
    stacked = {name: np.stack([shape[name] for shape in shapes]).astype(np.float32) for name in shapes[0]}
    np.savez_compressed(path, allow_pickle=False, **stacked)


if __name__ == "__main__":
    write_table()
