"""Rows on random error: spread against the floor, against the standard's method, and against the stated sd."""

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from exact_edges import BRIGHT, DARK, Blur, Scene, esf_values, noisy, sites
from table_row import Effort, Row

from lensbench.edge import measure_edges

Array = npt.NDArray[np.float64]

SNRS = (20.0, 50.0, 100.0, 200.0)
NEAR_GAUSSIAN = (Blur(sigma_px=0.4), Blur(sigma_px=0.75), Blur(sigma_px=1.2))
OTHERS = (
    Blur(q=0.55),
    Blur(q=1.1),
    Blur(q=2.2),
    Blur(q=0.55, waves=0.5),
    Blur(q=0.55, disc_px=3.0),
    Blur(q=0.7, disc_px=1.5, sigma_px=0.4),
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Cell:
    """Many noisy draws of one edge."""

    blur: Blur
    scene: Scene
    snr: float
    refined_cypx: Array
    stated_cypx: Array
    iso_cypx: Array

    @property
    def truth_cypx(self) -> float:
        return self.blur.at(0.5, self.scene.angle_deg)

    @property
    def over_floor(self) -> float:
        """Relative sd over 2.663 / (SNR sqrt(s Ny)), s = 0.18739 / MTF50: the bound of a Gaussian edge (derived)."""
        sigma_px = 0.18739063 / self.truth_cypx
        floor = 2.663 / (self.snr * np.sqrt(sigma_px * self.scene.length_px))
        return float(np.nanstd(self.refined_cypx, ddof=1) / self.truth_cypx / floor)

    @property
    def lost(self) -> int:
        """Draws that gave no figure."""
        return int(np.count_nonzero(~np.isfinite(self.refined_cypx)))

    @property
    def over_iso(self) -> float:
        return float(np.nanstd(self.refined_cypx, ddof=1) / np.nanstd(self.iso_cypx, ddof=1))

    @property
    def covered(self) -> Array:
        """True where the truth lies within 1.96 stated sd."""
        inside = np.abs(self.refined_cypx - self.truth_cypx) <= 1.96 * self.stated_cypx
        return np.asarray(inside, np.float64)

    def __str__(self) -> str:
        return f"{self.blur}, {self.scene.angle_deg:g} degrees, SNR {self.snr:g}"


def cell(blur: Blur, scene: Scene, snr: float, *, draws: int, seed: int) -> Cell:
    """Draw noise and measure by both methods on the same pixels."""
    clean = DARK + (BRIGHT - DARK) * esf_values(blur, scene)
    regions = noisy(clean, snr, np.random.default_rng(seed), draws)
    refined = measure_edges(regions)
    return Cell(
        blur=blur,
        scene=scene,
        snr=snr,
        refined_cypx=np.array([edge.mtf50_cypx for edge in refined]),
        stated_cypx=np.array([edge.mtf50_sd_cypx for edge in refined]),
        iso_cypx=np.array([edge.mtf50_cypx for edge in measure_edges(regions, method="iso")]),
    )


def noise_rows(effort: Effort) -> list[Row]:
    """All rows that the same draws answer."""
    scenes = [Scene(angle_deg=angle, offset_px=0.17) for angle in effort.thinned((5.0, 12.0, 16.0))]
    others = effort.thinned(OTHERS)
    cells = [
        cell(blur, scene, snr, draws=effort.draws, seed=seed)
        for seed, (blur, scene, snr) in enumerate(itertools.product(NEAR_GAUSSIAN + others, scenes, SNRS))
    ]
    near = [
        cell(blur, scene, snr, draws=_MORE * effort.draws, seed=1000 + seed)
        for seed, (blur, scene, snr) in enumerate(itertools.product(NEAR_GAUSSIAN, scenes, SNRS))
    ]
    return [_floor_row(near), _iso_row(cells), *(_coverage_row(cells, snr) for snr in SNRS)]


_MORE = 10
"""So many times as many draws tell the worst of many cells from the luckless one."""


def _floor_row(near: list[Cell]) -> Row:
    ratios = np.array([one.over_floor for one in near])
    iso = np.array([one.over_floor / one.over_iso for one in near])
    error = float(ratios.max()) / np.sqrt(2.0 * near[0].refined_cypx.size)
    return Row(
        what=f"random error of MTF50 over the Cramer-Rao floor, near-Gaussian edges ({len(near)} cells, "
        f"{near[0].refined_cypx.size} draws of each)",
        target="at most 1.3 times",
        found=f"{ratios.max():.2f} +- {error:.2f} (worst: {near[int(np.argmax(ratios))]}), mean {ratios.mean():.2f}; "
        f"`iso` {iso.mean():.2f}{_lost(near)}",
        passed=bool(ratios.max() <= 1.3) and not _lost(near),
    )


def _lost(cells: list[Cell]) -> str:
    count = sum(one.lost for one in cells)
    return f"; {count} draws gave no figure" if count else ""


def _iso_row(cells: list[Cell]) -> Row:
    ratios = np.array([one.over_iso for one in cells])
    return Row(
        what=f"random error of MTF50 over that of `iso`, any edge ({len(cells)} cells)",
        target="at most 0.75",
        found=f"{ratios.max():.2f} (worst: {cells[int(np.argmax(ratios))]}), mean {ratios.mean():.2f}{_lost(cells)}",
        passed=bool(ratios.max() <= 0.75) and not _lost(cells),
    )


def _coverage_row(cells: list[Cell], snr: float) -> Row:
    own = [one for one in cells if one.snr == snr]
    shares = np.array([one.covered.mean() for one in own])
    share = 100.0 * shares.mean()
    draws = sum(one.covered.size for one in own)
    error = 100.0 * np.sqrt(0.95 * 0.05 / draws)
    lowest = own[int(np.argmin(shares))]
    return Row(
        what=f"share of cases within 1.96 stated sd, SNR {snr:g} ({draws} draws)",
        target="93 to 97 %",
        found=f"{share:.1f} +- {error:.1f} % (lowest cell: {100.0 * shares.min():.0f} %, {lowest}; "
        f"highest {100.0 * shares.max():.0f} %)",
        passed=bool(93.0 <= share <= 97.0),
    )


def sites_noise_rows(effort: Effort) -> list[Row]:
    """Spread on some sites against all of them: sparse sites may cost the root of their share."""
    blurs = (Blur(sigma_px=0.75), Blur(q=1.1), Blur(q=0.55, disc_px=3.0), Blur(q=2.2))
    scene = Scene(angle_deg=6.0, offset_px=0.17)
    spread: dict[str, Array] = {}
    names = ("all", "bayer green", "bayer red", "x-trans green")
    draws = 2 * effort.draws
    for name in names:
        present = sites(name, scene.height, scene.width)
        found = []
        for seed, (blur, snr) in enumerate(itertools.product(blurs, (50.0, 100.0))):
            clean = DARK + (BRIGHT - DARK) * esf_values(blur, scene)
            edges = measure_edges(noisy(clean, snr, np.random.default_rng(seed), draws, present))
            found.append(np.std([edge.mtf50_cypx for edge in edges], ddof=1))
        spread[name] = np.array(found) * np.sqrt(present.mean())
    error = np.sqrt(1.0 / (draws * spread["all"].size))
    ratios = {name: float(np.exp(np.mean(np.log(spread[name] / spread["all"])))) for name in names[1:]}
    return [
        Row(
            what=f"{name} sites: random error times the root of their share, over that of all sites",
            target="no worse than 1",
            found=f"{ratio:.3f} +- {error:.3f}",
            passed=bool(ratio <= 1.0 + 2.0 * error),
        )
        for name, ratio in ratios.items()
    ]
