"""Whether the picture's tone scale is linear: the chart's row of tones against their nominal reflectances.

A printer's greys are not exact, so only a scale that is clearly bent is called so: one that follows the
reflectance to a power far from 1. Bare paper at both ends of the row takes out light that falls unevenly.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, isfinite, radians, sin
from typing import Final, Protocol

import numpy as np

from lensbench.chart.finding import ChartFound, Mapping
from lensbench.chart.layout import TONES, Tone
from lensbench.flags import Remark, remark
from lensbench.records import Box, Samples
from lensbench.units import FloatArray

__all__ = ["TONE_LIMITS", "ToneScale", "tone_remarks", "tone_scale"]

TONE_LIMITS: Final = (0.65, 1.5)
"""Of the exponent: a gamma that was not undone gives 0.45 or 2.2; office printers' greys reach 0.75 to 1.35
(common practice, no source)."""
_SMALLEST_HALF_PX: Final = 2.0
_BLUR_MARGIN: Final = 3.0
_DARKEST: Final = 0.02
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
    rows = [
        _row(photo, chart, chart.layout.tones[start : start + len(TONES)])
        for start in range(0, len(chart.layout.tones), len(TONES))
    ]
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


def _row(photo: _Cuttable, chart: ChartFound, tones: Sequence[Tone]) -> FloatArray | None:
    """Give the grey tones' levels, 0 at the row's black and 1 at its paper; None where it can't be read."""
    levels = [_level(photo, chart.mapping, tone, blur_px=chart.blur_px) for tone in tones]
    if not all(isfinite(level) for level in levels):
        return None
    share = np.linspace(0.0, 1.0, len(levels))[1:-1]
    paper = (1.0 - share) * levels[0] + share * levels[-1]
    relative = np.array(levels[1:-1]) / paper
    black = relative[0]
    grey: FloatArray = (relative[1:] - black) / (1.0 - black) if black < 0.9 else np.zeros(len(relative) - 1)
    return grey


def _level(photo: _Cuttable, mapping: Mapping, tone: Tone, *, blur_px: float) -> float:
    """Give the mean level in the middle of a tone, or NaN where it is too small, clipped or not in the picture."""
    center_mm = np.array([tone.center_mm])
    row, col = mapping.to_px(center_mm)[0].tolist()
    to_px = mapping.jacobian(center_mm)[0]
    angle = radians(tone.turn_deg)
    axes = to_px @ np.array([[cos(angle), sin(angle)], [-sin(angle), cos(angle)]])
    # A box that lies within the square whichever way this is turned in the picture.
    across = np.linalg.inv(axes)
    half = (0.5 * tone.side_mm) / float(np.abs(across).sum(axis=1).max()) - 1.0 - _BLUR_MARGIN * blur_px / 2.0
    if half < _SMALLEST_HALF_PX:
        return float("nan")
    top, left, side = round(row - half), round(col - half), int(2.0 * half)
    rows, cols = photo.size_px
    if top < 0 or left < 0 or top + side > rows or left + side > cols:
        return float("nan")
    samples = photo.cut(Box(top=top, left=left, height=side, width=side))
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
