"""What a kept lens is believed to do at a focal length: log MTF50 at each stop of one zone, with its doubt.

The curve is the sweep's own: its table of refocused shots, its spread, its optical model as far as that can be trusted.
Between two measured focal lengths of a zoom, the curves of both are mixed by the logarithm of the focal length; the
doubt grows by up to a quarter of their difference, for nobody measured there.
"""

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import median
from typing import Final

from lensbench.model.errors import Note
from lensbench.model.measured import KeptSession, PocketRow, median_known
from lensbench.model.setting import focal_order, log_distance, same_focal_length
from lensbench.model.sweep import POCKET_PERCENT
from lensbench.stats import (
    FRAME_FIELD_UM,
    THIRD_FIELD_UM,
    Selection,
    Spread,
    best_setting,
    candidates,
    fit_curve,
    spread_of,
    unseen_focus,
    value_of_pick,
)
from lensbench.sweep import zone_series

SAME_STOP: Final = 1.0 / 12.0
"""Exact f-numbers whose logarithms to base 2 differ by less (a sixth of a stop) are one; common practice."""
_WIDEST_GAP: Final = 0.6  # the same, for two stops to be mixed: a little above a whole stop, which is 0.5


class Lack(StrEnum):
    """Why a lens can't answer; beside each what its values are."""

    FOCAL_LENGTH_UNKNOWN = "focal_length_unknown"
    FOCAL_LENGTH_OUTSIDE = "focal_length_outside"
    """Shortest and longest one measured."""
    ZONE_NOT_MEASURED = "zone_not_measured"
    THIRD_NOT_MEASURED = "third_not_measured"
    """Of the whole frame, which competes with all of its thirds only."""
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
class CurvePoint:
    """One zone of one lens at one stop."""

    f_number: float  # nominal
    exact_f_number: float
    log_mtf50: float  # natural logarithm of cycles per pixel, of the smoothed curve
    sd: float
    shots: int  # refocused ones; 0 where nobody measured and neighbours stand in
    reach: tuple[float, float]  # how far the 95 % interval goes below and above, in standard deviations
    unseen_sd: float = 0.0
    """That one focus for all of its shots would add, where nothing shows that they were focused anew."""

    @property
    def doubt(self) -> float:
        """Standard deviation against another lens, the set-up aside."""
        return math.hypot(self.sd, self.unseen_sd)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensCurve:
    """One zone of one lens at the focal length asked for."""

    session: KeptSession
    focal_length_mm: float
    """Asked for."""
    measured_at_mm: tuple[float, ...]
    """One focal length, or the two round the one asked for."""
    readings: tuple[CurvePoint, ...]
    """By f-number, widest first."""
    spread: Spread
    """Of the session's shots in this zone, which the standard deviations come from."""
    magnification: float | None
    """Of the chart; None where it is unknown."""

    @property
    def best(self) -> CurvePoint:
        """The reading with the highest curve."""
        return max(self.readings, key=lambda reading: reading.log_mtf50)

    def interval(self, reading: CurvePoint) -> tuple[float, float]:
        """95 % interval in cycles per pixel; NaN where nothing told the spread."""
        if not self.spread.known:
            return math.nan, math.nan
        below, above = (reach * reading.sd for reach in reading.reach)
        return math.exp(reading.log_mtf50 - below), math.exp(reading.log_mtf50 + above)


def curve_at(session: KeptSession, focal_length_mm: float, *, zone: str) -> LensCurve | Note:
    """Curve of a lens at a focal length, or why there is none.

    Focal lengths within 3 % count as equal. A lens of unknown focal length never matches.
    """
    focals = session.focal_lengths_mm
    if not focals:
        return Note(Lack.FOCAL_LENGTH_UNKNOWN)
    nearest = min(focals, key=lambda focal: log_distance(focal, focal_length_mm))
    if same_focal_length(nearest, focal_length_mm):
        return measured_curve(session, nearest, zone=zone, asked_mm=focal_length_mm)
    if not focals[0] < focal_length_mm < focals[-1]:
        return Note(Lack.FOCAL_LENGTH_OUTSIDE, (focals[0], focals[-1]))
    above = next(focal for focal in focals if focal > focal_length_mm)
    below = focals[focals.index(above) - 1]
    first = measured_curve(session, below, zone=zone, asked_mm=focal_length_mm)
    second = measured_curve(session, above, zone=zone)
    if isinstance(first, Note):
        return first
    if isinstance(second, Note):
        return second
    share = math.log(focal_length_mm / below) / math.log(above / below)
    return _between(first, second, share)


def measured_curve(
    session: KeptSession, focal_mm: float | None, *, zone: str, asked_mm: float | None = None
) -> LensCurve | Note:
    """The curve at a focal length that was measured, by its own name; or why there is none.

    The figures and intervals are those of the sweep's findings.
    """
    by_focal = zone_series(session.shots, zone)
    if focal_mm not in by_focal:
        seen = any(zone in shot.zones for shot in session.counted if shot.setting.focal_length_mm == focal_mm)
        return Note(Lack.THIRD_NOT_MEASURED if seen else Lack.ZONE_NOT_MEASURED)
    settings, series = by_focal[focal_mm]
    spread = spread_of([series for _, series in by_focal.values()], session.pixel_pitch_um)
    curve = fit_curve(series, spread, pixel_pitch_um=session.pixel_pitch_um)
    below, above = (curve.estimate - curve.low) / curve.sd, (curve.high - curve.estimate) / curve.sd
    field_um = FRAME_FIELD_UM if zone == "frame" else THIRD_FIELD_UM
    unseen = unseen_focus(series, spread, session.pixel_pitch_um, field_um=field_um)
    points = tuple(
        CurvePoint(
            f_number=setting.f_number,
            exact_f_number=float(series.f_number[place]),
            log_mtf50=float(curve.estimate[place]),
            sd=float(curve.sd[place]),
            shots=len(series.log_shots[place]),
            reach=(float(below[place]), float(above[place])),
            unseen_sd=math.sqrt(unseen[place]),
        )
        for place, setting in enumerate(settings)
    )
    return LensCurve(
        session=session,
        focal_length_mm=asked_mm or focal_mm or math.nan,
        measured_at_mm=(focal_mm,) if focal_mm else (),
        readings=points,
        spread=spread,
        magnification=session.magnifications.get(focal_mm),
    )


def pocket_rows(session: KeptSession, *, zone: str) -> tuple[PocketRow, ...]:
    """The stops to use at each focal length, as the sweep found them; none where it named no best setting."""
    by_focal = zone_series(session.shots, zone) if session.best is not None else {}
    pitch_um = session.pixel_pitch_um
    spread = spread_of([series for _, series in by_focal.values()], pitch_um)
    rows, picks = [], []
    for focal_mm in sorted(by_focal, key=focal_order):
        settings, series = by_focal[focal_mm]
        own = candidates([(settings, series, fit_curve(series, spread, pixel_pitch_um=pitch_um))], spread)
        best = best_setting(own, spread, Selection(place=zone))
        picks.append(value_of_pick(own))
        exact = {
            setting.f_number: float(each) for setting, each in zip(settings, series.f_number, strict=True)
        }
        rows.append(
            PocketRow(
                focal_length_mm=focal_mm,
                zone=zone,
                stops=exact,
                best_f_number=best.f_number,
                enough=best.keeping(POCKET_PERCENT),
                percent=math.nan,
                claimed=spread.repeated,
            )
        )
    percents = [100.0 * math.exp(pick - max(picks)) for pick in picks]
    return tuple(replace(row, percent=percent) for row, percent in zip(rows, percents, strict=True))


def _between(first: LensCurve, second: LensCurve, share: float) -> LensCurve | Note:
    """Curves of two focal lengths of one session mixed, at the stops that both have."""
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
        magnification=median_known([first.magnification, second.magnification]),
    )


def _mixed(first: CurvePoint, second: CurvePoint, share: float) -> CurvePoint:
    """Two readings mixed; in the middle the doubt grows by a quarter of their difference."""
    gap = share * (1.0 - share) * (second.log_mtf50 - first.log_mtf50)
    return replace(
        first,
        exact_f_number=first.exact_f_number * (second.exact_f_number / first.exact_f_number) ** share,
        log_mtf50=(1.0 - share) * first.log_mtf50 + share * second.log_mtf50,
        sd=math.sqrt(((1.0 - share) * first.sd) ** 2 + (share * second.sd) ** 2 + gap**2),
        shots=min(first.shots, second.shots),
        reach=(max(first.reach[0], second.reach[0]), max(first.reach[1], second.reach[1])),
        unseen_sd=max(first.unseen_sd, second.unseen_sd),
    )


def at_stop(curve: LensCurve, f_number: float) -> CurvePoint | Note:
    """Reading of a curve at an f-number, mixed from its neighbours where it was not photographed.

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
    """Signal-to-noise ratio of the chart's edges at an ISO, NaN where it is not known.

    Photon noise alone: the ratio falls with the square root of the ISO.
    """
    known = [shot.snr * math.sqrt(shot.iso / iso) for shot in session.counted if shot.iso and shot.snr]
    return float(median(known)) if known else math.nan
