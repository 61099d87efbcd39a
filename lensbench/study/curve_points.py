"""The curves of one focal length, and what a report shows of them: points, smooth lines, figures by zone."""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from lensbench.records import ZoneFigure
from lensbench.study.curves import Curve, Spread, ZoneSeries, fit_curve
from lensbench.study.findings import CurvePoint, Setting, SmoothCurve
from lensbench.study.purposes import PLACES
from lensbench.study.rivals import ZoneCurve
from lensbench.study.series import FocalShots, zone_series

__all__ = ["PlaceCurves", "curve_points", "place_curves", "smooth_curve", "zone_at"]

_SMOOTH_POINTS: Final = 60

PlaceCurves = dict[str, ZoneCurve]
"""By zone and purpose."""


def place_curves(focal: FocalShots, spreads: Mapping[str, Spread]) -> PlaceCurves:
    """Lay a curve through every zone and purpose that was seen at one focal length."""
    curves: PlaceCurves = {}
    for place in PLACES:
        if series := zone_series(focal, place):
            names = tuple(
                Setting(focal_length_mm=focal.focal_length_mm, f_number=focal.nominal(exact))
                for exact in series.f_number
            )
            curve = fit_curve(series, spreads[place], pixel_pitch_um=focal.pixel_pitch_um)
            curves[place] = (names, series, curve)
    return curves


def curve_points(zone: str, curve: ZoneCurve, spread: Spread) -> list[CurvePoint]:
    """Give what was measured and what is believed at every stop of one zone."""
    names, series, believed = curve
    middles = spread.middles(series)
    return [
        CurvePoint(
            f_number=name.f_number,
            zone=zone,
            mtf50_cypx=float(np.exp(believed.estimate[index])),
            ci95_cypx=_interval(believed, index, spread),
            shots=len(series.log_shots[index]),
            exact_f_number=float(series.f_number[index]),
            measured_cypx=float(np.exp(middles[index])),
            shot_mtf50_cypx=tuple(float(np.exp(value)) for value in series.log_shots[index]),
        )
        for index, name in enumerate(names)
    ]


def _interval(curve: Curve, index: int, spread: Spread) -> tuple[float, float]:
    if not spread.known:
        return float("nan"), float("nan")
    half = spread.quantile * curve.sd[index]
    middle = curve.estimate[index]
    return float(np.exp(middle - half)), float(np.exp(middle + half))


def zone_at(
    focal: FocalShots,
    zone: str,
    curve: ZoneCurve,
    spread: Spread,
    f_number: float,
) -> ZoneFigure:
    """Give the figures of one zone at one stop."""
    names, _, believed = curve
    index = next(i for i, name in enumerate(names) if name.f_number == f_number)
    figures = focal.figures(zone, f_number)
    return ZoneFigure(
        mtf50_cypx=float(np.exp(believed.estimate[index])),
        ci95_cypx=_interval(believed, index, spread),
        edges=sum(figure.edges for figure in figures),
        sagittal_cypx=_mean([figure.sagittal_cypx for figure in figures]),
        tangential_cypx=_mean([figure.tangential_cypx for figure in figures]),
    )


def _mean(values: Sequence[float]) -> float:
    finite = [value for value in values if np.isfinite(value)]
    return float(np.mean(finite)) if finite else float("nan")


def smooth_curve(series: ZoneSeries, curve: Curve) -> SmoothCurve:
    """Give the model's curve through one zone's points, for drawing."""
    stops = np.geomspace(series.f_number[0], series.f_number[-1], _SMOOTH_POINTS)
    return SmoothCurve(
        f_number=stops, mtf50_cypx=np.exp(curve.fit.at(stops)), fits=curve.fits, note=curve.note
    )
