"""One photograph of the chart: find it, measure its edges, tell how the camera stood and what went wrong."""

from lensbench.shot.measuring import measure_shot
from lensbench.shot.shake import common_blur

__all__ = ["common_blur", "measure_shot"]
