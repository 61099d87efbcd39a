"""The ten-minute test of a used lens: recognised by its shots, and answered only as far as so few shots can tell.

A dozen shots at most, at one or two stops, the chart once upright and once turned by 180 degrees. They tell a copy
that is grossly uneven or soft from a sound one. They do not find the best stop, so none is named.
"""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.condition.asymmetry import turned_over
from lensbench.model.setting import focal_order
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import ConditionFinding, LensFindings, QuickFindings, SweepShot

__all__ = ["MOST_SHOTS", "is_quick", "with_quick_answer"]


MOST_SHOTS: Final = 12
_MOST_STOPS: Final = 2
_FEWEST_SHOTS: Final = 4
_SOFT_SHARE: Final = 0.45
"""Of what diffraction, pixel and a home print let pass at MTF50: below it the middle of a lens stopped down is soft."""
_SOUND_SHARE: Final = 0.6
"""From here on it is not. These two: common practice, no source."""
_GROSS_PERCENT: Final = 15.0
"""Of MTF50, by which the softest side stays behind: less is common among sound lenses. Common practice, no source."""
_PRINT_SIGMA_MM: Final = 0.1 / 2.563_103
"""A home printer's edges rise over 0.1 mm from 10 to 90 %; common practice, no source."""
_WAVELENGTH_UM: Final = 0.55


def is_quick(shots: Sequence[SweepShot]) -> bool:
    """Tell whether the shots of one lens are a ten-minute test.

    By the table's conditions («upright» and «chart turned 180», as the plan writes them) or by the chart that stands
    on its head in some of the pictures; with at most twelve shots and two stops.
    """
    taken = [shot for shot in shots if not shot.planned.by_choice]
    stops = {shot.planned.setting.f_number for shot in taken}
    if not _FEWEST_SHOTS <= len(taken) <= MOST_SHOTS or len(stops) > _MOST_STOPS:
        return False
    told = {"turned 180" in shot.planned.condition.lower() for shot in taken if shot.planned.condition}
    seen = {turned_over(shot.result) for shot in taken if isinstance(shot.result, ShotResult)}
    return len(told) == 2 or len(seen) == 2


def with_quick_answer(findings: LensFindings, shots: Sequence[SweepShot]) -> LensFindings:
    """Put the quick test's answer in the place of a best setting; any other findings are given back as they are."""
    if not is_quick(shots):
        return findings
    quick = _answered(findings, [shot for shot in shots if shot.used])
    focals = tuple(
        dataclasses.replace(
            focal, best_f_number=float("nan"), tied_f_numbers=(), best_by_zone={}, best_by_purpose={}
        )
        for focal in findings.by_focal_length
    )
    return dataclasses.replace(
        findings,
        best=None,
        best_by_zone={},
        best_by_purpose={},
        zoom_at_own_best=None,
        zoom_at_equal_stop=(),
        by_focal_length=focals,
        quick=quick,
        answer=" ".join((f"{findings.lens}: {quick.verdict}", quick.evenness, quick.softness, quick.limits)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Softness:
    """How sharp the middle is at the narrower stop, and what is lost wide open."""

    verdict: str
    words: str


def _answered(findings: LensFindings, shots: Sequence[SweepShot]) -> QuickFindings:
    uneven = next((one for one in findings.condition if one.subject == "decentring"), None)
    evenness = uneven.verdict if uneven else "can't tell"
    slightly = evenness == "seen" and _uneven_percent(findings) < _GROSS_PERCENT
    evenness = "not seen" if slightly else evenness
    softness = _softness(shots)
    return QuickFindings(
        verdict=_verdict(evenness, softness.verdict, slightly=slightly),
        evenness=_evenness_words(uneven),
        softness=softness.words,
        limits=(
            f"Ten-minute test of {findings.shots} shots: it tells a sound copy from a bad one, not which stop is "
            "best. Repeat it before you complain."
        ),
        grossly_uneven=evenness,
        grossly_soft=softness.verdict,
        turned_shots=sum(isinstance(s.result, ShotResult) and turned_over(s.result) for s in shots),
    )


def _uneven_percent(findings: LensFindings) -> float:
    """Give the largest asymmetry of those that were seen; infinite where nothing tells its size."""
    evidence = findings.evidence
    seen = [row.asymmetry_percent for row in evidence.rows if row.seen] if evidence is not None else []
    return max(seen, default=float("inf"))


def _verdict(uneven: str, soft: str, *, slightly: bool) -> str:
    faults = [word for word, said in (("uneven", uneven), ("soft", soft)) if said == "seen"]
    if faults:
        return f"this copy is grossly {' and '.join(faults)}, or the shooting was: repeat before you send it back."
    if "can't tell" in (uneven, soft):
        return "nothing grossly wrong was seen, but these shots can't tell it all."
    if slightly:
        return "a little uneven, as many sound lenses are, and not soft: no reason to send this copy back."
    return "neither grossly uneven nor grossly soft: no reason to send this copy back."


def _evenness_words(uneven: ConditionFinding | None) -> str:
    if uneven is None:
        return "Evenness: can't tell from these shots."
    return f"Evenness: {_sentence(uneven.evidence)}"


def _sentence(text: str) -> str:
    text = text.strip()
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _softness(shots: Sequence[SweepShot]) -> _Softness:
    """Judge the middle at the narrower stop, focal length by focal length; the sharpest shot counts, for focus."""
    results = [shot.result for shot in shots if isinstance(shot.result, ShotResult)]
    lengths = sorted({shot.planned.setting.focal_length_mm for shot in shots}, key=focal_order)
    told = [_at_length(shots, length) for length in lengths]
    known = [one for one in told if one is not None]
    if not known or not results:
        return _Softness(
            verdict="can't tell", words="Sharpness: can't tell, f-number, scale or pixel pitch are unknown."
        )
    least = min(share for share, _ in known)
    verdict = "seen" if least < _SOFT_SHARE else "not seen" if least >= _SOUND_SHARE else "can't tell"
    also = " A print with blurred edges would do the same." if verdict != "not seen" else ""
    return _Softness(verdict=verdict, words=f"Sharpness: {' '.join(words for _, words in known)}{also}")


def _at_length(shots: Sequence[SweepShot], focal_length_mm: float | None) -> tuple[float, str] | None:
    """Give the share of the bound that the middle reaches at the narrower stop, and a sentence."""
    here = [s for s in shots if s.planned.setting.focal_length_mm == focal_length_mm]
    stops = sorted({shot.planned.setting.f_number for shot in here})
    sharpest = {stop: _sharpest(here, stop) for stop in stops}
    narrow = sharpest[stops[-1]]
    if narrow is None:
        return None
    middle, bound = _zone(narrow, "inner"), _bound_cypx(narrow)
    if not (isfinite(bound) and isfinite(middle)):
        return None
    at = (
        f"at {focal_length_mm:g} mm and f/{stops[-1]:g}"
        if focal_length_mm is not None
        else f"at f/{stops[-1]:g}"
    )
    share = f"{100 * middle / bound:.0f} % of what diffraction, pixel and a home print allow"
    return middle / bound, f"{at} the middle reaches {share}{_wide_open(sharpest, stops)}."


def _wide_open(sharpest: dict[float, ShotResult | None], stops: Sequence[float]) -> str:
    """Say what the wider stop loses, in the middle and outside; ordinary for a wide stop."""
    wide, narrow = sharpest[stops[0]], sharpest[stops[-1]]
    if len(stops) < 2 or wide is None or narrow is None:
        return ""
    parts = [
        f"{name} {_change(_zone(wide, zone) / _zone(narrow, zone))}"
        for name, zone in (("the middle is", "inner"), ("the outer part", "outer"))
        if isfinite(_zone(wide, zone) / _zone(narrow, zone))
    ]
    return f"; at f/{stops[0]:g} {', '.join(parts)}" if parts else ""


def _change(ratio: float) -> str:
    return f"{100 * (1 - ratio):.0f} % softer" if ratio < 1.0 else f"{100 * (ratio - 1):.0f} % sharper"


def _sharpest(shots: Sequence[SweepShot], f_number: float) -> ShotResult | None:
    results = [
        shot.result
        for shot in shots
        if isinstance(shot.result, ShotResult) and shot.planned.setting.f_number == f_number
    ]
    return max(results, key=lambda result: np.nan_to_num(_zone(result, "frame")), default=None)


def _zone(result: ShotResult, zone: str) -> float:
    figure = result.summary.get(zone)
    return figure.mtf50_cypx if figure is not None else float("nan")


def _bound_cypx(result: ShotResult) -> float:
    """Give the MTF50 of a perfect lens before a home print on this sensor; NaN where it cannot be known."""
    f_number, pitch_um, m = result.metadata.f_number, result.pixel_pitch_um, result.magnification
    if f_number is None or pitch_um is None or m is None:
        return float("nan")
    q = _WAVELENGTH_UM * optics.effective_f_number(f_number, magnification=m) / pitch_um
    divided = any(one.flag == "print_divided" for one in result.quality)
    sigma_px = (
        0.0 if divided else optics.print_blur_px(_PRINT_SIGMA_MM, magnification=m, pixel_pitch_um=pitch_um)
    )
    return optics.frequency_at(
        lambda f: optics.diffraction_mtf(f, q) * optics.pixel_mtf(f) * optics.gaussian_mtf(f, sigma_px), 0.5
    )
