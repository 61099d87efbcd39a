"""The picture one wants to take: from each lens's measured curve, the stop, the focus and what it costs."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.compare import SetUp, common_unit, in_unit
from lensbench.edge import gaussian_response, ruler_reading, viewing_of
from lensbench.library import scene
from lensbench.library.advise import (
    AdviceCaution,
    LeftOut,
    Rival,
    cautions,
    curves_for,
    in_order,
    left_out,
    set_up_among,
)
from lensbench.library.curve import CurvePoint, Lack, LensCurve, snr_at_iso
from lensbench.library.scene import Bracket, Wanted
from lensbench.model.errors import Note
from lensbench.model.measured import KeptSession
from lensbench.model.sweep import INDIFFERENCE

SERVES: Final = 0.8
"""One frame serves where the softer limit keeps this share of the sweet spot; fixed beforehand."""
MODEL_SD: Final = 0.02
"""Error of the through-focus model out of focus, as a share of MTF50; a lens stopped down stays below it."""
OPEN_MODEL_SD: Final = 0.04
"""The same at the widest stop measured, falling with the square of the opening: spherical aberration favours one side
of the focus by 5 to 20 % wide open. By trial against exact pupils, see docs/measured/advice.md."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A predicted MTF50, with what the measurement and, by hand, the shake leave open."""

    mtf50_cypx: float
    range_cypx: tuple[float, float]
    """95 % interval of the measured curve, joined with the model's own error out of focus and, by hand, with twice
    and half the usual shake; NaN where the spread between shots is not known."""
    own_sd: float  # of the figure's logarithm, without the shake, which all lenses share


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
        return min((self.at_near, self.at_far), key=lambda figure: figure.mtf50_cypx)


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
    """Where the lens is sharpest in focus, whatever depth and light ask for; by hand, with the shake of hands."""
    sweet_spot_cypx: float
    focus_cost_percent: float
    """What the compromise costs at the plane of focus, against the sweet spot in focus."""
    limit_cost_percent: float
    """The same at the softer limit."""
    one_frame_serves: bool
    """The softer limit keeps at least 80 % of the sweet spot, or what a print of the size asked for shows of it."""
    visible_loss_percent: float
    """Of the sweet spot's MTF50, that half of all viewers would notice in the print; infinite where no loss of half
    of it would be seen, NaN where no print was named."""
    alike_f_numbers: tuple[float, ...]
    """Stops that look like the best one in the print, at the softer limit; empty where no print was named."""
    bracket: Bracket | None
    """A dozen frames at most, at the sweet spot or the next smaller stop that does with so few; None by hand, or where
    one frame serves."""
    ideal_bracket: Bracket | None
    """At the sweet spot, where it takes more frames than that."""
    worst_lwph: float
    worst_lpmm: float
    stops: tuple[StopPlan, ...]
    tied: bool = True
    behind_percent: float = 0.0
    behind_ci95_percent: tuple[float, float] = (0.0, 0.0)


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


def plan_picture(sessions: Sequence[KeptSession], wanted: Wanted) -> PicturePlan:
    """Plan a picture with every lens of the library that reaches its focal length.

    Of what the library holds, the newest session of each lens on each camera counts.
    """
    curves, left = curves_for(sessions, wanted.focal_length_mm, zone=wanted.zone)
    plans: list[tuple[LensCurve, LensPlan]] = []
    for curve in curves:
        match _planned(curve, wanted):
            case Note() as why:
                left.append(left_out(curve.session, why))
            case plan:
                plans.append((curve, plan))
    kinds = [] if wanted.flat else [AdviceCaution.EQUAL_SOFTNESS]
    kinds += [AdviceCaution.SHAKE_BY_HABIT] if wanted.handheld else []
    kinds += [AdviceCaution.LIGHT_UNKNOWN] if wanted.ev is None else []
    kinds.append(AdviceCaution.FLAT_FIELD)
    near_m, far_m = wanted.near_m, wanted.far_m
    unit, set_up = common_unit([curve.session for curve, _ in plans]), set_up_among(sessions)
    return PicturePlan(
        wanted=wanted,
        focus_m=scene.sensor_distance_m(_focus_mm(wanted), focal_length_mm=wanted.focal_length_mm),
        third_m=near_m + (far_m - near_m) / 3.0 if math.isfinite(far_m) else math.nan,
        unit=unit,
        lenses=tuple(_in_order(plans, unit, set_up)),
        left_out=tuple(left),
        cautions=(*cautions([curve for curve, _ in plans], sessions, set_up), *map(Note, kinds)),
    )


def _focus_mm(wanted: Wanted) -> float:
    return scene.focus_object_mm(wanted.near_object_mm, wanted.far_object_mm)


def _in_order(plans: Sequence[tuple[LensCurve, LensPlan]], unit: str, set_up: SetUp) -> list[LensPlan]:
    rivals = [
        Rival(
            session=curve.session,
            log_mtf50=math.log(plan.best.worst.mtf50_cypx),
            sd=plan.best.worst.own_sd,
            freedom=curve.spread.dof,
        )
        for curve, plan in plans
    ]
    return [
        replace(
            plans[rank.index][1],
            tied=rank.tied,
            behind_percent=rank.behind_percent,
            behind_ci95_percent=rank.behind_ci95_percent,
        )
        for rank in in_order(rivals, unit=unit, set_up=set_up)
    ]


def _planned(curve: LensCurve, wanted: Wanted) -> LensPlan | Note:
    """One lens before the scene, or why it can't be planned with."""
    session = curve.session
    if session.pixel_pitch_um is None or session.size_px is None:
        return Note(Lack.PITCH_UNKNOWN)
    stage = _Stage(
        curve=curve,
        wanted=wanted,
        pitch_um=session.pixel_pitch_um,
        diagonal_mm=math.hypot(*session.size_px) * session.pixel_pitch_um / 1000.0,
        focus_mm=_focus_mm(wanted),
    )
    stops = tuple(stage.stop(point) for point in curve.readings)
    bright = [stop for stop in stops if stop.dark_by_stops <= 0.0]
    if not bright:
        return Note(Lack.TOO_DARK, (min(stop.dark_by_stops for stop in stops),))
    best = max(bright, key=lambda stop: stop.worst.mtf50_cypx)
    worst_cypx = best.worst.mtf50_cypx
    sweet, sweet_cypx = stage.sweet_spot(bright)
    visible = stage.visible_loss(sweet_cypx)
    unseen = 1.0 - min(visible, 1.0)
    served, kept = (SERVES, scene.KEPT) if math.isnan(visible) else (unseen, unseen)
    serves = worst_cypx >= served * sweet_cypx
    advised, ideal = (None, None) if serves or wanted.handheld else stage.brackets(sweet, worst_cypx, kept)
    return LensPlan(
        lens=session.lens,
        camera=session.camera,
        session=session.session,
        measured_at_mm=curve.measured_at_mm,
        best=best,
        as_good_f_numbers=_within(bright, worst_cypx, INDIFFERENCE),
        best_tested=best in (stops[0], stops[-1]),
        sweet_spot_f_number=sweet.f_number,
        sweet_spot_cypx=sweet_cypx,
        focus_cost_percent=100.0 * (1.0 - best.at_focus.mtf50_cypx / sweet_cypx),
        limit_cost_percent=100.0 * (1.0 - worst_cypx / sweet_cypx),
        one_frame_serves=serves,
        visible_loss_percent=100.0 * visible,
        alike_f_numbers=() if math.isnan(visible) else _within(bright, worst_cypx, visible),
        bracket=advised,
        ideal_bracket=ideal,
        worst_lwph=in_unit(worst_cypx, session, "lwph"),
        worst_lpmm=in_unit(worst_cypx, session, "lpmm"),
        stops=stops,
    )


def _within(stops: Sequence[StopPlan], worst_cypx: float, share: float) -> tuple[float, ...]:
    """Stops whose softer limit lies within a share of the best one's."""
    return tuple(stop.f_number for stop in stops if stop.worst.mtf50_cypx >= (1.0 - share) * worst_cypx)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stage:
    """One lens on its camera, focused before the scene."""

    curve: LensCurve
    wanted: Wanted
    pitch_um: float
    diagonal_mm: float
    focus_mm: float

    def blur(self, point: CurvePoint, *, doubt: float = 0.0) -> optics.LensBlur:
        """The measured figure explained at the chart's distance, and carried to the picture's."""
        size = optics.magnification(
            focal_length_mm=self.wanted.focal_length_mm, object_distance_mm=self.focus_mm
        )
        before_chart, before_scene = (
            optics.working_q(point.exact_f_number, magnification=scale, pixel_pitch_um=self.pitch_um)
            for scale in (self.curve.magnification, size)
        )
        in_focus = optics.LensBlur.in_focus(math.exp(point.log_mtf50 + doubt), before_chart)
        return replace(in_focus, q=before_scene)

    def sweet_spot(self, bright: Sequence[StopPlan]) -> tuple[CurvePoint, float]:
        """The stop that is sharpest in focus, and its MTF50: on a tripod of all, by hand of those bright enough."""
        if self.wanted.handheld:
            figures = {stop.f_number: stop.at_focus.mtf50_cypx for stop in bright}
        else:
            figures = {point.f_number: self.blur(point).mtf50_cypx for point in self.curve.readings}
        sharpest = max(figures, key=lambda f_number: figures[f_number])
        point = next(point for point in self.curve.readings if point.f_number == sharpest)
        return point, figures[sharpest]

    def visible_loss(self, mtf50_cypx: float) -> float:
        """Share of an MTF50 whose loss is just seen in the print, by the quality ruler; NaN without a print."""
        wanted, size_px = self.wanted, self.curve.session.size_px
        if wanted.print_mm is None or size_px is None:
            return math.nan
        viewing = viewing_of(min(size_px), print_and_eye_mm=(min(wanted.print_mm), scene.EYE_MM))
        seen = ruler_reading(gaussian_response(mtf50_cypx), viewing=viewing).just_seen(loss=True)
        return math.inf if math.isnan(seen) else seen

    def brackets(
        self, sweet: CurvePoint, worst_cypx: float, kept: float
    ) -> tuple[Bracket | None, Bracket | None]:
        """Few frames at the sweet spot or the next smaller stop that gains on one shot; at it, whatever it takes."""
        readings, sweet_cypx = self.curve.readings, self.blur(sweet).mtf50_cypx
        made = [self._bracket(point, sweet_cypx, kept) for point in readings[readings.index(sweet) :]]
        ideal = made[0]
        gains = (
            frames
            for frames in made
            if frames.frames <= scene.PRACTICAL_FRAMES
            and frames.kept_percent > 100.0 * worst_cypx / sweet_cypx / (1.0 - INDIFFERENCE)
        )
        advised = next(gains, None)
        return advised, None if advised is ideal else ideal

    def _bracket(self, point: CurvePoint, sweet_cypx: float, kept: float) -> Bracket:
        blur = self.blur(point)
        names = {"f_number": point.f_number, "exact_f_number": point.exact_f_number}
        frames = scene.bracket(self.wanted, blur, pitch_um=self.pitch_um, kept=kept, **names)
        return replace(frames, kept_percent=frames.kept_percent * blur.mtf50_cypx / sweet_cypx)

    def stop(self, point: CurvePoint) -> StopPlan:
        """One stop before the scene."""
        wanted, f_number = self.wanted, point.exact_f_number
        exposed = scene.exposure(wanted, f_number=f_number, picture_diagonal_mm=self.diagonal_mm)
        shake_px = scene.shake_mm(wanted, exposed.shutter_s) * 1000.0 / self.pitch_um
        near_px, far_px = scene.disc_px(
            np.array([wanted.near_object_mm, wanted.far_object_mm]),
            focus_mm=self.focus_mm,
            focal_length_mm=wanted.focal_length_mm,
            f_number=f_number,
            pitch_um=self.pitch_um,
        ).tolist()
        return StopPlan(
            f_number=point.f_number,
            at_focus=self._figure(point, 0.0, shake_px),
            at_near=self._figure(point, near_px, shake_px),
            at_far=self._figure(point, far_px, shake_px),
            disc_px=max(near_px, far_px),
            shake_px=shake_px,
            exposure_s=exposed.shutter_s,
            iso=exposed.iso,
            snr=snr_at_iso(self.curve.session, exposed.iso) if exposed.iso else math.nan,
            dark_by_stops=exposed.dark_by_stops,
        )

    def _figure(self, point: CurvePoint, disc_px: float, shake_px: float) -> Figure:
        """One MTF50; the doubts of the curve, of the model and of the shake are joined as independent ones."""

        def log_mtf50(doubt: float = 0.0, shake: float = 1.0) -> float:
            sharp = self.blur(point, doubt=doubt)
            return math.log(replace(sharp, disc_px=disc_px, motion_px=shake * shake_px).mtf50_cypx)

        middle, spread = log_mtf50(), self.curve.spread
        slope = (log_mtf50(doubt=point.sd) - middle) / point.sd if point.sd > 0.0 else 1.0
        opening = self.curve.readings[0].exact_f_number / point.exact_f_number
        model_sd = math.hypot(MODEL_SD, OPEN_MODEL_SD * opening**2) if disc_px > 0.0 else 0.0
        own_sd = math.hypot(slope * point.sd, model_sd)
        ends = [math.nan, math.nan]
        if spread.known:
            ends = [
                math.exp(
                    middle + sign * math.hypot(spread.quantile * own_sd, log_mtf50(shake=shake) - middle)
                )
                for sign, shake in ((-1.0, scene.SHAKE_FACTOR), (1.0, 1.0 / scene.SHAKE_FACTOR))
            ]
        return Figure(mtf50_cypx=math.exp(middle), range_cypx=(ends[0], ends[1]), own_sd=own_sd)
