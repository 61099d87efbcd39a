"""Field curvature, focus shift and astigmatism: from focus brackets, and what can be told without.

A distance between two planes of focus matters by what it costs to focus on the other one. Where several settings were
bracketed the one that it costs most is stated, with an interval that holds for all of them at once (Bonferroni).
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from lensbench.condition.asymmetry import SettingShots, percent
from lensbench.condition.focus_surface import CURVATURE, LEVEL, SPLIT, FocusSurface
from lensbench.model.condition import (
    Astigmatism,
    ConditionFinding,
    Falloff,
    FieldCurvature,
    PlaneDistance,
    SagittalSplit,
    Subject,
    Verdict,
)
from lensbench.model.units import FloatArray
from lensbench.stats import Repeats, moderated, quantile

_MATTERS: Final = 0.05
"""A loss of MTF50 below this share does not show. Common practice, no source."""
_SPLIT_MATTERS: Final = 0.10
"""In log MTF50. Sagittal and tangential edges differ by some percent in every lens. Common practice, no source."""
_AT_HEIGHT: Final = 0.8
_USUAL_SPLIT_SD: Final = 0.03
_NAN: Final = float("nan")


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
    groups: dict[tuple[str, str, float], list[FocusSurface]] = {}
    for surface in surfaces:
        key = (surface.bracket.group, surface.bracket.condition, _order(surface)[0])
        groups.setdefault(key, []).append(surface)
    pairs: dict[tuple[float, ...], list[tuple[FocusSurface, FocusSurface]]] = {}
    for members in groups.values():
        widest, *others = sorted(members, key=_order)
        for other in others:
            pairs.setdefault((*_order(widest), *_order(other)), []).append((widest, other))
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
    splits = _splits(settings) if settings else []
    split = max(splits, key=lambda own: (own.verdict.weight, abs(own.sagittal_percent)), default=None)
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


def _order(surface: FocusSurface) -> tuple[float, float]:
    return surface.bracket.shots[0].planned.setting.order


def _worst(distances: Sequence[PlaneDistance]) -> PlaneDistance | None:
    return max(distances, key=lambda distance: (distance.verdict.weight, distance.loss_percent), default=None)


def _worst_distance(surfaces: Sequence[FocusSurface], which: int) -> PlaneDistance | None:
    """A coefficient of the surface at the setting that it costs most; None without brackets."""
    keys = sorted({_order(surface) for surface in surfaces})
    groups = [[surface for surface in surfaces if _order(surface) == key] for key in keys]
    return _worst(
        [
            _distance(
                group,
                np.array([surface.steps[which] for surface in group]),
                np.array([surface.sd(which) ** 2 for surface in group]),
                freedom=min(surface.freedom for surface in group),
                tests=len(groups),
                height=_AT_HEIGHT**2,
                against=group[0],
            )
            for group in groups
        ]
    )


def _shift(pairs: Sequence[tuple[FocusSurface, FocusSurface]], *, tests: int) -> PlaneDistance:
    return _distance(
        [other for _, other in pairs],
        np.array([other.steps[LEVEL] - widest.steps[LEVEL] for widest, other in pairs]),
        np.array([widest.sd(LEVEL) ** 2 + other.sd(LEVEL) ** 2 for widest, other in pairs]),
        freedom=min(surface.freedom for pair in pairs for surface in pair),
        tests=tests,
        height=1.0,
        against=pairs[0][0],
    )


def _distance(
    group: Sequence[FocusSurface],
    steps: FloatArray,
    variances: FloatArray,
    *,
    freedom: float,
    tests: int,
    height: float,
    against: FocusSurface,
) -> PlaneDistance:
    """Mean of the brackets of one setting; `height` is how much of the distance acts where the loss is stated.

    The spread is their own or their scatter, whichever is larger.
    """
    first = group[0]
    mean = float(np.mean(steps))
    sd = float(np.sqrt(np.mean(variances) / len(group)))
    if len(group) > 1:
        sd = max(sd, float(np.std(steps, ddof=1)) / float(np.sqrt(len(group))))
    reach = quantile(freedom, tests=max(tests, 1)) * sd
    low, loss, high = (
        first.loss(height * size) for size in (max(abs(mean) - reach, 0.0), abs(mean), abs(mean) + reach)
    )
    if abs(mean) > reach and loss >= _MATTERS:
        verdict = Verdict.MATTERS
    else:
        verdict = Verdict.WITHIN_LIMITS if high < 2.0 * _MATTERS else Verdict.CANNOT_TELL
    return PlaneDistance(
        verdict=verdict,
        focal_length_mm=first.bracket.focal_length_mm,
        f_number=first.bracket.f_number,
        against_f_number=against.bracket.f_number,
        steps=mean,
        sd_steps=sd,
        um=mean * first.um_per_step,
        sd_um=sd * abs(first.um_per_step),
        loss_percent=100.0 * loss,
        ci95_percent=(100.0 * low, 100.0 * high),
        brackets=len(group),
    )


def falloff(setting: SettingShots) -> Falloff | None:
    """How much softer the outer zone is than the inner one; None where a zone was not measured."""
    ratios = [
        float(np.log(result.summary["outer"].mtf50_cypx / result.summary["inner"].mtf50_cypx))
        for result in setting.results
        if {"outer", "inner"} <= set(result.summary)
    ]
    known = [ratio for ratio in ratios if np.isfinite(ratio)]
    if not known:
        return None
    sd = float(np.std(known, ddof=1) / np.sqrt(len(known))) if len(known) > 1 else _NAN
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
    splits = []
    for setting, own, spread in zip(
        settings, repeats, moderated(repeats, usual_sd=_USUAL_SPLIT_SD), strict=True
    ):
        uneven = float(np.mean([shape.split_sd**2 for shape in setting.shapes]))
        sd = float(np.sqrt(spread.variance / len(setting.shapes) + uneven))
        reach = quantile(spread.dof, tests=len(settings)) * sd
        log_ratio = float(own.values.mean())
        splits.append(
            SagittalSplit(
                verdict=_split_verdict(abs(log_ratio), reach, shots=len(setting.shapes)),
                focal_length_mm=setting.setting.focal_length_mm,
                f_number=setting.setting.f_number,
                sagittal_percent=float(np.copysign(percent(abs(log_ratio)), log_ratio)),
                reach_percent=100.0 * reach,
                shots=len(setting.shapes),
            )
        )
    return splits


def _split_verdict(size: float, reach: float, *, shots: int) -> Verdict:
    if shots < 2:
        return Verdict.CANNOT_TELL
    if size > reach and size >= _SPLIT_MATTERS:
        return Verdict.MATTERS
    return Verdict.WITHIN_LIMITS if size + reach < 1.5 * _SPLIT_MATTERS else Verdict.CANNOT_TELL
