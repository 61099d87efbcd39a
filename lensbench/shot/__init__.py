"""One photograph of the chart: find it, measure its edges, tell how the camera stood and what went wrong."""

from lensbench.shot.measuring import measure_shot

__all__ = ["measure_shot"]
