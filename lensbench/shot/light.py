"""What the chart tells of the picture besides sharpness: how much it covers, how light falls off, how tones follow.

The mean of paper and ink at every crossing follows the light whatever the blur, which takes from the paper there what
it gives to the ink: the paper alone would look darker, the further a fast lens's corner throws its light. It is fitted
as

    ln level = c + a down + b right + e h^2 + f h^4,  h the image height;

a and b are the lamps' doing and are taken out, e and f the lens's (and that of an even wall's angle to it): what is
left at a target over the centre's e^c is its relative illumination. As a ratio or in stops it is what ISO 17957
(from memory) calls luminance shading. The lamps' own slope, from the centre to the corner's distance, says how uneven
the light is.

Whether the tone scale is linear, the row of tones says against its nominal reflectances. A printer's greys are not
exact, so only a scale that is clearly bent is called so: one that follows the reflectance to a power far from 1. Bare
paper at both ends of the row takes out light that falls unevenly.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, isfinite, nan
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.chart.find import ChartFound, Picture
from lensbench.chart.layout import TONES
from lensbench.model.errors import Remark, remark
from lensbench.model.shot import Box, Edge, Samples, TargetLight
from lensbench.model.units import FloatArray

_FEWEST: Final = 8
_RIPPLE: Final = 2.0
"""Light that ripples slopes so many times as much as straight lines between targets: simulated, by 900 to 1500 of 3000
px."""
_ROUGHEST: Final = 0.1
"""Largest rms distance of the levels from the fit, as a part of them, at which slopes are read off it."""
_FLARED: Final = 0.1
"""As much of that slope is believed where flare makes targets stray, of the light over half the diagonal."""
_AROUND: Final = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)


def framing_percent(chart: ChartFound) -> float:
    """Share of the picture inside the outline of all targets seen, rims included; 100 is all of it."""
    from scipy.spatial import ConvexHull, QhullError  # noqa: PLC0415  heavy: only where a chart is measured

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
    """How the light goes down from the centre, the lamps' slope taken out; NaN where there is no fit."""

    targets: tuple[TargetLight, ...] = ()  # empty with fewer than eight targets
    outermost_percent: float = nan  # by the fit, at the outermost target's image height
    outermost_height: float = nan
    uneven_percent: float = nan  # slope of the lamps' light to the corner's distance, of the centre's light


def _fitted(chart: ChartFound) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """The fit's five coefficients, its design and the levels' logarithms; None with too few targets."""
    level = np.array([target.bright_level + target.dark_level for target in chart.targets]) / 2.0
    if level.size < _FEWEST or not level.min() > 0.0:
        return None
    places = _places(chart, np.array([target.crossing_px for target in chart.targets]))
    heights = np.hypot(*places.T)
    design = np.column_stack((np.ones_like(heights), places, heights**2, heights**4))
    fit, *_ = np.linalg.lstsq(design, np.log(level), rcond=None)
    return fit, design, np.log(level)


def _places(chart: ChartFound, points_px: FloatArray) -> FloatArray:
    """Places from the picture's centre, in half-diagonals: (points, 2)."""
    off_px = points_px - (np.asarray(chart.size_px) - 1.0) / 2.0
    return np.asarray(off_px / (hypot(*chart.size_px) / 2.0))


def with_light(samples: Iterable[Samples], chart: ChartFound, *, flared: bool = False) -> Iterator[Samples]:
    """Samples that know the slope of the light that the whole chart shows at their place; as they are without a fit.

    Across one edge a slope of the light and a flare of the lens look alike; over the picture they don't. How far the
    slope may be another one, neighbouring targets tell that stray from the fit; where they are `flared`, they stray by
    that, too.
    """
    if (smooth := _smooth(chart)) is None:
        yield from samples
        return
    _, down, right, second, fourth = smooth[0].tolist()
    half_diagonal_px = hypot(*chart.size_px) / 2.0
    left_per_px = (min(smooth[1], _FLARED) if flared else smooth[1]) / half_diagonal_px
    for region in samples:
        box = region.box
        middle = (box.top + (box.height - 1) / 2.0, box.left + (box.width - 1) / 2.0)
        row, col = (
            (at - (side - 1.0) / 2.0) / half_diagonal_px
            for at, side in zip(middle, chart.size_px, strict=True)
        )
        outwards = 2.0 * second + 4.0 * fourth * (row * row + col * col)
        slope = ((down + outwards * row) / half_diagonal_px, (right + outwards * col) / half_diagonal_px)
        yield replace(region, light_slope_per_px=slope, light_slope_sd_per_px=left_per_px)


Light = Callable[[npt.ArrayLike, npt.ArrayLike], FloatArray]
"""Of rows and columns, in pixels, the light where they cross, over that in the picture's centre."""


def light_over(chart: ChartFound) -> Light | None:
    """The light that the whole chart shows over the picture; None without a fit."""
    if (smooth := _smooth(chart)) is None:
        return None
    _, down, right, second, fourth = smooth[0].tolist()

    def light(rows_px: npt.ArrayLike, cols_px: npt.ArrayLike) -> FloatArray:
        row, col = (
            (np.asarray(places, np.float64) - (side - 1.0) / 2.0) / (hypot(*chart.size_px) / 2.0)
            for places, side in zip((rows_px, cols_px), chart.size_px, strict=True)
        )
        square = np.add.outer(row * row, col * col)
        log = np.add.outer(down * row, right * col) + square * (second + fourth * square)
        return np.asarray(np.exp(log), np.float64)

    return light


def _smooth(chart: ChartFound) -> tuple[FloatArray, float] | None:
    """The fit's coefficients, and the slope per half-diagonal that it leaves (rms): neighbours stray by unlike amounts.

    None where the levels do not lie so near the fit that slopes can be read off.
    """
    if (fitted := _fitted(chart)) is None:
        return None
    fit, design, level = fitted
    left, places = level - design @ fit, design[:, 1:3]
    if np.sqrt(np.mean(np.square(left))) > _ROUGHEST:
        return None
    apart = np.hypot(*(places[:, None] - places).transpose(2, 0, 1)) + np.diag(np.full(left.size, inf))
    nearest = apart.argmin(axis=1)
    square = np.square((left - left[nearest]) / apart.min(axis=1)).sum() / max(left.size - fit.size, 1)
    return fit, _RIPPLE * float(np.sqrt(square))


def illumination(chart: ChartFound) -> Illumination:
    """Relative illumination at every target, and at the outermost's distance all around."""
    if (fitted := _fitted(chart)) is None:
        return Illumination()
    fit, design, level = fitted
    heights = np.hypot(*design[:, 1:3].T)
    percent = 100.0 * np.exp(level - design[:, :3] @ fit[:3])
    outermost = float(heights.max())
    lights = [
        TargetLight(target=found.target.name, center_px=found.crossing_px, image_height=height, percent=share)
        for found, height, share in zip(chart.targets, heights.tolist(), percent.tolist(), strict=True)
    ]
    return Illumination(
        targets=tuple(lights),
        outermost_percent=float(100.0 * np.exp(fit[3] * outermost**2 + fit[4] * outermost**4)),
        outermost_height=outermost,
        uneven_percent=100.0 * hypot(float(fit[1]), float(fit[2])),
    )


_TONE_LIMITS: Final = (0.65, 1.5)
"""Of the exponent: a gamma that was not undone gives 0.45 or 2.2; office printers' greys reach 0.75 to 1.35
(common practice, no source)."""
_SMALLEST_HALF_PX: Final = 2.0
_BLUR_MARGIN: Final = 1.5
_DARKEST: Final = 0.002  # of the paper: what lies below says more of glare than of tone


def tone_exponent(photo: Picture, chart: ChartFound) -> float:
    """Exponent of the reflectance that the picture's levels follow: 1 is linear; NaN where no row can be read.

    Of every row of tones that the picture shows whole, levels count from the row's own black to its own paper; the
    exponent is the weighted mean slope of their logarithm over that of the reflectance, light tones counting more,
    for dark ones are printed worse.
    """
    read = [_greys(row) for row in tone_levels(photo, chart) if np.isfinite(row).all()]
    if not read:
        return nan
    level = np.median(read, axis=0)
    if (np.diff(level) <= 0.0).any() or level[0] < _DARKEST or level[-1] >= 1.0:
        return nan
    weight = np.array([tone for tone in TONES if 0.0 < tone < 1.0])
    log = np.log(weight)
    return float((weight * log * np.log(level)).sum() / (weight * log**2).sum())


def tone_levels(photo: Picture, chart: ChartFound) -> FloatArray:
    """Levels of all rows of tones, shape (rows, tones); NaN where a tone is clipped, too small or not shown."""
    return np.array([_level(photo, box) for box in tone_boxes(chart, photo.size_px)]).reshape(-1, len(TONES))


def _greys(levels: FloatArray) -> FloatArray:
    """Grey tones' levels, 0 at the row's black and 1 at its paper; all 0 where black is no darker than paper."""
    share = np.linspace(0.0, 1.0, len(levels))[1:-1]
    relative = levels[1:-1] / ((1.0 - share) * levels[0] + share * levels[-1])
    black = relative[0]
    return (relative[1:] - black) / (1.0 - black) if black < 0.9 else np.zeros(len(relative) - 1)


def tone_margin_px(chart: ChartFound) -> float:
    """Least distance between a tone's border and the box inside it."""
    return 1.0 + _BLUR_MARGIN * chart.blur_px


def tone_boxes(chart: ChartFound, size_px: tuple[int, int]) -> list[Box | None]:
    """Box inside every tone, whichever way it is turned; None where it is too small or not in the picture."""
    tones = chart.layout.tones
    centers_mm = np.array([tone.center_mm for tone in tones]).reshape(-1, 2)
    turns = np.radians([tone.turn_deg for tone in tones])
    own = np.array([[np.cos(turns), np.sin(turns)], [-np.sin(turns), np.cos(turns)]]).transpose(2, 0, 1)
    to_own_mm = np.linalg.inv(chart.mapping.jacobian(centers_mm) @ own)
    sides_mm = np.array([tone.side_mm for tone in tones])
    half = 0.5 * sides_mm / np.abs(to_own_mm).sum(axis=2).max(axis=1) - tone_margin_px(chart)
    side = np.maximum(2.0 * half, 0.0).astype(int)
    corner = np.rint(chart.mapping.to_px(centers_mm) - half[:, None]).astype(int)
    usable = (half >= _SMALLEST_HALF_PX) & (chart.mapping.depth(centers_mm) > 0.0)
    usable &= (corner >= 0).all(axis=1) & (corner + side[:, None] <= np.asarray(size_px)).all(axis=1)
    return [
        Box(top=top, left=left, height=edge, width=edge) if fits else None
        for (top, left), edge, fits in zip(corner.tolist(), side.tolist(), usable, strict=True)
    ]


def _level(photo: Picture, box: Box | None) -> float:
    """Mean level in a box, or NaN where it is clipped."""
    if box is None:
        return nan
    samples = photo.cut(box)
    if not samples.present.any() or samples.clipped[samples.present & (samples.values > 0.5)].any():
        return nan
    return float(samples.values[samples.present].mean())


def tone_remarks(exponent: float) -> list[Remark]:
    """Raise the flag of a bent tone scale."""
    low, high = _TONE_LIMITS
    if not isfinite(exponent) or low <= exponent <= high:
        return []
    followed = f"greys follow reflectance to the power {exponent:.2f}, limits {low:g} to {high:g}"
    return [remark("tone_curve", followed)]
