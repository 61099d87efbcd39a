"""One region on its way through the fit: its samples, line, noise and profile."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from lensbench.edge.line import EdgeLine, span_px
from lensbench.edge.posterior import Posterior, Weighed
from lensbench.edge.samples import Bins, Noise, Plateaus, Points, plateaus_of, pool_together
from lensbench.edge.shapes import HALF, nearest_shape, step_px
from lensbench.model.errors import EdgeError
from lensbench.model.shot import Box
from lensbench.model.units import FloatArray
from lensbench.optics import RISE_10_90_SIGMAS, gaussian_sigma_px

_LEAST_SIDE: Final = 0.03  # either side of the edge holds at least this part of the region's samples
_LARGEST_BULGE_PX: Final = 12.0
_SOFTEST_RISES: Final = 0.5
"""The region reaches at least this many 10-90 % rises to each side: else it holds a slope, not an edge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Raggedness:
    """How the edge strays from the smooth line laid through it."""

    rms_px: float
    length_px: float
    """Over which it stays alike: where the correlation falls to 1 / e."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Coding:
    """What lossy coding did to an edge; see `Plateaus` for both sizes."""

    rough: float
    lost: float


@dataclass(slots=True, kw_only=True, eq=False)
class RefinedFit:
    """One region's edge as the refined method sees it, before figures are drawn from it."""

    points: Points
    """The samples fitted, without outliers."""
    distance_px: FloatArray
    """Of each sample from the edge, towards its bright side."""
    along_px: FloatArray
    """Place of each sample along the edge."""
    line: EdgeLine
    plateaus: Plateaus
    bins: Bins
    weighed: Weighed
    posterior: Posterior
    reach_px: float
    """Largest distance from the edge in the region."""
    outliers: int
    """Samples left out as dust or hot pixels."""
    noise_factor: float = 1.0
    """Variance that the fit assumed, over that of the plateaus' noise: errors may hang together along the edge."""
    ragged: Raggedness | None = None
    """How the edge itself strays, where it strays by more than noise explains."""

    @property
    def noise(self) -> Noise:
        """Noise of the two plateaus."""
        return self.plateaus.noise.enlarged(1.0 / self.noise_factor)

    @property
    def light_percent(self) -> float:
        """The light's largest change over the region, in percent of the step."""
        across = 2.0 * float(np.abs(self.posterior.coefficient[[3, 5]]).max())
        steepest = max(abs(self.plateaus.dark_slope_per_px), abs(self.plateaus.bright_slope_per_px))
        along = 2.0 * steepest * float(np.abs(self.bins.along_px).max())
        return 100.0 * max(across, along) / self.posterior.step


@dataclass(slots=True, kw_only=True, eq=False)
class Region:
    """A region under way: its samples, and the line and fit as they stand."""

    index: int
    points: Points
    line: EdgeLine
    distance_px: FloatArray
    along_px: FloatArray
    shape: int
    outliers: int = 0
    noise_factor: float = 1.0
    coding: Coding | None = None
    """What lossy coding did to the edge, where it was coded."""
    ragged: Raggedness | None = None
    rough_sd: float = 0.0
    """Scatter where the edge is steep, beyond what is explained, in standard deviations of it."""
    fit: RefinedFit | None = None
    pools: dict[float, tuple[Bins, Plateaus]] = field(default_factory=dict)
    """What `pooled` made along the line as it lies, by the bins' width; noise as read off the plateaus."""

    @classmethod
    def opened(
        cls, index: int, points: Points, line: EdgeLine, *, outliers: int = 0, rough_sd: float = 0.0
    ) -> "Region":
        """A region whose line is known; its sharpness gives the first shape."""
        distance_px, along_px = line.distance_px(points)
        return cls(
            index=index,
            points=points,
            line=line,
            distance_px=distance_px,
            along_px=along_px,
            shape=nearest_shape(gaussian_sigma_px(1.0) / line.sigma_px),
            outliers=outliers,
            rough_sd=rough_sd,
        )

    def narrow(self) -> None:
        """Let go of samples further from the edge than any shape of such an edge, or of one twice as soft, reaches."""
        reach_px = HALF * step_px(0.5 * gaussian_sigma_px(1.0) / self.line.sigma_px)
        near = np.flatnonzero(np.abs(self.distance_px) < reach_px)
        if near.size < self.distance_px.size:
            self.points = self.points.kept(near)
            self.distance_px, self.along_px = self.distance_px.take(near), self.along_px.take(near)

    def move(self, line: EdgeLine) -> None:
        """Lay another line through the samples."""
        self.line = line
        self.pools.clear()
        self.distance_px, self.along_px = line.distance_px(self.points)

    def pooled(self, width_px: float) -> tuple[Bins, Plateaus]:
        """Samples in bins of this width, and both plateaus with the noise that the fit is to assume."""
        pool_regions([self], width_px)
        bins, plateaus = self.pools[width_px]
        if self.noise_factor != 1.0:
            plateaus = replace(plateaus, noise=plateaus.noise.enlarged(self.noise_factor))
        if self.coding:
            plateaus = replace(plateaus, rough=self.coding.rough, lost=self.coding.lost)
        return bins, plateaus

    def refused(self) -> EdgeError | None:
        """Why what the line was laid through is no edge; None where it is one."""
        bright = np.count_nonzero(self.distance_px > 0)
        if not _LEAST_SIDE < bright / self.distance_px.size < 1.0 - _LEAST_SIDE:
            return EdgeError("the edge runs outside this region")
        height, width = self.points.shape
        if abs(self.line.bend_per_px) * 0.25 * (height**2 + width**2) > _LARGEST_BULGE_PX:
            bulge = abs(self.line.bend_per_px) * (0.5 * float(np.ptp(self.along_px))) ** 2
            if bulge > _LARGEST_BULGE_PX:
                return EdgeError(f"what is there turns by {bulge:.0f} px, no straight edge")
        _, reach = span_px(Box(top=0, left=0, height=height, width=width), self.line.angle_deg)
        rise = RISE_10_90_SIGMAS * self.line.sigma_px
        if reach < _SOFTEST_RISES * rise:
            return EdgeError(
                f"a slope over {rise:.0f} px, not an edge, in a region of {reach:.0f} px to each side"
            )
        return None


def pool_regions(regions: Sequence[Region], width_px: float) -> None:
    """Pool the samples of all regions in bins of this width where that was not done yet: `Region.pooled` has them."""
    new = [region for region in regions if width_px not in region.pools]
    if not new:
        return
    bins, places = pool_together(
        [(region.distance_px, region.along_px, region.points.value) for region in new], step_px=width_px
    )
    plateaus = plateaus_of(
        bins,
        step_px=width_px,
        sigma_px=np.array([region.line.sigma_px for region in new]),
        step=np.array([region.line.step for region in new]),
        least_sd=np.array([region.points.rounding_sd for region in new]),
        light_slope_sd_per_px=[region.points.light_slope_sd_per_px for region in new],
    )
    for number, (region, place, sides) in enumerate(zip(new, places, plateaus, strict=True)):
        region.pools[width_px] = (bins.row(number, place), sides)
