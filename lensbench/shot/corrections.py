"""What the chart itself puts into an edge, taken out again: a target's other arms and rim, and the print's own blur.

Diffraction spreads light far: at r pixels it is C / r^3 (averaged over its rings), C = q / pi^3 for a circular pupil,
for the edge's own tail is 2 C / x (Goodman's LSF, far out). An edge is measured as if it went on for ever, but beyond
the crossing its sides are exchanged, and beyond the rim all is paper. At d from the edge (positive on the bright
side) a line across its direction at w, beyond which one side is exchanged for the other, takes

    2 C (sqrt(d^2 + w^2) - w) / (d w)

of half the step off the bright side and adds it to the dark one; twice that at the crossing, where both sides are
exchanged. The rim is no straight line: how much more it takes, near the edge, is the integral of C / r^3 along the dark
quarters' arcs, in closed form. Left in, all this makes plateaus level too soon, and MTF50 at f/16 and 4 um 0.3 to
0.5 % too high.

What a typical print costs at this distance is said; a measured one is divided out:

    SFR of camera and lens = SFR measured / print's MTF at f s, with s the pixels that a millimetre of the chart
    takes along the edge's normal; the print's uncertainty is shared by all edges of a photograph.

A figure is refused where the print leaves less than 70 % at its frequency; a zone's, where more than a quarter of
its edges are refused, for those left are the softest.
"""

from collections.abc import Container, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import compress
from math import hypot, isfinite, nan, pi, sqrt
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from lensbench import optics
from lensbench.chart.find import ArmRegion, ChartFound, FoundTarget, Mapping, predict
from lensbench.chart.layout import ARMS
from lensbench.edge import Aperture, crossing_cypx, span_px
from lensbench.model.errors import Remark, SettingError, remark
from lensbench.model.shot import ChartEdge, Edge, Metadata, PrintProfile, Samples, ShotResult, ZoneFigure
from lensbench.model.units import FloatArray
from lensbench.shot.geometry import zone_of
from lensbench.shot.zones import summarise

Single = npt.NDArray[np.float32]

_NEAREST_PX: Final = 1.0  # to crossing and rim
_DARK_IS_NEXT: Final = (1, 3)  # arms whose dark side lies counter-clockwise


def diffraction_q(
    metadata: Metadata, *, pixel_pitch_um: float | None, magnification: float | None, channel: str
) -> float | None:
    """Wavelength times working f-number over pixel pitch; None where it is not known or can't be true."""
    if metadata.f_number is None or pixel_pitch_um is None:
        return None
    try:
        return Aperture.of(
            f_number=metadata.f_number,
            pixel_pitch_um=pixel_pitch_um,
            channel=channel,
            magnification=magnification,
        ).q
    except SettingError:
        return None


def subtract_neighbour_edges(
    samples: Iterable[Samples],
    arms: Sequence[tuple[FoundTarget, ArmRegion]],
    *,
    chart: ChartFound,
    q: float | None,
) -> Iterator[Samples]:
    """Every arm's samples as they would be if its edge went on for ever; as they are where q is unknown.

    `samples` holds the regions of `arms` in the same order, and nobody else's, for they are changed; q is wavelength
    times working f-number over pixel pitch.
    """
    if q is None:
        yield from samples
        return
    spokes = predict(tuple(found.target for found in chart.targets), chart.mapping).arms_px
    by_name = {found.target.name: arms_px for found, arms_px in zip(chart.targets, spokes, strict=True)}
    for own, (target, arm) in zip(samples, arms, strict=True):
        _free_of_neighbours(own, target, arm, spokes=by_name[target.target.name], q=q)
        yield own


def _free_of_neighbours(
    samples: Samples, target: FoundTarget, arm: ArmRegion, *, spokes: FloatArray, q: float
) -> None:
    along, following = spokes[arm.arm - 1], spokes[arm.arm % len(ARMS)]
    reach_px = float(np.hypot(*along))
    down, right = (along / reach_px).tolist()
    turn = float(np.sign(down * following[1] - right * following[0]))
    bright = -turn if arm.arm in _DARK_IS_NEXT else turn
    box = samples.box
    # Worked out at every second pixel: light that has come so far varies slowly.
    rows, cols = (
        np.arange(start, start + side + 1, 2, dtype=np.float32) - np.float32(middle)
        for side, start, middle in zip(
            (box.height, box.width), (box.top, box.left), target.crossing_px, strict=True
        )
    )
    rows = rows[:, None]
    forward = np.float32(down) * rows + np.float32(right) * cols
    across = np.float32(bright * down) * cols - np.float32(bright * right) * rows
    middle = float(np.subtract(arm.center_px, target.crossing_px) @ along) / reach_px**2
    half_step = (target.bright_level - target.dark_level) / 2.0
    share = half_step * q / pi**3
    missing = _tail(across, forward, 4.0 * share)
    np.subtract(np.float32(reach_px), forward, out=forward)
    missing += _tail(across, forward, 2.0 * share * _rim_share(middle))
    np.add(samples.values, _between_seconds(missing)[: box.height, : box.width], out=samples.values)


def _between_seconds(coarse: Single) -> Single:
    """Values of every second pixel, and between them the means of their neighbours."""
    rows, cols = coarse.shape
    fine = np.empty((2 * rows - 1, 2 * cols - 1), np.float32)
    fine[::2, ::2] = coarse
    fine[::2, 1::2] = np.float32(0.5) * (coarse[:, :-1] + coarse[:, 1:])
    fine[1::2] = np.float32(0.5) * (fine[:-2:2] + fine[2::2])
    return fine


def _tail(across: Single, distance: Single, size: float) -> Single:
    """Half of `size` times the part that a line at some distance, beyond which one side is exchanged, takes off."""
    apart = np.maximum(distance, np.float32(_NEAREST_PX))
    # (sqrt(d^2 + w^2) - w) / (d w), written so that nothing cancels where d is small.
    tail = across * across
    square = apart * apart
    tail += square
    np.sqrt(tail, out=tail)
    tail *= apart
    tail += square
    np.divide(across, tail, out=tail)
    tail *= np.float32(size)
    return tail


def _rim_share(place: float) -> float:
    """Share that the rim takes off near the edge, of what a straight one would, at a part of the way to it.

    The slope along d of the tails' integral is that along all borders between ink and paper, of C / r^3 times the
    normal's part across the edge. On the arcs of the dark quarters, radius 1, seen from the edge at t, it is
    (2 / t) (1 / (1 - t) - 2 / sqrt(1 + t^2) + 1 / (1 + t)).

    >>> round(_rim_share(0.5), 2)
    1.77
    """
    t = min(max(place, 0.05), 0.95)
    arcs = (2.0 / t) * (1.0 / (1.0 - t) - 2.0 / sqrt(1.0 + t**2) + 1.0 / (1.0 + t))
    return (1.0 - t) ** 2 * (1.0 / (1.0 - t) ** 2 - 1.0 / (1.0 + t) ** 2 + arcs)


def strays(
    edges: Sequence[Edge], arms: Sequence[tuple[FoundTarget, ArmRegion]], *, q: float | None
) -> dict[str, float]:
    """How much light each target's edges send further than a region's end stands from the crossing.

    Diffraction aside; as much reaches that region from beyond: a part of it unlike its own.
    """
    found: dict[str, float] = {}
    for edge, (target, arm) in zip(edges, arms, strict=True):
        if edge.measured:
            length_px, _ = span_px(arm.box, edge.angle_deg)
            gap_px = max(
                float(np.hypot(*np.subtract(arm.center_px, target.crossing_px))) - length_px / 2.0, 1.0
            )
            dark, bright = np.interp((-gap_px, gap_px), edge.esf_position_px, edge.esf)
            stray = max(dark, 1.0 - bright) - 2.0 * (q or 0.0) / (pi**3 * gap_px)
            found[target.target.name] = max(found.get(target.target.name, 0.0), stray)
    return found


def doubt_neighbours(
    edges: Sequence[Edge],
    arms: Sequence[tuple[FoundTarget, ArmRegion]],
    *,
    q: float | None,
    freed: Container[int] = (),
) -> list[Edge]:
    """Widen the sds by what aberrations may bring from a target's other arms and rim, or leave once taken out.

    `freed` holds the places of edges that were measured without it.
    """
    stray = strays(edges, arms, q=q)
    return [
        _doubted(edge, (_OF_TAKEN if place in freed else _OF_STRAYS) * stray[target.target.name])
        if edge.measured
        else edge
        for place, (edge, (target, _)) in enumerate(zip(edges, arms, strict=True))
    ]


def _doubted(edge: Edge, response_sd: float) -> Edge:
    """Edge whose response at every frequency is in doubt by so much more."""
    figures = np.array([getattr(edge, name) for name in _LEVELS])
    high, low = np.interp(np.outer((0.9, 1.1), figures), edge.frequency_cypx, edge.sfr)
    more = (response_sd * 0.2 * figures / np.maximum(high - low, 1e-9)).tolist()
    names = [f"{name.removesuffix('_cypx')}_sd_cypx" for name in _LEVELS]
    widened: dict[str, Any] = {
        name: hypot(getattr(edge, name), sd) for name, sd in zip(names, more, strict=True)
    }
    share = more[0] / edge.mtf50_cypx
    return replace(
        edge,
        sfr_sd=np.hypot(edge.sfr_sd, np.where(edge.frequency_cypx > 0.0, response_sd, 0.0)),
        rise_10_90_sd_px=hypot(edge.rise_10_90_sd_px, share * edge.rise_10_90_px),
        **widened,
    )


_OF_STRAYS: Final = 0.15
"""Sd of the response, as a part of such light: 0.02 to 0.2 in most thirds of simulated fast lenses, up to 0.35."""
_OF_TAKEN: Final = 0.02
"""The same where it was taken out: a tenth of it is left, or less (`flare`)."""
_LEAST_LEFT: Final = 0.7  # of the contrast: a figure is refused where the print leaves less at its frequency
_MOST_REFUSED: Final = 0.25  # of a zone's edges
_TYPICAL_RISE_MM: Final = 0.1  # 10-90 % rise of an edge from a home printer; common practice, no source
_WORTH_SAYING_PERCENT: Final = 1.0
_LEVELS: Final = {"mtf50_cypx": 0.5, "mtf30_cypx": 0.3, "mtf20_cypx": 0.2, "mtf10_cypx": 0.1}


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


def _px_per_mm_along(mapping: Mapping, edges: Sequence[ChartEdge]) -> FloatArray:
    """Pixels that a millimetre of the chart takes along each edge's normal, tilt and distortion included."""
    places_px = np.array([edge.center_px for edge in edges])
    # Where on the chart (mm): Newton's steps from the plain homography.
    homogeneous = np.column_stack((places_px, np.ones(len(places_px)))) @ np.linalg.inv(mapping.homography).T
    places_mm: FloatArray = homogeneous[:, :2] / homogeneous[:, 2:]
    for _ in range(3):
        missing = places_px - mapping.to_px(places_mm)
        places_mm = places_mm + np.linalg.solve(mapping.jacobian(places_mm), missing[..., None])[..., 0]
    angles = np.radians([edge.edge.angle_deg for edge in edges])
    normals = np.stack((np.sin(angles), np.cos(angles)), axis=-1)  # (down, right)
    return np.asarray(np.hypot(*np.einsum("nij,ni->jn", mapping.jacobian(places_mm), normals)), np.float64)


def freed_of_print(result: ShotResult, mapping: Mapping, profile: PrintProfile | None) -> ShotResult:
    """Divide the print out where it is known and read the figures anew, else say what a typical one would cost.

    `rise_10_90_px`, `esf` and the overshoots stay as photographed, print included.
    """
    px_per_mm = _px_per_mm_along(mapping, result.edges)
    if profile is None:
        remarks = _typical_print_remarks(result.edges, px_per_mm)
        return replace(result, quality=(*result.quality, *remarks))
    # Each edge bears its own doubt only till the zones are summed up; the print's comes on top, the same for all.
    freed, shared = [], []
    for whole, scale in zip(result.edges, px_per_mm.tolist(), strict=True):
        edge, doubts = _freed(whole.edge, profile, scale)
        freed.append(replace(whole, edge=edge))
        shared.append(doubts)
    doubtful = []
    for whole, doubts in zip(freed, shared, strict=True):
        sds: dict[str, Any] = {name: hypot(getattr(whole.edge, name), sd) for name, sd in doubts.items()}
        doubtful.append(replace(whole, edge=replace(whole.edge, **sds)))
    return replace(
        result,
        edges=tuple(doubtful),
        summary=_zones(freed, [doubts.get("mtf50_sd_cypx", nan) for doubts in shared], result.size_px),
        quality=(*result.quality, *_remarks(result.edges, freed, profile)),
    )


def _freed(edge: Edge, profile: PrintProfile, px_per_mm: float) -> tuple[Edge, dict[str, float]]:
    """Edge without the print, its figures' sds from its own noise; and by field what the print's doubt adds to each."""
    if not edge.measured or not isfinite(px_per_mm):
        return edge, {}
    frequency = edge.frequency_cypx
    left, left_sd = print_mtf(profile, frequency * px_per_mm)
    safe = np.maximum(left, 0.05)
    sfr, own_sd, print_sd = edge.sfr / safe, edge.sfr_sd / safe, edge.sfr * left_sd / safe**2
    figures = {name: _figure(edge, name, sfr) for name in _LEVELS}
    kept: dict[str, Any] = {
        name: nan if _left_at(frequency, left, at) < _LEAST_LEFT else at for name, at in figures.items()
    }
    sds = {name: _sds_cypx(frequency, sfr, (own_sd, print_sd), at) for name, at in kept.items()}
    own: dict[str, Any] = {_sd_name(name): sd for name, (sd, _) in sds.items()}
    freed = replace(
        edge,
        **kept,
        **own,
        sfr=np.where(left < _LEAST_LEFT, nan, sfr),
        sfr_sd=np.where(left < _LEAST_LEFT, nan, np.hypot(own_sd, print_sd)),
    )
    if not isfinite(kept["mtf50_cypx"]):
        leaves = f"the print leaves {100 * _left_at(frequency, left, figures['mtf50_cypx']):.0f} % at MTF50"
        cost = remark("print_limits", f"{leaves}, limit {100 * _LEAST_LEFT:.0f} %")
        freed = replace(freed, flags=(*edge.flags, cost))
    return freed, {_sd_name(name): shared for name, (_, shared) in sds.items()}


def _sd_name(name: str) -> str:
    return f"{name.removesuffix('_cypx')}_sd_cypx"


def _sds_cypx(
    frequency: FloatArray, sfr: FloatArray, sfr_sds: tuple[FloatArray, FloatArray], at_cypx: float
) -> tuple[float, float]:
    """Sds of the figure at one frequency from two sds of the SFR; NaN where it was refused."""
    if not isfinite(at_cypx):
        return nan, nan
    # How steeply the SFR falls there, per cy/px; never below what a figure could stand on.
    step = 2.0 * float(frequency[1] - frequency[0])
    low, high = np.interp([at_cypx - step, at_cypx + step], frequency, sfr)
    slope = max(float(low - high) / (2.0 * step), 1e-6)
    own, shared = (float(np.interp(at_cypx, frequency, sd)) / slope for sd in sfr_sds)
    return own, shared


def _figure(edge: Edge, name: str, sfr: FloatArray) -> float:
    """Figure of the freed SFR; the crossing's shift is applied to the figure as measured."""
    level, before = _LEVELS[name], float(getattr(edge, name))
    after = crossing_cypx(edge.frequency_cypx, sfr, level)
    grid = crossing_cypx(edge.frequency_cypx, edge.sfr, level)
    return before * after / grid if isfinite(before) and isfinite(grid) else after


def _left_at(frequency: FloatArray, left: FloatArray, at_cypx: float) -> float:
    """Contrast that the print leaves at a frequency; nothing beyond the grid."""
    return float(np.interp(at_cypx, frequency, left)) if at_cypx <= frequency[-1] else 0.0


def _remarks(before: Sequence[ChartEdge], after: Sequence[ChartEdge], profile: PrintProfile) -> list[Remark]:
    sigma, sd = profile.edge_sigma_mm, profile.edge_sigma_sd_mm
    remarks = [remark("print_divided", f"profile {profile.name}: edges of sigma {sigma:.3f} ± {sd:.3f} mm")]
    measured, left = (sum(edge.edge.measured for edge in edges) for edges in (before, after))
    if left < measured:
        limit = f"limit {100 * _LEAST_LEFT:.0f} % left at MTF50"
        remarks.append(remark("print_too_soft", f"{measured - left} of {measured} edges, {limit}"))
    return remarks


def _zones(
    freed: Sequence[ChartEdge], shared_cypx: Sequence[float], size_px: tuple[int, int]
) -> dict[str, ZoneFigure]:
    """Sum up with intervals widened by the doubt about the print, which edges share; refuse zones that it spoils.

    The frame goes with any of its thirds.
    """
    refused, widened = {}, {}
    for zone, figure in summarise(freed, size_px).items():
        inside = [zone in {"frame", zone_of(edge.image_height, size_px)} for edge in freed]
        edges, doubts_cypx = list(compress(freed, inside)), compress(shared_cypx, inside)
        spoilt = sum(any(said.flag == "print_limits" for said in edge.edge.flags) for edge in edges)
        refused[zone] = spoilt > _MOST_REFUSED * len(edges)
        pairs = zip(edges, doubts_cypx, strict=True)
        shares = [doubt / edge.edge.mtf50_cypx for edge, doubt in pairs if isfinite(doubt)]
        share = float(np.median(shares)) if shares else 0.0
        middle, (low, high) = figure.mtf50_cypx, figure.ci95_cypx
        half = hypot((high - low) / 2.0, 1.96 * share * middle)
        widened[zone] = replace(figure, ci95_cypx=(middle - half, middle + half))
    refused["frame"] = any(refused.values())
    return {
        zone: replace(figure, mtf50_cypx=nan, ci95_cypx=(nan, nan), sagittal_cypx=nan, tangential_cypx=nan)
        if refused[zone]
        else figure
        for zone, figure in widened.items()
    }


def _typical_print_remarks(edges: Sequence[ChartEdge], px_per_mm: FloatArray) -> list[Remark]:
    """Say what a home printer's edges would cost at this distance, where nobody measured the print."""
    pairs = [
        (edge.edge.mtf50_cypx, float(scale))
        for edge, scale in zip(edges, px_per_mm, strict=True)
        if edge.edge.measured and isfinite(scale)
    ]
    if not pairs:
        return []
    mtf50, scale = (float(np.median(figures)) for figures in zip(*pairs, strict=True))
    sigma_px = _TYPICAL_RISE_MM / optics.RISE_10_90_SIGMAS * scale
    taken_percent = 100.0 * float(1.0 - optics.gaussian_mtf(np.array([mtf50]), sigma_px)[0])
    if taken_percent < _WORTH_SAYING_PERCENT:
        return []
    # Without this blur, all blurs taken as Gaussian: squares subtract.
    squared = optics.gaussian_sigma_px(mtf50) ** 2 - sigma_px**2
    without = (
        f"about {optics.gaussian_sigma_px(1.0) / sqrt(squared):.3f}"
        if squared > 0.0
        else "out of reach of this print"
    )
    blur = f"a typical print, {_TYPICAL_RISE_MM:g} mm from 10 to 90 %, blurs by sigma {sigma_px:.2f} px here"
    cost = f"takes {taken_percent:.0f} % of the contrast at the median edge's MTF50 of {mtf50:.3f} cy/px"
    return [remark("print_limits", f"{blur} and {cost}, whose true MTF50 would be {without}")]
