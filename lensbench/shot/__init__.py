"""One photograph of the chart: find it, measure its edges, tell how the camera stood and what went wrong."""

from lensbench.shot.measuring import measure_shot
from lensbench.shot.readings import Readings
from lensbench.shot.shake import common_blur
from lensbench.shot.zones import mean_by_zone

__all__ = ["Readings", "common_blur", "mean_by_zone", "measure_shot"]
