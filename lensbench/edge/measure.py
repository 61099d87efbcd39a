"""The door of this room: regions of samples in, measured edges with flags out."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final, Literal

import numpy as np

from lensbench.edge.iso import measure_iso
from lensbench.edge.judge import blocking_remarks, remarks_on
from lensbench.edge.line import EdgeLine, points_of
from lensbench.edge.refined import RefinedEdge, measure_refined
from lensbench.errors import EdgeError
from lensbench.flags import remark
from lensbench.records import Edge, Samples

__all__ = ["Method", "measure_edge", "measure_edges"]

Method = Literal["refined", "iso"]
METHODS: Final = ("refined", "iso")


def measure_edges(regions: Sequence[Samples], *, method: Method = "refined") -> list[Edge]:
    """Measure the edge in each region.

    Parameters
    ----------
    regions : sequence of Samples
        Linear samples of one channel each, holding one edge each.
    method : "refined" or "iso"
        Our own method, or the standard's steps for comparison.

    Returns
    -------
    list of Edge
        One for each region, in order. A region that cannot be measured gives NaN figures and a flag that says why;
        nothing is raised for it.
    """
    return [measure_edge(region, method=method) for region in regions]


def measure_edge(region: Samples, *, method: Method = "refined") -> Edge:
    """Measure the edge in one region; see `measure_edges`."""
    blocking = blocking_remarks(region)
    if blocking:
        return Edge(roi=region.box, channel=region.channel, angle_deg=float("nan"), flags=blocking)
    try:
        refined = measure_refined(points_of(region), region.values.shape)
        edge = _edge(region, refined)
        if method == "iso":
            edge = _with_iso(edge, region)
    except EdgeError as error:
        flags = (remark("no_edge", str(error)),)
        return Edge(roi=region.box, channel=region.channel, angle_deg=float("nan"), flags=flags)
    return edge


def _edge(region: Samples, refined: RefinedEdge) -> Edge:
    posterior, line = refined.posterior, refined.line
    mtf50, mtf30, mtf20, mtf10 = refined.mtf_cypx
    return Edge(
        roi=region.box,
        channel=region.channel,
        angle_deg=line.angle_deg,
        mtf50_cypx=mtf50,
        mtf50_sd_cypx=refined.mtf50_sd_cypx,
        mtf30_cypx=mtf30,
        mtf20_cypx=mtf20,
        mtf10_cypx=mtf10,
        rise_10_90_px=refined.rise_10_90_px,
        overshoot_percent=refined.overshoot_percent,
        undershoot_percent=refined.undershoot_percent,
        snr=refined.noise.snr(posterior.step),
        point_px=_point(region, line),
        dark_level=posterior.dark,
        bright_level=posterior.dark + posterior.step,
        frequency_cypx=refined.frequency_cypx,
        sfr=refined.sfr,
        sfr_sd=refined.sfr_sd,
        esf_position_px=refined.esf_position_px,
        esf=refined.esf,
        flags=remarks_on(region, refined),
    )


def _point(region: Samples, line: EdgeLine) -> tuple[float, float]:
    """Give the foot of the perpendicular from the region's centre to the edge, in the picture."""
    angle = np.radians(line.angle_deg)
    row = region.box.top + 0.5 * (region.box.height - 1) + line.offset_px * np.sin(angle)
    col = region.box.left + 0.5 * (region.box.width - 1) + line.offset_px * np.cos(angle)
    return float(row), float(col)


def _with_iso(edge: Edge, region: Samples) -> Edge:
    """Put the standard's figures in place of the refined ones; line, noise, levels and flags stay."""
    iso = measure_iso(region.values, region.present, angle_deg=edge.angle_deg, snr=edge.snr)
    mtf50, mtf30, mtf20, mtf10 = iso.mtf_cypx
    return replace(
        edge,
        mtf50_cypx=mtf50,
        mtf50_sd_cypx=iso.mtf50_sd_cypx,
        mtf30_cypx=mtf30,
        mtf20_cypx=mtf20,
        mtf10_cypx=mtf10,
        frequency_cypx=iso.frequency_cypx,
        sfr=iso.sfr,
        sfr_sd=iso.sfr_sd,
        esf_position_px=iso.esf_position_px,
        esf=iso.esf,
    )
