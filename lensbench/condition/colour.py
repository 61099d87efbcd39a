"""Lateral colour and distortion: where red and blue fall beside green in the corner, and how straight lines bend."""

from collections import defaultdict
from collections.abc import Sequence
from math import isfinite
from typing import Final

import numpy as np

from lensbench.condition.field import judged, robust_fit
from lensbench.model.condition import (
    Colour,
    ColourShift,
    ConditionFinding,
    Distortion,
    LateralColour,
    Subject,
    Verdict,
)
from lensbench.model.measured import median_known
from lensbench.model.shot import ShotResult
from lensbench.stats import quantile

_COLOUR_MATTERS_PX: Final = 0.5
"""Half a pixel in the corner begins to show as a coloured rim. Common practice, no source."""
_DISTORTION_MATTERS_PERCENT: Final = 1.0
"""Lines along the frame's edge begin to look bent. Common practice, no source."""
_FEWEST_EDGES: Final = 8


def lateral_colour_finding(results: Sequence[ShotResult]) -> ConditionFinding:
    """How far red and blue fall beside green in the corner, at the focal length that shows most."""
    shifts = []
    for focal, members in _by_focal(results).items():
        pitch_um = median_known([result.pixel_pitch_um or None for result in members]) or float("nan")
        for which, colour in enumerate(Colour):
            corners = [px for result in members if isfinite(px := _corner_shift_px(result, which))]
            if corners:
                px, reach_px = _median(corners)
                shift = ColourShift(
                    verdict=_verdict(px, reach_px, _COLOUR_MATTERS_PX),
                    colour=colour,
                    focal_length_mm=focal,
                    px=px,
                    reach_px=reach_px,
                    um=px * pitch_um,
                    shots=len(corners),
                )
                shifts.append(shift)
    if not shifts:
        return ConditionFinding(subject=Subject.LATERAL_COLOUR, limit=_COLOUR_MATTERS_PX, unit="px")
    main = max(shifts, key=lambda shift: (shift.verdict is Verdict.MATTERS, abs(shift.px)))
    return ConditionFinding(
        subject=Subject.LATERAL_COLOUR,
        verdict=max((shift.verdict for shift in shifts), key=lambda verdict: verdict.weight),
        limit=_COLOUR_MATTERS_PX,
        unit="px",
        value=main.px,
        ci95=(main.px - main.reach_px, main.px + main.reach_px),
        details=LateralColour(shifts=tuple(shifts), main=main),
    )


def distortion_finding(results: Sequence[ShotResult]) -> ConditionFinding | None:
    """How far straight lines bend, at the focal length that shows most; None where no shot tells it."""
    told = [result for result in results if isfinite(result.chart.radial_distortion_percent)]
    by_focal = _by_focal(told)
    if not by_focal:
        return None
    distortions = []
    for focal, members in by_focal.items():
        value, reach = _median([result.chart.radial_distortion_percent for result in members])
        distortion = Distortion(
            verdict=_verdict(value, reach, _DISTORTION_MATTERS_PERCENT),
            focal_length_mm=focal,
            percent=value,
            reach_percent=reach,
            shots=len(members),
            focal_lengths=len(by_focal),
        )
        distortions.append(distortion)
    main = max(distortions, key=lambda own: (own.verdict is Verdict.MATTERS, abs(own.percent)))
    return ConditionFinding(
        subject=Subject.DISTORTION,
        verdict=max((own.verdict for own in distortions), key=lambda verdict: verdict.weight),
        limit=_DISTORTION_MATTERS_PERCENT,
        value=main.percent,
        ci95=(main.percent - main.reach_percent, main.percent + main.reach_percent),
        details=main,
    )


def _verdict(value: float, reach: float, matters: float) -> Verdict:
    """From one shot alone the reach is NaN, and nothing can be told."""
    size = abs(value)
    return judged(size, sure=size > reach, limit=matters, at_most=size + reach, bound=1.5 * matters)


def _by_focal(results: Sequence[ShotResult]) -> dict[float, list[ShotResult]]:
    groups: dict[float, list[ShotResult]] = defaultdict(list)
    for result in results:
        groups[round(result.metadata.focal_length_mm or 0.0)].append(result)
    return dict(sorted(groups.items()))


def _median(values: Sequence[float]) -> tuple[float, float]:
    """Median, and half the interval of 95 % of the mean; NaN for a single value."""
    median = float(np.median(values))
    if len(values) < 2:
        return median, float("nan")
    sd = float(np.std(values, ddof=1))
    return median, quantile(len(values) - 1.0) * sd / float(np.sqrt(len(values)))


def _corner_shift_px(result: ShotResult, which: int) -> float:
    """Shift in the corner of one shot, by height and its third power; NaN where too few edges tell it."""
    points = [
        (edge.image_height, edge.edge.lateral_color_px[which])
        for edge in result.edges
        if edge.edge.lateral_color_px is not None and isfinite(edge.edge.lateral_color_px[which])
    ]
    if len(points) < _FEWEST_EDGES:
        return float("nan")
    height, shift = np.array(points).T
    fit, _ = robust_fit(np.column_stack((height, height**3)), shift)
    return float(fit.sum())
