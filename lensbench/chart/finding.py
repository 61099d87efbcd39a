"""Finding the chart in a photograph: markers, then crossings, then geometry, then the regions to measure.

Markers tell which chart it is and roughly where it lies; blur shifts their corners, so nothing is measured on
them. Crossings are located on the full picture's own sites, and only a target whose four quarters look as
they must counts.
"""

from dataclasses import dataclass
from math import inf
from typing import Final

import cv2
import numpy as np

from lensbench.chart.crossing import Crossings
from lensbench.chart.layout import Layout, Target
from lensbench.chart.locating import (
    FEWEST_TARGETS,
    Expected,
    Overview,
    Picture,
    expect,
    locate_finely,
    locate_roughly,
    predict,
    refit,
    typical_blur_px,
)
from lensbench.chart.mapping import Mapping
from lensbench.chart.regions import ArmRegion, arm_regions
from lensbench.chart.sighting import Sighting, sight_markers
from lensbench.errors import ChartError
from lensbench.records import BoolArray

__all__ = ["ArmRegion", "ChartFound", "FoundTarget", "Mapping", "Picture", "find_chart"]

_OVERVIEW_PX: Final = 2_000_000
_FINER_OVERVIEW_PX: Final = 9_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundTarget:
    """One target in the picture."""

    target: Target
    crossing_px: tuple[float, float]
    crossing_sd_px: float
    """Standard deviation of each coordinate, from the noise around the crossing."""
    residual_px: float
    """Distance from where the fitted geometry puts it."""
    border_px: float
    """Distance of the crossing from the nearest border of the picture."""
    radius_px: float
    """The rim's mean radius in the picture."""
    blur_px: float
    """Sigma of the Gaussian that suits the crossing best: an estimate, not a measurement."""
    dark_level: float
    bright_level: float
    """Levels beside the crossing, linear, white = 1."""
    arms: tuple[ArmRegion, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChartFound:
    """The chart in one photograph."""

    layout: Layout
    size_px: tuple[int, int]
    mapping: Mapping
    """From the chart, in mm, to the picture, in pixels."""
    targets: tuple[FoundTarget, ...]
    marker_ids: tuple[int, ...]
    residual_px: float
    """Rms distance of the crossings from the fitted geometry."""

    @property
    def contrast(self) -> float:
        """Bright over dark as the picture shows it, of the medians of the targets; infinite for perfect black."""
        bright, dark = (np.median([(t.bright_level, t.dark_level) for t in self.targets], axis=0)).tolist()
        return bright / dark if dark > 0.0 else inf

    @property
    def blur_px(self) -> float:
        """Median blur of the crossings, as a Gaussian sigma."""
        return float(np.median([target.blur_px for target in self.targets]))


def find_chart(picture: Picture) -> ChartFound:
    """Find the chart in a photograph, whichever way up, and the regions that hold one edge each.

    Parameters
    ----------
    picture : Picture
        An opened photograph: `photo.Photo`, or anything with its `size_px`, `cut` and `overview`.

    Returns
    -------
    ChartFound
        At least four targets, nearest to the chart's centre first. A target whose crossing lies outside the
        picture, or that is covered or spoilt by glare, is left out.

    Raises
    ------
    ChartError
        No chart, not one of ours, or too little of it.
    """
    overview = picture.overview(_OVERVIEW_PX)
    sighting = _sight(picture, overview)
    size_px = picture.size_px
    expected = expect(sighting.layout, sighting.mapping, size_px)
    if len(expected.targets) < FEWEST_TARGETS:
        raise ChartError(_too_few(len(expected.targets)))
    rough = locate_roughly(expected, overview)
    mapping, _ = refit(sighting.mapping, expected, rough, size_px=size_px)
    blur_px = typical_blur_px(expected, rough)
    expected = expect(sighting.layout, mapping, size_px)
    crossings = locate_finely(expected, picture, blur_px=blur_px)
    mapping, good = refit(mapping, expected, crossings, size_px=size_px)
    if good.sum() < FEWEST_TARGETS:
        raise ChartError(_too_few(int(good.sum())))
    return _found(sighting, mapping, _kept(expected, crossings, good, mapping), size_px=size_px)


def _too_few(seen: int) -> str:
    return (
        f"a chart was found, but only {seen} of its targets can be used and at least {FEWEST_TARGETS} must: "
        "show more of it, in focus and evenly lit"
    )


def _sight(picture: Picture, overview: Overview) -> Sighting:
    """Look for markers in the overview, then in a smaller one (blur), then in a finer one (distance)."""
    try:
        return sight_markers(overview.grey, factor=overview.factor, size_px=picture.size_px)
    except ChartError:
        rows, cols = (side // 2 for side in overview.grey.shape)
        smaller = cv2.resize(
            overview.grey[: 2 * rows, : 2 * cols], (cols, rows), interpolation=cv2.INTER_AREA
        )
    try:
        return sight_markers(
            np.asarray(smaller, np.uint8), factor=2 * overview.factor, size_px=picture.size_px
        )
    except ChartError:
        if overview.factor == 1:
            raise
    finer = picture.overview(_FINER_OVERVIEW_PX)
    return sight_markers(finer.grey, factor=finer.factor, size_px=picture.size_px)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Kept:
    """The targets that count, as the final mapping predicts them and as they were located."""

    expected: Expected
    crossings: Crossings


def _kept(expected: Expected, crossings: Crossings, good: BoolArray, mapping: Mapping) -> _Kept:
    targets = tuple(target for target, is_good in zip(expected.targets, good, strict=True) if is_good)
    return _Kept(expected=predict(targets, mapping), crossings=crossings.where(good))


def _found(sighting: Sighting, mapping: Mapping, kept: _Kept, *, size_px: tuple[int, int]) -> ChartFound:
    residual = np.hypot(*(kept.crossings.position_px - kept.expected.center_px).T)
    regions = arm_regions(
        kept.crossings.position_px,
        arms_px=kept.expected.arms_px,
        blur_px=kept.crossings.blur_px,
        size_px=size_px,
    )
    return ChartFound(
        layout=sighting.layout,
        size_px=size_px,
        mapping=mapping,
        targets=tuple(
            _found_target(index, kept, arms, size_px=size_px) for index, arms in enumerate(regions)
        ),
        marker_ids=sighting.marker_ids,
        residual_px=float(np.sqrt((residual**2).mean())),
    )


def _found_target(
    index: int, kept: _Kept, arms: tuple[ArmRegion, ...], *, size_px: tuple[int, int]
) -> FoundTarget:
    expected, crossings = kept.expected, kept.crossings
    position = crossings.position_px[index]
    return FoundTarget(
        target=expected.targets[index],
        crossing_px=(float(position[0]), float(position[1])),
        crossing_sd_px=float(crossings.position_sd_px[index]),
        residual_px=float(np.hypot(*(position - expected.center_px[index]))),
        border_px=float(np.minimum(position, np.asarray(size_px) - 1.0 - position).min()),
        radius_px=float(expected.radius_px[index]),
        blur_px=float(crossings.blur_px[index]),
        dark_level=float(crossings.mean[index] - crossings.amplitude[index]),
        bright_level=float(crossings.mean[index] + crossings.amplitude[index]),
        arms=arms,
    )
