"""The picture one wants to take: from each lens's measured curve, the stop, the focus and what it costs."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from lensbench import optics
from lensbench.library.advise import AdviceCaution, LeftOut, cautions, curves_for, left_out
from lensbench.library.curve import CurvePoint, Lack, LensCurve, snr_at_iso
from lensbench.library.order import Rival, common_unit, in_order, in_unit
from lensbench.library.scene import (
    SHAKE_FACTOR,
    Bracket,
    Wanted,
    bracket,
    disc_px,
    exposure,
    focus_object_mm,
    sensor_distance_m,
    shake_mm,
)
from lensbench.model.flags import Note
from lensbench.model.measured import KeptSession
from lensbench.model.sweep import INDIFFERENCE

SERVES: Final = 0.8
"""One frame serves where the softer limit keeps this share of the sweet spot; fixed beforehand."""
MODEL_SD: Final = 0.02
"""Error of the through-focus model out of focus, as a share of MTF50; a lens stopped down stays below it."""
OPEN_MODEL_SD: Final = 0.04
"""The same at the widest stop measured, falling with the square of the opening: spherical aberration favours one side
of the focus by 5 to 20 % wide open. By trial against exact pupils, see docs/advice.md."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A predicted MTF50, with what the measurement and, by hand, the shake leave open."""

    mtf50_cypx: float
    range_cypx: tuple[float, float]
    """95 % interval of the measured curve, joined with the model's own error out of focus and, by hand, with twice
    and half the usual shake; NaN where the spread between shots is not known."""
    own_sd: float
    """Of the figure's logarithm, without the shake, which all lenses share."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StopPlan:
    """One stop before the scene."""

    f_number: float
    at_focus: Figure
    at_near: Figure
    at_far: Figure
    disc_px: float
    """Defocus disc at the near and far limit."""
    shake_px: float
    """Usual blur of hands."""
    exposure_s: float | None
    iso: float | None
    snr: float
    """Of an edge like the chart's, at this ISO; NaN where it is not known."""
    dark_by_stops: float
    """Light that is missing; such a stop is not chosen."""

    @property
    def worst(self) -> Figure:
        """The softer of both limits."""
        return min((self.at_near, self.at_far), key=lambda one: one.mtf50_cypx)


@dataclass(frozen=True, slots=True, kw_only=True)
class LensPlan:
    """One lens before the scene."""

    lens: str
    camera: str
    session: str
    measured_at_mm: tuple[float, ...]
    best: StopPlan
    """The compromise: the stop that is sharpest where it is softest, between near and far."""
    as_good_f_numbers: tuple[float, ...]
    """Stops within 3 % of it."""
    best_tested: bool
    """The compromise lies at the first or last stop tested."""
    sweet_spot_f_number: float
    """Where the lens is sharpest in focus, whatever depth and light ask for."""
    sweet_spot_cypx: float
    focus_cost_percent: float
    """What the compromise costs at the plane of focus, against the sweet spot in focus."""
    limit_cost_percent: float
    """The same at the softer limit."""
    one_frame_serves: bool
    """The softer limit keeps at least 80 % of the sweet spot."""
    bracket: Bracket | None
    """At the sweet spot, where one frame does not serve."""
    worst_lwph: float
    worst_lpmm: float
    stops: tuple[StopPlan, ...]
    tied: bool
    behind_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PicturePlan:
    """The answer to a picture that is wanted."""

    wanted: Wanted
    focus_m: float
    """From the sensor; the same at every stop."""
    third_m: float
    """Where the one-third habit would focus, NaN for an infinite far limit."""
    unit: str
    lenses: tuple[LensPlan, ...]
    """Sharpest at its softest place first; empty where none can answer."""
    left_out: tuple[LeftOut, ...]
    cautions: tuple[Note, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stage:
    """One lens before the scene."""

    curve: LensCurve
    wanted: Wanted
    pitch_um: float
    focus_mm: float

    @property
    def diagonal_mm(self) -> float:
        size_px = self.curve.session.size_px or (0, 0)
        return math.hypot(*size_px) * self.pitch_um / 1000.0


def plan_picture(sessions: Sequence[KeptSession], wanted: Wanted) -> PicturePlan:
    """Plan a picture with every lens of the library that reaches its focal length.

    Parameters
    ----------
    sessions : sequence of KeptSession
        What the library holds; the newest session of each lens on each camera counts.
    wanted : Wanted
        Focal length, near and far limit, light and support.
    """
    curves, left = curves_for(sessions, wanted.focal_length_mm, zone=wanted.zone)
    focus_mm = focus_object_mm(wanted.near_object_mm, wanted.far_object_mm)
    plans: list[tuple[LensCurve, LensPlan]] = []
    for curve in curves:
        match _planned(curve, wanted, focus_mm):
            case LeftOut() as reason:
                left.append(reason)
            case plan:
                plans.append((curve, plan))
    unit = common_unit([curve.session for curve, _ in plans])
    return PicturePlan(
        wanted=wanted,
        focus_m=sensor_distance_m(focus_mm, focal_length_mm=wanted.focal_length_mm),
        third_m=wanted.near_m + (wanted.far_m - wanted.near_m) / 3.0
        if math.isfinite(wanted.far_m)
        else math.nan,
        unit=unit,
        lenses=tuple(_in_order(plans, unit)),
        left_out=tuple(left),
        cautions=(*cautions([curve for curve, _ in plans], sessions), *_cautions(wanted)),
    )


def _cautions(wanted: Wanted) -> list[Note]:
    """Find what the plan does not rest on."""
    kinds = [AdviceCaution.EQUAL_SOFTNESS]
    kinds += [AdviceCaution.SHAKE_BY_HABIT] if wanted.handheld else []
    kinds += [AdviceCaution.LIGHT_UNKNOWN] if wanted.ev is None else []
    return [Note(kind) for kind in (*kinds, AdviceCaution.FLAT_FIELD)]


def _in_order(plans: Sequence[tuple[LensCurve, LensPlan]], unit: str) -> list[LensPlan]:
    rivals = [
        Rival(
            session=curve.session,
            log_mtf50=math.log(plan.best.worst.mtf50_cypx),
            sd=plan.best.worst.own_sd,
            freedom=curve.freedom,
        )
        for curve, plan in plans
    ]
    return [
        replace(plans[one.index][1], tied=one.tied, behind_percent=100.0 * one.behind)
        for one in in_order(rivals, unit=unit)
    ]


def _planned(curve: LensCurve, wanted: Wanted, focus_mm: float) -> LensPlan | LeftOut:
    session = curve.session
    if session.pixel_pitch_um is None or session.size_px is None:
        return left_out(session, Note(Lack.PITCH_UNKNOWN))
    stage = _Stage(curve=curve, wanted=wanted, pitch_um=session.pixel_pitch_um, focus_mm=focus_mm)
    stops = tuple(_stop(stage, reading) for reading in curve.readings)
    bright = [stop for stop in stops if stop.dark_by_stops <= 0.0]
    if not bright:
        lacking = min(stop.dark_by_stops for stop in stops)
        return left_out(session, Note(Lack.TOO_DARK, (lacking,)))
    return _lens_plan(stage, stops, bright)


def _lens_plan(stage: _Stage, stops: Sequence[StopPlan], bright: Sequence[StopPlan]) -> LensPlan:
    session, readings = stage.curve.session, stage.curve.readings
    best = max(bright, key=lambda stop: stop.worst.mtf50_cypx)
    worst = best.worst.mtf50_cypx
    sweet = max(readings, key=lambda reading: _blur(stage, reading.log_mtf50, reading).mtf50_cypx)
    top = _blur(stage, sweet.log_mtf50, sweet).mtf50_cypx
    serves = worst >= SERVES * top
    return LensPlan(
        lens=session.lens,
        camera=session.camera,
        session=session.session,
        measured_at_mm=stage.curve.measured_at_mm,
        best=best,
        as_good_f_numbers=tuple(
            stop.f_number for stop in bright if stop.worst.mtf50_cypx >= (1.0 - INDIFFERENCE) * worst
        ),
        best_tested=best in (stops[0], stops[-1]),
        sweet_spot_f_number=sweet.f_number,
        sweet_spot_cypx=top,
        focus_cost_percent=100.0 * (1.0 - best.at_focus.mtf50_cypx / top),
        limit_cost_percent=100.0 * (1.0 - worst / top),
        one_frame_serves=serves,
        bracket=None if serves else _bracket_at(stage, sweet),
        worst_lwph=in_unit(worst, session, "lwph"),
        worst_lpmm=in_unit(worst, session, "lpmm"),
        stops=tuple(stops),
        tied=True,
        behind_percent=0.0,
    )


def _bracket_at(stage: _Stage, reading: CurvePoint) -> Bracket:
    return bracket(
        stage.wanted,
        _blur(stage, reading.log_mtf50, reading),
        f_number=reading.f_number,
        exact_f_number=reading.exact_f_number,
        pitch_um=stage.pitch_um,
    )


def _blur(stage: _Stage, log_mtf50: float, reading: CurvePoint) -> optics.LensBlur:
    """Explain the measured figure at the chart's distance, and carry it to the picture's."""
    size = optics.magnification(
        focal_length_mm=stage.wanted.focal_length_mm, object_distance_mm=stage.focus_mm
    )
    before_chart, before_scene = (
        optics.working_q(reading.exact_f_number, magnification=one, pixel_pitch_um=stage.pitch_um)
        for one in (stage.curve.magnification, size)
    )
    return replace(optics.LensBlur.in_focus(math.exp(log_mtf50), before_chart), q=before_scene)


def _stop(stage: _Stage, reading: CurvePoint) -> StopPlan:
    wanted, session = stage.wanted, stage.curve.session
    exposed = exposure(wanted, f_number=reading.exact_f_number, picture_diagonal_mm=stage.diagonal_mm)
    shake_px = shake_mm(wanted, exposed.shutter_s) * 1000.0 / stage.pitch_um
    near_px, far_px = (
        float(
            disc_px(
                object_mm,
                focus_mm=stage.focus_mm,
                focal_length_mm=wanted.focal_length_mm,
                f_number=reading.exact_f_number,
                pitch_um=stage.pitch_um,
            )
        )
        for object_mm in (wanted.near_object_mm, wanted.far_object_mm)
    )
    at_focus, at_near, at_far = (_figure(stage, reading, disc, shake_px) for disc in (0.0, near_px, far_px))
    return StopPlan(
        f_number=reading.f_number,
        at_focus=at_focus,
        at_near=at_near,
        at_far=at_far,
        disc_px=max(near_px, far_px),
        shake_px=shake_px,
        exposure_s=exposed.shutter_s,
        iso=exposed.iso,
        snr=snr_at_iso(session, exposed.iso) if exposed.iso else math.nan,
        dark_by_stops=exposed.dark_by_stops,
    )


def _model_sd(stage: _Stage, reading: CurvePoint) -> float:
    opening = stage.curve.readings[0].exact_f_number / reading.exact_f_number
    return math.hypot(MODEL_SD, OPEN_MODEL_SD * opening**2)


def _figure(stage: _Stage, reading: CurvePoint, disc: float, shake_px: float) -> Figure:
    """Predict one MTF50; the doubts of the curve, of the model and of the shake are joined as independent ones."""

    def log_mtf50(doubt: float = 0.0, shake: float = 1.0) -> float:
        sharp = _blur(stage, reading.log_mtf50 + doubt, reading)
        return math.log(replace(sharp, disc_px=disc, motion_px=shake * shake_px).mtf50_cypx)

    middle, quantile = log_mtf50(), stage.curve.quantile
    slope = (log_mtf50(doubt=reading.sd) - middle) / reading.sd if reading.sd > 0.0 else 1.0
    own_sd = math.hypot(slope * reading.sd, _model_sd(stage, reading) if disc > 0.0 else 0.0)
    shaken = (
        (log_mtf50(shake=SHAKE_FACTOR) - middle, log_mtf50(shake=1.0 / SHAKE_FACTOR) - middle)
        if shake_px > 0.0
        else (0.0, 0.0)
    )
    low = math.exp(middle - math.hypot(quantile * own_sd, shaken[0]))
    high = math.exp(middle + math.hypot(quantile * own_sd, shaken[1]))
    known = stage.curve.known
    return Figure(
        mtf50_cypx=math.exp(middle), range_cypx=(low, high) if known else (math.nan, math.nan), own_sd=own_sd
    )
