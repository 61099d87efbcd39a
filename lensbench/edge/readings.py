"""Further figures of a measured edge's SFR: area under it, and what is left at chosen frequencies."""

from dataclasses import dataclass
from math import nan
from typing import Final

from lensbench.edge import perception
from lensbench.edge.perception import Figure, known_curve
from lensbench.records import Edge

__all__ = ["CurveFigures", "curve_figures", "response_at_lpmm"]

_UNKNOWN: Final = Figure(value=nan, sd=nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveFigures:
    """Figures up to the pixels' Nyquist frequency, 0.5 cycles per pixel."""

    area_cypx: Figure
    """Area under the SFR; 0.5 would be a perfect curve."""
    response_at_nyquist: Figure


def curve_figures(edge: Edge) -> CurveFigures:
    """Read area and response at Nyquist off an edge's SFR; NaN where it is not known as far as there."""
    curve = known_curve(edge)
    if curve is None or curve[0][-1] < perception.NYQUIST_CYPX - 1e-9:
        return CurveFigures(area_cypx=_UNKNOWN, response_at_nyquist=_UNKNOWN)
    return CurveFigures(
        area_cypx=perception.area_cypx(*curve), response_at_nyquist=perception.response_at_nyquist(*curve)
    )


def response_at_lpmm(edge: Edge, *, lpmm: float, pixel_pitch_um: float) -> Figure:
    """Read an edge's SFR at line pairs per millimetre on the sensor; NaN beyond what is known."""
    curve = known_curve(edge)
    if curve is None:
        return _UNKNOWN
    return perception.response_at_lpmm(*curve, lpmm=lpmm, pixel_pitch_um=pixel_pitch_um)
