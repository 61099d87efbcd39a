"""Exact sampled edges with known transfer, made without any of the edge room.

The lens's spread is round, so a sample is the integral of its ESF over a square pixel. For straight edges that is the
sine integral of lens transfer x pixel transfer along the normal (`optics`, checked in test_exact_edges against direct
integration over the pixel); for bent edges the pixel is integrated point by point.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from lensbench import optics
from lensbench.model.shot import Box, Samples

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Profile = Callable[[Array], Array]

GRID_PX = 1.0 / 32.0
DARK, BRIGHT = 0.06, 0.72

XTRANS = ("GBGGRG", "RGRBGB", "GBGGRG", "GRGGBG", "BGBRGR", "GRGGBG")
"""Colours of the six by six array (from memory)."""


@dataclass(frozen=True, kw_only=True)
class Blur:
    """What stands before the pixel: diffraction, exact defocus of it in waves, a geometric disc, a Gaussian.

    Then what no lens does: steady motion across the edge, and sharpening, the picture plus a share of its difference
    to a copy blurred by a Gaussian of 1 px.
    """

    q: float = 0.0
    waves: float = 0.0
    disc_px: float = 0.0
    sigma_px: float = 0.0
    motion_px: float = 0.0
    sharpening: float = 0.0

    def __str__(self) -> str:
        parts = {"q": self.q, "waves": self.waves, "disc": self.disc_px, "sigma": self.sigma_px}
        parts |= {"motion": self.motion_px, "sharpening": self.sharpening}
        return " ".join(f"{name} {value:g}" for name, value in parts.items() if value)

    @property
    def highest_cypx(self) -> float:
        """Where nothing passes any more."""
        gaussian = 1.25 / self.sigma_px if self.sigma_px else np.inf
        return float(min(1.0 / self.q if self.q else np.inf, gaussian))

    def lens(self, frequency_cypx: Array) -> Array:
        """Signed transfer of the lens alone."""
        otf = optics.gaussian_mtf(frequency_cypx, self.sigma_px)
        otf = otf * optics.defocus_mtf(frequency_cypx, self.disc_px)
        otf = otf * optics.motion_mtf(frequency_cypx, self.motion_px)
        otf = otf * (1.0 + self.sharpening * (1.0 - optics.gaussian_mtf(frequency_cypx, 1.0)))
        if self.waves:
            return otf * optics.defocused_diffraction_otf(frequency_cypx * self.q, self.waves)
        return otf * optics.diffraction_mtf(frequency_cypx, self.q) if self.q else otf

    def transfer(self, frequency_cypx: Array, angle_deg: float) -> Array:
        """Signed transfer of lens and pixel along the normal."""
        return self.lens(frequency_cypx) * optics.pixel_mtf(frequency_cypx, angle_deg)

    def sfr(self, frequency_cypx: Array, angle_deg: float) -> Array:
        return np.abs(self.transfer(frequency_cypx, angle_deg))

    def at(self, level: float, angle_deg: float = 0.0) -> float:
        """True frequency at which the SFR falls to a level, along the edge normal."""
        return optics.frequency_at(lambda f: self.sfr(f, angle_deg), level, highest_cypx=2.0)


@cache
def profile_of(blur: Blur, angle_deg: float | None, reach_px: float) -> Profile:
    """ESF of lens and pixel as a function of distance, good to 1e-6; of the lens alone without an angle."""

    def transfer(frequency: Array) -> Array:
        return blur.lens(frequency) if angle_deg is None else blur.transfer(frequency, angle_deg)

    distance = np.arange(0.0, reach_px + 2.0, GRID_PX)
    half = optics.esf_from_mtf(distance, transfer, highest_cypx=blur.highest_cypx)
    whole = np.concatenate([1.0 - half[:0:-1], half])
    spline: Profile = CubicSpline(np.concatenate([-distance[:0:-1], distance]), whole)
    return spline


@dataclass(frozen=True, kw_only=True)
class Scene:
    """Where the edge lies in its region, and how bright its sides are."""

    angle_deg: float
    height: int = 100
    width: int = 60
    offset_px: float = 0.13
    """Of the edge from the region's centre, along the normal."""
    flipped: bool = False
    """Bright on the left."""
    sagitta_px: float = 0.0
    """Of the edge's arc, over its whole length in the region."""

    @property
    def length_px(self) -> float:
        """Length of the edge inside its region."""
        angle = np.radians(self.angle_deg)
        return float(
            min(self.height / max(abs(np.cos(angle)), 1e-9), self.width / max(abs(np.sin(angle)), 1e-9))
        )

    def distance_px(self, row_px: Array, col_px: Array) -> Array:
        """Distance from the edge towards the right, positions from the region's centre."""
        angle = np.radians(self.angle_deg)
        across = col_px * np.cos(angle) + row_px * np.sin(angle) - self.offset_px
        if self.sagitta_px:
            along = col_px * np.sin(angle) - row_px * np.cos(angle)
            radius = self.length_px**2 / (8.0 * self.sagitta_px) + 0.5 * self.sagitta_px
            across = np.copysign(1.0, radius) * (np.hypot(across + radius, along) - abs(radius))
        return np.asarray(across, np.float64)


def grid(height: int, width: int) -> tuple[Array, Array]:
    """Rows and columns of the pixels' centres from the region's centre."""
    rows, cols = np.indices((height, width), dtype=np.float64)
    return rows - 0.5 * (height - 1), cols - 0.5 * (width - 1)


def esf_values(blur: Blur, scene: Scene) -> Array:
    """Exact pixel values of the edge, 0 to 1."""
    row, col = grid(scene.height, scene.width)
    reach = float(
        np.ceil(np.hypot(scene.height, scene.width) / 2.0 + abs(scene.offset_px) + abs(scene.sagitta_px))
    )
    if scene.sagitta_px:
        esf = _over_the_pixel(profile_of(blur, None, reach), scene, row, col)
    else:
        esf = profile_of(blur, scene.angle_deg, reach)(scene.distance_px(row, col))
    return 1.0 - esf if scene.flipped else esf


def _over_the_pixel(lens: Profile, scene: Scene, row: Array, col: Array) -> Array:
    """Integrate the lens's ESF over the square pixel, 6 x 6 Gauss-Legendre points."""
    nodes, weights = np.polynomial.legendre.leggauss(6)
    total = np.zeros_like(row)
    for d_row, row_weight in zip(0.5 * nodes, 0.5 * weights, strict=True):
        for d_col, col_weight in zip(0.5 * nodes, 0.5 * weights, strict=True):
            total += row_weight * col_weight * lens(scene.distance_px(row + d_row, col + d_col))
    return total


def samples(values: Array, *, present: Mask | None = None, channel: str = "grey", **more: object) -> Samples:
    """Wrap values as the samples of one region."""
    height, width = values.shape
    own = {
        "box": Box(top=0, left=0, height=height, width=width),
        "channel": channel,
        "values": values,
        "present": np.ones(values.shape, bool) if present is None else present,
        "clipped": np.zeros(values.shape, bool),
    }
    return Samples(**(own | more))  # type: ignore[arg-type]


def edge_samples(blur: Blur, scene: Scene, *, present: Mask | None = None) -> Samples:
    """A noise-free region."""
    return samples(DARK + (BRIGHT - DARK) * esf_values(blur, scene), present=present)


def photon_variance(level: Array, snr: float) -> Array:
    """Variance that grows with the level, so that step over rms noise of the two plateaus is `snr`."""
    per_level = 2.0 * ((BRIGHT - DARK) / snr) ** 2 / (DARK + BRIGHT)
    return np.asarray(per_level * level, np.float64)


def noisy(
    clean: Array, snr: float, rng: np.random.Generator, draws: int, present: Mask | None = None
) -> list[Samples]:
    """Many draws of photon noise on one region."""
    sd = np.sqrt(photon_variance(clean, snr))
    return [samples(clean + sd * rng.standard_normal(clean.shape), present=present) for _ in range(draws)]


def sites(name: str, height: int, width: int) -> Mask:
    """Sites of one colour: «bayer green», «bayer red», «x-trans green» or «all»."""
    rows, cols = np.indices((height, width))
    if name == "bayer green":
        return np.asarray((rows + cols) % 2 == 0)
    if name == "bayer red":
        return np.asarray((rows % 2 == 0) & (cols % 2 == 0))
    if name == "x-trans green":
        pattern = np.array([[colour == "G" for colour in line] for line in XTRANS])
        return np.asarray(pattern[rows % 6, cols % 6])
    return np.ones((height, width), bool)
