"""Whether the lens is softer on one side than tilt, chance and the wall explain, and what else could make it so.

The asymmetry is judged at every setting, from refocused shots and from the peaks of focus brackets, where tilt of the
chart costs nothing; brackets also show whether the plane of best focus leans beyond what the chart's tilt does. In
refocused shots the tilt of the chart is in the covariance as what it could cause at most (`tilt_asymmetry_bound`), and
a leaning plane is bounded by `leaning_cost`: a lens is within limits only where that bound is.

With the camera turned by 180 degrees about its axis, what belongs to chart and wall changes sides: the mean over both
ways is the lens's and the camera's, half their difference that of chart and wall; settings shot one way are no evidence
then. The chart shows which shots were turned, but not whether the camera or the chart was: the shots table says (its
column `turned`), or the camera's own note of how it was held. Where nobody says, the chart is assumed, of which less
follows: only the print goes with it, while wall, light and tilt stay.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import atan2, degrees, inf, isfinite, nan
from typing import Final

import numpy as np

from lensbench.condition.field import (
    SLOPES,
    STEP_DOUBT,
    FocusSurface,
    SettingShots,
    is_upside_down,
    judged,
    percent,
    side_of,
    softer_azimuth_deg,
)
from lensbench.condition.tilt import leaning_cost, mean_slope, steady_errors_um, tilt_asymmetry_bound
from lensbench.model.condition import (
    Cause,
    ConditionFinding,
    Decentring,
    FocusTilt,
    OtherCause,
    Reason,
    Side,
    SideAsymmetry,
    SideFigure,
    Source,
    Subject,
    TurnedOutcome,
    TurnedTest,
    Verdict,
)
from lensbench.model.setting import Setting
from lensbench.model.shot import ShotResult, Turned
from lensbench.model.sweep import SweepShot
from lensbench.model.units import FloatArray
from lensbench.shot import is_usable
from lensbench.stats import USUAL_SD, Uncertainty, exceeds, moderated, quantile

MATTERS: Final = 0.05
"""In log MTF50. A smaller asymmetry is in every lens and does not show in pictures. Common practice, no source."""
_LEAST_SHARE: Final = 0.5  # less than this part of the larger one is no longer called «both»
_SIDE_HEIGHT: Final = 0.5
_AT_HEIGHT: Final = 0.7
_TILT_SHARE: Final = 0.5  # of the asymmetry: tilt that accounts for less is ruled out as its cause
_UPSIDE_DOWN: Final = (3, 4)  # EXIF orientations of a camera on its head (EXIF 2.32, 274)
_OUTCOMES: Final = {
    (True, True): TurnedOutcome.BOTH,
    (True, False): TurnedOutcome.STAYED,
    (False, True): TurnedOutcome.MOVED,
    (False, False): TurnedOutcome.OPEN,
}
"""By whether anything stays with the picture, and whether anything moves with the chart."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Asymmetry:
    """What is left of one setting's asymmetry, as log MTF50 of the right less the left, the bottom less the top."""

    setting: Setting
    mean: FloatArray  # shape (2,)
    covariance: FloatArray  # shape (2, 2), with the doubt about tilt and unevenness of chart and lens
    freedom: float
    results: Sequence[ShotResult]  # every shot, or the middle one of every focus bracket
    shots: int
    turned_shots: int = 0
    tilt_bound: FloatArray  # what the tilt could cause at most, shape (2,)
    source: Source = Source.SHOTS

    @property
    def size(self) -> float:
        """Log MTF50 of the sharpest side over the softest, freed of what scatter alone would make of it."""
        return float(np.sqrt(max(float(self.mean @ self.mean) - self.sd**2, 0.0)))

    @property
    def sd(self) -> float:
        """Standard deviation along the asymmetry."""
        length = float(np.linalg.norm(self.mean))
        toward = self.mean / length if length > 0.0 else np.array([1.0, 0.0])
        return float(np.sqrt(toward @ self.covariance @ toward))

    def interval(self, *, tests: int = 1) -> tuple[float, float]:
        """Interval of 95 % of the size, or of as many settings' at once."""
        reach = quantile(self.freedom, tests=tests) * self.sd
        return max(self.size - reach, 0.0), self.size + reach

    def matters(self, *, tests: int) -> bool:
        """Whether it was repeated, and lies beyond the limit with its whole interval."""
        return self.shots >= 2 and self.interval(tests=tests)[0] >= MATTERS

    def row(self, *, matters: bool, tests: int) -> SideAsymmetry:
        """The same in percent and by the sides' names; it was judged as one of so many tests."""
        low, high = self.interval()
        least = MATTERS + quantile(self.freedom, tests=tests) * self.sd if self.shots >= 2 else nan
        azimuth_deg = softer_azimuth_deg(self.mean, self.results[0].size_px)
        return SideAsymmetry(
            focal_length_mm=self.setting.focal_length_mm,
            f_number=self.setting.f_number,
            percent=percent(self.size),
            ci95_percent=(percent(low), percent(high)),
            softer_azimuth_deg=azimuth_deg,
            softer_side=side_of(azimuth_deg),
            shots=self.shots,
            turned_shots=self.turned_shots,
            tilt_percent=percent(float(np.linalg.norm(self.tilt_bound))),
            source=self.source,
            matters=matters,
            matters_from_percent=percent(least),
        )


def asymmetries(settings: Sequence[SettingShots]) -> list[Asymmetry]:
    """What is left of every setting's asymmetry in refocused shots."""
    spreads = moderated([setting.repeats for setting in settings])
    judged_stops = zip(settings, spreads, steady_errors_um(settings), strict=True)
    return [_of_shots(setting, spread, steady_um) for setting, spread, steady_um in judged_stops]


def _of_shots(setting: SettingShots, spread: Uncertainty, steady_um: float) -> Asymmetry:
    ways, results = setting.repeats.groups, setting.results
    noise = spread.variance * sum(1.0 / len(way) for way in ways) / len(ways) ** 2
    bound = tilt_asymmetry_bound(
        mean_slope(results), results, f_number=setting.exact_f_number, steady_um=steady_um
    )
    uneven = np.mean([shape.covariance for shape in setting.shapes], axis=0)
    return Asymmetry(
        setting=setting.setting,
        mean=np.mean([way.mean(axis=0) for way in ways], axis=0),
        covariance=noise * np.eye(2) + uneven + np.diag(np.minimum(bound, 10.0) ** 2 / 3.0),
        freedom=spread.dof,
        results=results,
        shots=len(setting.shots),
        turned_shots=sum(setting.repeats.alike),
        tilt_bound=bound,
    )


def _of_brackets(surfaces: Sequence[FocusSurface]) -> list[Asymmetry]:
    """Asymmetry of the peaks through focus, one a setting; brackets of one setting are averaged."""
    groups: dict[Setting, list[FocusSurface]] = defaultdict(list)
    for surface in surfaces:
        groups[surface.setting].append(surface)
    rows = []
    for setting, alike in groups.items():
        peaks = [surface.peaks for surface in alike if surface.peaks is not None]
        if not peaks:
            continue
        brackets = [surface.bracket.results for surface in alike]
        shots = sum(len(results) for results in brackets)
        uneven = np.mean([peak.covariance for peak in peaks], axis=0)
        rows.append(
            Asymmetry(
                setting=setting,
                mean=np.mean([peak.asymmetry for peak in peaks], axis=0),
                covariance=uneven + USUAL_SD**2 / shots * np.eye(2),
                freedom=peaks[0].freedom,
                results=[results[len(results) // 2] for results in brackets],
                shots=shots,
                tilt_bound=np.zeros(2),
                source=Source.FOCUS_BRACKET,
            )
        )
    return rows


def _turned_test(settings: Sequence[SettingShots]) -> TurnedTest:
    """What stayed with the picture and what moved with the chart, at the widest stop shot both ways."""
    both = [setting for setting in settings if len(setting.repeats.groups) == 2]
    if not both:
        return TurnedTest(outcome=TurnedOutcome.NOT_DONE)
    widest = min(both, key=lambda setting: setting.setting.f_number)
    spread = moderated([setting.repeats for setting in both])[both.index(widest)]
    upright, over = widest.repeats.groups
    parts = [0.5 * (upright.mean(axis=0) + sign * over.mean(axis=0)) for sign in (1.0, -1.0)]
    variance = 0.25 * (1.0 / len(upright) + 1.0 / len(over)) * spread.variance
    sizes = [float(np.linalg.norm(part)) for part in parts]
    stays, moves = (
        exceeds(part, variance * np.eye(2), dof=spread.dof) and size >= 0.5 * MATTERS
        for part, size in zip(parts, sizes, strict=True)
    )
    if stays and moves and min(sizes) < _LEAST_SHARE * max(sizes):
        stays, moves = sizes[0] > sizes[1], sizes[1] > sizes[0]
    what = _what_was_turned(widest.shots)
    return TurnedTest(
        outcome=_OUTCOMES[stays, moves],
        stayed_percent=percent(sizes[0]),
        moved_percent=percent(sizes[1]),
        reach_percent=percent(quantile(spread.dof) * variance**0.5),
        chart_only=what is not Turned.CAMERA,
        told=what is not None,
    )


def _what_was_turned(shots: Sequence[SweepShot]) -> Turned | None:
    """What stood on its head: as the shots table says, else the camera where it noted that itself (EXIF); or unknown.

    The chart in the picture alone looks the same either way.
    """
    over = [shot for shot in shots if is_upside_down(shot.measured)]
    said = {shot.planned.turned for shot in over}
    if Turned.CHART in said:
        return Turned.CHART
    noted = {shot.measured.metadata.orientation in _UPSIDE_DOWN for shot in over}
    upright = {shot.measured.metadata.orientation in _UPSIDE_DOWN for shot in shots if shot not in over}
    return Turned.CAMERA if said == {Turned.CAMERA} or (noted == {True} and upright == {False}) else None


def decentring_finding(
    settings: Sequence[SettingShots], surfaces: Sequence[FocusSurface], results: Sequence[ShotResult]
) -> ConditionFinding:
    """What is left of the asymmetry at every setting, and of the focal plane's tilt; `results` are all that count."""
    rows = [*asymmetries(settings), *_of_brackets(surfaces)]
    rows.sort(key=lambda row: (*row.setting.order, row.source))
    if not rows:
        return ConditionFinding(subject=Subject.DECENTRING, limit=percent(MATTERS))
    turned = _turned_test(settings)
    evidence = [row for row in rows if _bears_out(row, turned.outcome)]
    uneven = [row for row in evidence if row.matters(tests=len(evidence))]
    leans = [_focus_tilt(surface, tests=len(surfaces)) for surface in surfaces]
    focus_tilt = max(leans, key=lambda tilt: (tilt.matters, tilt.loss_percent), default=None)
    leaning = focus_tilt is not None and focus_tilt.matters
    lean_limit = _lean_limit_percent(settings, leans)
    judges = _repeated(evidence)
    # Each stop by itself has to exclude it, so they need not hold at once.
    detected = max((row.interval()[1] for row in judges), default=nan)
    main = judges[0] if judges else rows[0]
    if uneven:
        main = max(uneven, key=lambda row: row.size / row.sd)
    elif focus_tilt is not None and leaning:
        tilted = Setting(focal_length_mm=focus_tilt.focal_length_mm, f_number=focus_tilt.f_number)
        main = next((row for row in rows if row.setting == tilted), rows[0])
    clear = detected < MATTERS and lean_limit < percent(MATTERS)
    verdict = Verdict.WITHIN_LIMITS if clear else Verdict.CANNOT_TELL
    repeats = [len(setting.shots) for setting in settings if len(setting.shots) > 1]
    details = Decentring(
        rows=tuple(row.row(matters=row in uneven, tests=max(len(evidence), 1)) for row in rows),
        main=main.row(matters=main in uneven, tests=max(len(evidence), 1)),
        detection_limit_percent=percent(detected),
        lean_limit_percent=lean_limit,
        focus_tilt=focus_tilt,
        turned=turned,
        repeats=(min(repeats, default=0), max(repeats, default=0)),
        brackets=len(surfaces),
        bracket_shots=sum(len(surface.bracket.shots) for surface in surfaces),
    )
    if uneven or leaning:
        verdict = Verdict.MATTERS
        causes = _other_causes(details, settings, surfaces, results)
        details = replace(details, sides=_sides(main.results), other_causes=causes)
    finding = ConditionFinding(
        subject=Subject.DECENTRING, verdict=verdict, limit=percent(MATTERS), details=details
    )
    if focus_tilt is not None and leaning and not uneven:
        return replace(
            finding, value=focus_tilt.loss_percent, ci95=focus_tilt.ci95_percent, side=focus_tilt.side
        )
    shown = details.main
    return replace(finding, value=shown.percent, ci95=shown.ci95_percent, side=shown.softer_side)


def _bears_out(row: Asymmetry, outcome: TurnedOutcome) -> bool:
    """Whether a setting is evidence on the lens: where the camera was turned, only what was shot both ways is.

    The peaks of a bracket are, unless the chart, which they see as well, is found to have its part.
    """
    if row.source is Source.FOCUS_BRACKET:
        return outcome not in {TurnedOutcome.MOVED, TurnedOutcome.BOTH}
    return row.turned_shots > 0 or outcome is TurnedOutcome.NOT_DONE


def _repeated(rows: Sequence[Asymmetry]) -> list[Asymmetry]:
    """Each setting that was repeated, the widest first, by shots or bracket, whichever knows it better."""
    repeated = dict[Setting, Asymmetry]()
    for row in (row for row in rows if row.shots >= 2):
        if row.sd <= repeated.setdefault(row.setting, row).sd:
            repeated[row.setting] = row
    return list(repeated.values())


def _lean_limit_percent(settings: Sequence[SettingShots], leans: Sequence[FocusTilt]) -> float:
    """What a leaning plane could cost the sides unseen, at the stop and the focal length that show least.

    A wide stop may be too soft to show what a narrower one loses.
    """
    limits = dict[float | None, float]()
    for setting in settings:
        _, high = leaning_cost(setting, tests=1)
        length = setting.setting.focal_length_mm
        limits[length] = max(limits.get(length, 0.0), 100.0 * high)
    bracketed = dict[float | None, float]()
    for lean in leans:
        if isfinite(high := lean.ci95_percent[1]):
            # At the stop that it costs most.
            bracketed[lean.focal_length_mm] = max(bracketed.get(lean.focal_length_mm, 0.0), high)
    for length, high in bracketed.items():
        limits[length] = min(limits.get(length, inf), high)
    return max(limits.values(), default=nan)


def _focus_tilt(surface: FocusSurface, *, tests: int) -> FocusTilt:
    """Slope of the focus surface less the chart's; steps may count either way: the larger rest bounds it."""
    slope = mean_slope(surface.bracket.results)
    left, covariance = surface.steps[SLOPES], surface.covariance[SLOPES, SLOPES]
    um_per_step, most = surface.um_per_step, 0.0
    if np.isfinite(um_per_step):
        chart = slope.um / um_per_step
        left, other = sorted((left - chart, left + chart), key=lambda rest: float(rest @ rest))
        most = float(np.linalg.norm(other))
        doubt = np.square(slope.sd_um / um_per_step) + np.square(STEP_DOUBT * chart)
        covariance = covariance + np.diag(doubt)
    length = float(np.linalg.norm(left))
    sd = float(np.sqrt(left @ covariance @ left)) / length
    size, reach = float(np.sqrt(max(length**2 - sd**2, 0.0))), quantile(surface.freedom, tests=tests) * sd
    reach = float(np.hypot(reach, quantile(inf, tests=tests) * STEP_DOUBT * size))
    sizes = (max(size - reach, 0.0), size, max(size, most) + reach)
    low, loss, high = (surface.loss(_AT_HEIGHT * steps) for steps in sizes)
    known = bool(np.isfinite(um_per_step))
    return FocusTilt(
        focal_length_mm=surface.setting.focal_length_mm,
        f_number=surface.setting.f_number,
        um=size * um_per_step,
        loss_percent=100.0 * loss,
        ci95_percent=(100.0 * low, 100.0 * high) if known else (nan, nan),
        side=side_of(degrees(atan2(-float(left[1]), float(left[0])))),
        matters=known and judged(low, high, limit=MATTERS) is Verdict.MATTERS,
    )


def _sides(results: Sequence[ShotResult]) -> tuple[SideFigure, ...]:
    """Mean MTF50 of the edges on each side of the picture, within 45 degrees of it and outside of image height 0.5."""
    figures = []
    for side in (Side.RIGHT, Side.TOP, Side.LEFT, Side.BOTTOM):
        azimuth_deg = 45.0 * list(Side).index(side)
        values = [
            edge.edge.mtf50_cypx
            for result in results
            for edge in result.edges
            if is_usable(edge)
            and edge.image_height >= _SIDE_HEIGHT
            and abs((edge.azimuth_deg - azimuth_deg + 180.0) % 360.0 - 180.0) <= 45.0
        ]
        if values:
            figures.append(SideFigure(side=side, mtf50_cypx=float(np.mean(values))))
    return tuple(figures)


def _other_causes(
    details: Decentring,
    settings: Sequence[SettingShots],
    surfaces: Sequence[FocusSurface],
    results: Sequence[ShotResult],
) -> tuple[OtherCause, ...]:
    """Tilt of the chart, focus, shake, and chart and wall: whether each is out of the question."""
    main, outcome = details.main, details.turned.outcome
    tilt = OtherCause(cause=Cause.TILT, ruled_out=True, reason=Reason.PEAKS_COMPARED)
    if main.source is Source.SHOTS:
        small = main.tilt_percent < _TILT_SHARE * main.percent
        tilt = OtherCause(
            cause=Cause.TILT, ruled_out=small, reason=Reason.IN_INTERVAL, figure=main.tilt_percent
        )
    uneven = [row for row in details.rows if row.matters]
    by_peaks = any(row.source is Source.FOCUS_BRACKET for row in uneven)
    shots = 0
    if not uneven:
        reason = Reason.FOCUS_TILTS
    elif by_peaks:
        reason = Reason.NO_FOCUS_REGAINS
    elif any(surface.peaks is not None for surface in surfaces):
        reason = Reason.BRACKET_SILENT
    else:
        reason, shots = Reason.REFOCUSED_ONLY, max(len(setting.shots) for setting in settings)
    shaken = sum(any(remark.flag == "shake" for remark in result.quality) for result in results)
    return (
        tilt,
        OtherCause(cause=Cause.FOCUS, ruled_out=by_peaks, reason=reason, shots=shots),
        OtherCause(
            cause=Cause.SHAKE,
            ruled_out=not shaken,
            reason=Reason.SHAKEN if shaken else Reason.NONE_SHAKEN,
            figure=float(shaken),
            shots=len(results),
        ),
        OtherCause(
            cause=Cause.CHART,
            ruled_out=outcome is TurnedOutcome.STAYED and not details.turned.chart_only,
            reason=Reason.NOT_TURNED if outcome is TurnedOutcome.NOT_DONE else Reason.TURNED_TEST,
        ),
    )
