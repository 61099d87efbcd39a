"""The print measured by photographs of it at two or more distances.

By the same lens at the same stop they differ, from near to far, only by diffraction, which is known, and by the
print, whose blur on the sensor goes with the scale m / p. With one band of frequencies and equal weights,
v = mean of -ln SFR / (2 pi^2 f^2) adds up exactly, so

    v(edge) = what the lens does at this place + sigma^2 (m / p)^2

is a linear fit over all edges.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi, radians, sqrt
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.errors import EdgeError, SettingError
from lensbench.flags import Severity, worst
from lensbench.records import ChartEdge, Edge, PrintProfile, ShotResult
from lensbench.units import FloatArray

__all__ = ["profile_from_distances"]

FOCUS_DOUBT: Final = 0.02
"""Of the squared blur: what focusing anew changes from shot to shot, 1 % of MTF50; common practice, no source."""
LEAST_DISTANCE_RATIO: Final = 1.4
_BAND: Final = (0.25, 0.985)
"""Transfer within which the blur is read: above, it hardly shows; below, noise and the lens's tails do."""
_POINTS: Final = 400
_SURE: Final = 2.0
"""Standard deviations that the print's blur must stand out by."""
_WAVELENGTH_UM: Final = 0.55


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Row:
    """One edge of one photograph."""

    shot: int
    squared_blur_px2: float
    terms: tuple[float, ...]


def profile_from_distances(shots: Sequence[ShotResult], *, name: str) -> PrintProfile:
    """Give the print's profile from photographs of it at two or more distances.

    Same print, lens, stop and focal length; focus anew at each distance. Two shots a distance are better than one.

    Raises
    ------
    SettingError
        The scale of a photograph is unknown, the distances are too alike, or settings differ.
    EdgeError
        Too few edges, or no blur that shrinks with distance: nothing of the print can be seen.
    """
    scales = _scales_px_per_mm(shots)
    frequency_cypx = _shared_band(shots)
    rows = [
        _Row(shot=number, squared_blur_px2=blur, terms=(*_place_terms(edge), scale**2))
        for number, (shot, scale) in enumerate(zip(shots, scales, strict=True))
        for edge in _sound(shot)
        if (blur := _squared_blur_px2(edge.edge, frequency_cypx, _diffraction(shot, frequency_cypx)))
        is not None
    ]
    design = np.array([row.terms for row in rows])
    if len(rows) <= 3 * len(design[0]):
        raise EdgeError(
            f"{len(rows)} edges are too few to tell the print from the lens; show more of the chart"
        )
    variance_mm2, variance_sd_mm2 = _print_variance(rows, design)
    if variance_mm2 <= _SURE * variance_sd_mm2:
        raise EdgeError(
            "the near photograph is no softer than the far one allows: the print's blur does not show at these "
            "distances. Go nearer, or scan the print"
        )
    sigma_mm = sqrt(variance_mm2)
    sd_mm = variance_sd_mm2 / (2.0 * sigma_mm)
    frequency_cymm = np.linspace(0.0, sqrt(2.0 * np.log(1.0 / _BAND[0])) / (2.0 * pi * sigma_mm), _POINTS)
    mtf = optics.gaussian_mtf(frequency_cymm, sigma_mm)
    return PrintProfile(
        name=name,
        edge_sigma_mm=sigma_mm,
        edge_sigma_sd_mm=sd_mm,
        frequency_cymm=frequency_cymm,
        mtf=mtf,
        mtf_sd=np.asarray(mtf * 2.0 * pi**2 * frequency_cymm**2 * variance_sd_mm2, np.float64),
        made_from=f"{len(rows)} edges of {len(shots)} photographs at scales of "
        + ", ".join(f"{scale:.2f}" for scale in sorted(scales, reverse=True))
        + " px/mm",
    )


def _scales_px_per_mm(shots: Sequence[ShotResult]) -> list[float]:
    scales = []
    for shot in shots:
        if shot.magnification is None or shot.pixel_pitch_um is None:
            raise SettingError(
                f"{shot.path.name}: its scale is unknown; give the pixel pitch with --pitch-um"
            )
        scales.append(1000.0 * shot.magnification / shot.pixel_pitch_um)
    if max(scales) < LEAST_DISTANCE_RATIO * min(scales):
        raise SettingError(
            f"the photographs' scales lie between {min(scales):.2f} and {max(scales):.2f} px/mm: take one from "
            f"at least {LEAST_DISTANCE_RATIO:g} times as far as the other, better twice"
        )
    for what in ("f_number", "focal_length_mm"):
        values = {getattr(shot.metadata, what) for shot in shots}
        if len(values) > 1:
            raise SettingError(
                f"the photographs differ in {what}: {', '.join(map(str, values))}; keep all but the distance"
            )
    return scales


def _sound(shot: ShotResult) -> list[ChartEdge]:
    return [
        edge for edge in shot.edges if edge.edge.measured and worst(edge.edge.flags) is not Severity.REJECT
    ]


def _shared_band(shots: Sequence[ShotResult]) -> FloatArray:
    """Give the frequencies at which nearly every edge of every photograph lies within the band."""
    edges = [edge.edge for shot in shots for edge in _sound(shot)]
    if not edges:
        raise EdgeError("no edge of the photographs can be used; show more of the chart, in focus")
    frequency_cypx = edges[0].frequency_cypx
    curves = np.stack([edge.sfr for edge in edges])
    upper, lower = np.quantile(curves, (0.98, 0.02), axis=0)
    inside = (frequency_cypx > 0.02) & (upper < _BAND[1]) & (lower > _BAND[0])
    if np.count_nonzero(inside) < 3:
        raise EdgeError(
            "the photographs differ too much in sharpness to be compared; take them at a middle stop"
        )
    return np.asarray(frequency_cypx[inside], np.float64)


def _diffraction(shot: ShotResult, frequency_cypx: FloatArray) -> FloatArray:
    """Give what diffraction leaves at the f-number that the distance makes of the engraved one; 1 where unknown."""
    if shot.metadata.f_number is None or shot.magnification is None or shot.pixel_pitch_um is None:
        return np.ones_like(frequency_cypx)
    working = optics.effective_f_number(shot.metadata.f_number, magnification=shot.magnification)
    return optics.diffraction_mtf(frequency_cypx, _WAVELENGTH_UM * working / shot.pixel_pitch_um)


def _squared_blur_px2(edge: Edge, frequency_cypx: FloatArray, diffraction: FloatArray) -> float | None:
    sfr = np.interp(frequency_cypx, edge.frequency_cypx, edge.sfr)
    if (sfr < 0.5 * _BAND[0]).any() or (diffraction <= 0.0).any():
        return None
    scale = 2.0 * pi**2 * frequency_cypx**2
    return float(np.average(-np.log(sfr / diffraction) / scale, weights=scale**2))


def _place_terms(edge: ChartEdge) -> tuple[float, ...]:
    """Give how a lens's blur may depend on the place: even in the image height, and turned with the radius."""
    height2 = edge.image_height**2
    turned = float(np.cos(2.0 * (radians(-edge.edge.angle_deg) - radians(edge.azimuth_deg))))
    return (1.0, height2, height2**2, height2 * turned, height2**2 * turned)


def _print_variance(rows: Sequence[_Row], design: FloatArray) -> tuple[float, float]:
    """Fit, once more without the edges that stray; the doubt counts edges, and the focus of every shot."""
    blur = np.array([row.squared_blur_px2 for row in rows])
    number = np.array([row.shot for row in rows])
    kept = np.ones(len(rows), np.bool_)
    for _ in range(2):
        fit = np.linalg.lstsq(design[kept], blur[kept], rcond=None)[0]
        stray = np.abs(blur - design @ fit)
        kept = stray <= 4.0 * 1.4826 * float(np.median(stray[kept])) + 1e-12
    solver = np.linalg.pinv(design[kept])[-1]
    left = blur[kept] - design[kept] @ fit
    noise = float((left**2).sum()) / (int(kept.sum()) - design.shape[1]) * float(solver @ solver)
    per_shot = np.array([solver[number[kept] == shot].sum() for shot in np.unique(number)])
    focus = (FOCUS_DOUBT * float(np.median(blur))) ** 2 * float(per_shot @ per_shot)
    return float(fit[-1]), sqrt(noise + focus)
