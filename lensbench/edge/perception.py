"""Figures of one SFR for people: how sharp a print of it looks, and what is left at chosen frequencies.

Every figure of a measured edge comes with a standard deviation. The SFR's errors at neighbouring frequencies go
together, so the sd of a weighted mean is taken as the weighted mean of the sds: exact for errors that rise and fall as
one, else too wide.

From which difference on an eye tells two pictures apart: an SFR is read on the quality ruler of ISO 20462-3 (by
acutance), once as it is and once stretched in frequency, as a sharper or softer lens would have it. One just noticeable
difference (JND) is what half of the viewers notice; that is the limit here.

References
----------
IEEE 1858 (CPIQ) acutance with its luminance contrast sensitivity: constants from secondary sources that agree.
ISO 20462-3 quality ruler: curve and JND polynomial from memory; see `ruler_jnd`.
"""

import math
from dataclasses import dataclass, field, replace
from functools import cache, lru_cache
from math import nan
from typing import TYPE_CHECKING, Final

import numpy as np

from lensbench.model.shot import Edge
from lensbench.model.units import FloatArray

if TYPE_CHECKING:
    from lensbench.model.compare import WayOfLooking

NYQUIST_CYPX: Final = 0.5
RULER_RANGE: Final = (0.01, 0.26)
"""Of k, where the polynomial holds: from crispest to softest. [degree]"""
JUST_SEEN_JND: Final = 1.0
"""A difference below one JND counts as not to be seen: the definition of ISO 20462 (from memory)."""
RESPONSE_CYPX: Final[FloatArray] = np.linspace(0.0, 1.0, 41)
"""Frequencies of the SFR that is kept, every 0.025. [cycles/pixel]"""
SCREEN_PIXEL_MM: Final = 0.25
SCREEN_DISTANCE_MM: Final = 600.0
"""A usual screen on a desk: common practice, no source."""
_STRETCHES: Final = np.linspace(-0.72, 0.72, 37)  # logarithms of the stretch: from a half to the double
_NODES: Final = 160
_FEWEST: Final = 4
_UNSEEN_CPD: Final = 60.0  # beyond it the eye's sensitivity is below 2e-4 of its peak


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A figure and its standard deviation."""

    value: float
    sd: float


_UNKNOWN: Final = Figure(value=nan, sd=nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class Viewing:
    """How a picture is looked at: its whole height printed (or shown) so high, seen from so far."""

    picture_height_px: int
    print_height_mm: float
    distance_mm: float
    pixel_for_pixel: bool = field(default=False, compare=False)
    """On a screen, at 100 %."""

    def __post_init__(self) -> None:
        if not (self.picture_height_px > 0 and self.print_height_mm > 0.0 and self.distance_mm > 0.0):
            raise ValueError("picture height, print height and viewing distance must lie above 0")

    @property
    def cpd_per_cypx(self) -> float:
        """Cycles per degree at the eye of one cycle per pixel: (pi/180) distance / printed pixel.

        >>> round(Viewing(picture_height_px=4000, print_height_mm=200.0, distance_mm=500.0).cpd_per_cypx, 3)
        174.533
        """
        return float(np.pi / 180.0 * self.distance_mm * self.picture_height_px / self.print_height_mm)

    @property
    def way(self) -> "WayOfLooking":
        """Print and eye alone."""
        from lensbench.model.compare import WayOfLooking  # noqa: PLC0415  heavy, and no worker's

        return WayOfLooking(
            print_height_mm=self.print_height_mm,
            distance_mm=self.distance_mm,
            pixel_for_pixel=self.pixel_for_pixel,
        )

    def of_height(self, picture_height_px: int) -> "Viewing":
        """Print and eye as they are for a picture of other pixels."""
        return replace(self, picture_height_px=picture_height_px)


def viewing_of(picture_height_px: int, *, print_and_eye_mm: tuple[float, float] | None = None) -> Viewing:
    """Way of looking that was asked for, or the strictest one: pixel for pixel on a screen.

    The picture's rows are those of the one with most where several are compared, for all are shown equally large. What
    may be asked for is the height of a print (or screen) of the whole picture, and the eye's distance from it.
    """
    screen = (SCREEN_PIXEL_MM * picture_height_px, SCREEN_DISTANCE_MM)
    height_mm, distance_mm = print_and_eye_mm or screen
    return Viewing(
        picture_height_px=picture_height_px,
        print_height_mm=height_mm,
        distance_mm=distance_mm,
        pixel_for_pixel=print_and_eye_mm is None,
    )


def with_perception(edge: Edge, viewing: Viewing) -> Edge:
    """Fill an edge's acutance and JND for a way of viewing; it stays as it is where the SFR ends too early."""
    curve = _known_curve(edge)
    needed_cypx = min(NYQUIST_CYPX, _UNSEEN_CPD / viewing.cpd_per_cypx)
    if curve is None or curve[0][-1] < needed_cypx - 1e-9:
        return edge
    sharp, jnd = acutance(*curve, viewing=viewing), sharpness_jnd(*curve, viewing=viewing)
    return replace(
        edge, acutance=sharp.value, acutance_sd=sharp.sd, sharpness_jnd=jnd.value, sharpness_jnd_sd=jnd.sd
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveFigures:
    """Figures up to the pixels' Nyquist frequency, 0.5 cycles per pixel."""

    area_cypx: Figure
    """Area under the SFR; 0.5 would be a perfect curve."""
    response_at_nyquist: Figure


def curve_figures(edge: Edge) -> CurveFigures:
    """Area and response at Nyquist of an edge's SFR; NaN where it is not known as far as there."""
    curve = _known_curve(edge)
    if curve is None or curve[0][-1] < NYQUIST_CYPX - 1e-9:
        return CurveFigures(area_cypx=_UNKNOWN, response_at_nyquist=_UNKNOWN)
    return CurveFigures(area_cypx=area_cypx(*curve), response_at_nyquist=response_at_nyquist(*curve))


def edge_response_at_lpmm(edge: Edge, *, lpmm: float, pixel_pitch_um: float) -> Figure:
    """SFR of an edge at line pairs per millimetre on the sensor; NaN beyond what is known."""
    curve = _known_curve(edge)
    return _UNKNOWN if curve is None else response_at_lpmm(*curve, lpmm=lpmm, pixel_pitch_um=pixel_pitch_um)


def _known_curve(edge: Edge) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Frequencies, SFR and its sd of an edge as far as they are known without a gap; None where hardly at all."""
    unknown = ~np.isfinite(edge.sfr)
    end = int(np.argmax(unknown)) if unknown.any() else edge.sfr.size
    if end < _FEWEST:
        return None
    sd = np.nan_to_num(edge.sfr_sd[:end])
    return edge.frequency_cypx[:end], edge.sfr[:end], np.asarray(sd, np.float64)


def contrast_sensitivity(frequency_cpd: FloatArray) -> FloatArray:
    """Luminance sensitivity of the eye by IEEE 1858: 75 v^0.8 exp(-0.2 v) / 34.05, v in cycles per degree."""
    v = np.asarray(frequency_cpd, np.float64)
    return np.asarray(75.0 * v**0.8 * np.exp(-0.2 * v) / 34.05, np.float64)


def acutance(
    frequency_cypx: FloatArray,
    sfr: FloatArray,
    sfr_sd: FloatArray,
    *,
    viewing: Viewing,
    highest_cypx: float = NYQUIST_CYPX,
) -> Figure:
    """Acutance: the SFR's mean weighted by the eye's sensitivity, 0 to about 1.

    Both integrals run from 0 to `highest_cypx`; the pixels' Nyquist frequency is our choice of limit. Beyond its last
    frequency the SFR counts as 0.
    """
    f, weight = _eye_weights(viewing, highest_cypx)
    return _mean(frequency_cypx, sfr, sfr_sd, at=f, weight=weight)


def _eye_weights(viewing: Viewing, highest_cypx: float) -> tuple[FloatArray, FloatArray]:
    """Frequencies up to a limit, and what the eye's sensitivity weighs them with."""
    nodes, weights = _gauss()
    root = 0.5 * (1.0 + nodes)  # f = limit * root^2 takes the power 0.8 at 0 out of the way
    f = highest_cypx * root * root
    return f, weights * root * contrast_sensitivity(f * viewing.cpd_per_cypx)


def area_cypx(
    frequency_cypx: FloatArray, sfr: FloatArray, sfr_sd: FloatArray, *, highest_cypx: float = NYQUIST_CYPX
) -> Figure:
    """Area under the SFR from 0 to a limit. [cycles/pixel]."""
    nodes, weights = _gauss()
    f = 0.5 * highest_cypx * (1.0 + nodes)
    mean = _mean(frequency_cypx, sfr, sfr_sd, at=f, weight=weights)
    return Figure(value=highest_cypx * mean.value, sd=highest_cypx * mean.sd)


def response_at_nyquist(frequency_cypx: FloatArray, sfr: FloatArray, sfr_sd: FloatArray) -> Figure:
    """SFR at half a cycle per pixel."""
    return _response_at(frequency_cypx, sfr, sfr_sd, at_cypx=NYQUIST_CYPX)


def response_at_lpmm(
    frequency_cypx: FloatArray, sfr: FloatArray, sfr_sd: FloatArray, *, lpmm: float, pixel_pitch_um: float
) -> Figure:
    """SFR at line pairs per millimetre on the sensor; NaN beyond the last frequency measured."""
    return _response_at(frequency_cypx, sfr, sfr_sd, at_cypx=lpmm * pixel_pitch_um / 1000.0)


def _response_at(
    frequency_cypx: FloatArray, sfr: FloatArray, sfr_sd: FloatArray, *, at_cypx: float
) -> Figure:
    if not 0.0 <= at_cypx <= frequency_cypx[-1] + 1e-9:
        return _UNKNOWN
    return _mean(frequency_cypx, sfr, sfr_sd, at=np.array([at_cypx]), weight=np.ones(1))


def ruler_mtf(frequency_cpd: FloatArray, k: float) -> FloatArray:
    """MTF of a quality-ruler picture: (2/pi)[acos(kv) - kv sqrt(1 - (kv)^2)]; k in degrees."""
    kv = np.minimum(k * np.asarray(frequency_cpd, np.float64), 1.0)
    return np.asarray(2.0 / np.pi * (np.arccos(kv) - kv * np.sqrt(1.0 - kv * kv)), np.float64)


def ruler_jnd(k: float) -> float:
    """Ruler's quality in JND of a picture with this k: 32 for the crispest, 0 for the softest.

    ISO 20462-3 (from memory; the zero falls on the end of the stated range, as it should).

    >>> [round(ruler_jnd(k), 2) for k in (0.01, 0.1, 0.2)]
    [32.08, 8.18, 1.7]
    """
    above = 17249.0 + k * (203792.0 + k * (-114950.0 - 3571075.0 * k))
    return above / (578.0 + k * (-1304.0 + 357372.0 * k))


def sharpness_jnd(
    frequency_cypx: FloatArray, sfr: FloatArray, sfr_sd: FloatArray, *, viewing: Viewing
) -> Figure:
    """JND of the ruler picture that has the same acutance: matching by acutance is our choice.

    Values end at 32.1 and 0, the ends of the ruler.
    """
    own = acutance(frequency_cypx, sfr, sfr_sd, viewing=viewing)
    low, middle, high = np.interp([own.value - own.sd, own.value, own.value + own.sd], *_ruler(viewing))
    return Figure(value=float(middle), sd=float(0.5 * (high - low)))


@lru_cache(maxsize=16)
def _ruler(viewing: Viewing) -> tuple[FloatArray, FloatArray]:
    """Acutance of the ruler's pictures, from softest to crispest, and their JND."""
    f, weight = _eye_weights(viewing, NYQUIST_CYPX)
    softness = np.geomspace(*RULER_RANGE, 60)[::-1].tolist()
    sharp = [weight @ ruler_mtf(f * viewing.cpd_per_cypx, k) / weight.sum() for k in softness]
    return np.array(sharp), np.array([ruler_jnd(k) for k in softness])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RulerReading:
    """What the ruler reads for one SFR, stretched."""

    log_stretch: FloatArray
    """Ascending."""
    jnd: FloatArray

    def between(self, log_ratio: float) -> float:
        """By how many JND one picture is better than another whose MTF50 is exp(log_ratio) times smaller.

        The SFR in hand is taken for the one halfway between both. NaN for an unknown ratio.
        """
        high, low = np.interp([0.5 * log_ratio, -0.5 * log_ratio], self.log_stretch, self.jnd)
        return nan if math.isnan(log_ratio) else float(high - low)

    def just_seen(self, *, loss: bool = False) -> float:
        """Difference of MTF50 that is just seen, as a share; NaN where none within the ruler's reach is.

        With `loss`, the share by which MTF50 must fall from the SFR in hand; else between two lenses about it.
        """
        away = np.linspace(0.0, 0.7, 701) if loss else np.linspace(0.0, 1.4, 1401)
        high, low = (0.0 * away, -away) if loss else (0.5 * away, -0.5 * away)
        drop = np.interp(high, self.log_stretch, self.jnd) - np.interp(low, self.log_stretch, self.jnd)
        noticed = np.flatnonzero(drop >= JUST_SEEN_JND)
        if not noticed.size:
            return nan
        return abs(math.expm1(-away[noticed[0]] if loss else away[noticed[0]]))


def ruler_reading(sfr: FloatArray, *, viewing: Viewing) -> RulerReading:
    """Ruler's reading of an SFR at `RESPONSE_CYPX`, from half to double its fineness; beyond its first gap it is 0."""
    from scipy.interpolate import CubicSpline  # noqa: PLC0415  heavy, here and below: only where a picture is judged

    known = np.isfinite(sfr)
    end = sfr.size if known.all() else int(np.argmin(known))
    f, weight = _eye_weights(viewing, NYQUIST_CYPX)
    at, last = f / np.exp(_STRETCHES)[:, None], RESPONSE_CYPX[end - 1]
    curve = CubicSpline(RESPONSE_CYPX[:end], sfr[:end])
    response = np.where(at <= last + 1e-9, curve(np.minimum(at, last)), 0.0)
    jnd = np.interp(response @ (weight / weight.sum()), *_ruler(viewing))
    return RulerReading(log_stretch=_STRETCHES, jnd=np.asarray(jnd, np.float64))


def gaussian_response(mtf50_cypx: float) -> FloatArray:
    """SFR of a Gaussian at `RESPONSE_CYPX`: stands in where no measured one is at hand."""
    return np.asarray(np.exp(-math.log(2.0) * (RESPONSE_CYPX / mtf50_cypx) ** 2), np.float64)


@cache
def _gauss() -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of Gauss and Legendre between -1 and 1."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    return np.asarray(nodes, np.float64), np.asarray(weights, np.float64)


def _mean(
    frequency_cypx: FloatArray, sfr: FloatArray, sfr_sd: FloatArray, *, at: FloatArray, weight: FloatArray
) -> Figure:
    """Weighted mean of an SFR at some frequencies: a cubic between its points, 0 beyond them."""
    from scipy.interpolate import CubicSpline  # noqa: PLC0415

    inside = at <= frequency_cypx[-1] + 1e-9
    response = np.where(inside, CubicSpline(frequency_cypx, sfr)(np.minimum(at, frequency_cypx[-1])), 0.0)
    sd = np.interp(at, frequency_cypx, sfr_sd, right=0.0)
    share = weight / weight.sum()
    return Figure(value=float(share @ response), sd=float(share @ sd))
