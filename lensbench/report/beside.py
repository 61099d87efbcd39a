"""What the chart tells of a lens beside sharpness: distortion, the fall of light, how much of the frame was covered."""

from collections.abc import Sequence
from math import isfinite, log2
from statistics import median

from lensbench.records import ShotResult
from lensbench.report.panels import Grid
from lensbench.report.readings import NOT_MEASURED, f_stop, focal_length
from lensbench.study.findings import LensFindings, SweepShot

__all__ = ["beside_grid"]


def beside_grid(lens: LensFindings, shots: Sequence[SweepShot]) -> Grid | None:
    """Give a row for every focal length, of the shots used; None where the chart tells nothing."""
    rows = []
    for focal in lens.by_focal_length:
        results = [
            (shot.planned.setting.f_number, shot.result)
            for shot in shots
            if shot.used
            and isinstance(shot.result, ShotResult)
            and shot.planned.setting.focal_length_mm == focal.focal_length_mm
        ]
        if any(isfinite(result.chart.framing_percent) for _, result in results):
            rows.append(_row(focal.focal_length_mm, results))
    if not rows:
        return None
    return Grid(
        caption="Median of the photographs used; light in percent of the middle's, from the chart's paper",
        header=(
            "focal length",
            "distortion at the corner",
            "light far out, widest stop",
            "light far out, narrowest stop",
            "picture covered by targets",
        ),
        rows=tuple(rows),
    )


def _row(focal_mm: float | None, results: Sequence[tuple[float | None, ShotResult]]) -> tuple[str, ...]:
    stops = sorted({stop for stop, _ in results if stop is not None})
    light = [
        _light(stop, [result for at, result in results if at == stop]) for stop in stops[:1] + stops[-1:]
    ]
    distortion = _middle([result.chart.radial_distortion_percent for _, result in results])
    framing = _middle([result.chart.framing_percent for _, result in results])
    return (
        focal_length(focal_mm),
        NOT_MEASURED if distortion is None else f"{distortion:+.1f} %",
        *(light or [NOT_MEASURED, NOT_MEASURED]),
        NOT_MEASURED if framing is None else f"{framing:.0f} %",
    )


def _light(stop: float, results: Sequence[ShotResult]) -> str:
    """Say the paper's brightness at the outermost targets' distance, and in stops."""
    percent = _middle([result.chart.outermost_light_percent for result in results])
    height = _middle([result.chart.outermost_height for result in results])
    if percent is None or height is None or percent <= 0.0:
        return NOT_MEASURED
    stops = round(log2(percent / 100.0), 1) + 0.0  # no -0.0
    return f"{f_stop(stop)}: {percent:.0f} % ({stops:+.1f} stops)\n{height:.2f} of the way to the corner"


def _middle(values: Sequence[float]) -> float | None:
    finite = [value for value in values if isfinite(value)]
    return median(finite) if finite else None
