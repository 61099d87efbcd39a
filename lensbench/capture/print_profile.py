"""The print measured: how soft its own edges are, from a flatbed scan of it.

A scan shows the print through the scanner. What is known of a scanner is its pixel; its lens is not, and is
taken as a Gaussian whose variance may be anything from nothing to twice the value assumed.
"""

from collections.abc import Sequence
from math import pi, sqrt
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.errors import EdgeError, SettingError
from lensbench.flags import Severity, worst
from lensbench.records import Edge, PrintProfile
from lensbench.units import FloatArray

__all__ = ["profile_from_scan"]

SCANNER_VARIANCE_PX2: Final = 0.3
"""Blur of a flatbed scanner beyond its pixel, assumed with a doubt as large; common practice, no source."""
_BAND: Final = (0.25, 0.95)
"""Transfer within which the blur is read: above, it hardly shows; below, noise and the lens's tails do."""
_LEAST_SIGMA_MM: Final = 1e-3


def profile_from_scan(edges: Sequence[Edge], *, dpi: float, name: str) -> PrintProfile:
    """Give the print's profile from edges measured on a flatbed scan.

    Parameters
    ----------
    edges : sequence of Edge
        As measured on the scan, linear; several directions are best, for printers differ across and along.
    dpi : float
        Of the scan, as stated: 300 or more. [1/inch]

    Raises
    ------
    EdgeError
        No edge can be used, or the scan is too coarse to show the print's blur.
    SettingError
        The resolution is below 300 dpi.
    """
    if not 300.0 <= dpi <= 20_000.0:
        raise SettingError(f"a scan with {dpi:g} dpi: give 300 to 20000; 1200 or more shows a good print")
    sound = [edge for edge in edges if edge.measured and worst(edge.flags) is not Severity.REJECT]
    if not sound:
        raise EdgeError(
            "no edge of the scan can be used; scan solid edges turned a few degrees off the scanner's rows"
        )
    pixel_mm = 25.4 / dpi
    frequency_cypx = sound[0].frequency_cypx[sound[0].frequency_cypx <= 0.5]
    curves = np.stack([_without_scanner(edge, frequency_cypx) for edge in sound])
    mean = curves.mean(axis=0)
    scatter = _scatter(curves, [edge.sfr_sd[: frequency_cypx.size] for edge in sound])
    scanner_sd = mean * 2.0 * pi**2 * frequency_cypx**2 * SCANNER_VARIANCE_PX2
    sd = np.hypot(scatter, scanner_sd)
    variance_px2, variance_sd_px2 = _gaussian_of(frequency_cypx, mean, sd)
    if variance_px2 * pixel_mm**2 <= _LEAST_SIGMA_MM**2:
        raise EdgeError(f"a scan with {dpi:g} dpi is too coarse to show this print's blur; scan with more")
    sigma_mm = sqrt(variance_px2) * pixel_mm
    until = _until(mean)
    return PrintProfile(
        name=name,
        edge_sigma_mm=sigma_mm,
        edge_sigma_sd_mm=variance_sd_px2 * pixel_mm**2 / (2.0 * sigma_mm),
        frequency_cymm=frequency_cypx[:until] / pixel_mm,
        mtf=np.clip(mean[:until], 0.01, 1.0),
        mtf_sd=sd[:until],
        made_from=f"{len(sound)} edges of a scan with {dpi:g} dpi",
    )


def _without_scanner(edge: Edge, frequency_cypx: FloatArray) -> FloatArray:
    """Give what the print leaves: the SFR over the scanner's pixel and its assumed blur."""
    scanner = optics.pixel_mtf(frequency_cypx, edge.angle_deg) * optics.gaussian_mtf(
        frequency_cypx, sqrt(SCANNER_VARIANCE_PX2)
    )
    return np.asarray(edge.sfr[: frequency_cypx.size] / scanner, np.float64)


def _scatter(curves: FloatArray, own_sd: Sequence[FloatArray]) -> FloatArray:
    """Give the mean's standard deviation: by the spread between edges, or by their own where that is larger."""
    count = len(curves)
    own = np.sqrt((np.stack(own_sd) ** 2).sum(axis=0)) / count
    if count == 1:
        return np.asarray(own, np.float64)
    return np.asarray(np.maximum(own, curves.std(axis=0, ddof=1) / sqrt(count)), np.float64)


def _gaussian_of(frequency_cypx: FloatArray, mtf: FloatArray, sd: FloatArray) -> tuple[float, float]:
    """Give the variance of the Gaussian that suits a curve, and its standard deviation; doubt shared by the band."""
    inside = (
        (mtf < _BAND[1]) & (np.arange(mtf.size) < _until(mtf)) & (mtf > _BAND[0]) & (frequency_cypx > 0.0)
    )
    if not inside.any():
        return 0.0, 0.0
    scale = 2.0 * pi**2 * frequency_cypx[inside] ** 2
    weight = scale**2 * mtf[inside] ** 2
    variance = -np.log(mtf[inside]) / scale
    variance_sd = sd[inside] / mtf[inside] / scale
    return float(np.average(variance, weights=weight)), float(np.average(variance_sd, weights=weight))


def _until(mtf: FloatArray) -> int:
    """Give how many points of a curve count: until it first falls below the band, at least three."""
    below = np.flatnonzero(mtf < _BAND[0])
    return max(3, int(below[0]) if below.size else mtf.size)
