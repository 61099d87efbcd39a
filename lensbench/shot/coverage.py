"""How much of the picture the chart covers, and how the light falls off towards its corners.

The paper's brightness beside every crossing is fitted as

    ln level = c + a down + b right + e h^2 + f h^4,  h the image height;

a and b are the lamps' doing and are taken out, e and f the lens's (and that of an even wall's angle to it): what is
left at a target over the centre's e^c is its relative illumination. As a ratio or in stops it is what ISO 17957
(from memory) calls luminance shading. The lamps' own slope, from the centre to the corner's distance, says how uneven
the light is.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, inf, nan
from typing import Final

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from lensbench.chart.find import ChartFound, FoundTarget
from lensbench.model.shot import Edge, TargetLight
from lensbench.model.units import FloatArray

_FEWEST: Final = 8
_AROUND: Final = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)


def framing_percent(chart: ChartFound) -> float:
    """Share of the picture inside the outline of all targets seen, rims included; 100 is all of it."""
    rows, cols = chart.size_px
    spokes = np.column_stack((np.sin(_AROUND), np.cos(_AROUND)))
    discs_mm = [np.add(t.target.center_mm, t.target.radius_mm * spokes) for t in chart.targets]
    rims_px = chart.mapping.to_px(np.concatenate(discs_mm))
    inside = np.clip(rims_px, -0.5, (rows - 0.5, cols - 0.5))
    try:
        return float(100.0 * ConvexHull(inside).volume / (rows * cols))
    except QhullError:  # all on one line
        return 0.0


def printed_contrast(edges: Sequence[Edge], *, rough: float) -> float:
    """Bright over dark as the edges' plateaus have it, infinite for perfect black; else the rough figure.

    Beside a crossing the diffraction of four edges lifts the dark: at f/16 that takes a seventh off a contrast of 4.
    """
    levels = [(edge.bright_level, edge.dark_level) for edge in edges if edge.measured]
    if not levels:
        return rough
    bright, dark = np.median(levels, axis=0).tolist()
    return float(bright / dark) if dark > 0.0 else inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Illumination:
    """How the paper's brightness goes down from the centre, the lamps' slope taken out."""

    targets: tuple[TargetLight, ...]
    """Empty with fewer than eight targets."""
    outermost_percent: float
    """By the fit, at the outermost target's image height; NaN where there is no fit."""
    outermost_height: float
    uneven_percent: float
    """Slope of the lamps' light to the corner's distance, of the centre's light; NaN where there is no fit."""


def illumination(chart: ChartFound) -> Illumination:
    """Relative illumination at every target, and at the outermost's distance all around."""
    if len(chart.targets) < _FEWEST or any(target.bright_level <= 0.0 for target in chart.targets):
        return Illumination(targets=(), outermost_percent=nan, outermost_height=nan, uneven_percent=nan)
    places = _places(chart.targets, chart.size_px)
    heights = np.hypot(*places.T)
    level = np.log([target.bright_level for target in chart.targets])
    design = np.column_stack((np.ones_like(heights), places, heights**2, heights**4))
    fit, *_ = np.linalg.lstsq(design, level, rcond=None)
    percent = 100.0 * np.exp(level - design[:, :3] @ fit[:3])
    outermost = float(heights.max())
    return Illumination(
        targets=tuple(
            TargetLight(
                target=target.target.name,
                center_px=target.crossing_px,
                image_height=float(height),
                percent=float(share),
            )
            for target, height, share in zip(chart.targets, heights, percent, strict=True)
        ),
        outermost_percent=float(100.0 * np.exp(fit[3] * outermost**2 + fit[4] * outermost**4)),
        outermost_height=outermost,
        uneven_percent=100.0 * hypot(float(fit[1]), float(fit[2])),
    )


def _places(targets: Sequence[FoundTarget], size_px: tuple[int, int]) -> FloatArray:
    """(down, right) of crossings from the picture's centre, in half-diagonals."""
    off = np.array([target.crossing_px for target in targets]) - (np.asarray(size_px) - 1.0) / 2.0
    return np.asarray(off / (hypot(*size_px) / 2.0), np.float64)
