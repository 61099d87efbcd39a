"""The state of a lens, each point of it as mattering, within limits, or not to be told from these shots.

And the ten-minute test of a used lens, which the plan's shots table asks for: a dozen shots at one or two stops, the
chart once upright and once turned by 180 degrees. They tell a copy that is grossly uneven or soft from a sound one.
They do not find the best stop, so none is named.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby
from math import inf, isfinite, nan
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.condition.aberrations import (
    astigmatism_finding,
    curvature_finding,
    distortion_finding,
    falloff,
    focus_shift_finding,
    lateral_colour_finding,
)
from lensbench.condition.decentring import decentring_finding
from lensbench.condition.field import focus_surface, is_upside_down, settings_of
from lensbench.condition.tilt import tilt_finding
from lensbench.focus import brackets_among, in_bracket
from lensbench.model.condition import (
    QUICK_TEST,
    ConditionFinding,
    Decentring,
    InnerSharpness,
    QuickFindings,
    Subject,
    Verdict,
)
from lensbench.model.setting import Setting
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import LensFindings, SweepShot

_GROSS_PERCENT: Final = 15.0
"""Of MTF50, by which the softest side stays behind: less is common among sound lenses. Common practice, no source."""
_SOFT_SHARE: Final = 0.45
"""Of what diffraction, pixel and a home print let pass at MTF50: below it the centre of a lens stopped down is soft."""
_SOUND_SHARE: Final = 0.6  # From here on it is not. These two: common practice, no source.
_PRINT_SIGMA_MM: Final = 0.1 / optics.RISE_10_90_SIGMAS  # 10-90 % in 0.1 mm; common practice, no source


def lens_condition(shots: Sequence[SweepShot]) -> tuple[ConditionFinding, ...]:
    """State of one lens on one camera, from all its shots, rejected ones included; empty where none counts."""
    used = [shot for shot in shots if shot.used]
    results = [shot.measured for shot in used]
    if not results:
        return ()
    bracketed = in_bracket(used)
    settings = settings_of(shot for shot in used if id(shot) not in bracketed)
    surfaces = [surface for bracket in brackets_among(used) if (surface := focus_surface(bracket))]
    falls = [fall for setting in settings if (fall := falloff(setting)) is not None]
    shot = {shot.planned.setting for shot in used if id(shot) not in bracketed}
    every_stop = len(falls) == len(shot)
    findings = (
        tilt_finding(results),
        decentring_finding(settings, surfaces, results),
        curvature_finding(surfaces, falls, every_stop=every_stop),
        focus_shift_finding(surfaces),
        astigmatism_finding(settings, surfaces, falls, every_stop=every_stop),
        lateral_colour_finding(results),
        distortion_finding(results),
    )
    return tuple(finding for finding in findings if finding is not None)


def with_quick_answer(findings: LensFindings, shots: Sequence[SweepShot]) -> LensFindings:
    """Put the ten-minute test's answer in the place of a best setting, where the shots table asks for it.

    Any other findings are given back as they are.
    """
    used = [shot for shot in shots if shot.used]
    if not used or not all(shot.planned.condition.casefold().startswith(QUICK_TEST) for shot in used):
        return findings
    focals = tuple(
        replace(focal, best_f_number=nan, tied_f_numbers=(), best_by_zone={}, best_by_purpose={})
        for focal in findings.by_focal_length
    )
    return replace(
        findings,
        best=None,
        best_by_zone={},
        best_by_purpose={},
        zoom_at_own_best=None,
        zoom_at_equal_stop=(),
        by_focal_length=focals,
        quick=_quick_findings(findings.condition, used),
    )


def _quick_findings(condition: Sequence[ConditionFinding], shots: Sequence[SweepShot]) -> QuickFindings:
    decentring = next((own for own in condition if own.subject is Subject.DECENTRING), None)
    uneven = Verdict.CANNOT_TELL if decentring is None else decentring.verdict
    details = decentring.details if decentring is not None else None
    rows = details.rows if isinstance(details, Decentring) else ()
    # Where nothing tells the size of what matters, it may be gross.
    largest = max((row.percent for row in rows if row.matters), default=inf)
    slightly = uneven is Verdict.MATTERS and largest < _GROSS_PERCENT
    if isinstance(details, Decentring) and uneven is Verdict.CANNOT_TELL:
        bounds = (details.detection_limit_percent, details.lean_limit_percent)
        if all(bound < _GROSS_PERCENT for bound in bounds):
            uneven = Verdict.WITHIN_LIMITS
    inner = _inner_sharpness(shots)
    least = min((length.share_percent for length in inner), default=nan)
    soft = Verdict.WITHIN_LIMITS if least >= 100.0 * _SOUND_SHARE else Verdict.CANNOT_TELL
    return QuickFindings(
        grossly_uneven=Verdict.WITHIN_LIMITS if slightly else uneven,
        slightly_uneven=slightly,
        grossly_soft=Verdict.MATTERS if least < 100.0 * _SOFT_SHARE else soft,
        inner=inner,
        turned_shots=sum(is_upside_down(shot.measured) for shot in shots),
    )


def _inner_sharpness(shots: Sequence[SweepShot]) -> tuple[InnerSharpness, ...]:
    """The inner zone at the narrower stop of each focal length; the sharpest shot counts, for focus."""
    sharpest = dict[Setting, ShotResult]()
    for shot in shots:
        setting = shot.planned.setting
        if isinstance(shot.result, ShotResult):
            best = sharpest.get(setting)
            figures = [np.nan_to_num(_zone_cypx(result, "frame")) for result in (shot.result, best) if result]
            if len(figures) < 2 or figures[0] > figures[1]:
                sharpest[setting] = shot.result
    inner = []
    by_order = sorted(sharpest, key=lambda setting: setting.order)
    for _, members in groupby(by_order, key=lambda setting: setting.focal_length_mm):
        stops = list(members)
        wide, narrow = sharpest[stops[0]], sharpest[stops[-1]]
        share = _zone_cypx(narrow, "inner") / _bound_cypx(narrow)
        if isfinite(share):
            changes = [_zone_cypx(wide, zone) / _zone_cypx(narrow, zone) - 1.0 for zone in ("inner", "outer")]
            inner.append(
                InnerSharpness(
                    focal_length_mm=stops[-1].focal_length_mm,
                    f_number=stops[-1].f_number,
                    share_percent=100.0 * share,
                    wide_f_number=stops[0].f_number if len(stops) > 1 else nan,
                    wide_inner_percent=100.0 * changes[0],
                    wide_outer_percent=100.0 * changes[1],
                )
            )
    return tuple(inner)


def _zone_cypx(result: ShotResult, zone: str) -> float:
    figure = result.summary.get(zone)
    return figure.mtf50_cypx if figure is not None else nan


def _bound_cypx(result: ShotResult) -> float:
    """MTF50 of a perfect lens before a home print on this sensor; NaN where it cannot be known."""
    f_number, pitch_um, m = result.metadata.f_number, result.pixel_pitch_um, result.magnification
    if f_number is None or pitch_um is None or m is None:
        return nan
    q = optics.working_q(f_number, pixel_pitch_um=pitch_um, magnification=m)
    sigma_px = optics.print_blur_px(_PRINT_SIGMA_MM, magnification=m, pixel_pitch_um=pitch_um)
    if any(remark.flag == "print_divided" for remark in result.quality):
        sigma_px = 0.0
    return optics.allowed_mtf50_cypx(q, sigma_px=sigma_px)
