"""What a kept lens is believed to do at a focal length: log MTF50 at each stop of one zone, with its doubt.

The curve is the study's own: refocused shots, the optical model as far as it can be trusted, bands from the
spread between shots. Between two measured focal lengths of a zoom, the curves of both are mixed by the
logarithm of the focal length; the doubt grows by up to a quarter of their difference, for nobody measured
there.
"""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np

from lensbench.compare import FOCAL_MATCH, apart
from lensbench.library.intake import EDGE_COLUMNS, KeptSession, KeptShot
from lensbench.model.flags import Note
from lensbench.stats import Curve, ZoneSeries, fit_curve, scatter_spread, shot_spread

__all__ = ["Lack", "LensCurve", "Reading", "at_stop", "curve_at", "snr_at_iso"]


SAME_STOP: Final = 1.0 / 12.0
"""Exact f-numbers whose logarithms to base 2 differ by less (a sixth of a stop) are one; common practice."""
_WIDEST_GAP: Final = 0.6
"""The same, for two stops to be mixed: a little above a whole stop, which is 0.5."""


class Lack(StrEnum):
    """Why a lens can't answer; beside each what its values are."""

    FOCAL_LENGTH_UNKNOWN = "focal_length_unknown"
    FOCAL_LENGTH_OUTSIDE = "focal_length_outside"
    """Shortest and longest one measured."""
    ZONE_NOT_MEASURED = "zone_not_measured"
    NO_STOP_IN_COMMON = "no_stop_in_common"
    """Between the focal lengths round the one asked for."""
    STOP_TOO_WIDE = "stop_too_wide"
    """The one asked for, the widest one measured."""
    STOP_TOO_NARROW = "stop_too_narrow"
    """The narrowest one measured."""
    STOP_BETWEEN = "stop_between"
    """The one asked for; its neighbours lie too far apart."""
    SENSOR_UNKNOWN = "sensor_unknown"
    """Neither pixel pitch nor picture size."""
    PITCH_UNKNOWN = "pitch_unknown"
    TOO_DARK = "too_dark"
    """Stops of light that lack at its widest one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One zone of one lens at one stop."""

    f_number: float
    """Nominal."""
    exact_f_number: float
    log_mtf50: float
    """Natural logarithm of cycles per pixel, of the smoothed curve."""
    sd: float
    shots: int
    """Refocused ones; 0 where nobody measured and neighbours stand in."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensCurve:
    """One zone of one lens at the focal length asked for."""

    session: KeptSession
    zone: str
    focal_length_mm: float
    """Asked for."""
    measured_at_mm: tuple[float, ...]
    """One focal length, or the two round the one asked for."""
    readings: tuple[Reading, ...]
    """By f-number, widest first."""
    freedom: float
    """Degrees of freedom of the standard deviations."""
    quantile: float
    """Student's factor of a two-sided 95 % interval."""
    repeated: bool
    """False where no setting was shot again after refocusing, so that the doubt is guesswork."""
    known: bool
    """False where nothing told the spread between shots."""
    magnification: float
    """Of the chart, NaN where it is unknown."""

    @property
    def best(self) -> Reading:
        """The reading with the highest curve."""
        return max(self.readings, key=lambda reading: reading.log_mtf50)

    def interval(self, reading: Reading) -> tuple[float, float]:
        """Give the 95 % interval in cycles per pixel; NaN where nothing told the spread."""
        if not self.known:
            return math.nan, math.nan
        half = self.quantile * reading.sd
        return math.exp(reading.log_mtf50 - half), math.exp(reading.log_mtf50 + half)


def curve_at(session: KeptSession, focal_length_mm: float, *, zone: str) -> LensCurve | Note:
    """Give a lens's curve at a focal length, or why there is none.

    Focal lengths within 3 % count as equal. A lens of unknown focal length never matches.
    """
    focals = session.focal_lengths_mm
    if not focals:
        return Note(Lack.FOCAL_LENGTH_UNKNOWN)
    nearest = min(focals, key=lambda focal: apart(focal, focal_length_mm))
    if apart(nearest, focal_length_mm) <= FOCAL_MATCH:
        return _measured(session, nearest, asked_mm=focal_length_mm, zone=zone)
    if not focals[0] < focal_length_mm < focals[-1]:
        return Note(Lack.FOCAL_LENGTH_OUTSIDE, (focals[0], focals[-1]))
    above = next(focal for focal in focals if focal > focal_length_mm)
    below = focals[focals.index(above) - 1]
    curves = [_measured(session, focal, asked_mm=focal_length_mm, zone=zone) for focal in (below, above)]
    first, second = curves
    if isinstance(first, Note) or isinstance(second, Note):
        return Note(Lack.ZONE_NOT_MEASURED)
    share = math.log(focal_length_mm / below) / math.log(above / below)
    return _between(first, second, share)


def _measured(session: KeptSession, focal_mm: float, *, asked_mm: float, zone: str) -> LensCurve | Note:
    all_series = [_series(session, focal, zone) for focal in session.focal_lengths_mm]
    known = [one for _, one in (found for found in all_series if found)]
    own = _series(session, focal_mm, zone)
    if own is None:
        return Note(Lack.ZONE_NOT_MEASURED)
    names, series = own
    repeats = shot_spread(known)
    spread = repeats or scatter_spread(known, session.pixel_pitch_um)
    curve = fit_curve(series, spread, pixel_pitch_um=session.pixel_pitch_um)
    return LensCurve(
        session=session,
        zone=zone,
        focal_length_mm=asked_mm,
        measured_at_mm=(focal_mm,),
        readings=_readings(names, series, curve),
        freedom=spread.dof,
        quantile=spread.quantile,
        repeated=repeats is not None,
        known=spread.known,
        magnification=_median(
            [shot.magnification for shot in session.shots if shot.focal_length_mm == focal_mm]
        ),
    )


def _readings(names: Sequence[float], series: ZoneSeries, curve: Curve) -> tuple[Reading, ...]:
    return tuple(
        Reading(
            f_number=name,
            exact_f_number=float(series.f_number[index]),
            log_mtf50=float(curve.estimate[index]),
            sd=float(curve.sd[index]),
            shots=len(series.log_shots[index]),
        )
        for index, name in enumerate(names)
    )


def _series(session: KeptSession, focal_mm: float, zone: str) -> tuple[list[float], ZoneSeries] | None:
    """Gather the refocused shots; those of one focus group at one stop count as one, by their mean."""
    by_stop: dict[float, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    exact: dict[float, list[float]] = defaultdict(list)
    for number, shot in enumerate(session.shots):
        if shot.focal_length_mm == focal_mm and zone in shot.zones and shot.f_number > 0.0:
            figure = shot.zones[zone].mtf50_cypx
            if figure > 0.0:
                by_stop[shot.f_number][shot.focus_group or f" {number}"].append(math.log(figure))
                exact[shot.f_number].append(_exact(shot))
    if not by_stop:
        return None
    middle = {name: float(np.median(values)) for name, values in exact.items()}
    names = sorted(by_stop, key=lambda name: middle[name])
    return names, ZoneSeries(
        f_number=np.array([middle[name] for name in names]),
        log_shots=tuple(np.array([np.mean(group) for group in by_stop[name].values()]) for name in names),
    )


def _exact(shot: KeptShot) -> float:
    return shot.exact_f_number if shot.exact_f_number > 0.0 else shot.f_number


def _between(first: LensCurve, second: LensCurve, share: float) -> LensCurve | Note:
    """Mix the curves of two focal lengths at the stops that both have."""
    others = {reading.f_number: reading for reading in second.readings}
    mixed = tuple(
        _mixed(reading, others[reading.f_number], share)
        for reading in first.readings
        if reading.f_number in others
    )
    if not mixed:
        return Note(Lack.NO_STOP_IN_COMMON)
    return replace(
        first,
        measured_at_mm=(*first.measured_at_mm, *second.measured_at_mm),
        readings=mixed,
        freedom=min(first.freedom, second.freedom),
        quantile=max(first.quantile, second.quantile),
        repeated=first.repeated and second.repeated,
        known=first.known and second.known,
        magnification=_median([first.magnification, second.magnification]),
    )


def _mixed(first: Reading, second: Reading, share: float) -> Reading:
    """Mix two readings; in the middle the doubt grows by a quarter of their difference."""
    gap = share * (1.0 - share) * (second.log_mtf50 - first.log_mtf50)
    exact = first.exact_f_number * (second.exact_f_number / first.exact_f_number) ** share
    return Reading(
        f_number=first.f_number,
        exact_f_number=exact,
        log_mtf50=(1.0 - share) * first.log_mtf50 + share * second.log_mtf50,
        sd=math.sqrt(((1.0 - share) * first.sd) ** 2 + (share * second.sd) ** 2 + gap**2),
        shots=min(first.shots, second.shots),
    )


def at_stop(curve: LensCurve, f_number: float) -> Reading | Note:
    """Give a curve's reading at an f-number, mixed from its neighbours where it was not photographed.

    Neighbours further apart than a stop and a bit don't stand in.
    """
    far = [math.log2(reading.exact_f_number / f_number) for reading in curve.readings]
    nearest = min(range(len(far)), key=lambda index: abs(far[index]))
    if abs(far[nearest]) <= SAME_STOP or curve.readings[nearest].f_number == f_number:
        return curve.readings[nearest]
    if far[0] > 0.0:
        return Note(Lack.STOP_TOO_WIDE, (f_number, curve.readings[0].f_number))
    if far[-1] < 0.0:
        return Note(Lack.STOP_TOO_NARROW, (curve.readings[-1].f_number,))
    above = next(index for index, value in enumerate(far) if value > 0.0)
    gap = far[above] - far[above - 1]
    if gap > _WIDEST_GAP:
        return Note(Lack.STOP_BETWEEN, (f_number,))
    mixed = _mixed(curve.readings[above - 1], curve.readings[above], -far[above - 1] / gap)
    return replace(mixed, f_number=f_number, exact_f_number=f_number, shots=0)


def snr_at_iso(session: KeptSession, iso: float) -> float:
    """Give the signal-to-noise ratio of the chart's edges at an ISO, NaN where it is not known.

    Photon noise alone: the ratio falls with the square root of the ISO.
    """
    column = EDGE_COLUMNS.index("snr")
    ratios = [
        float(np.nanmedian(shot.edges[:, column])) * math.sqrt(shot.iso / iso)
        for shot in session.shots
        if shot.iso > 0.0 and np.isfinite(shot.edges[:, column]).any()
    ]
    return _median(ratios)


def _median(values: Sequence[float]) -> float:
    finite = [value for value in values if math.isfinite(value)]
    return float(np.median(finite)) if finite else math.nan
