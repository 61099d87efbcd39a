"""A print that blurs, as the whole series shows it: no edge anywhere, at any stop, is sharper than it.

Diffraction and the pixel are known; what an edge's blur holds beyond them is the lens, the focus and the print. The
lens differs from place to place and from stop to stop, the print's share is the same in all. So the least blur of
all edges of all photographs is the most that the print can have done. Where this is far more than a home printer
does, and is alike over the sharpest picture, the print is suspect.
"""

from collections.abc import Sequence
from math import isfinite, pi, sqrt
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.flags import Remark, remark
from lensbench.records import Edge, ShotResult
from lensbench.study.findings import SweepShot
from lensbench.units import FloatArray

__all__ = ["print_remarks"]

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
