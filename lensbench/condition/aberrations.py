"""Field curvature, focus shift and astigmatism, from focus brackets and without; lateral colour and distortion.

A distance between two planes of focus matters by what it costs to focus on the other one. Where several settings were
bracketed the one that it costs most is stated, with an interval that holds for all of them at once (Bonferroni). The
distance is that of the outermost target that has a peak; nothing is drawn out beyond it.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from math import inf, isfinite, nan
from typing import Final

import numpy as np

from lensbench.condition.field import (
    STEP_DOUBT,
    FocusSurface,
    Part,
    SettingShots,
    judged,
    percent,
    robust_fit,
)
from lensbench.model.condition import (
    Astigmatism,
    Colour,
    ColourShift,
    ConditionFinding,
    Distortion,
    Falloff,
    FieldCurvature,
    LateralColour,
    PlaneDistance,
    SagittalSplit,
    Subject,
    Verdict,
)
from lensbench.model.measured import median_known
from lensbench.model.setting import Setting
from lensbench.model.shot import ShotResult
from lensbench.model.units import FloatArray
from lensbench.stats import Repeats, moderated, quantile

_MATTERS: Final = 0.05  # A loss of MTF50 below this share does not show. Common practice, no source.
_SPLIT_MATTERS: Final = 0.10
"""In log MTF50. Sagittal and tangential edges differ by some percent in every lens. Common practice, no source."""
_AT_HEIGHT: Final = 0.8
_OUTWARD: Final = ("middle", "outer")
_USUAL_SPLIT_SD: Final = 0.03


def curvature_finding(
    surfaces: Sequence[FocusSurface], falls: Sequence[Falloff], *, every_stop: bool
) -> ConditionFinding:
    """Whether the corners are sharpest at another focus than the centre.

    Without focus brackets only zones that are equally sharp at every stop show that no curved field costs them much;
    `every_stop` tells whether the zones of all that were shot are known.
    """
    worst = max(falls, key=lambda fall: fall.percent, default=None)
    distance = _worst_distance(surfaces, Part.CURVATURE)
    if distance is not None:
        return _of_distance(
            Subject.FIELD_CURVATURE, distance, FieldCurvature(distance=distance, falloff=worst)
        )
    details = FieldCurvature(distance=None, falloff=worst)
    finding = ConditionFinding(subject=Subject.FIELD_CURVATURE, limit=100.0 * _MATTERS, details=details)
    if worst is None or not (every_stop and _is_level(falls, _MATTERS)):
        return finding
    return replace(
        finding,
        verdict=Verdict.WITHIN_LIMITS,
        value=max(worst.percent, 0.0),
        ci95=(0.0, max(worst.percent + worst.reach_percent, 0.0)),
    )


def focus_shift_finding(surfaces: Sequence[FocusSurface]) -> ConditionFinding:
    """Whether the focus moves on stopping down.

    From the widest bracketed stop of a focus group to the one where it costs most; only brackets of one focus group
    share their steps.
    """
    groups = defaultdict[tuple[str, str, float | None], list[FocusSurface]](list)
    for surface in surfaces:
        plan = surface.bracket.plan
        groups[plan.focus_group, plan.condition, plan.setting.focal_length_mm].append(surface)
    pairs = defaultdict[tuple[Setting, Setting], list[tuple[FocusSurface, FocusSurface]]](list)
    for members in groups.values():
        widest, *others = sorted(members, key=lambda surface: surface.setting.order)
        for other in others:
            pairs[widest.setting, other.setting].append((widest, other))
    distance = _worst([_shift(alike, tests=len(pairs)) for alike in pairs.values()])
    if distance is None:
        return ConditionFinding(subject=Subject.FOCUS_SHIFT, limit=100.0 * _MATTERS)
    return _of_distance(Subject.FOCUS_SHIFT, distance, distance)


def astigmatism_finding(
    settings: Sequence[SettingShots],
    surfaces: Sequence[FocusSurface],
    falls: Sequence[Falloff],
    *,
    every_stop: bool,
) -> ConditionFinding:
    """Whether sagittal and tangential edges have planes of focus of their own, which a focus bracket alone tells.

    A focus midway between them makes both equally soft, by a quarter of what planes so far apart cost; and coma parts
    the edges without them. So without a bracket only zones that are as sharp as that at every stop, edges of both kinds
    alike, show that there is nothing.
    """
    split = max(
        _splits(settings), key=lambda own: (own.verdict.weight, abs(own.sagittal_percent)), default=None
    )
    distance = _worst_distance(surfaces, Part.SPLIT)
    details = Astigmatism(split=split, distance=distance)
    if distance is not None:
        return _of_distance(Subject.ASTIGMATISM, distance, details)
    if split is None:
        return ConditionFinding(subject=Subject.ASTIGMATISM, limit=100.0 * _MATTERS)
    within = split.verdict is Verdict.WITHIN_LIMITS and every_stop and _is_level(falls, 0.25 * _MATTERS)
    return ConditionFinding(
        subject=Subject.ASTIGMATISM,
        verdict=Verdict.WITHIN_LIMITS if within else Verdict.CANNOT_TELL,
        limit=percent(_SPLIT_MATTERS),
        value=abs(split.sagittal_percent),
        ci95=split.ci95_percent,
        details=details,
    )


def _of_distance(
    subject: Subject, distance: PlaneDistance, details: PlaneDistance | FieldCurvature | Astigmatism
) -> ConditionFinding:
    return ConditionFinding(
        subject=subject,
        verdict=distance.verdict,
        limit=100.0 * _MATTERS,
        value=distance.loss_percent,
        ci95=distance.ci95_percent,
        details=details,
    )


def _worst(distances: Sequence[PlaneDistance]) -> PlaneDistance | None:
    return max(distances, key=lambda distance: (distance.verdict.weight, distance.loss_percent), default=None)


def _worst_distance(surfaces: Sequence[FocusSurface], part: Part) -> PlaneDistance | None:
    """A part of the surface at the setting that it costs most; None without brackets that reach the outer field.

    Nothing is within limits while another setting's bracket ends before it.
    """
    groups = defaultdict[Setting, list[FocusSurface]](list)
    reaching = (surface for surface in surfaces if surface.reaches_outer)
    for surface in sorted(reaching, key=lambda surface: surface.setting.order):
        groups[surface.setting].append(surface)
    worst = _worst([_of_part(alike, part, tests=len(groups)) for alike in groups.values()])
    unsure = not all(surface.reaches_outer for surface in surfaces)
    return None if worst and unsure and worst.verdict is Verdict.WITHIN_LIMITS else worst


def _of_part(alike: Sequence[FocusSurface], part: Part, *, tests: int) -> PlaneDistance:
    """Told at the outermost target; what it costs, at the height that stands for the outer zone."""
    outermost = min(surface.outermost for surface in alike)
    told, acting = (
        np.array([surface.at(part, height) for surface in alike]) for height in (outermost, _AT_HEIGHT)
    )
    return _distance(alike, told, acting, height=outermost, tests=tests)


def _shift(pairs: Sequence[tuple[FocusSurface, FocusSurface]], *, tests: int) -> PlaneDistance:
    """Distance from the best focus of the centre at the widest stop to that at another, from the brackets of both."""
    levels = np.array([[surface.at(Part.LEVEL, 0.0) for surface in pair] for pair in pairs])
    shifts = np.column_stack((levels[:, 1, 0] - levels[:, 0, 0], levels[:, :, 1].sum(axis=1)))
    distance = _distance([other for _, other in pairs], shifts, shifts, height=0.0, tests=tests)
    return replace(distance, against_f_number=pairs[0][0].setting.f_number)


def _distance(
    alike: Sequence[FocusSurface], told: FloatArray, acting: FloatArray, *, height: float, tests: int
) -> PlaneDistance:
    """Mean of one setting's brackets: steps and variance of each, as told and as they act on the outer zone."""
    first = alike[0]
    (steps, sd_steps), (mean, sd) = _mean_steps(told), _mean_steps(acting)
    reach = quantile(min(surface.freedom for surface in alike), tests=tests) * sd
    low, loss, high = (
        first.loss(size, inner=not height)
        for size in (max(abs(mean) - reach, 0.0), abs(mean), abs(mean) + reach)
    )
    return PlaneDistance(
        verdict=judged(low, high, limit=_MATTERS),
        focal_length_mm=first.setting.focal_length_mm,
        f_number=first.setting.f_number,
        against_f_number=first.setting.f_number,
        steps=steps,
        sd_steps=sd_steps,
        um=steps * first.um_per_step,
        sd_um=sd_steps * abs(first.um_per_step),
        image_height=height,
        loss_percent=100.0 * loss,
        ci95_percent=(100.0 * low, 100.0 * high),
        brackets=len(alike),
    )


def _mean_steps(of_brackets: FloatArray) -> tuple[float, float]:
    """Mean and its sd of brackets, shape (brackets, 2): their own, or their scatter, if larger; and the model's."""
    steps, variances = of_brackets.T
    mean, sd = float(np.mean(steps)), float(np.sqrt(np.mean(variances) / len(steps)))
    if len(steps) > 1:
        sd = max(sd, float(np.std(steps, ddof=1)) / float(np.sqrt(len(steps))))
    return mean, float(np.hypot(sd, STEP_DOUBT * mean))


def falloff(setting: SettingShots) -> Falloff | None:
    """How much softer the outer zone is than the inner one; None where a zone was not measured."""
    falls = [
        [np.log(result.summary["inner"].mtf50_cypx / result.summary[zone].mtf50_cypx) for zone in _OUTWARD]
        for result in setting.results
        if {"inner", *_OUTWARD} <= set(result.summary)
    ]
    known = np.array([fall for fall in falls if np.all(np.isfinite(fall))])
    if not len(known):
        return None
    (middle, outer), reach = known.mean(axis=0), nan
    if len(known) > 1:
        reach = quantile(len(known) - 1.0) * float(np.std(known[:, 1], ddof=1)) / float(np.sqrt(len(known)))
    return Falloff(
        focal_length_mm=setting.setting.focal_length_mm,
        f_number=setting.setting.f_number,
        percent=float(-100.0 * np.expm1(-outer)),
        reach_percent=100.0 * reach,
        middle_percent=float(-100.0 * np.expm1(-middle)),
        shots=len(known),
    )


def _is_level(falls: Sequence[Falloff], limit: float) -> bool:
    """Whether all zones are as sharp at every stop, so that no focus of its own can cost the outer one that share.

    A middle zone that is the sharpest would speak for a focus between those of centre and corners.
    """
    most = 100.0 * limit
    return bool(falls) and all(
        fall.percent + fall.reach_percent < most and abs(fall.middle_percent) < most for fall in falls
    )


def _splits(settings: Sequence[SettingShots]) -> list[SagittalSplit]:
    """Sagittal against tangential sharpness at every setting, at image height 0.8."""
    repeats = [
        Repeats(
            values=np.array([[shape.split] for shape in setting.shapes]), alike=(0,) * len(setting.shapes)
        )
        for setting in settings
    ]
    spreads = moderated(repeats, usual_sd=_USUAL_SPLIT_SD)
    splits = []
    for setting, own, spread in zip(settings, repeats, spreads, strict=True):
        shots = len(setting.shapes)
        uneven = float(np.mean([shape.split_sd**2 for shape in setting.shapes]))
        reach = quantile(spread.dof, tests=len(settings)) * float(np.sqrt(spread.variance / shots + uneven))
        log_ratio = float(own.values.mean())
        size = abs(log_ratio)
        low, high = (max(size - reach, 0.0), size + reach) if shots > 1 else (0.0, inf)
        splits.append(
            SagittalSplit(
                verdict=judged(low, high, limit=_SPLIT_MATTERS) if shots > 1 else Verdict.CANNOT_TELL,
                focal_length_mm=setting.setting.focal_length_mm,
                f_number=setting.setting.f_number,
                sagittal_percent=float(np.copysign(percent(size), log_ratio)),
                ci95_percent=(percent(low), percent(high)),
                shots=shots,
            )
        )
    return splits


_COLOUR_MATTERS_PX: Final = 0.5  # in the corner, begins to show. Common practice, no source.
_DISTORTION_MATTERS_PERCENT: Final = 1.0  # lines begin to look bent. Common practice, no source.
_FEWEST_EDGES: Final = 8


def lateral_colour_finding(results: Sequence[ShotResult]) -> ConditionFinding:
    """How far red and blue fall beside green in the corner, at the focal length that shows most."""
    shifts = []
    for focal, members in _by_focal(results).items():
        pitch_um = median_known([result.pixel_pitch_um or None for result in members]) or float("nan")
        for which, colour in enumerate(Colour):
            corners = [px for result in members if isfinite(px := _corner_shift_px(result, which))]
            if corners:
                px, reach_px = _median(corners)
                shift = ColourShift(
                    verdict=_verdict(px, reach_px, _COLOUR_MATTERS_PX),
                    colour=colour,
                    focal_length_mm=focal,
                    px=px,
                    reach_px=reach_px,
                    um=px * pitch_um,
                    shots=len(corners),
                )
                shifts.append(shift)
    if not shifts:
        return ConditionFinding(subject=Subject.LATERAL_COLOUR, limit=_COLOUR_MATTERS_PX, unit="px")
    main = max(shifts, key=lambda shift: (shift.verdict is Verdict.MATTERS, abs(shift.px)))
    return ConditionFinding(
        subject=Subject.LATERAL_COLOUR,
        verdict=max((shift.verdict for shift in shifts), key=lambda verdict: verdict.weight),
        limit=_COLOUR_MATTERS_PX,
        unit="px",
        value=main.px,
        ci95=(main.px - main.reach_px, main.px + main.reach_px),
        details=LateralColour(shifts=tuple(shifts), main=main),
    )


def distortion_finding(results: Sequence[ShotResult]) -> ConditionFinding | None:
    """How far straight lines bend, at the focal length that shows most; None where no shot tells it."""
    told = [result for result in results if isfinite(result.chart.radial_distortion_percent)]
    by_focal = _by_focal(told)
    if not by_focal:
        return None
    distortions = []
    for focal, members in by_focal.items():
        value, reach = _median([result.chart.radial_distortion_percent for result in members])
        distortion = Distortion(
            verdict=_verdict(value, reach, _DISTORTION_MATTERS_PERCENT),
            focal_length_mm=focal,
            percent=value,
            reach_percent=reach,
            shots=len(members),
            focal_lengths=len(by_focal),
        )
        distortions.append(distortion)
    main = max(distortions, key=lambda own: (own.verdict is Verdict.MATTERS, abs(own.percent)))
    return ConditionFinding(
        subject=Subject.DISTORTION,
        verdict=max((own.verdict for own in distortions), key=lambda verdict: verdict.weight),
        limit=_DISTORTION_MATTERS_PERCENT,
        value=main.percent,
        ci95=(main.percent - main.reach_percent, main.percent + main.reach_percent),
        details=main,
    )


def _verdict(value: float, reach: float, matters: float) -> Verdict:
    """From one shot alone the reach is NaN, and nothing can be told."""
    return judged(abs(value) - reach, abs(value) + reach, limit=matters)


def _by_focal(results: Sequence[ShotResult]) -> dict[float, list[ShotResult]]:
    groups: dict[float, list[ShotResult]] = defaultdict(list)
    for result in results:
        groups[round(result.metadata.focal_length_mm or 0.0)].append(result)
    return dict(sorted(groups.items()))


def _median(values: Sequence[float]) -> tuple[float, float]:
    """Median, and half the interval of 95 % of the mean; NaN for a single value."""
    median = float(np.median(values))
    if len(values) < 2:
        return median, float("nan")
    sd = float(np.std(values, ddof=1))
    return median, quantile(len(values) - 1.0) * sd / float(np.sqrt(len(values)))


def _corner_shift_px(result: ShotResult, which: int) -> float:
    """Shift in the corner of one shot, by height and its third power; NaN where too few edges tell it."""
    points = [
        (edge.image_height, edge.edge.lateral_color_px[which])
        for edge in result.edges
        if edge.edge.lateral_color_px is not None and isfinite(edge.edge.lateral_color_px[which])
    ]
    if len(points) < _FEWEST_EDGES:
        return float("nan")
    height, shift = np.array(points).T
    fit, _ = robust_fit(np.column_stack((height, height**3)), shift)
    return float(fit.sum())
