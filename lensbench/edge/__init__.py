"""From linear samples of one region to the edge line, ESF, LSF, SFR and figures with standard deviations."""

from lensbench.edge.colour import EdgeShapes, Shift, colour_shift, radial_shift
from lensbench.edge.measure import METHODS, Method, measure_edge, measure_edges
from lensbench.edge.perception import Viewing
from lensbench.edge.physical import Aperture

__all__ = [
    "METHODS",
    "Aperture",
    "EdgeShapes",
    "Method",
    "Shift",
    "Viewing",
    "colour_shift",
    "measure_edge",
    "measure_edges",
    "radial_shift",
]
