"""What is true of a lens told by its wavefronts, by the definitions of docs/method/method.md.

Sharpness over focus and picture comes from the wavefronts' own transfers, pixel included, without noise, and without
anything of the program's measurement.
"""

from collections.abc import Callable
from functools import cache

import numpy as np
from condition_figures import AT_OUTER, AT_SIDES, SPLIT, peak_of
from scipy import interpolate

from lensbench.condition.field import side_of
from lensbench.model.condition import Subject
from lensbench.simulate.wavefront import WavefrontLens, transfer

PITCH_UM = 4.0
MAGNIFICATION = 0.0432
"""Of a sheet A4 that fills the frame of 12 mm."""
HALF_DIAGONAL_UM = 0.5 * PITCH_UM * float(np.hypot(2000, 3000))
ROUND_DEG = (0.0, 90.0, 180.0, 270.0)
RING_DEG = tuple(np.arange(0.0, 360.0, 45.0))
AT_HEIGHTS = (AT_SIDES, 0.5547, AT_SIDES, 0.5547)
"""Of right, top, left, bottom: at 0.7, or where 3:2 ends before."""
FREQUENCY_CYPX = np.geomspace(0.008, 0.6, 60)
FOCUSES = 17

Curve = Callable[[float], float]


@cache
def truth_of(
    lens: WavefrontLens, stops: tuple[float, ...], pitch_yaw_deg: tuple[float, float]
) -> dict[object, object]:
    """In percent of MTF50: each subject at the stop that shows most, each stop's own figures, and the softer side.

    Focused in the middle at each stop.
    """
    at = {stop: AtStop(lens, stop) for stop in stops}
    tilt_um = MAGNIFICATION * HALF_DIAGONAL_UM * np.tan(np.radians(pitch_yaw_deg))
    tilt_um = float(np.linalg.norm(tilt_um * np.array([AT_HEIGHTS[1], AT_SIDES])))
    widest = at[stops[0]]
    own = {
        stop: {
            "asymmetry": one.asymmetry,
            "lean": one.lean_loss,
            Subject.FIELD_CURVATURE: one.curvature_loss,
            Subject.ASTIGMATISM: one.planes_loss,
            SPLIT: one.split,
            Subject.FOCUS_SHIFT: one.loss_at(widest.middle_um) if len(stops) > 1 else 0.0,
        }
        for stop, one in at.items()
    }
    worst = {key: max(figures[key] for figures in own.values()) for key in own[stops[0]]}
    uneven = max(at.values(), key=lambda one: max(one.asymmetry, one.lean_loss))
    return {
        **own,
        **worst,
        Subject.TILT: widest.sides_loss(tilt_um),
        Subject.DECENTRING: max(worst["asymmetry"], worst["lean"]),
        "side": uneven.side,
    }


class AtStop:
    """Sharpness over focus and picture at one stop."""

    def __init__(self, lens: WavefrontLens, stop: float) -> None:
        self.lens, self.stop = lens, stop
        around = lens.maps.figures.c.shape[2] > 2
        self.azimuths_deg = ROUND_DEG if around else ROUND_DEG[:1]
        self.focused_um = -lens.focus_shift_um(lens.focal_range_mm[0], stop)
        self.middle_um = self._peak(_both(self._curves(0.0, 0.0)))

    def _curves(self, height: float, azimuth_deg: float) -> tuple[Curve, Curve]:
        """Log MTF50 of sagittal and tangential edges over the sensor's plane."""
        return _through_focus(self.lens, self.stop, self.focused_um, height, azimuth_deg)

    def _peak(self, curve: Curve) -> float:
        return peak_of(curve, self.focused_um, _reach_um(self.stop))

    def _sides(self) -> list[Curve]:
        """Right, top, left and bottom, or the one that stands for all."""
        return [
            _both(self._curves(height, azimuth))
            for azimuth, height in zip(self.azimuths_deg, AT_HEIGHTS, strict=False)
        ]

    def loss_at(self, focus_um: float) -> float:
        """Of the middle, where the sensor stands here."""
        middle = _both(self._curves(0.0, 0.0))
        return _percent(middle(self.middle_um) - middle(focus_um))

    @property
    def _across(self) -> tuple[float, float]:
        """Log MTF50 of right less left and of bottom less top, in focus in the middle: its first harmonic round 0.7."""
        if len(self.azimuths_deg) == 1:
            return 0.0, 0.0
        turns = np.radians(RING_DEG)
        logs = [_both(self._curves(AT_SIDES, azimuth))(self.middle_um) for azimuth in RING_DEG]
        right, up = (4.0 * float(np.mean(logs * wave)) for wave in (np.cos(turns), np.sin(turns)))
        return right, -up * AT_HEIGHTS[1] / AT_SIDES

    @property
    def _leans_um(self) -> tuple[float, float]:
        """How much further from the lens the right is sharpest than the middle of both sides, and the bottom."""
        if len(self.azimuths_deg) == 1:
            return 0.0, 0.0
        right, top, left, bottom = (self._peak(curve) for curve in self._sides())
        return 0.5 * (right - left), 0.5 * (bottom - top)

    @property
    def asymmetry(self) -> float:
        """Of opposite sides, in focus in the middle."""
        return _percent(float(np.hypot(*self._across)))

    @property
    def side(self) -> str:
        """The softer one; where the plane of focus leans and costs more, both ways that it leans."""
        right, down = self._across
        if self.lean_loss > self.asymmetry:
            right, down = self._leans_um
        right, down = right / AT_HEIGHTS[0], down / AT_HEIGHTS[1]
        sides = [str(side_of(float(np.degrees(np.arctan2(sign * down, -sign * right))))) for sign in (1, -1)]
        return " or ".join(sides if self.lean_loss > self.asymmetry else sides[:1])

    @property
    def lean_loss(self) -> float:
        """What the plane of focus takes from the sides where it leans."""
        return self.sides_loss(float(np.hypot(*self._leans_um)))

    def sides_loss(self, off_um: float) -> float:
        """Mean loss of the sides so far out of focus, either way."""
        losses = []
        for curve in self._sides():
            peak = self._peak(curve)
            losses.append(curve(peak) - 0.5 * (curve(peak + off_um) + curve(peak - off_um)))
        return _percent(float(np.mean(losses)))

    @property
    def curvature_loss(self) -> float:
        """What the outer field loses where the middle is in focus: at the mean distance of their planes."""
        curves = [_both(self._curves(AT_OUTER, azimuth)) for azimuth in self.azimuths_deg]
        peaks = [self._peak(curve) for curve in curves]
        away_um = float(np.mean(peaks)) - self.middle_um
        losses = [curve(peak) - curve(peak - away_um) for curve, peak in zip(curves, peaks, strict=True)]
        return _percent(float(np.mean(losses)))

    @property
    def planes_loss(self) -> float:
        """What edges of one kind lose in the plane of the other."""
        losses = []
        for azimuth in self.azimuths_deg:
            sagittal, tangential = self._curves(AT_OUTER, azimuth)
            own, other = (self._peak(curve) for curve in (sagittal, tangential))
            losses += [sagittal(own) - sagittal(other), tangential(other) - tangential(own)]
        return _percent(float(np.mean(losses)))

    @property
    def split(self) -> float:
        """By how much sagittal and tangential edges differ in focus in the middle."""
        pairs = [self._curves(AT_OUTER, azimuth) for azimuth in self.azimuths_deg]
        apart = [sagittal(self.middle_um) - tangential(self.middle_um) for sagittal, tangential in pairs]
        return _percent(abs(float(np.mean(apart))))


def _reach_um(stop: float) -> float:
    """How far through focus is looked: four waves at the rim, where that is enough."""
    return min(16.0 * stop**2, 160.0)


def _percent(log_loss: float) -> float:
    return float(-100.0 * np.expm1(-max(log_loss, 0.0)))


def _both(curves: tuple[Curve, Curve]) -> Curve:
    return lambda z: 0.5 * (curves[0](z) + curves[1](z))


@cache
def _through_focus(
    lens: WavefrontLens, stop: float, focused_um: float, height: float, azimuth_deg: float
) -> tuple[Curve, Curve]:
    """Cubic splines through the exact figures; `height` in half-diagonals."""
    turn = np.radians(azimuth_deg)
    along = np.array([-np.sin(turn), np.cos(turn)])
    across = np.array([-np.cos(turn), -np.sin(turn)])
    reach_um = _reach_um(stop)
    focuses = focused_um + np.linspace(-reach_um, reach_um, FOCUSES)
    logs = []
    for focus_um in focuses:
        seen = transfer(
            lens.maps,
            (float(height * along[0]), float(height * along[1])),
            "green",
            lens.stopped_down(stop),
            lens.widest_f_number * (1.0 + MAGNIFICATION),
            float(focus_um),
            PITCH_UM,
        )
        # A sagittal edge lies along the radius: its normal, and the frequency, go across.
        logs.append([_log_mtf50(seen.at, normal) for normal in (across, along)])
    sagittal, tangential = (interpolate.CubicSpline(focuses, figures) for figures in np.array(logs).T)
    return (lambda z: float(sagittal(z))), (lambda z: float(tangential(z)))


def _log_mtf50(at: Callable, normal: np.ndarray) -> float:
    pixel = np.sinc(FREQUENCY_CYPX * normal[0]) * np.sinc(FREQUENCY_CYPX * normal[1])
    modulus = np.abs(at(FREQUENCY_CYPX * normal[0], FREQUENCY_CYPX * normal[1])) * pixel
    after = int(np.argmax(modulus < 0.5))
    share = (modulus[after - 1] - 0.5) / (modulus[after - 1] - modulus[after])
    step = np.log(FREQUENCY_CYPX[1] / FREQUENCY_CYPX[0])
    return float(np.log(FREQUENCY_CYPX[after - 1]) + share * step)
