"""How the shots of one focal length were focused: anew each, once a stop, or with a focus that crept.

Frames of a stop that were not refocused agree with each other and stray together from the course of the stops. So the
course is laid through each third's means by the optical model, and what is left, with the freedom that the fit left
over, is held against the scatter of the repeats (F-test). Repeats that scatter more where focus counts more were
refocused, whatever the stops do: a lens whose focus shifts on stopping down strays from the model, too, and one with a
curved field strays far. So do repeats whose thirds change against each other by more than their edges' noise: what
moves the one into focus and the other out of it is the focus.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from weakref import WeakKeyDictionary, ref

import numpy as np

from lensbench.focus.creep import Creep, crept
from lensbench.model.shot import ZONES, IntArray, ShotResult
from lensbench.model.sweep import PlannedShot, Refocusing, SweepShot
from lensbench.model.units import FloatArray
from lensbench.photo import natural_order
from lensbench.shot import zone_of
from lensbench.stats import f_chance, fit_blur

THIRDS: Final = tuple(zone for zone in ZONES if zone != "frame")
_CREEP_DOUBT: Final = 2.75  # a focus that crept was set once, so that focus shift adds to what the creep cost
_SURE: Final = 0.05
_BEYOND_DOUBT: Final = 0.01  # where the repeats show that they were refocused
_FEWEST_STOPS: Final = 3
_FEWEST_SPARE: Final = 3.0
_LEAST_FREEDOM: Final = 0.5
_MODEL_ERROR: Final = 0.004
_FOCUS_COUNTS: Final = 0.3  # of the greatest load: above it focus errors show, below hardly
_STEADY: Final = 0.8
_FEWEST_PAIRED_EDGES: Final = 20
_FEWEST_A_THIRD: Final = 8
_STRAYS: Final = 4.0  # sds, by the median: an edge that moved by more tells of itself alone
_PLACE_DOUBT_PX: Final = 0.02  # no place of an edge is believed better than this


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SessionFocus:
    """How the shots of a session were focused."""

    refocusing: Refocusing
    creep: Creep | None = None
    settings: tuple[tuple[float, str], ...] = ()
    """F-number and condition of each row of the creep's losses."""

    def creep_sd(self, shot: SweepShot, zone: str) -> float:
        """Log MTF50 that the creep may have taken from a zone at a shot's setting; 0 without a creep."""
        setting = (shot.planned.setting.f_number, shot.planned.condition)
        if self.creep is None or setting not in self.settings:
            return 0.0
        losses = self.creep.loss[self.settings.index(setting)]
        loss = float(losses.mean() if zone == "frame" else losses[THIRDS.index(zone)])
        return _CREEP_DOUBT * self.creep.believed * -math.log1p(-loss)


def in_order(shots: Sequence[SweepShot]) -> list[SweepShot]:
    """Shots as they were taken: by the clock where all tell it, else by their names."""
    ordered = sorted(shots, key=lambda shot: natural_order(str(shot.planned.path)))
    if all(shot.planned.metadata.taken_at for shot in ordered):
        ordered.sort(key=lambda shot: shot.planned.metadata.taken_at or "")
    return ordered


def session_focus(shots: Sequence[SweepShot]) -> SessionFocus:
    """How the shots of one lens at one focal length were focused, those of focus brackets passed over.

    Kept as long as the first photograph is, for it is asked several times.

    Parameters
    ----------
    shots : sequence of SweepShot
        Measured, in any order.
    """
    plain = in_order([shot for shot in shots if shot.planned.focus_step is None])
    if not plain:
        return SessionFocus(refocusing=Refocusing.OPEN)
    asked = tuple((shot.planned, ref(shot.measured)) for shot in plain)
    known = _FOCUS.get(plain[0].measured)
    if known is None or known[0] != asked:
        known = _FOCUS[plain[0].measured] = (asked, _focus_of(plain))
    return known[1]


_Asked = tuple[tuple[PlannedShot, ref[ShotResult]], ...]
_FOCUS: Final[WeakKeyDictionary[ShotResult, tuple[_Asked, SessionFocus]]] = WeakKeyDictionary()


def _focus_of(plain: Sequence[SweepShot]) -> SessionFocus:
    names = [(shot.planned.setting.f_number, shot.planned.condition) for shot in plain]
    settings = tuple(sorted(set(names)))
    setting = np.array([settings.index(name) for name in names])
    thirds = np.array([[shot.log_mtf50(zone) for zone in THIRDS] for shot in plain])
    f_number = np.array([shot.planned.exact_f_number for shot in plain])
    said = _said(plain, setting)
    creep = (
        None if said is Refocusing.SAID_ONE else crept(f_number, thirds, setting=setting, ways=_ways(plain))
    )
    if creep is not None:
        said = Refocusing.OPEN
    elif said is None:
        moved = _focus_moved([shot.measured for shot in plain], setting)
        pitch_um = plain[0].measured.pixel_pitch_um
        said = Refocusing.AGREED if moved else _shown(f_number, thirds, setting, pitch_um=pitch_um)
    return SessionFocus(refocusing=said, creep=creep, settings=settings)


def _said(shots: Sequence[SweepShot], setting: IntArray) -> Refocusing | None:
    """What the shots table says: each shot a group of its own, or one for a setting's; None where it is silent."""
    groups = [shot.planned.focus_group for shot in shots]
    if not all(groups):
        return None
    pairs = set(zip(setting.tolist(), groups, strict=True))
    if len(pairs) == len(shots) and len(set(groups)) > 1:
        return Refocusing.SAID_ANEW
    return Refocusing.SAID_ONE if len(pairs) == len(set(setting.tolist())) else None


def _focus_moved(results: Sequence[ShotResult], setting: IntArray) -> bool:
    """Whether the thirds of some setting's repeats changed against each other beyond their edges' noise, by chi-square.

    Light, shake and noise alike in all the picture leave them as they stand; so do frames that were not refocused.
    """
    square, freedom = 0.0, 0.0
    for number in range(int(setting.max()) + 1):
        repeats = [result for result, own in zip(results, setting, strict=True) if own == number]
        told = [
            {
                (edge.target, edge.arm): (edge, np.log(edge.edge.mtf50_cypx), edge.edge.mtf50_sd_cypx)
                for edge in result.edges
                if edge.edge.measured and edge.edge.mtf50_sd_cypx > 0.0
            }
            for result in repeats
        ]
        in_all = sorted(set.intersection(*(set(edges) for edges in told)))
        names = np.array([zone_of(told[0][name][0].image_height, repeats[0].size_px) for name in in_all])
        if len(repeats) < 2 or any(np.sum(names == third) < _FEWEST_A_THIRD for third in THIRDS):
            continue
        logs = np.array([[edges[name][1] for name in in_all] for edges in told])
        sds = np.array([[edges[name][2] for name in in_all] for edges in told]) / np.exp(logs)
        means = np.stack([logs[:, names == third].mean(axis=1) for third in THIRDS], axis=1)
        variance = np.stack(
            [(sds[:, names == third] ** 2).mean() / np.sum(names == third) for third in THIRDS]
        )
        away = means - means.mean(axis=0)
        away -= np.average(away, axis=1, weights=1.0 / variance)[:, None]
        square += float(np.sum(away**2 / variance))
        freedom += (len(repeats) - 1.0) * (len(THIRDS) - 1.0)
    return freedom > 0.0 and f_chance(square / freedom, freedom, math.inf) < _BEYOND_DOUBT


def _shown(
    f_number: FloatArray, thirds: FloatArray, setting: IntArray, *, pitch_um: float | None
) -> Refocusing:
    """What the figures say of shots of which the table says nothing."""
    count = int(setting.max()) + 1
    spare = float(len(setting) - count)
    seen = np.isfinite(thirds).all(axis=0)
    if count < _FEWEST_STOPS or spare < _FEWEST_SPARE or not seen.any():
        return Refocusing.OPEN
    shots = np.bincount(setting).astype(np.float64)
    stops = np.bincount(setting, f_number) / shots
    chances, grows = [], False
    for figures in thirds[:, seen].T:
        means = np.bincount(setting, figures) / shots
        squares = np.bincount(setting, (figures - means[setting]) ** 2).astype(np.float64)
        sd = np.sqrt(float(squares.sum()) / spare / shots + _MODEL_ERROR**2)
        by_stop = np.argsort(stops)
        fit = fit_blur(stops[by_stop], means[by_stop], sd=sd[by_stop], pixel_pitch_um=pitch_um)
        freedom = fit.spare(sd[by_stop])
        grows |= _grows(squares, shots - 1.0, (np.exp(means) / stops) ** 2, tests=int(seen.sum()))
        if freedom >= _LEAST_FREEDOM:
            misfit = float(np.sum(((means - fit.log_mtf50[np.argsort(by_stop)]) / sd) ** 2)) / freedom
            chances.append(f_chance(misfit, freedom, spare))
    if chances and min(chances) * len(chances) < (_BEYOND_DOUBT if grows else _SURE):
        return Refocusing.CONTRADICTED
    return Refocusing.AGREED if grows else Refocusing.OPEN


def _grows(squares: FloatArray, spares: FloatArray, load: FloatArray, *, tests: int) -> bool:
    """Whether repeats scatter more where focus counts more, by one of several tests."""
    high = load > _FOCUS_COUNTS * float(load.max())
    above, below = float(spares[high].sum()), float(spares[~high].sum())
    if min(above, below) < 1.0 or not float(squares[~high].sum()) > 0.0:
        return False
    ratio = float(squares[high].sum()) / above / (float(squares[~high].sum()) / below)
    return f_chance(ratio, above, below) * tests < _SURE


def _ways(shots: Sequence[SweepShot]) -> FloatArray:
    """Ways from 0 to 1 along which the focus may have crept: order, time, scale and place, if these go on steadily."""
    order = np.linspace(0.0, 1.0, len(shots))
    clocks = [shot.planned.metadata.taken_at for shot in shots]
    ways = [order]
    if all(clocks):
        times = np.array([datetime.fromisoformat(clock or "").timestamp() for clock in clocks])
        ways.append(times - times[0])
    moved = np.array([moved_px(shot.measured, shots[0].measured) for shot in shots])
    ways += [column for column in moved.T if np.isfinite(column).all()]
    steady = [way for way in ways[1:] if np.ptp(way) > 0.0 and abs(np.corrcoef(order, way)[0, 1]) >= _STEADY]
    return np.array([order, *((way - way.min()) / np.ptp(way) for way in steady)])


def moved_px(result: ShotResult, first: ShotResult) -> FloatArray:
    """Shift of a photograph against the first one and its growth: down, right, and at 100 px from the centre [px].

    NaN where too few edges tell it. Kept as long as the photograph is, for it is asked several times.
    """
    known = _MOVED.get(result)
    if known is None or known[0]() is not first:
        known = _MOVED[result] = (ref(first), _moved_px(result, first))
    return known[1]


_MOVED: Final[WeakKeyDictionary[ShotResult, tuple[ref[ShotResult], FloatArray]]] = WeakKeyDictionary()


def _moved_px(result: ShotResult, first: ShotResult) -> FloatArray:
    before = {(edge.target, edge.arm): edge.edge for edge in first.edges if edge.edge.measured}
    pairs = [
        (edge.edge, before[edge.target, edge.arm])
        for edge in result.edges
        if edge.edge.measured and (edge.target, edge.arm) in before
    ]
    if len(pairs) < _FEWEST_PAIRED_EDGES or result.size_px != first.size_px:
        return np.full(3, np.nan)
    angle = np.deg2rad([now.angle_deg for now, _ in pairs])
    normal = np.column_stack((np.sin(angle), np.cos(angle)))
    point = np.array([now.point_px for now, _ in pairs])
    moved = np.sum(normal * (point - np.array([then.point_px for _, then in pairs])), axis=1)
    away = (point - (np.array(first.size_px) - 1.0) / 2.0) / 100.0
    # Scale and turn, in percent, lest a lopsided choice of edges takes them for a shift.
    along, across = np.sum(normal * away, axis=1), normal[:, 1] * away[:, 0] - normal[:, 0] * away[:, 1]
    design = np.column_stack((normal, along, across))
    kept, fit = np.isfinite(moved), np.full(4, np.nan)
    for _ in range(3):  # twice more without the edges that stray
        if kept.sum() < _FEWEST_PAIRED_EDGES:
            return np.full(3, np.nan)
        fit, _, rank, _ = np.linalg.lstsq(design[kept], moved[kept], rcond=None)
        if rank < 4:  # edges of one direction leave the shift along them open
            return np.full(3, np.nan)
        off = np.abs(moved - design @ fit)
        kept = off <= _STRAYS * 1.4826 * float(np.median(off[kept])) + _PLACE_DOUBT_PX
    return fit[:3]
