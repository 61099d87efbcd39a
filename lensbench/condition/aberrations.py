"""Field curvature, focus shift and astigmatism, from focus brackets and without; lateral colour and distortion.

A distance between two planes of focus matters by what it costs to focus on the other one. Where several settings were
bracketed the one that it costs most is stated, with an interval that holds for all of them at once (Bonferroni).
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from math import isfinite, nan
from typing import Final

import numpy as np

from lensbench.condition.field import (
    CURVATURE,
    LEVEL,
    SPLIT,
    FocusSurface,
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
_USUAL_SPLIT_SD: Final = 0.03


def curvature_finding(surfaces: Sequence[FocusSurface], fall: Falloff | None) -> ConditionFinding:
    """Whether the corners are sharpest at another focus than the centre.

    Without focus brackets only an outer zone as sharp as the inner one shows that no curved field costs it much.
    """
    distance = _worst_distance(surfaces, CURVATURE)
    if distance is not None:
        return _of_distance(
            Subject.FIELD_CURVATURE, distance, FieldCurvature(distance=distance, falloff=fall)
        )
    details = FieldCurvature(distance=None, falloff=fall)
    finding = ConditionFinding(subject=Subject.FIELD_CURVATURE, limit=100.0 * _MATTERS, details=details)
    if fall is None or not _is_level(fall):
        return finding
    at_most = max(fall.percent + 2.0 * fall.sd_percent, 0.0)
    return replace(finding, verdict=Verdict.WITHIN_LIMITS, value=max(fall.percent, 0.0), ci95=(0.0, at_most))


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
    settings: Sequence[SettingShots], surfaces: Sequence[FocusSurface], fall: Falloff | None
) -> ConditionFinding:
    """Whether sagittal and tangential edges differ, and whether that is a matter of focus.

    A focus midway between the two planes makes both equally soft: without a bracket, only an outer zone as sharp as
    the inner one shows that there is none.
    """
    split = max(
        _splits(settings), key=lambda own: (own.verdict.weight, abs(own.sagittal_percent)), default=None
    )
    distance = _worst_distance(surfaces, SPLIT)
    details = Astigmatism(split=split, distance=distance)
    if distance is not None and (split is None or distance.verdict.weight >= split.verdict.weight):
        return _of_distance(Subject.ASTIGMATISM, distance, details)
    limit = percent(_SPLIT_MATTERS)
    if split is None:
        return ConditionFinding(subject=Subject.ASTIGMATISM, limit=limit)
    verdict = split.verdict
    if verdict is Verdict.WITHIN_LIMITS and distance is None and (fall is None or not _is_level(fall)):
        verdict = Verdict.CANNOT_TELL
    log_size, reach = -np.log1p(-abs(split.sagittal_percent) / 100.0), split.reach_percent / 100.0
    return ConditionFinding(
        subject=Subject.ASTIGMATISM,
        verdict=verdict,
        limit=limit,
        value=abs(split.sagittal_percent),
        ci95=(percent(max(log_size - reach, 0.0)), percent(log_size + reach)),
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


def _worst_distance(surfaces: Sequence[FocusSurface], which: int) -> PlaneDistance | None:
    """A coefficient of the surface at the setting that it costs most; None without brackets."""
    groups = defaultdict[Setting, list[FocusSurface]](list)
    for surface in sorted(surfaces, key=lambda surface: surface.setting.order):
        groups[surface.setting].append(surface)
    return _worst(
        [
            _distance(
                alike,
                np.array([surface.steps[which] for surface in alike]),
                np.array([surface.covariance[which, which] for surface in alike]),
                freedom=min(surface.freedom for surface in alike),
                tests=len(groups),
                height=_AT_HEIGHT**2,
            )
            for alike in groups.values()
        ]
    )


def _shift(pairs: Sequence[tuple[FocusSurface, FocusSurface]], *, tests: int) -> PlaneDistance:
    """Distance from the best focus at the widest stop to that at another, from the brackets of both."""
    distance = _distance(
        [other for _, other in pairs],
        np.array([other.steps[LEVEL] - widest.steps[LEVEL] for widest, other in pairs]),
        np.array([sum(surface.covariance[LEVEL, LEVEL] for surface in pair) for pair in pairs]),
        freedom=min(surface.freedom for pair in pairs for surface in pair),
        tests=tests,
        height=1.0,
    )
    return replace(distance, against_f_number=pairs[0][0].setting.f_number)


def _distance(
    alike: Sequence[FocusSurface],
    steps: FloatArray,
    variances: FloatArray,
    *,
    freedom: float,
    tests: int,
    height: float,
) -> PlaneDistance:
    """Mean of one setting's brackets, of which `height` acts; its spread is their own or their scatter, if larger."""
    first, mean = alike[0], float(np.mean(steps))
    sd = float(np.sqrt(np.mean(variances) / len(alike)))
    if len(alike) > 1:
        sd = max(sd, float(np.std(steps, ddof=1)) / float(np.sqrt(len(alike))))
    reach = quantile(freedom, tests=tests) * sd
    low, loss, high = (
        first.loss(height * size) for size in (max(abs(mean) - reach, 0.0), abs(mean), abs(mean) + reach)
    )
    return PlaneDistance(
        verdict=judged(loss, sure=abs(mean) > reach, limit=_MATTERS, at_most=high, bound=2.0 * _MATTERS),
        focal_length_mm=first.setting.focal_length_mm,
        f_number=first.setting.f_number,
        against_f_number=first.setting.f_number,
        steps=mean,
        sd_steps=sd,
        um=mean * first.um_per_step,
        sd_um=sd * abs(first.um_per_step),
        loss_percent=100.0 * loss,
        ci95_percent=(100.0 * low, 100.0 * high),
        brackets=len(alike),
    )


def falloff(setting: SettingShots) -> Falloff | None:
    """How much softer the outer zone is than the inner one; None where a zone was not measured."""
    summaries = [result.summary for result in setting.results if {"outer", "inner"} <= set(result.summary)]
    ratios = [np.log(zones["outer"].mtf50_cypx / zones["inner"].mtf50_cypx) for zones in summaries]
    known = [float(ratio) for ratio in ratios if np.isfinite(ratio)]
    if not known:
        return None
    sd = float(np.std(known, ddof=1) / np.sqrt(len(known))) if len(known) > 1 else nan
    return Falloff(
        focal_length_mm=setting.setting.focal_length_mm,
        f_number=setting.setting.f_number,
        percent=float(-100.0 * np.expm1(np.mean(known))),
        sd_percent=100.0 * sd,
        shots=len(known),
    )


def _is_level(fall: Falloff) -> bool:
    """Whether the outer zone is as sharp as the inner one, so that no focus of its own can cost it much."""
    return fall.shots > 1 and fall.percent + 2.0 * fall.sd_percent < 100.0 * _MATTERS


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
        splits.append(
            SagittalSplit(
                verdict=judged(
                    size,
                    sure=shots > 1 and size > reach,
                    limit=_SPLIT_MATTERS,
                    at_most=size + reach if shots > 1 else float("inf"),
                    bound=1.5 * _SPLIT_MATTERS,
                ),
                focal_length_mm=setting.setting.focal_length_mm,
                f_number=setting.setting.f_number,
                sagittal_percent=float(np.copysign(percent(size), log_ratio)),
                reach_percent=100.0 * reach,
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
    size = abs(value)
    return judged(size, sure=size > reach, limit=matters, at_most=size + reach, bound=1.5 * matters)


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
