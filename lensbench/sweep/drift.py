"""Drift in a burst: position, tilt, scale or sharpness that follow the order of the shots.

Photographs of one set-up are put in the order they were taken. Where the picture lies comes from the edges of all
photographs that show the same arms: shift, scale and turn against the first one, by least squares along the edges'
normals. A drift is a trend over the order that chance does not explain, that is large enough to matter, and that
goes on from shot to shot: a camera that was set up anew makes one step, and a step is no drift.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import radians
from typing import Final

import numpy as np
from scipy import stats

from lensbench.model.flags import Remark, remark
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import SweepShot
from lensbench.model.units import FloatArray
from lensbench.photo import natural_order

__all__ = ["drift_remarks"]


FEWEST_SHOTS: Final = 4
CHANCE: Final = 0.001
"""Two-sided probability of a trend by chance, for each of the figures."""
POSITION_LIMIT_PX: Final = 2.0
TILT_LIMIT_DEG: Final = 0.2
SCALE_LIMIT_PERCENT: Final = 0.1
SHARPNESS_LIMIT_PERCENT: Final = 4.0
"""From the first shot to the last. These limits: common practice, no source."""
_LARGEST_STEP: Final = 0.5
"""Of the whole way: a larger step between two shots is one move, not a drift."""
_FEWEST_EDGES: Final = 20
_STRAYS: Final = 4.0
"""Standard deviations, by the median: an edge that moved by more against the others tells of itself alone."""
_PLACE_DOUBT_PX: Final = 0.02
"""No place of an edge is believed better than this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trend:
    """A figure over the order of the shots."""

    total: float
    """From the first shot to the last, by the fitted line."""
    chance: float


def drift_remarks(shots: Sequence[SweepShot]) -> list[Remark]:
    """Raise the flag where the shots of one lens drift.

    Parameters
    ----------
    shots : sequence of SweepShot
        Of one lens; those out of focus may be among them, for focus that creeps away looks like that.
    """
    found = []
    for where, members in _setups(shots).items():
        said = [*_moved(members), *_softened(members)]
        if said:
            found.append(remark("drift", f"{where}{len(members)} shots: {'; '.join(said)}"))
    return found


def _setups(shots: Sequence[SweepShot]) -> dict[str, list[SweepShot]]:
    """Give the measured shots of each set-up in the order they were taken, by the set-up's name."""
    setups: dict[str, list[SweepShot]] = defaultdict(list)
    for shot in shots:
        if isinstance(shot.result, ShotResult):
            focal = shot.planned.setting.focal_length_mm
            parts = (f"{focal:g} mm" if focal is not None else "", shot.planned.condition)
            setups["".join(f"{part}, " for part in parts if part)].append(shot)
    return {name: _in_order(members) for name, members in setups.items()}


def _in_order(shots: Sequence[SweepShot]) -> list[SweepShot]:
    """Put shots in order by the time they tell, and by their names."""
    times = [shot.planned.metadata.taken_at for shot in shots]
    named = sorted(range(len(shots)), key=lambda i: natural_order(str(shots[i].planned.path)))
    if all(times):
        named.sort(key=lambda i: times[i] or "")
    return [shots[i] for i in named]


def _moved(shots: Sequence[SweepShot]) -> list[str]:
    """Say how far the picture wandered, grew or turned from the first shot to the last."""
    results = [_result(shot) for shot in shots]
    places = np.array([_placed(result, results[0]) for result in results])
    seen = []
    down, right, scale = (_steady(column) for column in places.T[:3])
    wandered = float(np.hypot(down.total if down else 0.0, right.total if right else 0.0))
    if wandered > POSITION_LIMIT_PX:
        seen.append(f"the picture wanders by {wandered:.1f} px, limit {POSITION_LIMIT_PX:g} px")
    if scale and abs(scale.total) > SCALE_LIMIT_PERCENT:
        word = "grows" if scale.total > 0.0 else "shrinks"
        seen.append(f"it {word} by {abs(scale.total):.2f} %, limit {SCALE_LIMIT_PERCENT:g} %")
    tilts = [_steady(_tilts(results, name)) for name in ("yaw_deg", "pitch_deg", "roll_deg")]
    turned = float(np.linalg.norm([trend.total for trend in tilts if trend]))
    if turned > TILT_LIMIT_DEG:
        seen.append(f"the camera turns by {turned:.2f} degrees, limit {TILT_LIMIT_DEG:g}")
    return seen


def _tilts(results: Sequence[ShotResult], name: str) -> FloatArray:
    angles = np.array([getattr(result.tilt, name) for result in results])
    return np.asarray((angles - angles[0] + 180.0) % 360.0 - 180.0, np.float64)


def _placed(result: ShotResult, first: ShotResult) -> FloatArray:
    """Give shift (down, right) in pixels, scale and turn in percent of a photograph against the first one."""
    before = {(edge.target, edge.arm): edge.edge for edge in first.edges if edge.edge.measured}
    pairs = [
        (edge.edge, before[edge.target, edge.arm])
        for edge in result.edges
        if edge.edge.measured and (edge.target, edge.arm) in before
    ]
    if len(pairs) < _FEWEST_EDGES or result.size_px != first.size_px:
        return np.full(4, np.nan)
    angle = np.array([radians(now.angle_deg) for now, _ in pairs])
    normal = np.column_stack((np.sin(angle), np.cos(angle)))
    point = np.array([now.point_px for now, _ in pairs])
    moved = np.sum(normal * (point - np.array([then.point_px for _, then in pairs])), axis=1)
    away = (point - (np.array(first.size_px) - 1.0) / 2.0) / 100.0
    along, across = np.sum(normal * away, axis=1), normal[:, 1] * away[:, 0] - normal[:, 0] * away[:, 1]
    sound = np.isfinite(moved)
    return _sound_fit(np.column_stack((normal, along, across))[sound], moved[sound])


def _sound_fit(design: FloatArray, moved: FloatArray) -> FloatArray:
    """Fit by least squares, twice more without the edges that stray; NaN where too few edges determine it."""
    kept = np.ones(len(moved), np.bool_)
    fit = np.full(design.shape[1], np.nan)
    for _ in range(3):
        # Edges of one direction leave the shift along them open.
        if kept.sum() < _FEWEST_EDGES or np.linalg.matrix_rank(design[kept]) < design.shape[1]:
            return np.full(design.shape[1], np.nan)
        fit = np.linalg.lstsq(design[kept], moved[kept], rcond=None)[0]
        off = np.abs(moved - design @ fit)
        kept = off <= _STRAYS * 1.4826 * float(np.median(off[kept])) + _PLACE_DOUBT_PX
    return fit


def _steady(figures: FloatArray) -> _Trend | None:
    """Give the trend of a figure where it is beyond chance and goes on from shot to shot; else None."""
    known = np.flatnonzero(np.isfinite(figures))
    if known.size < FEWEST_SHOTS:
        return None
    trend = _trend(known.astype(float), figures[known], groups=np.zeros(known.size))
    largest = float(np.abs(np.diff(figures[known])).max())
    if trend is None or trend.chance > CHANCE or largest > _LARGEST_STEP * abs(trend.total):
        return None
    return trend


def _softened(shots: Sequence[SweepShot]) -> list[str]:
    """Say how much sharpness is lost or gained over the order, each setting against its own mean."""
    sharpness = np.array([_log_mtf50(_result(shot)) for shot in shots])
    stops = np.array([shot.planned.setting.f_number for shot in shots])
    focused = np.array([not shot.planned.focus_step for shot in shots])
    known = np.flatnonzero(np.isfinite(sharpness) & focused)
    order = known.astype(float)
    # Evenly, or as a focus that moves evenly out of its best place, or into it.
    ways = (order, order**2, -((len(shots) - 1.0 - order) ** 2))
    trends = [_trend(way, sharpness[known], groups=stops[known]) for way in ways]
    trend = min((one for one in trends if one is not None), key=lambda one: one.chance, default=None)
    if trend is None or trend.chance > CHANCE:
        return []
    percent = 100.0 * float(np.expm1(trend.total))
    if abs(percent) < SHARPNESS_LIMIT_PERCENT:
        return []
    word = "softer" if percent < 0.0 else "sharper"
    return [f"they get {word} by {abs(percent):.0f} %, limit {SHARPNESS_LIMIT_PERCENT:g} %"]


def _log_mtf50(result: ShotResult) -> float:
    figure = result.summary.get("frame")
    return float(np.log(figure.mtf50_cypx)) if figure and figure.mtf50_cypx > 0.0 else float("nan")


def _trend(order: FloatArray, figures: FloatArray, *, groups: FloatArray) -> _Trend | None:
    """Fit one slope over the order with a mean for each group; the total runs over one group's longest stretch."""
    names = np.unique(groups)
    x, y = order.copy(), figures.copy()
    stretch = 0.0
    for name in names:
        members = groups == name
        stretch = max(stretch, float(np.ptp(order[members])))
        x[members] -= x[members].mean()
        y[members] -= y[members].mean()
    freedom = len(y) - len(names) - 1
    square = float(x @ x)
    if freedom < FEWEST_SHOTS - 2 or square == 0.0:
        return None
    slope = float(x @ y) / square
    error = np.sqrt(float(np.sum((y - slope * x) ** 2)) / freedom / square)
    score = abs(slope) / max(error, 1e-12)
    return _Trend(total=slope * stretch, chance=float(2.0 * stats.t.sf(score, freedom)))


def _result(shot: SweepShot) -> ShotResult:
    if not isinstance(shot.result, ShotResult):
        raise TypeError(f"{shot.planned.path}: not a measured shot")
    return shot.result
