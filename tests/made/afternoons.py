"""Afternoons of photographs by invented lenses, in figures: what glass, focus, hand and hours make of them.

A lens is a pupil with spherical error of two orders, coma, astigmatism, a curved field and axial colour; its MTF50
comes from exact overlap integrals at every focus, stop and third of the picture. Focus shift follows from the spherical
error. Scatter is what a focus error takes away. Nothing here knows of the models that are fitted.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Final

import numpy as np
from invented_shots import planned
from scipy import interpolate, special, stats

from lensbench.model.shot import ChartSeen, Metadata, ShotResult, Tilt, ZoneFigure
from lensbench.model.sweep import SweepShot

FULL: Final = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
FAST: Final = (1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
FOUR: Final = (2.0, 2.8, 4.0, 5.6)
FIVE: Final = (2.8, 4.0, 5.6, 8.0, 11.0)
ZONES: Final = ("inner", "middle", "outer", "frame")
HEIGHTS: Final = (0.3, 0.55, 0.82)
"""Of the thirds of the picture, as shares of the half-diagonal."""
MAGNIFICATION: Final = 0.06
GREEN_UM: Final = 0.55
_COLOURS: Final = ((0.48, 0.25), (0.55, 0.5), (0.62, 0.25))  # wavelength in um, weight
_MOST_WAVES: Final = 4.5
_MOST_UM: Final = 150.0
_PLACES: Final = 27
_NODES: Final = 20
_FREQUENCY: Final = np.geomspace(0.012, 0.75, 40)
_SHAKE_MTF50: Final = np.sqrt(np.log(2.0) / 2.0) / np.pi  # a Gaussian's MTF50 is this over its sigma


@dataclass(frozen=True, kw_only=True)
class Glass:
    """A lens by its aberrations wide open, in waves at the rim of the pupil, and at the corner."""

    stops: tuple[float, ...] = FULL
    pitch_um: float = 4.0
    spherical: tuple[float, float] = (0.0, 0.0)
    """W040 and W060."""
    coma: float = 0.0
    astigmatism: float = 0.0
    field_um: float = 0.0
    """Focus at the corner less that at the centre."""
    colour_um: float = 0.0
    """Focus of blue and red less that of green."""
    filter_px: float = 0.3

    @cached_property
    def tables(self) -> tuple[tuple[interpolate.CubicSpline, ...], ...]:
        """Log MTF50 over focus in um: by stop, then by third."""
        return tuple(tuple(_over_focus(self, stop, height) for height in HEIGHTS) for stop in self.stops)

    def log_zones(self, place: int, focus_um: np.ndarray) -> np.ndarray:
        """Log MTF50 of the three thirds and the frame at focus positions, shape (shots, 4)."""
        focus = np.atleast_1d(np.asarray(focus_um, dtype=float))
        thirds = []
        for curve in self.tables[place]:
            inside = np.clip(focus, curve.x[0], curve.x[-1])
            thirds.append(curve(inside) - np.log(np.maximum(np.abs(focus) / curve.x[-1], 1.0)))
        return np.column_stack([*thirds, np.log(np.mean(np.exp(thirds), axis=0))])

    def best_um(self, place: int, zone: int = 0) -> float:
        """Focus at which a zone is sharpest at a stop."""
        reach_um = self.tables[place][0].x[-1]
        fine = np.linspace(-reach_um, reach_um, 1201)
        return float(fine[int(np.argmax(self.log_zones(place, fine)[:, zone]))])

    @cached_property
    def in_focus(self) -> np.ndarray:
        """Log MTF50 of the frame at its best focus, by stop."""
        places = range(len(self.stops))
        return np.array([self.log_zones(at, np.array([self.best_um(at, 3)]))[0, 3] for at in places])


def _over_focus(glass: Glass, stop: float, height: float) -> interpolate.CubicSpline:
    reach_um = min(_MOST_UM, _MOST_WAVES * 8.0 * stop**2 * GREEN_UM)
    focus_um = np.linspace(-reach_um, reach_um, _PLACES)
    both = [_mtf50(glass, stop, height, azimuth, focus_um) for azimuth in (0.0, 90.0)]
    return interpolate.CubicSpline(focus_um, np.log(np.mean(both, axis=0)))


def _mtf50(glass: Glass, stop: float, height: float, azimuth_deg: float, focus_um: np.ndarray) -> np.ndarray:
    """MTF50 of edges square to an azimuth (of the radius) at focus positions."""
    otf = np.zeros((len(focus_um), len(_FREQUENCY)), dtype=complex)
    for wavelength_um, weight in _COLOURS:
        away_um = focus_um - glass.field_um * height**2 - glass.colour_um * (wavelength_um != GREEN_UM)
        nu = np.minimum(_FREQUENCY * wavelength_um * stop / glass.pitch_um, 1.0)
        waves = away_um / (8.0 * stop**2 * wavelength_um)
        opening, scale = glass.stops[0] / stop, GREEN_UM / wavelength_um
        otf += weight * _overlap(nu, glass, opening, scale, height, azimuth_deg, waves)
    sensor = np.sinc(_FREQUENCY) * np.exp(-2.0 * (np.pi * glass.filter_px * _FREQUENCY) ** 2)
    transfer = sensor * np.abs(otf)
    after = np.clip(np.argmax(transfer < 0.5, axis=1), 1, None)
    each = np.arange(len(focus_um))
    high, low = transfer[each, after - 1], transfer[each, after]
    share = (high - 0.5) / (high - low)
    return _FREQUENCY[after - 1] * (_FREQUENCY[after] / _FREQUENCY[after - 1]) ** share


def _overlap(
    nu: np.ndarray, glass: Glass, opening: float, scale: float, height: float, azimuth_deg: float, waves
) -> np.ndarray:
    """OTF by the overlap integral, shape (focus, frequencies); Goodman's, as in `exact_pupils`."""
    fraction = nu[:, None, None]
    abscissas, weights = special.roots_legendre(_NODES)
    theta = np.arccos(fraction) * abscissas[:, None]
    half_length = np.cos(theta) - fraction
    along, across = half_length * abscissas, np.sin(theta)
    cosine, sine = np.cos(np.deg2rad(azimuth_deg)), np.sin(np.deg2rad(azimuth_deg))

    def error(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        radial = x * cosine - y * sine
        square = x**2 + y**2
        return scale * (
            glass.spherical[0] * opening**4 * square**2
            + glass.spherical[1] * opening**6 * square**3
            + glass.coma * height * opening**3 * square * radial
            + glass.astigmatism * height**2 * opening**2 * radial**2
        )

    still = error(along + fraction, across) - error(along - fraction, across)
    kernel = half_length * np.cos(theta) * np.arccos(fraction) * weights[:, None] * weights / np.pi
    phase = still + 4.0 * waves[:, None, None, None] * along * fraction
    return np.einsum("gfij,fij->gf", np.exp(2j * np.pi * phase), kernel)


def usual(random: np.random.Generator, stops: tuple[float, ...] = FULL) -> Glass:
    """A lens whose sharpness rises and falls over the stops."""
    spherical = random.uniform(-1.2, 1.2)
    return Glass(
        stops=stops,
        pitch_um=random.uniform(3.2, 6.0),
        spherical=(spherical, random.uniform(-0.6, 0.3) * spherical),
        coma=random.uniform(0.0, 1.2),
        astigmatism=random.uniform(-0.8, 0.8),
        field_um=random.uniform(-25.0, 25.0),
        colour_um=random.uniform(0.0, 12.0),
        filter_px=random.uniform(0.15, 0.5),
    )


def flat(random: np.random.Generator, stops: tuple[float, ...] = FULL) -> Glass:
    """A good lens on coarse, filtered pixels: several stops are all but equal."""
    return replace(
        usual(random, stops),
        pitch_um=random.uniform(5.0, 8.0),
        spherical=(random.uniform(-0.4, 0.4), 0.0),
        coma=random.uniform(0.0, 0.4),
        astigmatism=random.uniform(-0.2, 0.2),
        field_um=random.uniform(-10.0, 10.0),
        filter_px=random.uniform(0.4, 0.8),
    )


def fast(random: np.random.Generator, stops: tuple[float, ...] = FAST) -> Glass:
    """A wide opening with spherical error that a higher order corrects: its focus shifts when it is stopped down."""
    spherical = random.choice([-1.0, 1.0]) * random.uniform(2.0, 5.0)
    return replace(
        usual(random, stops),
        spherical=(spherical, -random.uniform(0.55, 0.8) * spherical),
        field_um=random.uniform(-15.0, 15.0),
    )


@dataclass(frozen=True, kw_only=True)
class Afternoon:
    """How a lens is photographed."""

    shots: tuple[int, int] = (3, 3)
    """Fewest and most at a stop."""
    focus_sd_um: float = 4.0
    tail_dof: float = np.inf
    """Of Student's distribution of the focus errors."""
    one_sided: bool = False
    """The focus always errs to the same side."""
    anew: str = "shot"
    """Focused anew for every shot, every stop or once a session."""
    wide_open: bool = False
    """Focused through the widest opening, whatever the working stop."""
    off_um: float = 0.0
    """By which this session's focus is off, to a side by chance; no part of what refocusing averages to."""
    creep_um: float = 0.0
    """By which the focus moves from the first shot to the last."""
    shake_px: float = 0.0
    """Sigma of the shake at the smallest stop; it goes with the root of the shutter time."""
    noise_sd: float = 0.006
    """Of each third of the picture by itself, as a share of MTF50; the next is of the whole picture."""
    even_sd: float = 0.004
    missing: int = 0
    """Stops left out by chance, the widest and the narrowest never."""
    in_turn: bool = False
    """Through the stops again and again, not all shots of one stop together."""

    def errors_um(self, draws: np.ndarray) -> np.ndarray:
        """Focus errors for even draws between 0 and 1."""
        student = stats.t.ppf(draws, self.tail_dof) if np.isfinite(self.tail_dof) else special.ndtri(draws)
        return self.focus_sd_um * (np.abs(student) if self.one_sided else student)

    def reference_um(self, glass: Glass, place: int) -> float:
        """Where the focus aims at a stop: the sharpest centre."""
        return glass.best_um(0 if self.wide_open else place)

    def averages(self, glass: Glass) -> np.ndarray:
        """What endlessly many refocused shots average to: log MTF50, shape (stops, 4)."""
        errors_um = self.errors_um((np.arange(400) + 0.5) / 400)
        shakes = np.abs(special.ndtri((np.arange(12) + 0.5) / 12)) if self.shake_px else np.zeros(1)
        found = []
        for place in range(len(glass.stops)):
            still = glass.log_zones(place, self.reference_um(glass, place) + errors_um)
            found.append(
                np.mean([np.mean(self.shaken(still, glass, place, one), axis=0) for one in shakes], axis=0)
            )
        return np.array(found)

    def shaken(
        self, log_zones: np.ndarray, glass: Glass, place: int, strength: float | np.ndarray
    ) -> np.ndarray:
        """What a shake of such strength, 1 being the usual, leaves of shots at a stop."""
        sigma_px = self.shake_px * np.atleast_1d(strength)[:, None] * glass.stops[place] / glass.stops[-1]
        thirds = -0.5 * np.log(np.exp(-2.0 * log_zones[:, :3]) + (sigma_px / _SHAKE_MTF50) ** 2)
        return np.column_stack([thirds, np.log(np.mean(np.exp(thirds), axis=1))])


@dataclass(frozen=True, kw_only=True)
class Session:
    """The shots of one lens at one focal length, in the order they were taken."""

    glass: Glass
    place: np.ndarray
    """Of the stop among the glass's."""
    focus_um: np.ndarray
    log_zones: np.ndarray
    """Inner, middle, outer, frame: shape (shots, 4)."""

    @property
    def f_number(self) -> np.ndarray:
        """Of each shot."""
        return np.array(self.glass.stops)[self.place]

    @property
    def tested(self) -> np.ndarray:
        """Places of the stops that were photographed."""
        return np.unique(self.place)


def photographed(glass: Glass, afternoon: Afternoon, random: np.random.Generator) -> Session:
    """Take the shots of one session."""
    inner = np.arange(1, len(glass.stops) - 1)
    left_out = random.choice(inner, size=afternoon.missing, replace=False)
    stops = np.setdiff1d(np.arange(len(glass.stops)), left_out)
    counts = random.integers(afternoon.shots[0], afternoon.shots[1] + 1, size=len(stops))
    place = np.repeat(stops, counts)
    if afternoon.in_turn:
        turn = np.concatenate([np.arange(count) for count in counts])
        place = place[np.lexsort((place, turn))]
    count = len(place)
    groups = {"shot": np.arange(count), "stop": place, "session": np.zeros(count, dtype=int)}[afternoon.anew]
    errors_um = afternoon.errors_um(random.uniform(size=max(count, len(glass.stops))))[groups]
    # One choice of the focus holds for as long as it is not made anew: with one for all stops, at the first one.
    aims_um = np.array([afternoon.reference_um(glass, at) for at in range(len(glass.stops))])
    aim_um = aims_um[place[0]] if afternoon.anew == "session" else aims_um[place]
    steady_um = random.choice([-1.0, 1.0]) * afternoon.off_um
    creep_um = random.choice([-1.0, 1.0]) * afternoon.creep_um * np.arange(count) / max(count - 1, 1)
    focus_um = aim_um + errors_um + steady_um + creep_um
    zones = np.empty((count, 4))
    for at in stops:
        own = place == at
        still = glass.log_zones(int(at), focus_um[own])
        zones[own] = afternoon.shaken(still, glass, int(at), np.abs(random.normal(size=own.sum())))
    noise = afternoon.noise_sd * random.normal(size=(count, 3))
    noise += afternoon.even_sd * random.normal(size=(count, 1))
    thirds = zones[:, :3] + noise
    return Session(
        glass=glass,
        place=place,
        focus_um=focus_um,
        log_zones=np.column_stack([thirds, np.log(np.mean(np.exp(thirds), axis=1))]),
    )


def sweep_shots(session: Session, *, focal_mm: float = 35.0, groups: str = "") -> list[SweepShot]:
    """The session as a sweep has it; `groups` says what the table tells: nothing, «shot» (refocused) or «stop»."""
    shots = []
    for order, (stop, row) in enumerate(zip(session.f_number, session.log_zones, strict=True)):
        path = Path(f"shots/{focal_mm:g}_{order:03d}.dng")
        clock = f"2026-03-14T10:{order // 6:02d}:{10 * (order % 6):02d}"
        group = {"": "", "shot": f"{order}", "stop": f"{stop:g}"}[groups]
        plan = planned(path, float(stop), focal_mm, focus_group=group)
        plan = replace(plan, metadata=replace(plan.metadata, taken_at=clock, iso=100))
        summary = {
            zone: ZoneFigure(
                mtf50_cypx=float(value),
                ci95_cypx=(float(0.98 * value), float(1.02 * value)),
                edges=12,
                sagittal_cypx=float(value),
                tangential_cypx=float(value),
            )
            for zone, value in zip(ZONES, np.exp(row), strict=True)
        }
        result = ShotResult(
            path=path,
            metadata=Metadata(camera="Box One", lens="Fennel", f_number=float(stop)),
            size_px=(4000, 6000),
            sensor_data=True,
            pixel_pitch_um=session.glass.pitch_um,
            chart=_CHART,
            magnification=MAGNIFICATION,
            distance_mm=focal_mm * (2.0 + MAGNIFICATION + 1.0 / MAGNIFICATION),
            tilt=Tilt(pitch_deg=0.0, yaw_deg=0.0, roll_deg=0.0),
            edges=(),
            summary=summary,
            quality=(),
        )
        shots.append(SweepShot(planned=plan, result=result))
    return shots


_CHART: Final = ChartSeen(
    name="sheet A3",
    targets_found=20,
    targets_on_chart=23,
    contrast=4.0,
    residual_px=0.1,
    radial_distortion_percent=0.5,
)
