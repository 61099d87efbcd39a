"""The answer in plain sentences.

Stops and focal lengths by the names a photographer uses.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np

from lensbench.model.setting import focal_order
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import BestSetting, FocalLengthFindings, LensFindings
from lensbench.sweep.countable import FRAME
from lensbench.sweep.series import FocalShots, zone_series

__all__ = ["answer_sentence", "holds_for", "stop_range"]


def stop_name(f_number: float) -> str:
    """Give an f-stop as engraved.

    >>> stop_name(8.0)
    'f/8'
    """
    return f"f/{f_number:g}"


def length(focal_length_mm: float | None) -> str:
    """Give a focal length in millimetres."""
    return f"{focal_length_mm:g} mm" if focal_length_mm is not None else "the unnamed focal length"


def stop_range(f_numbers: Sequence[float], tested: Sequence[float]) -> str:
    """Name f-stops as a range where no tested one is left out between.

    >>> stop_range((4.0, 5.6, 8.0), (2.8, 4.0, 5.6, 8.0, 11.0))
    'f/4 to f/8'
    >>> stop_range((4.0, 8.0), (4.0, 5.6, 8.0))
    'f/4 and f/8'
    """
    names = [stop_name(f_number) for f_number in sorted(f_numbers)]
    between = [f_number for f_number in tested if min(f_numbers) <= f_number <= max(f_numbers)]
    if len(names) > 2 and len(set(between)) == len(names):
        return f"{names[0]} to {names[-1]}"
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def tie_in_words(focal: FocalLengthFindings) -> str:
    """Say whether the tied stops can't be told apart, or can but differ by too little to matter."""
    frame = {point.f_number: point.ci95_cypx for point in focal.curve if point.zone == "frame"}
    tied = [frame[stop] for stop in focal.tied_f_numbers if stop in frame]
    apart = max(low for low, _ in tied) > min(high for _, high in tied) if tied else False
    return "differ by less than 3 %, which hardly shows" if apart else "can't be told apart"


_SOFT_END: Final = 0.10
"""A focal length whose best stays behind by more than this is named. Common practice, no source."""


def answer_sentence(findings: LensFindings) -> str:
    """Say what to set, what is as good, what serves other pictures, and what is weak, in a few sentences."""
    best = findings.best
    if best is None:
        return f"{findings.lens}: no setting could be measured."
    focals = findings.by_focal_length
    zoom = len(focals) > 1
    parts = [_set_to(findings.lens, best, focals), _equal_lengths(findings) if zoom else ""]
    parts += [_equal_stops(one, zoom=zoom) for one in focals]
    parts += [_taken(best, zoom=zoom), _purposes(findings, zoom=zoom), _sharp_enough(focals, best, zoom=zoom)]
    parts += [_weak_ends(focals)] if zoom else []
    parts.append(best.caution if any(len(_tested(one)) > 1 for one in focals) or zoom else "")
    return " ".join(part for part in parts if part)


def _tested(focal: FocalLengthFindings) -> list[float]:
    return sorted(point.f_number for point in focal.curve if point.zone == "frame")


def _set_to(lens: str, best: BestSetting, focals: Sequence[FocalLengthFindings]) -> str:
    zoom, stop = len(focals) > 1, stop_name(best.f_number)
    tested = next(_tested(focal) for focal in focals if focal.focal_length_mm == best.focal_length_mm)
    if not zoom and len(tested) == 1:
        return f"{lens}: {stop} is the only stop tested, so no best one can be named."
    setting = f"{length(best.focal_length_mm)} and {stop}" if zoom else stop
    if "no winner is claimed" in best.caution:
        return f"{lens}: {setting} came out sharpest over the whole frame{_border(best, tested)}."
    return f"{lens}: set {setting}{_border(best, tested)} for the sharpest whole frame."


def _border(best: BestSetting, tested: Sequence[float]) -> str:
    """Say that the best stop ends the series, and at which side nothing is known."""
    if not best.at_border or len(tested) < 2:
        return ""
    beyond = "wider" if best.f_number == tested[0] else "smaller"
    return f" (best tested: no {beyond} stop was photographed, and one may be better)"


def _equal_stops(focal: FocalLengthFindings, *, zoom: bool) -> str:
    tested, tied = _tested(focal), focal.tied_f_numbers
    at = f"At {length(focal.focal_length_mm)} " if zoom else ""
    if len(tested) < 2:
        return f"{at}only {stop_name(focal.best_f_number)} was tested." if at else ""
    if len(tied) < 2:
        return (
            f"{at}{stop_name(focal.best_f_number)} stands alone." if at else "No other f-stop comes up to it."
        )
    names = stop_range(tied, tested)
    return f"{at}{names} {tie_in_words(focal)}."


def _taken(best: BestSetting, *, zoom: bool) -> str:
    """Name the stop that the photographer's own rule takes from the equally good ones."""
    reasons = {
        "widest": "the widest of them",
        "middle": "in the middle of them",
        "deepest": "the one with most depth of field",
    }
    if best.take is None or best.take_rule not in reasons:
        return ""
    here = [one for one in best.tied if one.focal_length_mm == best.focal_length_mm]
    if len(here) < 2:
        return ""
    at = f" at {length(best.focal_length_mm)}" if zoom else ""
    return f"Take {stop_name(best.take.f_number)}{at}, {reasons[best.take_rule]}."


def _purposes(findings: LensFindings, *, zoom: bool) -> str:
    """Say which stop serves a subject in the middle, and which the edges, where those were seen."""
    focals = findings.by_focal_length
    if all(len(_tested(focal)) < 2 for focal in focals):
        return ""
    others = {purpose: best for purpose, best in findings.best_by_purpose.items() if purpose != FRAME}
    frame = findings.best_by_purpose.get(FRAME)
    if others and frame and all(_alike(one, frame) for one in others.values()):
        names = _and([_article(purpose) for purpose in others])
        return f"The same holds for {names}."
    told = [f"for {_article(purpose)} set {_setting(best, zoom=zoom)}" for purpose, best in others.items()]
    return f"{told[0][0].upper()}{', '.join(told)[1:]}." if told else ""


def _alike(first: BestSetting, second: BestSetting) -> bool:
    return (first.take, first.tied) == (second.take, second.tied)


def _article(purpose: str) -> str:
    return f"a {purpose}" if purpose.startswith("subject") else purpose


def _setting(best: BestSetting, *, zoom: bool) -> str:
    stop = stop_name(best.take.f_number if best.take else best.f_number)
    if zoom:
        return f"{length(best.focal_length_mm)} and {stop}"
    tied = sorted(one.f_number for one in best.tied)
    others = [name for name in tied if stop_name(name) != stop]
    return f"{stop} ({_and([stop_name(one) for one in others])} as good)" if others else stop


def _and(names: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _sharp_enough(focals: Sequence[FocalLengthFindings], best: BestSetting, *, zoom: bool) -> str:
    """Say over which stops the whole frame keeps a share of its best, at the best focal length."""
    focal = next(one for one in focals if one.focal_length_mm == best.focal_length_mm)
    frame, tested = focal.best_by_purpose.get(FRAME), _tested(focal)
    if frame is None or len(tested) < 2:
        return ""
    sure = any(one.surely for one in frame.sharp_enough)
    runs = [(one.level_percent, one.surely if sure else one.probably) for one in frame.sharp_enough]
    told = [f"{_from_to(run)} for {percent:.0f} %" for percent, run in runs if run]
    if not told:
        return ""
    told[0] += " of the best"
    at = f" at {length(focal.focal_length_mm)}" if zoom else ""
    return f"{'Surely' if sure else 'Probably'} sharp enough{at}: {', '.join(told)}."


def _from_to(run: Sequence[float]) -> str:
    return stop_name(run[0]) if len(run) == 1 else f"{stop_name(run[0])} to {stop_name(run[-1])}"


def _equal_lengths(findings: LensFindings) -> str:
    """Name the other focal lengths that come up to the best one, each at its own best stop."""
    best = findings.zoom_at_own_best or findings.best
    if best is None:
        return ""
    others = sorted({one.focal_length_mm for one in best.tied} - {best.focal_length_mm}, key=focal_order)
    if not others:
        return ""
    return f"As good {'is' if len(others) == 1 else 'are'} {_and([length(one) for one in others])}."


def _weak_ends(focals: Sequence[FocalLengthFindings]) -> str:
    """Name the focal lengths that stay behind the sharpest at their own best stop, beyond their intervals."""
    own = [focal.best_by_zone["frame"] for focal in focals]
    top = max(own, key=lambda one: one.mtf50_cypx)
    weak = [
        f"{length(one.focal_length_mm)} is {100.0 * (1.0 - one.mtf50_cypx / top.mtf50_cypx):.0f} % softer"
        for one in own
        if one.mtf50_cypx < (1.0 - _SOFT_END) * top.mtf50_cypx and not one.ci95_cypx[1] > top.ci95_cypx[0]
    ]
    if not weak:
        return ""
    return f"Each at its own best stop, {' and '.join(weak)} than {length(top.focal_length_mm)}."


def holds_for(focals: Sequence[FocalShots]) -> str:
    """Say what the findings hold for: this copy, body, kind of file, distance and number of shots."""
    results = [
        shot.result for focal in focals for shot in focal.members if isinstance(shot.result, ShotResult)
    ]
    channels = sorted({edge.edge.channel for result in results for edge in result.edges})
    kind = "raw" if all(result.sensor_data for result in results) else "finished pictures"
    parts = (
        "this copy on this body",
        ", ".join(filter(None, (kind, *channels))),
        _distance(focals),
        f"{_shots(focals)} a setting",
    )
    return f"Holds for {'; '.join(filter(None, parts))}."


def _shots(focals: Sequence[FocalShots]) -> str:
    """Count the refocused shots of a setting; a group that was not refocused, or a bracket, counts once."""
    series = [one for focal in focals for _, one in zone_series(focal.counted, "frame").values()]
    counts = [int(count) for one in series for count in one.shots]
    low, high = min(counts, default=0), max(counts, default=0)
    told = f"{low}" if low == high else f"{low} to {high}"
    bracketed = any(np.isfinite(sd).any() for one in series for sd in one.own_sd)
    kind = "refocused shot or focus bracket" if bracketed else "refocused shot"
    return f"{told} {kind}{'s' * (high > 1)}".replace("shot or focus brackets", "shots or focus brackets")


def _distance(focals: Sequence[FocalShots]) -> str:
    known = [
        (shot.result.distance_mm, focal.focal_length_mm)
        for focal in focals
        for shot in focal.members
        if isinstance(shot.result, ShotResult) and shot.result.distance_mm
    ]
    if not known:
        return ""
    distances, ratios = [far for far, _ in known], [far / focal for far, focal in known if focal]
    times = f" ({_span(ratios, 1.0, '.0f')} focal lengths)" if len(ratios) == len(known) else ""
    return f"at {_span(distances, 1000.0, '.2g')} m{times}"


def _span(values: Sequence[float], unit: float, form: str) -> str:
    low, high = min(values) / unit, max(values) / unit
    if high / low < 1.05:
        return format(float(np.median(values)) / unit, form)
    return f"{low:{form}} to {high:{form}}"
