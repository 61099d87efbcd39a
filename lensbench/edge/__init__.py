"""From linear samples of one region to the edge line, ESF, LSF, SFR and figures with standard deviations."""

from lensbench.edge.budget import BlurParts, blur_parts
from lensbench.edge.colour import EdgeShapes, Shift, colour_shift, radial_shift
from lensbench.edge.measure import METHODS, Method, measure_edge, measure_edges
from lensbench.edge.perception import Viewing, with_perception
from lensbench.edge.physical import Aperture
from lensbench.edge.readings import CurveFigures, curve_figures, response_at_lpmm

__all__ = [
    "METHODS",
    "Aperture",
    "BlurParts",
    "CurveFigures",
    "EdgeShapes",
    "Method",
    "Shift",
    "Viewing",
    "blur_parts",
    "colour_shift",
    "curve_figures",
    "measure_edge",
    "measure_edges",
    "radial_shift",
    "response_at_lpmm",
    "with_perception",
]
