"""From which difference on an eye tells two pictures apart: the quality ruler, for a stated way of looking.

An SFR is read on the ruler of ISO 20462-3 (by acutance, see `lensbench.edge.perception`), once as it is and once
stretched in frequency, as a sharper or softer lens would have it. One just noticeable difference (JND) is what half
of the viewers notice; that is the limit here.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.edge import Viewing
from lensbench.edge.perception import jnd_when_stretched
from lensbench.study.responses import RESPONSE_CYPX
from lensbench.units import FloatArray

__all__ = ["JUST_SEEN_JND", "RULER", "Look", "Sight", "gaussian_response", "look_of", "sight_of"]

JUST_SEEN_JND: Final = 1.0
"""A difference below one JND counts as not to be seen: the definition of ISO 20462 (from memory)."""
RULER: Final = "one just noticeable difference of the quality ruler (ISO 20462-3, its curve from memory)"

SCREEN_PIXEL_MM: Final = 0.25
SCREEN_DISTANCE_MM: Final = 600.0
"""A usual screen on a desk: common practice, no source."""
_STRETCHES: Final = np.linspace(-0.72, 0.72, 37)
"""Logarithms of the stretch: from a half to the double."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """A way of looking at the whole picture."""

    print_height_mm: float
    distance_mm: float
    how: str
    """In words, for a sentence: «a print 400 mm high seen from 500 mm»."""

    def viewing(self, picture_height_px: int) -> Viewing:
        """Give the same for a picture of some pixels."""
        return Viewing(
            picture_height_px=picture_height_px,
            print_height_mm=self.print_height_mm,
            distance_mm=self.distance_mm,
        )


def look_of(picture_height_px: int, *, print_and_eye_mm: tuple[float, float] | None = None) -> Look:
    """Give the way of looking that was asked for, or the strictest one: pixel for pixel on a screen.

    Parameters
    ----------
    picture_height_px : int
        Rows of the picture; of the one with most where several are compared, for all are shown equally large.
    print_and_eye_mm : (height, distance), optional
        Height of a print (or screen) of the whole picture, and the eye's distance from it.
    """
    if print_and_eye_mm is not None:
        print_height_mm, distance_mm = print_and_eye_mm
        how = f"a print or screen {print_height_mm:g} mm high seen from {distance_mm:g} mm"
        return Look(print_height_mm=print_height_mm, distance_mm=distance_mm, how=how)
    return Look(
        print_height_mm=SCREEN_PIXEL_MM * picture_height_px,
        distance_mm=SCREEN_DISTANCE_MM,
        how=f"a picture seen pixel for pixel on a screen with {SCREEN_PIXEL_MM:g} mm pixels from "
        f"{SCREEN_DISTANCE_MM / 10.0:.0f} cm",
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sight:
    """What the ruler reads for one SFR, stretched."""

    log_stretch: FloatArray
    """Ascending."""
    jnd: FloatArray

    def reading(self, log_stretch: float) -> float:
        """Give the ruler's reading for the SFR stretched by exp(log_stretch)."""
        return float(np.interp(log_stretch, self.log_stretch, self.jnd))

    def between(self, log_ratio: float) -> float:
        """Give by how many JND one picture is better than another whose MTF50 is exp(log_ratio) times smaller.

        The SFR in hand is taken for the one halfway between both. NaN for an unknown ratio.
        """
        if math.isnan(log_ratio):
            return math.nan
        return self.reading(0.5 * log_ratio) - self.reading(-0.5 * log_ratio)

    def just_seen(self, *, loss: bool = False) -> float:
        """Give the difference of MTF50 that is just seen, as a share; NaN where none within the ruler's reach is.

        With `loss`, the share by which MTF50 must fall from the SFR in hand; else between two lenses about it.
        """
        away = np.linspace(0.0, 0.7, 701) if loss else np.linspace(0.0, 1.4, 1401)
        high, low = (0.0 * away, -away) if loss else (0.5 * away, -0.5 * away)
        drop = np.interp(high, self.log_stretch, self.jnd) - np.interp(low, self.log_stretch, self.jnd)
        seen = np.flatnonzero(drop >= JUST_SEEN_JND)
        if not seen.size:
            return math.nan
        return abs(math.expm1(-away[seen[0]] if loss else away[seen[0]]))


def sight_of(sfr: FloatArray, *, viewing: Viewing, frequency_cypx: FloatArray = RESPONSE_CYPX) -> Sight:
    """Read an SFR on the ruler, from half to double its fineness.

    Parameters
    ----------
    sfr : float array, shape (n,)
        At `frequency_cypx`, from 0 on; beyond its first gap it counts as 0.
    viewing : Viewing
        Print and eye.
    """
    known = np.isfinite(sfr)
    end = sfr.size if known.all() else int(np.argmin(known))
    frequency, response = frequency_cypx[:end], sfr[:end]
    jnd = jnd_when_stretched(frequency, response, np.exp(_STRETCHES), viewing=viewing)
    return Sight(log_stretch=_STRETCHES, jnd=jnd)


def gaussian_response(mtf50_cypx: float) -> FloatArray:
    """Give a Gaussian's SFR at `RESPONSE_CYPX`: stands in where no measured one is at hand."""
    return np.asarray(np.exp(-math.log(2.0) * (RESPONSE_CYPX / mtf50_cypx) ** 2), np.float64)
