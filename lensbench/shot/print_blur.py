"""The print's own blur: what a typical one costs at this distance, and a measured one divided out.

    SFR of camera and lens = SFR measured / print's MTF at f s, with s the pixels that a millimetre of the chart
    takes along the edge's normal; the print's uncertainty is shared by all edges of a photograph.

A figure is refused where the print leaves less than 70 % at its frequency; a zone's, where more than a quarter of
its edges are refused, for those left are the softest.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import compress
from math import hypot, isfinite, nan, pi, sqrt
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.chart.find import Mapping
from lensbench.edge import crossing_cypx
from lensbench.model.flags import Remark, remark
from lensbench.model.shot import ChartEdge, Edge, PrintProfile, ZoneFigure
from lensbench.model.units import FloatArray
from lensbench.shot.geometry import zone_of

LEAST_LEFT: Final = 0.7
"""Of the contrast: a figure is refused where the print leaves less at its frequency."""
_MOST_REFUSED: Final = 0.25
"""Of a zone's edges."""
TYPICAL_RISE_MM: Final = 0.1
"""10-90 % rise of an edge from a home printer; common practice, no source."""
_WORTH_SAYING_PERCENT: Final = 1.0
_LEVELS: Final = {"mtf50_cypx": 0.5, "mtf30_cypx": 0.3, "mtf20_cypx": 0.2, "mtf10_cypx": 0.1}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Divided:
    """Edges freed of the print."""

    edges: tuple[ChartEdge, ...]
    """`mtf50_sd_cypx` holds the edge's own doubt only; the print's comes on top, the same for all."""
    print_sd_cypx: FloatArray
    """What the doubt about the print adds to each edge's MTF50; NaN where that is refused."""
    remarks: tuple[Remark, ...]


def print_mtf(profile: PrintProfile, frequency_cymm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Contrast that the print leaves at frequencies on the paper, and its standard deviation."""
    last = profile.frequency_cymm[-1]
    sigma, sd = profile.edge_sigma_mm, profile.edge_sigma_sd_mm
    gaussian = optics.gaussian_mtf(frequency_cymm, sigma)
    gaussian_sd = gaussian * 4.0 * pi**2 * frequency_cymm**2 * sigma * sd
    inside = frequency_cymm <= last
    return (
        np.where(inside, np.interp(frequency_cymm, profile.frequency_cymm, profile.mtf), gaussian),
        np.where(inside, np.interp(frequency_cymm, profile.frequency_cymm, profile.mtf_sd), gaussian_sd),
    )


def px_per_mm_along(mapping: Mapping, edges: Sequence[ChartEdge]) -> FloatArray:
    """Pixels that a millimetre of the chart takes along each edge's normal, tilt and distortion included."""
    places_px = np.array([edge.center_px for edge in edges])
    places_mm = _on_chart(mapping, places_px)
    jacobian = mapping.jacobian(places_mm)
    angles = np.radians([edge.edge.angle_deg for edge in edges])
    normals = np.stack((np.sin(angles), np.cos(angles)), axis=-1)  # (down, right)
    return np.asarray(np.hypot(*np.einsum("nij,ni->jn", jacobian, normals)), np.float64)


def _on_chart(mapping: Mapping, places_px: FloatArray) -> FloatArray:
    """Points of the chart (mm) that fall on these pixels, by Newton's steps from the plain homography."""
    homogeneous = np.column_stack((places_px, np.ones(len(places_px)))) @ np.linalg.inv(mapping.homography).T
    places_mm = homogeneous[:, :2] / homogeneous[:, 2:]
    for _ in range(3):
        missing = places_px - mapping.to_px(places_mm)
        places_mm = places_mm + np.linalg.solve(mapping.jacobian(places_mm), missing[..., None])[..., 0]
    return np.asarray(places_mm, np.float64)


def divided_out(edges: Sequence[ChartEdge], profile: PrintProfile, *, px_per_mm: FloatArray) -> Divided:
    """Divide the print out of every edge's SFR and read the figures anew.

    `rise_10_90_px`, `esf` and the overshoots stay as photographed, print included.

    Parameters
    ----------
    px_per_mm : float array, one for each edge
        Pixels on the sensor a millimetre on the chart, along the edge's normal.
    """
    freed, doubts = [], []
    for chart_edge, scale in zip(edges, px_per_mm, strict=True):
        edge, doubt = _freed(chart_edge.edge, profile, float(scale))
        freed.append(replace(chart_edge, edge=edge))
        doubts.append(doubt)
    return Divided(
        edges=tuple(freed), print_sd_cypx=np.array(doubts), remarks=_remarks(edges, freed, profile)
    )


def _freed(edge: Edge, profile: PrintProfile, px_per_mm: float) -> tuple[Edge, float]:
    if not edge.measured or not isfinite(px_per_mm):
        return edge, nan
    frequency = edge.frequency_cypx
    left, left_sd = print_mtf(profile, frequency * px_per_mm)
    safe = np.maximum(left, 0.05)
    sfr, own_sd, print_sd = edge.sfr / safe, edge.sfr_sd / safe, edge.sfr * left_sd / safe**2
    figures = {name: _figure(edge, name, sfr) for name in _LEVELS}
    kept = {name: nan if _left_at(frequency, left, f) < LEAST_LEFT else f for name, f in figures.items()}
    at = figures["mtf50_cypx"]
    slope = _slope_at(frequency, sfr, at)
    refused = not isfinite(kept["mtf50_cypx"])
    cost = f"the print leaves {100 * _left_at(frequency, left, at):.0f} % at MTF50, limit {100 * LEAST_LEFT:.0f} %"
    return (
        replace(
            edge,
            mtf50_cypx=kept["mtf50_cypx"],
            mtf30_cypx=kept["mtf30_cypx"],
            mtf20_cypx=kept["mtf20_cypx"],
            mtf10_cypx=kept["mtf10_cypx"],
            mtf50_sd_cypx=nan if refused else float(np.interp(at, frequency, own_sd)) / slope,
            sfr=np.where(left < LEAST_LEFT, nan, sfr),
            sfr_sd=np.where(left < LEAST_LEFT, nan, np.hypot(own_sd, print_sd)),
            flags=(*edge.flags, remark("print_limits", cost)) if refused else edge.flags,
        ),
        nan if refused else float(np.interp(at, frequency, print_sd)) / slope,
    )


def _figure(edge: Edge, name: str, sfr: FloatArray) -> float:
    """Figure of the freed SFR; the crossing's shift is applied to the figure as measured."""
    level, before = _LEVELS[name], float(getattr(edge, name))
    after = crossing_cypx(edge.frequency_cypx, sfr, level)
    grid = crossing_cypx(edge.frequency_cypx, edge.sfr, level)
    return before * after / grid if isfinite(before) and isfinite(grid) else after


def _left_at(frequency: FloatArray, left: FloatArray, at_cypx: float) -> float:
    """Contrast that the print leaves at a frequency; nothing beyond the grid."""
    return float(np.interp(at_cypx, frequency, left)) if at_cypx <= frequency[-1] else 0.0


def _slope_at(frequency: FloatArray, sfr: FloatArray, at_cypx: float) -> float:
    """How steeply the SFR falls around a frequency, per cy/px; never below what a figure could stand on."""
    step = 2.0 * float(frequency[1] - frequency[0])
    low, high = np.interp([at_cypx - step, at_cypx + step], frequency, sfr)
    return max(float(low - high) / (2.0 * step), 1e-6)


def _remarks(
    before: Sequence[ChartEdge], after: Sequence[ChartEdge], profile: PrintProfile
) -> tuple[Remark, ...]:
    measured = sum(edge.edge.measured for edge in before)
    refused = measured - sum(edge.edge.measured for edge in after)
    sigma, sd = profile.edge_sigma_mm, profile.edge_sigma_sd_mm
    said = remark("print_divided", f"profile {profile.name}: edges of sigma {sigma:.3f} +- {sd:.3f} mm")
    if not refused:
        return (said,)
    limit = f"limit {100 * LEAST_LEFT:.0f} % left at MTF50"
    return (said, remark("print_too_soft", f"{refused} of {measured} edges, {limit}"))


def with_print_doubt(
    zones: dict[str, ZoneFigure], divided: Divided, size_px: tuple[int, int]
) -> dict[str, ZoneFigure]:
    """Widen the zones' intervals by the doubt about the print, which edges share; refuse zones that it spoils.

    The frame goes with any of its thirds.
    """
    inside = {
        zone: [zone in {"frame", zone_of(edge.image_height, size_px)} for edge in divided.edges]
        for zone in zones
    }
    refused = {zone for zone in zones if _share_refused(divided, inside[zone]) > _MOST_REFUSED}
    return {
        zone: replace(figure, mtf50_cypx=nan, ci95_cypx=(nan, nan), sagittal_cypx=nan, tangential_cypx=nan)
        if zone in refused or (zone == "frame" and refused)
        else _widened(figure, _share_of_doubt(divided, inside[zone]))
        for zone, figure in zones.items()
    }


def _share_refused(divided: Divided, inside: list[bool]) -> float:
    refused = [
        any(said.flag == "print_limits" for said in edge.edge.flags)
        for edge in compress(divided.edges, inside)
    ]
    return sum(refused) / len(refused) if refused else 0.0


def _share_of_doubt(divided: Divided, inside: list[bool]) -> float:
    pairs = compress(zip(divided.edges, divided.print_sd_cypx.tolist(), strict=True), inside)
    shares = [sd / edge.edge.mtf50_cypx for edge, sd in pairs if isfinite(sd)]
    return float(np.median(shares)) if shares else 0.0


def _widened(figure: ZoneFigure, share: float) -> ZoneFigure:
    middle = figure.mtf50_cypx
    half = hypot((figure.ci95_cypx[1] - figure.ci95_cypx[0]) / 2.0, 1.96 * share * middle)
    return replace(figure, ci95_cypx=(middle - half, middle + half))


def with_total_doubt(divided: Divided) -> tuple[ChartEdge, ...]:
    """Edges with the doubt about the print put into each one's standard deviation."""
    return tuple(
        replace(edge, edge=replace(edge.edge, mtf50_sd_cypx=hypot(edge.edge.mtf50_sd_cypx, sd)))
        for edge, sd in zip(divided.edges, divided.print_sd_cypx.tolist(), strict=True)
    )


def typical_print_remarks(edges: Sequence[ChartEdge], *, px_per_mm: FloatArray) -> list[Remark]:
    """Say what a home printer's edges would cost at this distance, where nobody measured the print."""
    pairs = [
        (edge.edge.mtf50_cypx, float(scale))
        for edge, scale in zip(edges, px_per_mm, strict=True)
        if edge.edge.measured and isfinite(scale)
    ]
    if not pairs:
        return []
    mtf50, scale = (float(np.median(figures)) for figures in zip(*pairs, strict=True))
    sigma_px = TYPICAL_RISE_MM / optics.RISE_10_90_SIGMAS * scale
    taken_percent = 100.0 * float(1.0 - optics.gaussian_mtf(np.array([mtf50]), sigma_px)[0])
    if taken_percent < _WORTH_SAYING_PERCENT:
        return []
    return [
        remark(
            "print_limits",
            f"a typical print, {TYPICAL_RISE_MM:g} mm from 10 to 90 %, blurs by sigma {sigma_px:.2f} px here and takes "
            f"{taken_percent:.0f} % of the contrast at the middle edge's MTF50 of {mtf50:.3f} cy/px, whose "
            f"true MTF50 would be {_mtf50_without(mtf50, sigma_px)}",
        )
    ]


def _mtf50_without(mtf50_cypx: float, sigma_px: float) -> str:
    """Say where MTF50 would stand without this blur, all blurs taken as Gaussian: squares subtract."""
    squared = optics.gaussian_sigma_px(mtf50_cypx) ** 2 - sigma_px**2
    if squared <= 0.0:
        return "out of reach of this print"
    return f"about {optics.gaussian_sigma_px(1.0) / sqrt(squared):.3f}"
