"""From linear samples of one region to the edge line, ESF, LSF, SFR and figures with standard deviations."""

from lensbench.edge.colour import EdgeShapes, Shift, colour_shift, radial_shift
from lensbench.edge.curves import crossing_cypx
from lensbench.edge.lens_model import Aperture
from lensbench.edge.line import span_px
from lensbench.edge.measure import METHODS, Method, measure_edge, measure_edges
from lensbench.edge.perception import (
    JUST_SEEN_JND,
    RESPONSE_CYPX,
    CurveFigures,
    RulerReading,
    Viewing,
    curve_figures,
    edge_response_at_lpmm,
    gaussian_response,
    ruler_reading,
    viewing_of,
    with_perception,
)
from lensbench.edge.seek import find_edges
