"""Whether the picture's tone scale is linear: the chart's row of tones against their nominal reflectances.

A printer's greys are not exact, so only a scale that is clearly bent is called so: one that follows the
reflectance to a power far from 1. Bare paper at both ends of the row takes out light that falls unevenly.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Final, Protocol

import numpy as np

from lensbench.chart.finding import ChartFound
from lensbench.chart.layout import TONES
from lensbench.flags import Remark, remark
from lensbench.records import Box, Samples
from lensbench.units import FloatArray

__all__ = ["TONE_LIMITS", "ToneScale", "tone_remarks", "tone_scale"]

TONE_LIMITS: Final = (0.65, 1.5)
"""Of the exponent: a gamma that was not undone gives 0.45 or 2.2; office printers' greys reach 0.75 to 1.35
(common practice, no source)."""
_SMALLEST_HALF_PX: Final = 2.0
_BLUR_MARGIN: Final = 1.5
_DARKEST: Final = 0.002
"""Of the paper: what lies below says more of glare than of tone."""


class _Cuttable(Protocol):
    """A photograph, as far as this module needs it."""

    @property
    def size_px(self) -> tuple[int, int]:
        """Rows and columns."""

    def cut(self, box: Box) -> Samples:
        """Give the linear samples inside a box."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneScale:
    """The tones as the picture shows them."""

    exponent: float
    """Of the reflectance that the picture's levels follow: 1 is linear. NaN where no row can be read."""
    rows: int
    """Rows of tones that were read."""


def tone_scale(photo: _Cuttable, chart: ChartFound) -> ToneScale:
    """Read every row of tones that the picture shows whole, and fit the exponent.

    Levels count from the row's own black to its own paper; the exponent is the weighted mean slope of their
    logarithm over that of the reflectance, light tones counting more, for dark ones are printed worse.
    """
    levels = [_level(photo, box) for box in _boxes(chart, photo.size_px)]
    rows = [_row(levels[start : start + len(TONES)]) for start in range(0, len(levels), len(TONES))]
    read = [row for row in rows if row is not None]
    if not read:
        return ToneScale(exponent=float("nan"), rows=0)
    level = np.median(read, axis=0)
    reflectance = np.array([tone for tone in TONES if 0.0 < tone < 1.0])
    if (np.diff(level) <= 0.0).any() or level[0] < _DARKEST or level[-1] >= 1.0:
        return ToneScale(exponent=float("nan"), rows=len(read))
    weight, log = reflectance, np.log(reflectance)
    exponent = float((weight * log * np.log(level)).sum() / (weight * log**2).sum())
    return ToneScale(exponent=exponent, rows=len(read))


def _row(levels: Sequence[float]) -> FloatArray | None:
    """Give the grey tones' levels, 0 at the row's black and 1 at its paper; None where it can't be read."""
    if not all(isfinite(level) for level in levels):
        return None
    share = np.linspace(0.0, 1.0, len(levels))[1:-1]
    paper = (1.0 - share) * levels[0] + share * levels[-1]
    relative = np.array(levels[1:-1]) / paper
    black = relative[0]
    grey: FloatArray = (relative[1:] - black) / (1.0 - black) if black < 0.9 else np.zeros(len(relative) - 1)
    return grey


def _boxes(chart: ChartFound, size_px: tuple[int, int]) -> list[Box | None]:
    """Give a box inside every tone, whichever way it is turned; None where it is too small or not in the picture."""
    tones = chart.layout.tones
    if not tones:
        return []
    centers_mm = np.array([tone.center_mm for tone in tones])
    turns = np.radians([tone.turn_deg for tone in tones])
    own = np.array([[np.cos(turns), np.sin(turns)], [-np.sin(turns), np.cos(turns)]]).transpose(2, 0, 1)
    to_own_mm = np.linalg.inv(chart.mapping.jacobian(centers_mm) @ own)
    sides_mm = np.array([tone.side_mm for tone in tones])
    half = 0.5 * sides_mm / np.abs(to_own_mm).sum(axis=2).max(axis=1) - 1.0 - _BLUR_MARGIN * chart.blur_px
    side = np.maximum(2.0 * half, 0.0).astype(int)
    corner = np.rint(chart.mapping.to_px(centers_mm) - half[:, None]).astype(int)
    usable = (half >= _SMALLEST_HALF_PX) & (chart.mapping.depth(centers_mm) > 0.0)
    usable &= (corner >= 0).all(axis=1) & (corner + side[:, None] <= np.asarray(size_px)).all(axis=1)
    return [
        Box(top=int(top), left=int(left), height=int(edge), width=int(edge)) if fits else None
        for (top, left), edge, fits in zip(corner, side, usable, strict=True)
    ]


def _level(photo: _Cuttable, box: Box | None) -> float:
    """Give the mean level in a box, or NaN where it is clipped."""
    if box is None:
        return float("nan")
    samples = photo.cut(box)
    if not samples.present.any() or samples.clipped[samples.present & (samples.values > 0.5)].any():
        return float("nan")
    return float(samples.values[samples.present].mean())


def tone_remarks(scale: ToneScale) -> list[Remark]:
    """Raise the flag of a bent tone scale."""
    low, high = TONE_LIMITS
    if not isfinite(scale.exponent) or low <= scale.exponent <= high:
        return []
    return [
        remark(
            "tone_curve",
            f"greys follow reflectance to the power {scale.exponent:.2f}, limits {low:g} to {high:g}",
        )
    ]
