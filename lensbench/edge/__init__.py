"""From linear samples of one region to the edge line, ESF, LSF, SFR and figures with standard deviations.

Each name is loaded at its first use: who asks what was measured, or how, loads nothing that measures.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
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

_PARTS: Final = {
    "colour": "EdgeShapes Shift colour_shift radial_shift",
    "curves": "crossing_cypx",
    "lens_model": "Aperture",
    "line": "span_px",
    "measure": "METHODS Method measure_edge measure_edges",
    "perception": "JUST_SEEN_JND RESPONSE_CYPX CurveFigures RulerReading Viewing curve_figures edge_response_at_lpmm "
    "gaussian_response ruler_reading viewing_of with_perception",
    "seek": "find_edges",
}
"""File -> the names that it gives to this door."""


def __getattr__(name: str) -> Any:
    for part, names in _PARTS.items():
        if name in names.split():
            return getattr(import_module(f"{__name__}.{part}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
