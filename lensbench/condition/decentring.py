"""Whether the lens is softer on one side than tilt, chance and the wall explain.

The test with the camera turned by 180 degrees: what stays with the picture, and what goes with chart and wall.

The chart says how the camera stood, so turned shots need no table. Where the chart was turned and not the camera
(the condition column says «chart»), only the print goes with it: the wall, its light and its tilt stay.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from lensbench.condition.asymmetry import MATTERS, Asymmetry, SettingShots, asymmetries
from lensbench.condition.field import side_of, softer_azimuth_deg
from lensbench.condition.focus_surface import SLOPES, FocusSurface
from lensbench.condition.tilt import mean_slope
from lensbench.model.condition import EvidenceRow, SideFigure
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import Setting
from lensbench.model.units import FloatArray
from lensbench.shot import counts
from lensbench.stats import USUAL_SD, exceeds, moderated, quantile

__all__ = ["Decentring", "judge_decentring", "percent", "side_figures"]


Outcome = Literal["not done", "stayed", "moved", "both", "open"]
_LEAST_SHARE: Final = 0.5
"""Less than this part of the larger one is no longer called «both»."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnedTest:
    """How the turned test came out."""

    outcome: Outcome
    """stayed: with the picture, hence with lens and camera; moved: with the chart or the wall."""
    words: str
    """One or two sentences."""


def turned_test(settings: Sequence[SettingShots]) -> TurnedTest:
    """Tell apart what stayed with the picture and what moved with the chart, at the widest stop shot both ways.

    Of either, the difference between two sides is told, in percent of MTF50.
    """
    both = [one for one in settings if len(set(one.turned)) == 2]
    if not both:
        return TurnedTest(
            outcome="not done",
            words="Not done: no shots with the camera turned by 180 degrees about its axis are among these.",
        )
    widest = min(both, key=lambda one: one.setting.f_number)
    stayed, moved, factor = _parts(widest)
    spread = moderated([one.repeats for one in both])[both.index(widest)]
    chart_turned = any("chart" in shot.planned.condition.lower() for shot in widest.shots)
    return _judged(stayed, moved, factor * spread.variance, spread.freedom, chart_turned=chart_turned)


def _parts(setting: SettingShots) -> tuple[FloatArray, FloatArray, float]:
    """Give what stayed, what moved, and the factor that makes one shot's variance that of either."""
    turned = np.array(setting.turned, np.bool_)
    values = setting.repeats.values
    upright, over = values[~turned], values[turned]
    up, down = upright.mean(axis=0), over.mean(axis=0)
    return 0.5 * (up + down), 0.5 * (up - down), 0.25 * (1.0 / len(upright) + 1.0 / len(over))


def _judged(
    stayed: FloatArray, moved: FloatArray, variance: float, freedom: float, *, chart_turned: bool
) -> TurnedTest:
    covariance = variance * np.eye(2)
    stays, moves = (
        exceeds(part, covariance, freedom=freedom) and float(np.linalg.norm(part)) >= 0.5 * MATTERS
        for part in (stayed, moved)
    )
    sizes = [float(np.linalg.norm(part)) for part in (stayed, moved)]
    if stays and moves and min(sizes) < _LEAST_SHARE * max(sizes):
        stays, moves = sizes[0] > sizes[1], sizes[1] > sizes[0]
    reach = quantile(freedom) * variance**0.5
    figures = (
        f"{_percent(sizes[0])} ± {_percent(reach)} % stayed on the same side of the picture, "
        f"{_percent(sizes[1])} ± {_percent(reach)} % changed sides"
    )
    outcome: Outcome = "both" if stays and moves else "stayed" if stays else "moved" if moves else "open"
    return TurnedTest(outcome=outcome, words=_words(outcome, figures, chart_turned=chart_turned))


def _words(outcome: Outcome, figures: str, *, chart_turned: bool) -> str:
    what = "chart" if chart_turned else "camera"
    other = "the print" if chart_turned else "the chart, the wall and its light"
    also = (
        " The wall and its tilt were the same both ways: turn the camera to rule them out."
        if chart_turned
        else ""
    )
    told = {
        "stayed": f"What stayed on the same side of the picture goes with lens and camera, not with {other}.",
        "moved": f"What changed sides comes from {other}, not from the lens.",
        "both": f"Part of the asymmetry stayed with the picture, part comes from {other}.",
        "open": "Neither a part that stayed with the picture nor one that changed sides is beyond chance.",
    }[outcome]
    return f"With the {what} turned by 180 degrees, {figures}. {told}{also}"


def _percent(log_size: float) -> str:
    return f"{-100.0 * np.expm1(-log_size):.0f}"


WOULD_HAVE_SHOWN: Final = 0.10
"""An asymmetry above this has to be ruled out before it is said that none was seen."""
_SIDE_HEIGHT: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Leaning:
    """How the plane of best focus leans, beyond what the chart's tilt does."""

    setting: Setting
    um: float
    """At one half-diagonal; NaN where the pixel pitch is unknown."""
    loss: float
    """Share of MTF50 that it costs the sides at its stop where the middle is in focus."""
    seen: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decentring:
    """All that bears on the asymmetry of one lens."""

    verdict: str
    rows: tuple[Asymmetry, ...]
    seen: tuple[Asymmetry, ...]
    """The clearest first."""
    leaning: Leaning | None
    """The clearest of the brackets."""
    turned: TurnedTest
    repeats: int
    """Fewest refocused shots of a setting that was repeated; 1 without repeats."""

    @property
    def main(self) -> Asymmetry | None:
        """The setting that shows most, or the widest stop that was repeated where none does."""
        if self.seen:
            return self.seen[0]
        if self.leaning is not None and self.leaning.seen:
            return next((row for row in self.rows if row.setting == self.leaning.setting), self.rows[0])
        told = [row for row in self.rows if row.shots >= 2] or list(self.rows)
        return told[0] if told else None

    @property
    def would_have_shown(self) -> float:
        """The log size above which an asymmetry at the widest stop that was repeated would not have stayed hidden."""
        told = [row for row in self.rows if row.shots >= 2]
        return min((row.interval[1] for row in told[:1]), default=float("inf"))

    def evidence_rows(self) -> tuple[EvidenceRow, ...]:
        """Give every setting for the page of evidence."""
        shown = {id(row) for row in self.seen}
        return tuple(_evidence_row(row, seen=id(row) in shown) for row in self.rows)


def percent(log_size: float) -> float:
    """Give by how many percent the softer side is behind, from the log ratio."""
    return float(-100.0 * np.expm1(-log_size))


def judge_decentring(
    settings: Sequence[SettingShots], surfaces: Sequence[FocusSurface], results: Sequence[ShotResult]
) -> Decentring:
    """Judge the asymmetry at every setting, and the plane of focus where brackets show it."""
    rows = [*(asymmetries(settings) if settings else []), *_from_brackets(surfaces)]
    rows.sort(key=lambda row: (row.setting.order, row.source))
    seen = sorted((row for row in rows if row.seen(tests=len(rows))), key=lambda row: -row.size / row.sd)
    leaning = _clearest([_leaning(surface, results, tests=len(surfaces)) for surface in surfaces])
    turned = turned_test(settings)
    found = Decentring(
        verdict="",
        rows=tuple(rows),
        seen=tuple(seen) if turned.outcome != "moved" else (),
        leaning=leaning,
        turned=turned,
        repeats=min((len(one.shots) for one in settings if len(one.shots) > 1), default=1),
    )
    return replace(found, verdict=_verdict(found))


def _verdict(found: Decentring) -> str:
    if found.seen or (found.leaning is not None and found.leaning.seen):
        return "seen"
    if found.turned.outcome == "moved":
        return "not seen"
    return "not seen" if found.would_have_shown < WOULD_HAVE_SHOWN else "can't tell"


def _from_brackets(surfaces: Sequence[FocusSurface]) -> list[Asymmetry]:
    """Give the asymmetry of the peaks through focus, one a setting; brackets of one setting are averaged."""
    found = []
    brackets = {(s.bracket.f_number, s.bracket.focal_length_mm) for s in surfaces}
    for key in sorted(brackets, key=str):
        alike = [s for s in surfaces if (s.bracket.f_number, s.bracket.focal_length_mm) == key]
        peaks = [surface.peaks for surface in alike if surface.peaks is not None]
        if peaks:
            first = alike[0].bracket
            shots = sum(len(surface.bracket.shots) for surface in alike)
            found.append(
                Asymmetry(
                    setting=first.shots[0].planned.setting,
                    mean=np.mean([peak.asymmetry for peak in peaks], axis=0),
                    covariance=np.mean([peak.covariance for peak in peaks], axis=0)
                    + USUAL_SD**2 / shots * np.eye(2),
                    freedom=peaks[0].freedom,
                    shots=shots,
                    turned_shots=0,
                    sway=np.zeros(2),
                    size_px=first.results[0].size_px,
                    source="focus bracket",
                )
            )
    return found


def _leaning(surface: FocusSurface, results: Sequence[ShotResult], *, tests: int) -> Leaning:
    """Take the chart's tilt off the slope of the focus surface; which way steps count, the smaller rest says."""
    slope = mean_slope(surface.bracket.results or results)
    steps, covariance = surface.steps[SLOPES], surface.covariance[SLOPES, SLOPES]
    um, setting = surface.um_per_step, surface.bracket.shots[0].planned.setting
    if not np.isfinite(um):
        return Leaning(
            setting=setting, um=float("nan"), loss=surface.loss(float(np.linalg.norm(steps))), seen=False
        )
    left = min((steps - slope.um / um, steps + slope.um / um), key=lambda v: float(v @ v))
    # The measured micrometres per step are good to a tenth or so.
    doubt = covariance + np.diag((slope.sd_um / um) ** 2 + (0.15 * slope.um / um) ** 2)
    size = float(np.linalg.norm(left))
    loss = surface.loss(0.7 * size)
    told = exceeds(left, doubt, freedom=surface.freedom, tests=max(tests, 1))
    return Leaning(setting=setting, um=size * um, loss=loss, seen=told and loss >= MATTERS)


def _clearest(leanings: Sequence[Leaning]) -> Leaning | None:
    return max(leanings, key=lambda one: (one.seen, one.loss), default=None)


def _evidence_row(row: Asymmetry, *, seen: bool) -> EvidenceRow:
    low, high = row.interval
    azimuth_deg = softer_azimuth_deg(row.mean, row.size_px)
    return EvidenceRow(
        focal_length_mm=row.setting.focal_length_mm,
        f_number=row.setting.f_number,
        asymmetry_percent=percent(row.size),
        ci95_percent=(percent(low), percent(high)),
        softer_azimuth_deg=azimuth_deg,
        softer_side=side_of(azimuth_deg),
        shots=row.shots,
        turned_shots=row.turned_shots,
        tilt_percent=percent(float(np.linalg.norm(row.sway))),
        source=row.source,
        seen=seen,
    )


def side_figures(results: Sequence[ShotResult]) -> tuple[SideFigure, ...]:
    """Give the mean MTF50 of the edges on each side of the picture, outside of image height 0.5."""
    found = []
    for side, azimuth_deg in (("right", 0.0), ("top", 90.0), ("left", 180.0), ("bottom", -90.0)):
        values = [
            edge.edge.mtf50_cypx
            for result in results
            for edge in result.edges
            if counts(edge)
            and edge.image_height >= _SIDE_HEIGHT
            and abs((edge.azimuth_deg - azimuth_deg + 180.0) % 360.0 - 180.0) <= 45.0
        ]
        if values:
            found.append(SideFigure(side=side, mtf50_cypx=float(np.mean(values))))
    return tuple(found)
