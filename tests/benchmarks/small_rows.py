"""Rows on small regions of a colour filter array, at angles where few phases are sampled."""

import itertools
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from exact_edges import BRIGHT, DARK, Blur, Scene, esf_values, noisy, sites
from table_row import Effort, Row

from lensbench.edge import measure_edges
from lensbench.model.shot import Edge

Array = npt.NDArray[np.float64]

BLURS = (Blur(q=0.8, sigma_px=0.3), Blur(q=1.1, disc_px=2.0))
ANGLES_DEG = (0.8, 2.0, 3.0, 10.0, 35.0, 42.3, 42.7, 43.0, 43.5, 44.0, 44.5, 45.85, 47.0)
SIDES_PX = (25, 33, 49)
SNRS = (38.0, 100.0, 300.0)


def drawn(blur: Blur, angle_deg: float, side_px: int, snr: float, *, draws: int) -> list[Edge]:
    """Measure green sites of square regions, the edge at any offset and bright on either side."""
    rng = np.random.default_rng(round(1e3 * angle_deg + side_px + snr))
    present, regions = sites("bayer green", side_px, side_px), []
    for k in range(draws):
        scene = Scene(
            angle_deg=angle_deg,
            height=side_px,
            width=side_px,
            offset_px=float(rng.uniform(-0.7, 0.7)),
            flipped=bool(k % 2),
        )
        clean = DARK + (BRIGHT - DARK) * esf_values(blur, scene)
        regions.append(replace(noisy(clean, snr, rng, 1)[0], present=present))
    return measure_edges(regions)


def small_sites_rows(effort: Effort) -> list[Row]:
    """How often the truth lies within the stated sd: of edges without a flag, and with one."""
    plain, gaps, worst = [], [], (0.0, "")
    cases = itertools.product(BLURS, effort.thinned(ANGLES_DEG), SIDES_PX, SNRS)
    for blur, angle, side, snr in cases:
        truth = blur.at(0.5, angle)
        for edge in drawn(blur, angle, side, snr, draws=max(effort.draws // 5, 2)):
            away = (edge.mtf50_cypx - truth) / edge.mtf50_sd_cypx
            flagged = any(one.flag == "phase_gap" for one in edge.flags)
            (gaps if flagged else plain).append(away)
            if not flagged and abs(away) > worst[0]:
                worst = (abs(away), f"{blur}, {angle:g} degrees, {side} px, SNR {snr:g}")
    return [
        _row("without", np.array(plain), f"; furthest {worst[0]:.1f} sd ({worst[1]})"),
        _row("with", np.array(gaps), ""),
    ]


def _row(flag: str, away: Array, rest: str) -> Row:
    share, far = 100.0 * np.mean(np.abs(away) <= 1.96), 100.0 * np.mean(np.abs(away) > 3.0)
    return Row(
        what=f"green sites of 25 to 49 px regions, 0.8 to 47 degrees: share within 1.96 stated sd, {flag} `phase_gap`",
        target="93 to 97 %",
        found=f"{share:.1f} % of {away.size}, {far:.2f} % beyond 3 sd{rest}",
        passed=bool(93.0 <= share <= 97.0),
    )
