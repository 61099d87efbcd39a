"""Photographs of the sheet, as figures, through lenses whose pupils are aberrated differently all over the field.

True MTF50 comes from exact overlap integrals (`exact_pupils`) with Seidel's laws: spherical aberration goes
with the fourth power of the opening, that of the next order with the sixth, and both are alike all over; coma goes with
the third power and the image height, astigmatism and field curvature with the height's square and, where asked for, its
fourth power. A decentred element adds coma that is alike all over, which adds to
the field's own on one side and takes from it on the other, and a tilt of the image plane. Nothing here knows of the
curves and fits that the study lays.
"""

from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import exact_pupils
import numpy as np
from invented_shots import planned
from scipy import interpolate, optimize

from lensbench.chart.layout.parts import ARMS
from lensbench.chart.layout.sheet import sheet
from lensbench.model.shot import Box, ChartEdge, ChartSeen, Direction, Edge, ShotResult, Tilt, Turned
from lensbench.model.sweep import SweepShot
from lensbench.shot.geometry import direction_of, place_of
from lensbench.shot.zones import summarise
from lensbench.simulate import hung_wall

WAVELENGTH_UM = 0.55
ROWS, COLS = 4000, 6000
PITCH_UM = 4.0
MAGNIFICATION = {"sheet": 24.0 / 393.27, "wall": 24.0 / 1727.25}
"""Of a chart whose frame of 3:2 fills a sensor of 24 mm: an A3 sheet, a wall of 13 (widths of the layouts)."""
FREQUENCY = np.geomspace(0.02, 0.6, 18)
NODES = 20
EMPTY = np.empty(0)
Z_GRID = np.linspace(-1.0, 1.0, 11)
RMS_TO_RIM = 6.0 * np.sqrt(5.0)
"""W40 at the pupil's rim over the rms of Zernike's balanced term 6 r^4 - 6 r^2 + 1, in sqrt 5 units: derived."""


@dataclass(frozen=True)
class FieldLens:
    """Aberrations at the widest stop, in waves rms unless said; lengths on the sensor."""

    widest: float = 2.8
    spherical: float = 0.03
    coma_corner: float = 0.12
    astigmatism_corner: float = 0.06
    sigma_px: float = 0.35
    fifth: float = 0.0
    """Spherical aberration of the fifth order."""
    astigmatism_high: float = 0.0
    """What goes with the fourth power of the image height."""
    curvature_um: float = 0.0
    curvature_high_um: float = 0.0
    """What goes with the fourth power of the image height."""
    coma_decentred: tuple = (0.0, 0.0)
    """(right, down), alike all over."""
    plane_tilt_um: tuple = (0.0, 0.0)
    """Focus error (right, down) at one half-diagonal."""

    def best_z_um(self, stop):
        """Where the middle is in focus, against the paraxial focus: least wavefront error (derived).

        rho^4 holds rho^2 once beside Zernike's balanced terms, and rho^6 nine tenths of it.
        """
        opening = self.widest / stop
        fourth, sixth = self._rims_waves
        rim_waves = fourth * opening**4 + 0.9 * sixth * opening**6
        return -8.0 * WAVELENGTH_UM * stop**2 * rim_waves

    def spherical_at(self, stop):
        """Rms of both of Zernike's balanced orders at a stop: rho^6 = Z6 + 1.5 rho^4 + ... (derived)."""
        opening = self.widest / stop
        fourth, sixth = self._rims_waves
        return (fourth * opening**4 + 1.5 * sixth * opening**6) / RMS_TO_RIM, self.fifth * opening**6

    def curved_um(self, height):
        """How far the focus lies from that of the middle."""
        return self.curvature_um * height**2 + self.curvature_high_um * height**4

    @property
    def _rims_waves(self):
        """Errors at the widest stop's rim that go with rho^4 and rho^6."""
        sixth = 20.0 * np.sqrt(7.0) * self.fifth
        return RMS_TO_RIM * self.spherical - 1.5 * sixth, sixth


@dataclass(frozen=True)
class Place:
    target: str
    arm: int
    center_px: tuple
    angle_deg: float
    image_height: float
    azimuth_deg: float
    direction: Direction

    @property
    def right_down(self):
        turn = np.radians(self.azimuth_deg)
        return self.image_height * np.cos(turn), -self.image_height * np.sin(turn)


@lru_cache(maxsize=2)
def places(chart="sheet"):
    """Two arms of every target of an A3 sheet that fills a frame of 3:2: half of them, for speed; all of a wall."""
    layout = sheet("A3") if chart == "sheet" else hung_wall(13)
    frame = next(one.size_mm for one in layout.frames if one.ratio in {"3:2", "36:24"})
    px_per_mm = min(ROWS / frame[0], COLS / frame[1])
    found = []
    for target in layout.targets:
        for arm in ARMS[:2] if chart == "sheet" else ARMS:
            toward = np.array(target.arm_direction(arm))
            center = (np.array(target.center_mm) + 0.5 * target.radius_mm * toward) * px_per_mm
            center += np.array([ROWS - 1, COLS - 1]) / 2.0
            if not (0 <= center[0] < ROWS and 0 <= center[1] < COLS):
                continue
            angle = (np.degrees(np.arctan2(toward[1], -toward[0])) + 90.0) % 180.0 - 90.0
            stands = place_of(tuple(center), (ROWS, COLS))
            found.append(
                Place(
                    target=target.name,
                    arm=arm,
                    center_px=tuple(center),
                    angle_deg=float(angle),
                    image_height=stands.image_height,
                    azimuth_deg=stands.azimuth_deg,
                    direction=direction_of(tuple(center), (ROWS, COLS), angle_deg=float(angle)),
                )
            )
    return tuple(found)


@dataclass(frozen=True)
class FieldTable:
    """Log MTF50 of every place over the focus error at that place."""

    lens: FieldLens
    stop: float
    reach_um: float
    curves: tuple
    """(indices of places, the curve that they share)."""

    def log_mtf50(self, z_um):
        """At focus errors, one a place, against the best focus of the middle."""
        clipped = np.clip(z_um, -self.reach_um, self.reach_um)
        found = np.empty(len(clipped))
        for members, curve in self.curves:
            found[members] = curve(clipped[members])
        return found


@lru_cache(maxsize=400)
def table(lens, stop, chart="sheet"):
    """Work out a lens at a stop; lens-wide even aberrations are worked out by height and interpolated."""
    reach_um = 8.0 * WAVELENGTH_UM * stop**2 * 1.6
    z_um = reach_um * Z_GRID
    keys = [_key(lens, place) for place in places(chart)]
    members = {key: [number for number, one in enumerate(keys) if one == key] for key in dict.fromkeys(keys)}
    curves = tuple((np.array(ones), _curve(lens, stop, key, z_um, chart)) for key, ones in members.items())
    return FieldTable(lens=lens, stop=stop, reach_um=reach_um, curves=curves)


def _key(lens, place):
    """Places of one target and direction share a curve; of an even lens, those of about one height."""
    height = round(place.image_height / 0.1) * 0.1
    if lens.coma_decentred == (0.0, 0.0):
        return place.direction is Direction.SAGITTAL, round(height, 1), 0.0
    return place.direction is Direction.SAGITTAL, round(height, 1), round(place.azimuth_deg / 15.0) * 15.0


def _curve(lens, stop, key, z_um, chart):
    return interpolate.CubicSpline(z_um, [log_at(lens, stop, key, z, chart) for z in z_um])


def log_at(lens, stop, key, z_um, chart="sheet"):
    sagittal, height, azimuth_deg = key
    opening = lens.widest / stop
    turn = np.radians(azimuth_deg)
    right, down = lens.coma_decentred
    radial = lens.coma_corner * height + right * np.cos(turn) - down * np.sin(turn)
    across = -right * np.sin(turn) - down * np.cos(turn)
    working = stop * (1.0 + MAGNIFICATION[chart])
    spherical, fifth = lens.spherical_at(stop)
    astigmatism = lens.astigmatism_corner * height**2 + lens.astigmatism_high * height**4
    # Zernike's balanced terms hold the middle in focus at z = 0.
    front = exact_pupils.Wavefront(
        w20_waves=z_um / (8.0 * WAVELENGTH_UM * working**2),
        astigmatism_rms_waves=astigmatism * opening**2,
        coma_rms_waves=float(np.hypot(radial, across)) * opening**3,
        coma_deg=float(np.degrees(np.arctan2(across, radial))),
        spherical_rms_waves=spherical,
        fifth_order_rms_waves=fifth,
    )
    return _log_mtf50(lens, working, front, 90.0 if sagittal else 0.0)


def _log_mtf50(lens, working, front, azimuth_deg):
    nu = np.minimum(FREQUENCY * WAVELENGTH_UM * working / PITCH_UM, 1.0)
    pupil = np.abs(exact_pupils.aberrated_otf(nu, front, azimuth_deg=azimuth_deg, nodes=NODES))
    transfer = pupil * np.sinc(FREQUENCY) * np.exp(-2.0 * (np.pi * lens.sigma_px * FREQUENCY) ** 2)
    first = int(np.argmax(transfer < 0.5))
    if first == 0:
        return float(np.log(FREQUENCY[0]))
    curve = interpolate.CubicSpline(np.log(FREQUENCY), transfer - 0.5)
    return optimize.brentq(curve, np.log(FREQUENCY[first - 1]), np.log(FREQUENCY[first]))


@dataclass(frozen=True)
class Shooting:
    """How the shots stray."""

    level_sd: float = 0.02
    side_sd: float = 0.02
    """Of each side by itself, so that two sides differ by 1.4 times as much."""
    edge_sd: float = 0.015
    focus_sd_um: float = 2.0
    steady_um: float = 0.0
    """Focus error that every shot has."""
    chart: str = "sheet"
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    tilt_sd_deg: float = 0.05
    wall_side: tuple = (0.0, 0.0)
    """A fault of chart or wall: log MTF50 (right, down) at image height 0.7, in the chart's own axes."""
    condition: str = ""
    turned: bool = False
    table_says: Turned | None = None
    """What the shots table says was turned."""
    extra: dict = field(default_factory=dict)


def shot(lens, stop, random, *, how=None, z_um=None, name="", number=0, **plan):
    """One photograph; z_um is the focus error in the middle, drawn where it is None."""
    how = how or Shooting()
    spot = places(how.chart)
    right, down = np.array([place.right_down for place in spot]).T
    height2 = right**2 + down**2
    error_um = how.steady_um + how.focus_sd_um * random.normal() if z_um is None else z_um
    sign = -1.0 if how.turned else 1.0
    half_mm = np.hypot(ROWS, COLS) / 2.0 * PITCH_UM / 1000.0
    slope_um = (
        1000.0 * half_mm * MAGNIFICATION[how.chart] * np.tan(np.radians([how.yaw_deg, -how.pitch_deg])) * sign
    )
    slope_um = slope_um + np.array(lens.plane_tilt_um)
    z = error_um + lens.curved_um(np.sqrt(height2)) + slope_um[0] * right + slope_um[1] * down
    logs = table(lens, stop, how.chart).log_mtf50(z)
    # Sides that stray by side_sd each: a random slope, 1/sqrt 2 of the difference at 0.7 to either side.
    stray = how.side_sd / np.sqrt(2.0) * random.normal(size=2) / 0.7
    wall = sign * np.array(how.wall_side) / 0.7
    logs = logs + (stray[0] + wall[0]) * right + (stray[1] + wall[1]) * down
    logs = logs + how.level_sd * random.normal() + how.edge_sd * random.normal(size=len(logs))
    return _swept(lens, stop, spot, np.exp(logs), how, random, sign=sign, name=name, number=number, plan=plan)


def _swept(lens, stop, spot, values, how, random, *, sign, name, number, plan):
    edges = tuple(
        ChartEdge(
            edge=Edge(
                roi=Box(top=int(place.center_px[0]), left=int(place.center_px[1]), height=60, width=60),
                channel="green",
                angle_deg=place.angle_deg,
                mtf50_cypx=float(value),
                mtf50_sd_cypx=0.01 * float(value),
                frequency_cypx=EMPTY,
                sfr=EMPTY,
                sfr_sd=EMPTY,
                esf_position_px=EMPTY,
                esf=EMPTY,
            ),
            target=place.target,
            arm=place.arm,
            center_px=place.center_px,
            image_height=place.image_height,
            azimuth_deg=place.azimuth_deg,
            direction=place.direction,
        )
        for place, value in zip(spot, values, strict=True)
    )
    path = Path(f"{name or 'shot'}_{stop:g}_{number}.dng")
    stands = Tilt(
        yaw_deg=sign * how.yaw_deg + how.tilt_sd_deg * random.normal(),
        pitch_deg=sign * how.pitch_deg + how.tilt_sd_deg * random.normal(),
        roll_deg=180.0 if how.turned else 0.0,
        yaw_sd_deg=how.tilt_sd_deg,
        pitch_sd_deg=how.tilt_sd_deg,
        roll_sd_deg=0.01,
    )
    plan = planned(path, stop, 50.0, condition=how.condition, turned=how.table_says, **plan)
    result = ShotResult(
        path=path,
        metadata=plan.metadata,
        size_px=(ROWS, COLS),
        sensor_data=True,
        pixel_pitch_um=PITCH_UM,
        chart=ChartSeen(
            name="sheet A3" if how.chart == "sheet" else "wall of A4 pages",
            targets_found=23,
            targets_on_chart=23,
            contrast=4.0,
            residual_px=0.1,
            radial_distortion_percent=0.0,
        ),
        magnification=MAGNIFICATION[how.chart],
        distance_mm=2600.0,
        tilt=stands,
        edges=edges,
        summary=summarise(edges, (ROWS, COLS)),
        quality=(),
    )
    return SweepShot(planned=plan, result=result)


def shoot(lens, random, *, stops=(2.8, 5.6), repeats=3, how=None):
    """Refocused shots at every stop; turned ones too where `how` has a list."""
    return [
        shot(lens, stop, random, how=how, number=number, name="t" if how and how.turned else "u")
        for stop in stops
        for number in range(repeats)
    ]


def bracket(lens, random, *, stops=(2.8, 5.6), steps_um=(-45, -30, -15, 0, 15, 30, 45), how=None, group="b1"):
    """A focus bracket: every stop at every step; 0 is where the widest stop is sharpest in the middle.

    The table of a stop has its zero at that stop's own best focus, so the shift between stops is added here.
    """
    shots = []
    for step in steps_um:
        for stop in stops:
            shift = lens.best_z_um(lens.widest) - lens.best_z_um(stop)
            shots.append(
                shot(
                    lens,
                    stop,
                    random,
                    how=how or Shooting(level_sd=0.01, side_sd=0.005),
                    z_um=step + shift,
                    name=f"{group}{step:g}",
                    focus_group=group,
                    focus_step=float(step),
                )
            )
    return shots


def true_asymmetry(lens, stop):
    """Log MTF50 of the right over the left side, of the bottom over the top, in focus: mean of the edges beyond 0.45
    that lie within about 50 degrees of either side. Another measure than the study's slope."""
    known = {}
    keys = [_key(lens, place) for place in places()]
    for key in keys:
        if key not in known:
            known[key] = log_at(lens, stop, key, 0.0)
    logs = np.array([known[key] for key in keys])
    spots = np.array([place.right_down for place in places()])
    outer = np.hypot(*spots.T) > 0.45
    found = []
    for axis in (0, 1):
        beside = outer & (np.abs(spots[:, axis]) > 0.8 * np.abs(spots[:, 1 - axis]))
        found.append(logs[beside & (spots[:, axis] > 0)].mean() - logs[beside & (spots[:, axis] < 0)].mean())
    return np.array(found)


def decentred(lens, stop, *, size, toward=(1.0, 0.0)):
    """The lens with as much constant coma as makes the true asymmetry so large, in log MTF50, within 2 %."""
    toward = np.array(toward) / np.hypot(*toward)
    strength = 0.02
    for _ in range(8):
        changed = replace(lens, coma_decentred=tuple(float(one) for one in np.round(strength * toward, 5)))
        reached = float(np.linalg.norm(true_asymmetry(changed, stop)))
        if abs(reached / size - 1.0) < 0.02:
            return changed
        strength *= (size / reached) ** 0.8
    raise AssertionError(f"asymmetry {reached:.3f} instead of {size:.3f}")
