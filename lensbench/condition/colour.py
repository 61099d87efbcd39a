"""Lateral colour and distortion: where red and blue fall beside green in the corner, and how straight lines bend."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Final

import numpy as np

from lensbench.model.shot import ShotResult
from lensbench.stats import quantile

__all__ = ["Bending", "LateralColour", "distortions", "lateral_colours"]


COLOUR_MATTERS_PX: Final = 0.5
"""Half a pixel in the corner begins to show as a coloured rim. Common practice, no source."""
BEND_MATTERS_PERCENT: Final = 1.0
"""Lines along the frame's edge begin to look bent. Common practice, no source."""
_FEWEST_EDGES: Final = 8
_STRAYS: Final = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LateralColour:
    """Radial place of one colour against green in the corner of the picture, positive outwards."""

    colour: str
    focal_length_mm: float
    px: float
    reach_px: float
    """Half the interval of 95 %; NaN with a single shot."""
    um: float
    """NaN where the pixel pitch is unknown."""
    shots: int

    @property
    def verdict(self) -> str:
        """seen, not seen or can't tell."""
        return _verdict(self.px, self.reach_px, COLOUR_MATTERS_PX)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bending:
    """Radial distortion in the corner; negative is barrel."""

    focal_length_mm: float
    percent: float
    reach_percent: float
    shots: int

    @property
    def verdict(self) -> str:
        """seen, not seen or can't tell."""
        return _verdict(self.percent, self.reach_percent, BEND_MATTERS_PERCENT)


def _verdict(value: float, reach: float, matters: float) -> str:
    if not isfinite(reach):
        return "can't tell"
    if abs(value) >= matters and abs(value) > reach:
        return "seen"
    return "not seen" if abs(value) + reach < 1.5 * matters else "can't tell"


def lateral_colours(results: Sequence[ShotResult]) -> list[LateralColour]:
    """Give red and blue at every focal length, from a straight line through zero over the image height.

    The line bends with the third power of the height where the edges show it.
    """
    found = []
    for focal, members in _by_focal(results).items():
        for place, colour in enumerate(("red", "blue")):
            corners = [one for result in members if isfinite(one := _in_corner(result, place))]
            if corners:
                px, reach = _mean(corners)
                pitches = [result.pixel_pitch_um for result in members if result.pixel_pitch_um]
                um = px * float(np.median(pitches)) if pitches else float("nan")
                found.append(
                    LateralColour(
                        colour=colour, focal_length_mm=focal, px=px, reach_px=reach, um=um, shots=len(corners)
                    )
                )
    return found


def distortions(results: Sequence[ShotResult]) -> list[Bending]:
    """Give the radial distortion at every focal length."""
    found = []
    for focal, members in _by_focal(results).items():
        values = [
            result.chart.radial_distortion_percent
            for result in members
            if isfinite(result.chart.radial_distortion_percent)
        ]
        if values:
            percent, reach = _mean(values)
            found.append(
                Bending(focal_length_mm=focal, percent=percent, reach_percent=reach, shots=len(values))
            )
    return found


def _by_focal(results: Sequence[ShotResult]) -> dict[float, list[ShotResult]]:
    groups: dict[float, list[ShotResult]] = defaultdict(list)
    for result in results:
        groups[round(result.metadata.focal_length_mm or 0.0)].append(result)
    return dict(sorted(groups.items()))


def _mean(values: Sequence[float]) -> tuple[float, float]:
    mean = float(np.median(values))
    if len(values) < 2:
        return mean, float("nan")
    sd = float(np.std(values, ddof=1))
    return mean, quantile(len(values) - 1.0) * sd / float(np.sqrt(len(values)))


def _in_corner(result: ShotResult, place: int) -> float:
    """Give one shot's shift in the corner; NaN where too few edges tell it."""
    told = [
        (edge.image_height, edge.edge.lateral_color_px[place])
        for edge in result.edges
        if edge.edge.lateral_color_px is not None and isfinite(edge.edge.lateral_color_px[place])
    ]
    if len(told) < _FEWEST_EDGES:
        return float("nan")
    height, shift = np.array(told).T
    design = np.column_stack((height, height**3))
    keep = np.ones(len(height), np.bool_)
    for _ in range(2):
        fit = np.linalg.lstsq(design[keep], shift[keep], rcond=None)[0]
        off = np.abs(shift - design @ fit)
        keep = off <= _STRAYS * 1.4826 * float(np.median(off[keep])) + 1e-9
    return float(fit.sum())
