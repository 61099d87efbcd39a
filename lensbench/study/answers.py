"""The answer in plain sentences."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from lensbench.records import ShotResult
from lensbench.study.findings import BestSetting, FocalLengthFindings, LensFindings
from lensbench.study.series import FocalShots

__all__ = ["answer_sentence", "holds_for", "stop_range"]

_SOFT_END: Final = 0.10
"""A focal length whose best stays behind by more than this is named. Common practice, no source."""


def answer_sentence(findings: LensFindings) -> str:
    """Say what to set, what is as good, and what is weak, in two to four sentences."""
    best = findings.best
    if best is None:
        return f"{findings.lens}: no setting could be measured."
    zoom = len(findings.by_focal_length) > 1
    parts = [_set_to(findings.lens, best, zoom=zoom), _equal_lengths(best) if zoom else ""]
    parts += [_equal_stops(one, zoom=zoom) for one in findings.by_focal_length]
    parts += [_weak_ends(findings.by_focal_length)] if zoom else []
    parts.append(best.caution)
    return " ".join(part for part in parts if part)


def _set_to(lens: str, best: BestSetting, *, zoom: bool) -> str:
    stop = f"f/{best.f_number:g}"
    setting = f"{_length(best.focal_length_mm)} and {stop}" if zoom else stop
    tested = " (best tested: it ends the series, and a better one may lie beyond)" if best.at_border else ""
    return f"{lens}: set {setting}{tested} for the sharpest whole frame."


def _equal_stops(focal: FocalLengthFindings, *, zoom: bool) -> str:
    tested = sorted(point.f_number for point in focal.curve if point.zone == "frame")
    at = f"At {_length(focal.focal_length_mm)} " if zoom else ""
    if len(tested) < 2:
        return f"{at}only f/{focal.best_f_number:g} was tested." if at else "No other f-stop was tested."
    if len(focal.tied_f_numbers) < 2:
        return f"{at}f/{focal.best_f_number:g} stands alone." if at else "No other f-stop comes up to it."
    text = f"{at}{stop_range(focal.tied_f_numbers, tested)} {_tie_in_words(focal)}."
    return text[0].upper() + text[1:] if zoom else text


def _tie_in_words(focal: FocalLengthFindings) -> str:
    """Say whether the tied stops can't be told apart, or can but differ by too little to matter."""
    frame = {point.f_number: point.ci95_cypx for point in focal.curve if point.zone == "frame"}
    tied = [frame[stop] for stop in focal.tied_f_numbers if stop in frame]
    apart = max(low for low, _ in tied) > min(high for _, high in tied) if tied else False
    return "differ by less than 3 %, which hardly shows" if apart else "can't be told apart"


def stop_range(f_numbers: Sequence[float], tested: Sequence[float]) -> str:
    """Name f-stops as a range where no tested one is left out between.

    >>> stop_range((4.0, 5.6, 8.0), (2.8, 4.0, 5.6, 8.0, 11.0))
    'f/4 to f/8'
    >>> stop_range((4.0, 8.0), (4.0, 5.6, 8.0))
    'f/4 and f/8'
    """
    names = [f"f/{f_number:g}" for f_number in sorted(f_numbers)]
    between = [f_number for f_number in tested if min(f_numbers) <= f_number <= max(f_numbers)]
    if len(names) > 2 and len(set(between)) == len(names):
        return f"{names[0]} to {names[-1]}"
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _equal_lengths(best: BestSetting) -> str:
    """Name the other focal lengths that come up to the best one, at their own best stop."""
    others = sorted({one.focal_length_mm for one in best.tied} - {best.focal_length_mm})
    if not others:
        return ""
    return f"{' and '.join(_length(one) for one in others)} {'is' if len(others) == 1 else 'are'} as good."


def _weak_ends(focals: Sequence[FocalLengthFindings]) -> str:
    """Name the focal lengths that stay behind the sharpest at their own best stop, beyond their intervals."""
    own = [focal.best_by_zone["frame"] for focal in focals]
    top = max(own, key=lambda one: one.mtf50_cypx)
    weak = [
        f"{_length(one.focal_length_mm)} is {100.0 * (1.0 - one.mtf50_cypx / top.mtf50_cypx):.0f} % softer"
        for one in own
        if one.mtf50_cypx < (1.0 - _SOFT_END) * top.mtf50_cypx and not one.ci95_cypx[1] > top.ci95_cypx[0]
    ]
    if not weak:
        return ""
    return f"Each at its own best stop, {' and '.join(weak)} than {_length(top.focal_length_mm)}."


def _length(focal_length_mm: float) -> str:
    return f"{focal_length_mm:g} mm" if np.isfinite(focal_length_mm) else "the unnamed focal length"


def holds_for(focals: Sequence[FocalShots]) -> str:
    """Say what the findings hold for: this copy, body, kind of file, distance and number of shots."""
    results = [
        shot.result for focal in focals for shot in focal.members if isinstance(shot.result, ShotResult)
    ]
    channels = sorted({edge.edge.channel for result in results for edge in result.edges})
    kind = "raw" if all(result.sensor_data for result in results) else "finished pictures"
    counts = [len(focal.figures("frame", stop)) for focal in focals for stop in focal.exact_f_number]
    low, high = min(counts), max(counts)
    shots = f"{low} shot{'s' * (low > 1)}" if low == high else f"{low} to {high} shots"
    parts = (
        "this copy on this body",
        ", ".join(filter(None, (kind, *channels))),
        _distance(results),
        f"{shots} a setting",
    )
    return f"Holds for {'; '.join(filter(None, parts))}."


def _distance(results: Sequence[ShotResult]) -> str:
    distances = [result.distance_mm for result in results if result.distance_mm]
    if not distances:
        return ""
    low, high = min(distances) / 1000.0, max(distances) / 1000.0
    if high / low < 1.05:
        return f"at {np.median(distances) / 1000.0:.2g} m"
    return f"at {low:.2g} to {high:.2g} m"
