"""Exact edges of lenses whose spread belongs to no simple family: halos, aberrated and cut pupils, trails.

Each spread gives its complex transfer along the normal of the edge, phase and all: an edge of coma is not symmetric.
A straight edge's samples are then its ESF through that transfer and the square pixel's, evaluated at each pixel's own
distance; no picture is drawn and resampled. Truth is the modulus of the same product.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Protocol

import numpy as np
import numpy.typing as npt
from exact_edges import BRIGHT, DARK, Profile, Scene, grid, photon_variance
from scipy import special
from scipy.interpolate import CubicSpline

from lensbench import optics

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

LEVELS = (0.5, 0.3, 0.2, 0.1)
"""Of which the true frequencies are asked."""

_STEP_PX = 1.0 / 32.0
_PERIOD = 2**18
"""Samples in one period of the blurred square wave: 8192 px, of which only the middle of one rise is used."""


class Spread(Protocol):
    """What blurs the picture before the pixel."""

    @property
    def highest_cypx(self) -> float:
        """Where nothing passes any more."""

    def otf(self, frequency_cypx: Array, angle_deg: float, /) -> Complex:
        """Transfer along a normal that stands at an angle to the rows: the transform of the LSF along it."""


@dataclass(frozen=True, kw_only=True)
class Gaussian:
    sigma_px: float

    @property
    def highest_cypx(self) -> float:
        return 1.25 / self.sigma_px

    def otf(self, frequency_cypx: Array, _angle_deg: float, /) -> Complex:
        return np.exp(-2.0 * np.square(np.pi * self.sigma_px * frequency_cypx)).astype(np.complex128)


@dataclass(frozen=True, kw_only=True)
class RoundExponential:
    """Point spread exp(-r / scale): transfer (1 + (2 pi f scale)^2)^(-3/2), its Hankel transform."""

    scale_px: float
    highest_cypx: float = 8.0

    def otf(self, frequency_cypx: Array, _angle_deg: float, /) -> Complex:
        return (1.0 + np.square(2.0 * np.pi * self.scale_px * frequency_cypx)).astype(np.complex128) ** -1.5


@dataclass(frozen=True, kw_only=True)
class ExponentialLine:
    """Line spread exp(-|x| / scale) along any normal."""

    scale_px: float
    highest_cypx: float = 12.0

    def otf(self, frequency_cypx: Array, _angle_deg: float, /) -> Complex:
        return 1.0 / (1.0 + np.square(2.0 * np.pi * self.scale_px * frequency_cypx)).astype(np.complex128)


@dataclass(frozen=True, kw_only=True)
class Trail:
    """Line spread exp(-x / scale) for x > 0 only, a share of the whole; the rest stays where it was."""

    share: float
    scale_px: float
    highest_cypx: float = 12.0

    def otf(self, frequency_cypx: Array, _angle_deg: float, /) -> Complex:
        trail = 1.0 / (1.0 + 2j * np.pi * self.scale_px * frequency_cypx)
        return np.asarray(1.0 - self.share + self.share * trail, np.complex128)


@dataclass(frozen=True, kw_only=True)
class Ghost:
    """A second image, a share of the light, so far to one side along the normal: negative is the other side."""

    share: float
    shift_px: float
    highest_cypx: float = 12.0

    def otf(self, frequency_cypx: Array, _angle_deg: float, /) -> Complex:
        return 1.0 - self.share + self.share * np.exp(-2j * np.pi * self.shift_px * frequency_cypx)


@dataclass(frozen=True, kw_only=True)
class HalfHalo:
    """A share of the light in one half of a Gaussian, along the normal; a negative sigma is the other half.

    The transform of 2 N(x), x > 0, is Faddeeva's w(-z) at z = sqrt(2) pi f sigma.
    """

    share: float
    sigma_px: float
    highest_cypx: float = 12.0

    def otf(self, frequency_cypx: Array, _angle_deg: float, /) -> Complex:
        half = special.wofz(-np.sqrt(2.0) * np.pi * self.sigma_px * frequency_cypx)
        return np.asarray(1.0 - self.share + self.share * half, np.complex128)


@dataclass(frozen=True, kw_only=True)
class Pupil:
    """A pupil of radius 1 with its wavefront in waves at the rim (peak coefficients, not rms).

    W = w20 r^2 + w40 r^4 + w60 r^6 + coma r^2 t + astigmatism t^2, with t along `azimuth_deg` in the picture.
    `stop` is the radius of a central stop; `cut` the radius and the shift, along the azimuth, of a second rim.
    """

    q: float
    """Wavelength times f-number over pixel pitch."""
    w20: float = 0.0
    w40: float = 0.0
    w60: float = 0.0
    coma: float = 0.0
    astigmatism: float = 0.0
    azimuth_deg: float = 0.0
    stop: float = 0.0
    cut: tuple[float, float] | None = None

    @property
    def highest_cypx(self) -> float:
        return 1.0 / self.q

    @property
    def is_round(self) -> bool:
        return not self.coma and not self.astigmatism and self.cut is None

    def otf(self, frequency_cypx: Array, angle_deg: float, /) -> Complex:
        turn = 0.0 if self.is_round else self.azimuth_deg - angle_deg
        front = (self.w20, self.w40, self.w60, self.coma, self.astigmatism)
        nu = self.q * frequency_cypx
        passed = pupil_otf(front, self.stop, self.cut, round(turn, 9))(np.minimum(nu, 1.0))
        return np.where(nu < 1.0, passed, 0.0)


def _waves(front: tuple[float, ...], turn_deg: float, x: Array, y: Array) -> Array:
    w20, w40, w60, coma, astigmatism = front
    square = x * x + y * y
    along = x * np.cos(np.radians(turn_deg)) + y * np.sin(np.radians(turn_deg))
    waves = square * (w20 + square * (w40 + square * w60) + coma * along) + astigmatism * along**2
    return np.asarray(waves, np.float64)


@lru_cache(maxsize=512)
def pupil_otf(
    front: tuple[float, ...],
    stop: float,
    cut: tuple[float, float] | None,
    turn_deg: float,
    *,
    cells: int = 1024,
    lines: int = 512,
) -> Callable[[Array], Complex]:
    """Transfer over frequency / cutoff: the pupil's overlap with itself along x, summed over lines of constant y.

    The pupil's rim cuts each line at known places: cells there count by the share that is open.
    """
    nodes, weights = special.roots_legendre(lines)
    y = nodes[:, None]
    sides = np.linspace(-1.0, 1.0, cells + 1)
    open_share = _chord(y, 0.0, 0.0, 1.0, sides)
    if cut is not None:
        radius, shift = cut
        turn = np.radians(turn_deg)
        open_share = np.minimum(
            open_share, _chord(y, shift * np.cos(turn), shift * np.sin(turn), radius, sides)
        )
    if stop:
        open_share = open_share - _chord(y, 0.0, 0.0, stop, sides)
    x = 0.5 * (sides[1:] + sides[:-1])
    field = open_share * np.exp(2j * np.pi * _waves(front, turn_deg, x[None, :], y))
    power = weights @ np.square(np.abs(np.fft.fft(field, 2 * cells, axis=1)))
    overlap = np.conj(np.fft.ifft(power)[: cells + 1])
    # Without a shift a cell at the rim meets itself, and would count by its share squared.
    overlap[0], overlap[-1] = float(weights @ open_share.sum(axis=1)), 0.0
    spline: Callable[[Array], Complex] = CubicSpline(np.linspace(0.0, 1.0, cells + 1), overlap / overlap[0])
    return spline


def _chord(y: Array, x0: float, y0: float, radius: float, sides: Array) -> Array:
    """Share of each cell of each line that lies inside a circle."""
    half = np.sqrt(np.maximum(radius**2 - np.square(y - y0), 0.0))
    inside = np.clip(sides[None, :], x0 - half, x0 + half)
    return np.asarray(np.diff(inside, axis=1) / (sides[1] - sides[0]), np.float64)


@dataclass(frozen=True, kw_only=True)
class Mixture:
    """Spreads that share the light: a core and its halo, or one lens in light of several wavelengths."""

    parts: tuple[tuple[float, Spread], ...]

    @property
    def highest_cypx(self) -> float:
        return max(part.highest_cypx for _, part in self.parts)

    def otf(self, frequency_cypx: Array, angle_deg: float, /) -> Complex:
        total = np.zeros(frequency_cypx.shape, np.complex128)
        for share, part in self.parts:
            total += share * part.otf(frequency_cypx, angle_deg)
        return total


@dataclass(frozen=True, kw_only=True)
class Chain:
    """Spreads one after the other."""

    parts: tuple[Spread, ...]

    @property
    def highest_cypx(self) -> float:
        return min(part.highest_cypx for part in self.parts)

    def otf(self, frequency_cypx: Array, angle_deg: float, /) -> Complex:
        total = np.ones(frequency_cypx.shape, np.complex128)
        for part in self.parts:
            total *= part.otf(frequency_cypx, angle_deg)
        return total


@dataclass(frozen=True, kw_only=True)
class OddEdge:
    """One straight edge through a spread and the square pixel."""

    spread: Spread
    scene: Scene

    def transfer(self, frequency_cypx: Array) -> Complex:
        """Of spread and pixel along the edge's normal."""
        passed = self.spread.otf(frequency_cypx, self.scene.angle_deg)
        return np.asarray(passed * optics.pixel_mtf(frequency_cypx, self.scene.angle_deg))

    def at(self, level: float) -> float:
        """True frequency at which the MTF first falls to a level. [cy/px]"""
        return first_crossing(lambda f: np.asarray(np.abs(self.transfer(f)), np.float64), level)

    def seen_at(self, level: float, q: float) -> float:
        """The same of the light between the plateaus that the region shows.

        The line spread is cut at the furthest sample; beyond, a round pupil's tails 2 q / (pi^3 x^2) go on alone.
        """
        scene, step = self.scene, 0.125
        furthest = float(np.abs(scene.distance_px(*grid(scene.height, scene.width))).max())
        sides = step * np.arange(-round(furthest / step), round(furthest / step) + 1)
        light, tail = np.diff(self.profile(sides)), 2.0 * q / np.pi**3
        beyond = sides[-1] * np.exp(np.linspace(0.0, 9.0, 2000))
        at = np.linspace(0.3, 2.0, 341) * self.at(level)
        own = np.exp(-1j * np.pi * np.outer(at, sides[1:] + sides[:-1])) @ light / np.sinc(step * at)
        far = np.cos(np.pi * np.outer(at, beyond[1:] + beyond[:-1])) @ -np.diff(1.0 / beyond)
        seen = np.abs(own + 2.0 * tail * far) / (light.sum() + 2.0 * tail / sides[-1])
        last = int(np.argmax(seen < level))
        return (
            float(np.interp(-level, -seen[last - 1 : last + 1], at[last - 1 : last + 1])) if last else np.nan
        )

    @cached_property
    def profile(self) -> Profile:
        """ESF over the distance from the edge, up to the region's corners."""
        scene = self.scene
        reach = 0.5 * float(np.hypot(scene.height, scene.width)) + abs(scene.offset_px) + 2.0
        return profile_of(self.transfer, self.spread.highest_cypx, reach)

    @cached_property
    def esf_values(self) -> Array:
        """Exact pixel values, 0 to 1."""
        esf = self.profile(self.scene.distance_px(*grid(self.scene.height, self.scene.width)))
        return 1.0 - esf if self.scene.flipped else esf


def profile_of(transfer: Callable[[Array], Complex], highest_cypx: float, reach_px: float) -> Profile:
    """ESF of a complex transfer: one rise of a very long square wave, whose Fourier series is exact.

    Its other rises lie 4096 px away, and the tail of diffraction there (5e-5) only scales the step.
    """
    period_px = _PERIOD * _STEP_PX
    count = min(int(np.ceil(highest_cypx * period_px)), _PERIOD // 2)
    odd = np.arange(1, count, 2)
    series = np.zeros(_PERIOD // 2 + 1, np.complex128)
    series[odd] = transfer(odd / period_px) / (1j * np.pi * odd)
    wave = np.fft.irfft(series * _PERIOD, _PERIOD)
    steps = int(np.ceil(reach_px / _STEP_PX)) + 4
    rise = np.concatenate([wave[-steps:], wave[: steps + 1]])
    spline: Profile = CubicSpline(_STEP_PX * np.arange(-steps, steps + 1), 0.5 + rise)
    return spline


def first_crossing(mtf: Callable[[Array], Array], level: float, highest_cypx: float = 1.5) -> float:
    """Lowest frequency at which a curve falls below a level; NaN where it never does. [cy/px]"""
    low, high = 0.0, highest_cypx
    for points in (3001, 101, 101, 101):
        frequency = np.linspace(low, high, points)
        below = np.flatnonzero(mtf(frequency) < level)
        if not below.size:
            return float("nan")
        low, high = frequency[max(below[0] - 1, 0)], frequency[below[0]]
    return 0.5 * float(low + high)


def noisy_levels(esf: Array, snr: float | None, rng: np.random.Generator, *, photons: bool) -> Array:
    """Linear levels with noise, `snr` being the step over the rms noise of the two plateaus.

    Photons are counted one by one (Poisson), so that bright is rougher than dark; else the noise is Gaussian and the
    same everywhere. None gives no noise.
    """
    level = DARK + (BRIGHT - DARK) * esf
    if snr is None:
        return level
    if photons:
        per_photon = float(photon_variance(np.array(1.0), snr))
        return np.asarray(per_photon * rng.poisson(np.maximum(level, 0.0) / per_photon), np.float64)
    return level + (BRIGHT - DARK) / snr * rng.standard_normal(level.shape)
