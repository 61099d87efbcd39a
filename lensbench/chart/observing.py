"""What was seen of a wall's pages, in the form that the fit takes: places along one direction each."""

from typing import Final

import numpy as np

from lensbench.chart.crossing import Crossings
from lensbench.chart.pages import SightedPage
from lensbench.chart.placing import IntArray
from lensbench.chart.strips import Strips
from lensbench.chart.wall_fit import Observations
from lensbench.units import FloatArray

__all__ = ["FLOOR_PX", "joined", "of_crossings", "of_markers", "of_strips"]

FLOOR_PX: Final = 0.02
"""Standard deviation below which no place is believed."""
_MIDDLE_OVERVIEW_PX: Final = 0.4
"""Standard deviation of a marker's middle, in pixels of the overview."""


def of_crossings(crossings: Crossings) -> Observations:
    """Give the crossings as two observations each."""
    count = len(crossings.position_px)
    sd_px = np.hypot(crossings.position_sd_px, FLOOR_PX)
    return _both_ways(np.arange(count), np.zeros((count, 2)), crossings.position_px, sd_px)


def _both_ways(page: IntArray, point_mm: FloatArray, seen_px: FloatArray, sd_px: FloatArray) -> Observations:
    """Give places known in both directions of the picture."""
    count = len(page)
    return Observations(
        page=np.repeat(page, 2),
        point_mm=np.repeat(point_mm, 2, axis=0),
        normal=np.tile(np.eye(2), (count, 1)),
        value_px=seen_px.ravel(),
        sd_px=np.repeat(sd_px, 2),
    )


def of_markers(pages: list[SightedPage], corners_px: FloatArray, *, factor: int) -> Observations:
    """Give the markers' middles: blur moves their corners, but not these."""
    page, point_mm, seen_px = [], [], []
    for index, one in enumerate(pages):
        by_id = {marker.marker_id: marker.center_mm for marker in one.page.markers}
        for read, marker_id in zip(one.markers, one.marker_ids, strict=True):
            page.append(index)
            point_mm.append(by_id[marker_id])
            seen_px.append(corners_px[read].mean(axis=0))
    sd_px = np.full(len(page), _MIDDLE_OVERVIEW_PX * factor)
    return _both_ways(np.array(page), np.array(point_mm), np.array(seen_px), sd_px)


def joined(*parts: Observations) -> Observations:
    """Put observations together."""
    return Observations(
        page=np.concatenate([part.page for part in parts]),
        point_mm=np.concatenate([part.point_mm for part in parts]),
        normal=np.concatenate([part.normal for part in parts]),
        value_px=np.concatenate([part.value_px for part in parts]),
        sd_px=np.concatenate([part.sd_px for part in parts]),
    )


def of_strips(found: Strips, page: IntArray, point_mm: FloatArray, sd_px: FloatArray) -> Observations:
    """Give the pieces of edges that were found."""
    kept = found.good
    return Observations(
        page=page[kept],
        point_mm=point_mm[kept],
        normal=found.normal[kept],
        value_px=(found.normal * found.point_px).sum(axis=1)[kept],
        sd_px=sd_px[kept],
    )
