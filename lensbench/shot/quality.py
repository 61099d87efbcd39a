"""What one photograph tells of its own faults; each remark bears the figure seen and its limit.

Among them shake: blur in one direction of the picture that all edges share, whatever their place. Movement by a length
L along a direction adds L^2/12 cos^2 of the angle between it and an edge's normal to the squared blur of every edge. A
lens's own astigmatism turns with the radius and vanishes in the centre, so both can be told apart where edges of all
directions are spread over the field.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import atan2, degrees, hypot, sqrt
from operator import and_
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.model.errors import Remark, remark
from lensbench.model.measured import finite_median
from lensbench.model.shot import ChartEdge, Edge, Metadata, Samples, ShotResult
from lensbench.model.units import FloatArray
from lensbench.shot.geometry import zone_of

_WHITE_CLIPPED_SHARE: Final = 0.2  # of the regions; a glare spot spoils fewer
_DARKEST_WHITE: Final = 0.2
_LOWEST_SNR: Final = 20.0
_FLAGGED_SHARE: Final = 0.25
_LARGEST_OVERSHOOT_PERCENT: Final = 0.3
"""As a median over the photograph's edges; without sharpening it is 0, for an edge is held free of overshoots that
noise could make."""
_LARGEST_OF_BOUND: Final = 1.05
"""Of the MTF50 that diffraction and pixel allow: f-numbers are told to 1 %, wavelengths to some."""
_BEYOND: Final = 0.01  # of the contrast, beyond doubt by noise: what a fit of few samples may err
_FEWEST_TARGETS: Final = 8
LEAST_COVERED_PERCENT: Final = 85.0
"""Of the picture, by the outline of all targets. Common practice, no source."""
_NEAREST_FOCAL_LENGTHS: Final = 25.0  # customary; common practice, no source
_UNEVEN_LIGHT_PERCENT: Final = 10.0
"""Of the centre's light: what chart standards allow across a chart, from memory."""

_LOSS_PERCENT: Final = 3.0
_TILT_FLOOR_DEG: Final = 0.5
_TILT_WITHOUT_SETTINGS_DEG: Final = 1.0


def quality_remarks(
    shot: ShotResult, *, white_clipped: Sequence[bool], uneven_light_percent: float
) -> list[Remark]:
    """Every flag of the registry that a photograph deserves by itself.

    `white_clipped` tells it of each edge's region. The lamps' light falls by `uneven_light_percent` over half a
    diagonal; NaN where that is not known.
    """
    return [
        *_settings(shot.metadata, shot.pixel_pitch_um),
        *_exposure(shot.edges, white_clipped),
        *_processing(shot.edges),
        *_too_sharp(shot),
        *_standing(shot),
        *_coverage(shot),
        *shake_remarks(shot.edges),
        *_uneven_light(uneven_light_percent),
    ]


def _settings(metadata: Metadata, pixel_pitch_um: float | None) -> list[Remark]:
    missing = {
        "pitch_unknown": pixel_pitch_um,
        "lens_unknown": metadata.lens,
        "f_number_unknown": metadata.f_number,
    }
    return [remark(flag) for flag, value in missing.items() if value is None]


def _uneven_light(percent: float) -> list[Remark]:
    if not percent > _UNEVEN_LIGHT_PERCENT:  # NaN is not known to be uneven
        return []
    limit = f"limit {_UNEVEN_LIGHT_PERCENT:.0f} %"
    return [remark("uneven_light", f"{percent:.0f} % from the centre to one side, {limit}")]


def is_white_clipped(samples: Samples) -> bool:
    """Whether a region's bright samples are clipped, by more than a thousandth of all."""
    if not samples.clipped.any():
        return False
    bright = int(np.count_nonzero(samples.clipped & (samples.values > 0.5)))
    return bright > 0.001 * int(np.count_nonzero(samples.present))


def _exposure(edges: Sequence[ChartEdge], white_clipped: Sequence[bool]) -> list[Remark]:
    flagged = (any(flag.flag == "clipped" for flag in edge.edge.flags) for edge in edges)
    clipped = sum(map(and_, flagged, white_clipped))
    if clipped > _WHITE_CLIPPED_SHARE * len(edges):
        return [remark("white_clipped", f"{clipped} of {len(edges)} edges")]
    remarks = []
    white = finite_median(edge.edge.bright_level for edge in edges)
    if white < _DARKEST_WHITE:
        limit = f"limit {100 * _DARKEST_WHITE:.0f} %"
        remarks.append(remark("underexposed", f"paper white at {100 * white:.0f} % of full scale, {limit}"))
    snr = finite_median(edge.edge.snr for edge in edges)
    if snr < _LOWEST_SNR:
        remarks.append(remark("low_snr", f"median SNR {snr:.0f}, limit {_LOWEST_SNR:.0f}"))
    return remarks


def _processing(edges: Sequence[ChartEdge]) -> list[Remark]:
    """Raise for the photograph what a quarter of its edges bear, and overshoots that are small but common to all.

    Light cannot overshoot: over a hundred edges the median tells even mild sharpening from noise.
    """
    measured = [edge.edge for edge in edges if edge.edge.measured]
    remarks = []
    overshoot = finite_median((edge.overshoot_percent + edge.undershoot_percent) / 2.0 for edge in measured)
    if overshoot > _LARGEST_OVERSHOOT_PERCENT:
        limit = f"limit {_LARGEST_OVERSHOOT_PERCENT:g} %"
        remarks.append(remark("sharpened", f"median over- and undershoot {overshoot:.1f} %, {limit}"))
    for flag in ("tone_curve", "screened_print", "curved"):
        bearing = sum(any(r.flag == flag for r in edge.flags) for edge in measured)
        if bearing > _FLAGGED_SHARE * len(measured):
            limit = f"limit {100 * _FLAGGED_SHARE:.0f} %"
            remarks.append(remark(flag, f"{bearing} of {len(measured)} edges, {limit}"))
    return remarks


def _too_sharp(shot: ShotResult) -> list[Remark]:
    """Raise for edges sharper than diffraction and pixel let any lens be: only processing makes them so."""
    f_number, pitch_um = shot.metadata.f_number, shot.pixel_pitch_um
    if f_number is None or pitch_um is None or shot.magnification is None:
        return []
    q = optics.working_q(f_number, pixel_pitch_um=pitch_um, magnification=shot.magnification)
    bound = optics.allowed_mtf50_cypx(q)
    mtf50 = finite_median(edge.edge.mtf50_cypx for edge in shot.edges)
    if not mtf50 > _LARGEST_OF_BOUND * bound:
        return []
    limit = f"limit {_LARGEST_OF_BOUND:g} times as much"
    allowed = f"where diffraction and pixel allow {bound:.3f}"
    return [remark("sharpened", f"median MTF50 {mtf50:.3f} cy/px, {allowed}; {limit}")]


def flagged_if_too_crisp(edge: Edge, q: float | None) -> Edge:
    """Edge with `sharpened` raised where its SFR exceeds what diffraction and pixel allow; once is enough.

    By more than `_BEYOND` and three sd, at some frequency below 0.5 cy/px. Clear circular pupils alone are bound so: a
    mirror lens's passes more contrast at high frequencies. Nothing is said where q (wavelength times working f-number
    over pitch) is not known.
    """
    if q is None or not edge.measured or any(said.flag == "sharpened" for said in edge.flags):
        return edge
    frequency = edge.frequency_cypx[edge.frequency_cypx < 0.5]
    allowed = optics.diffraction_mtf(frequency, q / _LARGEST_OF_BOUND)
    allowed = allowed * np.abs(optics.pixel_mtf(frequency, edge.angle_deg))
    beyond = edge.sfr[: frequency.size] - allowed - _BEYOND - 3.0 * edge.sfr_sd[: frequency.size]
    at = int(np.nanargmax(beyond)) if np.isfinite(beyond).any() else 0
    if not beyond[at] > 0.0:
        return edge
    seen = f"response {edge.sfr[at]:.3f} at {frequency[at]:.2f} cy/px"
    limit = f"limit {allowed[at] + _BEYOND:.3f} by diffraction and pixel, and 3 sd"
    return replace(edge, flags=(*edge.flags, remark("sharpened", f"{seen}, {limit}")))


def _standing(shot: ShotResult) -> list[Remark]:
    remarks = []
    limit = tilt_limit_deg(
        shot.metadata, size_px=shot.size_px, pitch_um=shot.pixel_pitch_um, magnification=shot.magnification
    )
    tilt = shot.tilt
    off_deg = hypot(tilt.yaw_deg, tilt.pitch_deg)
    if off_deg > limit:  # NaN compares as no tilt
        parts = f"yaw {tilt.yaw_deg:+.2f}, pitch {tilt.pitch_deg:+.2f}"
        remarks.append(remark("tilted", f"{off_deg:.2f} degrees: {parts}; limit {limit:.2f}"))
    focal, distance = shot.metadata.focal_length_mm, shot.distance_mm
    if focal is not None and distance is not None and distance / focal < _NEAREST_FOCAL_LENGTHS:
        near = f"{distance / focal:.1f} focal lengths, limit {_NEAREST_FOCAL_LENGTHS:.0f}"
        remarks.append(remark("too_near", near))
    return remarks


def tilt_limit_deg(
    metadata: Metadata, *, size_px: tuple[int, int], pitch_um: float | None, magnification: float | None
) -> float:
    """Tilt at which defocus costs the picture's corner 3 % of MTF50, but at least half a degree.

    One degree where f-number, magnification or pixel pitch are unknown.
    """
    if metadata.f_number is None or magnification is None or pitch_um is None:
        return _TILT_WITHOUT_SETTINGS_DEG
    corner_mm = hypot(*size_px) / 2.0 * pitch_um / 1000.0
    allowed_um = optics.focus_shift_for_loss_um(metadata.f_number, loss_percent=_LOSS_PERCENT)
    tilt_deg = optics.tilt_deg_for_focus_shift(
        corner_mm, magnification=magnification, focus_shift_um=allowed_um
    )
    return max(tilt_deg, _TILT_FLOOR_DEG)


def _coverage(shot: ShotResult) -> list[Remark]:
    chart = shot.chart
    if chart.targets_found < _FEWEST_TARGETS:
        few = f"{chart.targets_found} of the chart's {chart.targets_on_chart}, limit {_FEWEST_TARGETS}"
        return [remark("few_targets", few)]
    zones = {zone_of(edge.image_height, shot.size_px) for edge in shot.edges if edge.edge.measured}
    empty = [zone for zone in ("inner", "middle", "outer") if zone not in zones]
    remarks = [remark("few_targets", f"no edge measured in zone {', '.join(empty)}")] if empty else []
    if chart.framing_percent < LEAST_COVERED_PERCENT:  # NaN is not known to be little
        covered = f"targets cover {chart.framing_percent:.0f} % of the picture"
        remarks.append(remark("corners_unmeasured", f"{covered}, limit {LEAST_COVERED_PERCENT:.0f} %"))
    return remarks


_LARGEST_LOSS_PERCENT: Final = 6.0  # difference of MTF50 between edges across and along the movement
_SURE: Final = 5.0  # standard deviations from none
_FEWEST_EDGES: Final = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonBlur:
    """Blur in one direction over the whole field."""

    loss_percent: float  # of MTF50: edges across the movement against edges along it
    loss_sd_percent: float
    direction_deg: float  # of the movement: 0 level, 90 upright, positive counter-clockwise, in [0, 180)
    length_px: float  # of an even movement that would do this


def shake_remarks(edges: Sequence[ChartEdge]) -> list[Remark]:
    """Raise the flag for shake where the common blur is large and beyond doubt."""
    blur = common_blur(edges)
    if blur is None or blur.loss_percent < max(_LARGEST_LOSS_PERCENT, _SURE * blur.loss_sd_percent):
        return []
    from_level_deg = min(blur.direction_deg, 180.0 - blur.direction_deg)
    named = "level" if from_level_deg <= 30.0 else "slanting" if from_level_deg < 60.0 else "upright"
    moved = f"{blur.length_px:.1f} px of {named} movement, limit {_LARGEST_LOSS_PERCENT:.0f} %"
    return [remark("shake", f"{blur.loss_percent:.0f} % of MTF50 by {moved}")]


def common_blur(edges: Sequence[ChartEdge]) -> CommonBlur | None:
    """Find the blur that edges share by their direction in the picture; None with fewer than 30 edges.

    Least squares on squared blur: even powers of the image height, a slope across the field, the same turned with
    the radius (astigmatism, from zero in the centre), and the common direction.
    """
    measured = [edge for edge in edges if edge.edge.measured and edge.edge.mtf50_cypx > 0.0]
    if len(measured) < _FEWEST_EDGES:
        return None
    squared = np.array([optics.gaussian_sigma_px(edge.edge.mtf50_cypx) ** 2 for edge in measured])
    design = _design(measured)
    kept = np.ones(len(squared), np.bool_)
    for _ in range(2):  # once more without the edges that stray
        fit = np.linalg.lstsq(design[kept], squared[kept], rcond=None)[0]
        stray = np.abs(squared - design @ fit)
        kept = stray <= 4.0 * 1.4826 * float(np.median(stray[kept])) + 1e-12
    degrees_left = int(kept.sum()) - design.shape[1]
    if degrees_left < 1:
        return None
    variance = float((stray[kept] ** 2).sum()) / degrees_left
    covariance = variance * np.linalg.pinv(design[kept].T @ design[kept])
    amplitude = hypot(float(fit[-2]), float(fit[-1]))
    middle = float(np.median(squared))
    turn_deg = degrees(0.5 * atan2(float(fit[-1]), float(fit[-2])))
    return CommonBlur(
        loss_percent=100.0 * amplitude / middle,
        loss_sd_percent=100.0 * sqrt(float(covariance[-1, -1] + covariance[-2, -2]) / 2.0) / middle,
        direction_deg=turn_deg % 180.0,
        length_px=sqrt(24.0 * amplitude),
    )


def _design(edges: list[ChartEdge]) -> FloatArray:
    height = np.array([edge.image_height for edge in edges])
    azimuth = np.radians([edge.azimuth_deg for edge in edges])
    # The normal of an edge at angle a points a below the level, so -a counter-clockwise.
    normal = np.radians([-edge.edge.angle_deg for edge in edges])
    turned = np.cos(2.0 * (normal - azimuth))
    even = (np.ones_like(height), height**2, height**4)
    slope = (height * np.cos(azimuth), height * np.sin(azimuth))
    astigmatism = (height**2 * turned, height**4 * turned)
    return np.column_stack((*even, *slope, *astigmatism, np.cos(2.0 * normal), np.sin(2.0 * normal)))
