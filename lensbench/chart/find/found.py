"""What finding gives: the chart in one photograph, its targets, and how these records are put together."""

from dataclasses import dataclass
from math import inf

import numpy as np

from lensbench.chart.find.crossing import Crossings
from lensbench.chart.find.mapping import Mapping
from lensbench.chart.find.regions import ArmRegion, arm_regions
from lensbench.chart.find.sheet import Expected, predict
from lensbench.chart.layout import Layout, Target
from lensbench.model.shot import BoolArray

__all__ = ["ChartFound", "FoundTarget", "Kept", "chart_found", "kept_of"]


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
    targets_on_chart: int
    """Of a sheet, how many it has; of a wall set, the highest page number seen."""
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kept:
    """The targets that count, as the final mapping predicts them and as they were located."""

    expected: Expected
    crossings: Crossings


def kept_of(expected: Expected, crossings: Crossings, good: BoolArray, mapping: Mapping) -> Kept:
    """Keep the targets that count."""
    targets = tuple(target for target, is_good in zip(expected.targets, good, strict=True) if is_good)
    return Kept(expected=predict(targets, mapping), crossings=crossings.where(good))


def chart_found(
    layout: Layout,
    mapping: Mapping,
    kept: Kept,
    *,
    marker_ids: tuple[int, ...],
    size_px: tuple[int, int],
    targets_on_chart: int | None = None,
) -> ChartFound:
    """Put together what was found."""
    residual = np.hypot(*(kept.crossings.position_px - kept.expected.center_px).T)
    regions = arm_regions(
        kept.crossings.position_px,
        arms_px=kept.expected.arms_px,
        blur_px=kept.crossings.blur_px,
        size_px=size_px,
    )
    return ChartFound(
        layout=layout,
        size_px=size_px,
        mapping=mapping,
        targets=tuple(
            _found_target(index, kept, arms, size_px=size_px) for index, arms in enumerate(regions)
        ),
        targets_on_chart=targets_on_chart or len(layout.targets),
        marker_ids=marker_ids,
        residual_px=float(np.sqrt((residual**2).mean())),
    )


def _found_target(
    index: int, kept: Kept, arms: tuple[ArmRegion, ...], *, size_px: tuple[int, int]
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
