"""One photograph of the chart: find it, measure its edges, tell how the camera stood and what went wrong."""

from lensbench.shot.geometry import ZONE_LIMITS, zone_of
from lensbench.shot.measure import Readings, measure_shot
from lensbench.shot.shake import common_blur
from lensbench.shot.zones import is_usable, mean_by_zone

__all__ = ["ZONE_LIMITS", "Readings", "common_blur", "is_usable", "mean_by_zone", "measure_shot", "zone_of"]
