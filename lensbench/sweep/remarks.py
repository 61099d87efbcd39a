"""What keeps a winner from being claimed, in plain words.

What was not the same through a series, so that its photographs do not compare fairly.

A print that blurs, as the whole series shows it: no edge anywhere, at any stop, is sharper than it.

Diffraction and the pixel are known; what an edge's blur holds beyond them is the lens, the focus and the print. The
lens differs from place to place and from stop to stop, the print's share is the same in all. So the least blur of
all edges of all photographs is the most that the print can have done. Where this is far more than a home printer
does, and is alike over the sharpest picture, the print is suspect.
"""

from collections.abc import Sequence
from math import isfinite, log2, pi, sqrt
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.focus import brackets_among
from lensbench.model.flags import Remark, remark
from lensbench.model.shot import Edge, ShotResult
from lensbench.model.sweep import SweepShot
from lensbench.model.units import FloatArray
from lensbench.stats import Spread
from lensbench.sweep.countable import bracket_peak
from lensbench.sweep.drift import drift_remarks
from lensbench.sweep.series import FocalShots

__all__ = ["few_shots", "mixed_remarks", "print_remarks", "remarks", "unequal_magnification"]


LIGHT_LIMIT_STOPS: Final = 1.0
"""Between the brightest and the darkest paper in the middle of the pictures. Common practice, no source."""
_MIDDLE: Final = 0.5
"""Image height within which vignetting leaves the paper's level alone."""


def mixed_remarks(shots: Sequence[SweepShot]) -> list[Remark]:
    """Raise the flag for each thing that changes between the shots of one lens: all in one remark."""
    results = [shot.result for shot in shots if isinstance(shot.result, ShotResult)]
    said = [*_isos(shots), *_files(results), *_light(results)]
    return [remark("mixed_settings", "; ".join(said))] if said else []


def _isos(shots: Sequence[SweepShot]) -> list[str]:
    isos = sorted({shot.planned.metadata.iso for shot in shots if shot.planned.metadata.iso})
    return [f"ISO {isos[0]} to {isos[-1]}"] if len(isos) > 1 else []


def _files(results: Sequence[ShotResult]) -> list[str]:
    said = []
    raw = sum(result.sensor_data for result in results)
    if 0 < raw < len(results):
        said.append(f"{raw} raw files and {len(results) - raw} finished pictures")
    sizes = sorted({result.size_px for result in results})
    if len(sizes) > 1:
        said.append(f"pictures of {' and '.join(f'{rows} x {cols}' for rows, cols in sizes[:3])} px")
    sharpened = sum(any(one.flag == "sharpened" for one in result.quality) for result in results)
    if 0 < sharpened < len(results):
        said.append(f"{sharpened} of {len(results)} sharpened")
    return said


def _light(results: Sequence[ShotResult]) -> list[str]:
    """Tell where the paper in the middle of the pictures is brighter in some by more than a stop."""
    levels = [level for result in results if isfinite(level := _paper(result)) and level > 0.0]
    stops = log2(max(levels) / min(levels)) if levels else 0.0
    if stops <= LIGHT_LIMIT_STOPS:
        return []
    return [f"light on the sensor differs by {stops:.1f} stops, limit {LIGHT_LIMIT_STOPS:g}"]


def _paper(result: ShotResult) -> float:
    levels = [
        edge.edge.bright_level
        for edge in result.edges
        if edge.image_height < _MIDDLE and isfinite(edge.edge.bright_level)
    ]
    return float(np.median(levels)) if levels else float("nan")


RISE_LIMIT_MM: Final = 0.2
"""10-90 % rise on the chart: twice a home printer's; common practice, no source."""
SIGMA_LIMIT_PX: Final = 0.5
"""Below it the sensor's own filter may do as much; common practice, no source."""
ALIKE_LIMIT: Final = 0.25
"""Spread of the blur over the sharpest picture, 10th to 90th percentile over the median."""
_LEAST_SHARE: Final = 10.0
_RISE_SIGMAS: Final = 2.563_103
"""10-90 % rise of a Gaussian edge over its sigma; derived from the normal distribution."""
_WAVELENGTH_UM: Final = 0.55
_FEWEST_EDGES: Final = 20


def print_remarks(shots: Sequence[SweepShot]) -> list[Remark]:
    """Raise the flag where every edge of every shot is as blurred as by a poor print.

    Shots whose print was divided out say nothing here; nor do those without f-number, scale or pixel pitch.
    """
    seen = [
        (blur, 1000.0 * result.magnification / result.pixel_pitch_um)
        for shot in shots
        if isinstance(result := shot.result, ShotResult) and result.magnification and result.pixel_pitch_um
        if (blur := _blur_px(result)).size >= _FEWEST_EDGES
    ]
    if not seen:
        return []
    blur, px_per_mm = min(seen, key=lambda one: float(np.median(one[0])) / one[1])
    least_px, most_px = (float(np.percentile(blur, at)) for at in (_LEAST_SHARE, 100.0 - _LEAST_SHARE))
    rise_mm = _RISE_SIGMAS * least_px / px_per_mm
    if rise_mm < RISE_LIMIT_MM or least_px < SIGMA_LIMIT_PX:
        return []
    if most_px - least_px > ALIKE_LIMIT * float(np.median(blur)):
        return []
    return [
        remark(
            "print_blurred",
            f"in the sharpest of {len(seen)} the blur is alike all over, and edges rise over {rise_mm:.2f} mm of the "
            f"chart, sigma {least_px:.1f} px; limit {RISE_LIMIT_MM:g} mm, and a home printer's take 0.1 mm",
        )
    ]


def _blur_px(result: ShotResult) -> FloatArray:
    """Give each edge's blur beyond diffraction and pixel, as a Gaussian's sigma; none where nothing is known."""
    f_number, pitch_um = result.metadata.f_number, result.pixel_pitch_um
    if f_number is None or pitch_um is None or any(one.flag == "print_divided" for one in result.quality):
        return np.empty(0)
    q = (
        _WAVELENGTH_UM
        * optics.effective_f_number(f_number, magnification=result.magnification or 0.0)
        / pitch_um
    )
    edges = [edge.edge for edge in result.edges if edge.edge.measured]
    return np.array([blur for edge in edges if isfinite(blur := _beyond_px(edge, q))])


def _beyond_px(edge: Edge, q: float) -> float:
    """Give the Gaussian that brings diffraction and pixel down to one half at the edge's MTF50."""
    at = edge.mtf50_cypx
    bound = float(
        optics.diffraction_mtf(np.array([at]), q)[0] * optics.pixel_mtf(np.array([at]), edge.angle_deg)[0]
    )
    return sqrt(max(np.log(2.0 * bound), 0.0) / 2.0) / (pi * at) if bound > 0.0 else float("nan")


MAGNIFICATION_LIMIT: Final = 0.05
"""Focal lengths shot at magnifications further apart than this see different shares of the print's blur."""


def few_shots(spread: Spread) -> str:
    """Say what one shot a setting leaves open; empty with repeats, or with a focus bracket at every setting."""
    if spread.repeated:
        return ""
    told = (
        f"the spread between shots is {spread.source}"
        if not spread.known
        else f"the spread between shots was taken from the {spread.source}"
    )
    return (
        f"One shot a setting can't tell how well focus and support repeat ({told}): no winner is claimed; shoot each "
        "setting three times, focusing anew."
    )


def unequal_magnification(focals: Sequence[FocalShots]) -> str:
    """Say why focal lengths do not compare fairly; empty when they do, or where the print was divided out."""
    if len(focals) < 2 or all(_print_divided(shot) for focal in focals for shot in focal.members):
        return ""
    sizes = [focal.magnification for focal in focals]
    if not np.all(np.isfinite(sizes)):
        return "The magnification is not known, so the comparison of focal lengths is provisional."
    if max(sizes) / min(sizes) - 1.0 > MAGNIFICATION_LIMIT:
        return (
            f"The chart was photographed at magnifications from 1:{1 / max(sizes):.0f} to "
            f"1:{1 / min(sizes):.0f}; the print's own blur weighs differently, so the comparison of focal "
            "lengths is provisional."
        )
    return ""


def remarks(
    focals: Sequence[FocalShots], spread: Spread, *, shots: Sequence[SweepShot] = ()
) -> tuple[Remark, ...]:
    """Raise the flags of a whole series; `shots` are all of the lens, the rejected ones included."""
    raised = [] if spread.repeated else [remark("few_shots")]
    raised += _open_brackets(focals)
    counted = [shot for focal in focals for shot in focal.members]
    return (*raised, *mixed_remarks(counted), *print_remarks(counted), *drift_remarks(shots))


def _print_divided(shot: SweepShot) -> bool:
    return isinstance(shot.result, ShotResult) and any(
        one.flag == "print_divided" for one in shot.result.quality
    )


def _open_brackets(focals: Sequence[FocalShots]) -> list[Remark]:
    """Name the focus brackets whose peak they do not enclose, or that cannot show one."""
    told = [
        f"f/{bracket.f_number:g}, {bracket.group}: {peak.note}"
        for focal in focals
        for bracket in brackets_among(focal.members)
        if (peak := bracket_peak(bracket, "frame")).verdict in {"beyond", "short"}
    ]
    return [remark("bracket_open", "; ".join(told))] if told else []
