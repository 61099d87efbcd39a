"""One photograph of the chart: find it, measure its edges, tell how the camera stood and what went wrong."""

from lensbench.shot.geometry import place_of, zone_borders, zone_of
from lensbench.shot.measure import measure_shot
from lensbench.shot.options import MeasureOptions
from lensbench.shot.quality import LEAST_COVERED_PERCENT, common_blur, flagged_if_too_crisp
from lensbench.shot.zones import is_usable, mean_by_zone, means_by_zone
