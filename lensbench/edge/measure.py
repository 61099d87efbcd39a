"""Regions of samples in, measured edges with flags out."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Final, Literal

import numpy as np

from lensbench.edge.clusters import common_doubt
from lensbench.edge.curves import Curves, curves_of
from lensbench.edge.departures import Departure, departures_of
from lensbench.edge.fit import fit_refined
from lensbench.edge.iso import BINS_BESIDE, measure_iso
from lensbench.edge.judge import (
    Slopes,
    blocking_remarks,
    flare_doubt,
    misfit_doubt,
    plateau_slopes,
    remarks_on,
)
from lensbench.edge.lens_model import Aperture
from lensbench.edge.line import EdgeLine
from lensbench.edge.perception import Viewing, with_perception
from lensbench.edge.physical import read_physical
from lensbench.edge.region import RefinedFit
from lensbench.edge.samples import Points, points_of
from lensbench.edge.shapes import OUTPUT_FREQUENCY_CYPX
from lensbench.model.errors import EdgeError, Remark, Severity, remark, worst
from lensbench.model.shot import Edge, Samples

Method = Literal["refined", "iso"]
METHODS: Final = ("refined", "iso")
_NONE: Final = np.empty((0, 0))
_NO: Final = np.empty((0, 0), np.bool_)


def measure_edges(
    regions: Iterable[Samples],
    *,
    method: Method = "refined",
    physical: Aperture | None = None,
    viewing: Viewing | None = None,
    one_photograph: bool = False,
    q: float | None = None,
) -> list[Edge]:
    """Edge of each region, in order; one that cannot be measured has NaN figures and a flag that says why.

    Each region holds linear samples of one channel and one edge. Regions given together are measured together, which is
    much quicker than one by one; an iterator that cuts them as they are asked for holds few at once. Where all belong
    to `one_photograph`, they tell together how its edges depart from the usual, and the first ones, which should lie
    all over it, how its file was coded. `physical` adds `Edge.physical`, `viewing` acutance and JND. With `q`,
    wavelength times working f-number over pixel pitch, what the pupil's rim sends beyond a region is known.
    """
    seen: list[Samples] = []
    edges: dict[int, Edge] = {}
    sound: list[int] = []

    def points() -> Iterator[Points]:
        for region in regions:
            seen.append(
                region if method == "iso" else replace(region, values=_NONE, present=_NO, clipped=_NO)
            )
            if flags := blocking_remarks(region):
                edges[len(seen) - 1] = _unmeasured(region, flags)
            else:
                sound.append(len(seen) - 1)
                yield points_of(region)

    fits = fit_refined(points(), one_photograph=one_photograph, keep_samples=physical is not None)
    groups: dict[int, list[tuple[int, RefinedFit]]] = {}
    for i, fit in zip(sound, fits, strict=True):
        if isinstance(fit, EdgeError):
            edges[i] = _unmeasured(seen[i], (remark("no_edge", str(fit)),))
        else:
            groups.setdefault(fit.posterior.shape.index, []).append((i, fit))
    for group in groups.values():
        curves = curves_of([fit.posterior for _, fit in group], [fit.reach_px for _, fit in group], q=q)
        fitted = [fit for _, fit in group]
        judged = zip(group, curves, plateau_slopes(fitted), departures_of(fitted, curves), strict=True)
        for (i, fit), its_curves, slopes, departure in judged:
            edges[i] = _edge(seen[i], fit, its_curves, slopes, departure)
            if physical is not None and edges[i].measured:
                edges[i] = _with_physical(edges[i], fit, physical)
    found = [edges[place] for place in range(len(seen))]
    if method == "iso":
        found = [_with_iso(edge, region) for edge, region in zip(found, seen, strict=True)]
    return found if viewing is None else [with_perception(edge, viewing) for edge in found]


def measure_edge(
    region: Samples,
    *,
    method: Method = "refined",
    physical: Aperture | None = None,
    viewing: Viewing | None = None,
) -> Edge:
    """Measure the edge in one region; see `measure_edges`."""
    return measure_edges([region], method=method, physical=physical, viewing=viewing)[0]


def _unmeasured(region: Samples, flags: tuple[Remark, ...]) -> Edge:
    return Edge(roi=region.box, channel=region.channel, angle_deg=float("nan"), flags=flags)


def _edge(region: Samples, fit: RefinedFit, curves: Curves, slopes: Slopes, departure: Departure) -> Edge:
    posterior, line = fit.posterior, fit.line
    mtf50, mtf30, mtf20, mtf10 = curves.mtf_cypx
    doubt = math.hypot(
        common_doubt(fit, curves, tone_known=region.tone_known),
        flare_doubt(fit, slopes),
        max(misfit_doubt(fit, curves)[0], departure.doubt),
    )
    widened = np.hypot(curves.mtf_sd_cypx, doubt * np.array(curves.mtf_cypx))
    sd50, sd30, sd20, sd10 = (float(sd) for sd in widened)
    flags = remarks_on(region, fit, curves, slopes, departure)
    if worst(flags) is Severity.REJECT:
        refused = _unmeasured(region, flags)
        return replace(refused, angle_deg=line.angle_deg, point_px=_point(region, line))
    return Edge(
        roi=region.box,
        channel=region.channel,
        angle_deg=line.angle_deg,
        mtf50_cypx=mtf50,
        mtf50_sd_cypx=sd50,
        mtf30_cypx=mtf30,
        mtf30_sd_cypx=sd30,
        mtf20_cypx=mtf20,
        mtf20_sd_cypx=sd20,
        mtf10_cypx=mtf10,
        mtf10_sd_cypx=sd10,
        rise_10_90_px=curves.rise_10_90_px,
        rise_10_90_sd_px=float(np.hypot(curves.rise_10_90_sd_px, doubt * curves.rise_10_90_px)),
        overshoot_percent=curves.overshoot_percent,
        undershoot_percent=curves.undershoot_percent,
        snr=fit.noise.snr(posterior.step),
        point_px=_point(region, line),
        dark_level=posterior.dark,
        bright_level=posterior.dark + posterior.step,
        frequency_cypx=OUTPUT_FREQUENCY_CYPX,
        sfr=curves.sfr,
        sfr_sd=curves.sfr_sd * (sd50 / curves.mtf_sd_cypx[0] if np.isfinite(mtf50) else 1.0),
        esf_position_px=curves.position_px,
        esf=curves.esf,
        flags=flags,
    )


def _with_physical(edge: Edge, fit: RefinedFit, aperture: Aperture) -> Edge:
    """Add the physical reading, and its flag where the model does not hold; none where it cannot be made."""
    try:
        reading, remarks = read_physical(fit, aperture)
    except EdgeError:
        return edge
    return replace(edge, physical=reading, flags=(*edge.flags, *remarks))


def _point(region: Samples, line: EdgeLine) -> tuple[float, float]:
    """Foot of the perpendicular from the region's centre to the edge, in the picture."""
    angle = np.radians(line.angle_deg)
    row = region.box.top + 0.5 * (region.box.height - 1) + line.offset_px * np.sin(angle)
    col = region.box.left + 0.5 * (region.box.width - 1) + line.offset_px * np.cos(angle)
    return float(row), float(col)


def _with_iso(edge: Edge, region: Samples) -> Edge:
    """Put the standard's figures in place of the refined ones; line, noise, levels and flags stay."""
    if not edge.measured:
        return edge
    try:
        point = (edge.point_px[0] - region.box.top, edge.point_px[1] - region.box.left)
        iso = measure_iso(region.values, region.present, point=point, angle_deg=edge.angle_deg, snr=edge.snr)
    except EdgeError as error:
        return _unmeasured(region, (*edge.flags, remark("no_edge", str(error))))
    mtf50, mtf30, mtf20, mtf10 = iso.mtf_cypx
    sd50, sd30, sd20, sd10 = iso.mtf_sd_cypx
    flags = edge.flags
    if iso.empty_bins and not any(flag.flag == "phase_gap" for flag in flags):
        empty = f"{iso.empty_bins} of the {BINS_BESIDE} quarter-pixel bins beside the edge hold no sample"
        flags = (*flags, remark("phase_gap", empty))
    return replace(
        edge,
        flags=flags,
        mtf50_cypx=mtf50,
        mtf50_sd_cypx=sd50,
        mtf30_cypx=mtf30,
        mtf30_sd_cypx=sd30,
        mtf20_cypx=mtf20,
        mtf20_sd_cypx=sd20,
        mtf10_cypx=mtf10,
        mtf10_sd_cypx=sd10,
        frequency_cypx=iso.frequency_cypx,
        sfr=iso.sfr,
        sfr_sd=iso.sfr_sd,
        esf_position_px=iso.esf_position_px,
        esf=iso.esf,
    )
