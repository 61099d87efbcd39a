"""From linear samples of one region to the edge line, ESF, LSF, SFR and figures with standard deviations."""

from lensbench.edge.measure import METHODS, Method, measure_edge, measure_edges

__all__ = ["METHODS", "Method", "measure_edge", "measure_edges"]
