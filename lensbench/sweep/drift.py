"""Drift in a burst: position or sharpness that follow the order of the shots.

Photographs of one set-up are put in the order they were taken. Where the picture lies comes from the edges of all
photographs that show the same arms: the shift against the first one, freed of scale and turn, by least squares along
the edges' normals.
A camera that turns on its tripod moves the picture, and so shows there. A drift is a trend over the order that chance
does not explain, that is large enough to matter, and that goes on from shot to shot: a camera that was set up anew
makes one step, and a step is no drift.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import radians
from typing import Final

import numpy as np
from scipy import stats

from lensbench.model.flags import Note
from lensbench.model.setting import focal_length
from lensbench.model.shot import BoolArray, ShotResult
from lensbench.model.sweep import Observed, SeriesRemark, SweepShot
from lensbench.model.units import FloatArray
from lensbench.photo import natural_order

FEWEST_SHOTS: Final = 4
CHANCE: Final = 0.001
"""Two-sided probability of a trend by chance, for each of the figures."""
POSITION_LIMIT_PX: Final = 2.0
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


def drift_remarks(shots: Sequence[SweepShot]) -> list[SeriesRemark]:
    """Find the set-ups of one lens whose shots drift: a remark for each.

    Parameters
    ----------
    shots : sequence of SweepShot
        Of one lens; those out of focus may be among them, for focus that creeps away looks like that.
    """
    remarks = []
    for members in _setups(shots):
        if observations := (*_moved(members), *_softened(members)):
            planned = members[0].planned
            remarks.append(
                SeriesRemark(
                    flag="drift",
                    observations=observations,
                    focal_length_mm=planned.setting.focal_length_mm,
                    condition=planned.condition,
                    shots=len(members),
                )
            )
    return remarks


def _setups(shots: Sequence[SweepShot]) -> list[list[SweepShot]]:
    """Measured shots of each set-up (a focal length and a condition), in the order they were taken."""
    setups: dict[tuple[str, str], list[SweepShot]] = defaultdict(list)
    for shot in shots:
        if isinstance(shot.result, ShotResult):
            setups[focal_length(shot.planned.setting.focal_length_mm), shot.planned.condition].append(shot)
    return [_in_order(members) for members in setups.values()]


def _in_order(shots: Sequence[SweepShot]) -> list[SweepShot]:
    """Put shots in order by the time they tell, and by their names."""
    times = [shot.planned.metadata.taken_at for shot in shots]
    named = sorted(range(len(shots)), key=lambda i: natural_order(str(shots[i].planned.path)))
    if all(times):
        named.sort(key=lambda i: times[i] or "")
    return [shots[i] for i in named]


def _moved(shots: Sequence[SweepShot]) -> list[Note]:
    """How far the picture wandered from the first shot to the last, where that matters."""
    results = [_result(shot) for shot in shots]
    shifts_px = np.array([_shift_px(result, results[0]) for result in results])
    ways = [_steady(column) for column in shifts_px.T]
    wandered = float(np.linalg.norm([way.total for way in ways if way]))
    return (
        [Note(Observed.POSITION, (wandered,), limit=POSITION_LIMIT_PX)]
        if wandered > POSITION_LIMIT_PX
        else []
    )


def _stepped(shots: Sequence[SweepShot]) -> BoolArray:
    """Which shots are a focus bracket's, shape (shots,): its focus changes sharpness on purpose."""
    return np.array([shot.planned.focus_step is not None for shot in shots])


def _shift_px(result: ShotResult, first: ShotResult) -> FloatArray:
    """Shift (down, right) of a photograph against the first one; NaN where too few edges tell it."""
    before = {(edge.target, edge.arm): edge.edge for edge in first.edges if edge.edge.measured}
    pairs = [
        (edge.edge, before[edge.target, edge.arm])
        for edge in result.edges
        if edge.edge.measured and (edge.target, edge.arm) in before
    ]
    if len(pairs) < _FEWEST_EDGES or result.size_px != first.size_px:
        return np.full(2, np.nan)
    angle = np.array([radians(now.angle_deg) for now, _ in pairs])
    normal = np.column_stack((np.sin(angle), np.cos(angle)))
    point = np.array([now.point_px for now, _ in pairs])
    moved = np.sum(normal * (point - np.array([then.point_px for _, then in pairs])), axis=1)
    away = (point - (np.array(first.size_px) - 1.0) / 2.0) / 100.0
    # Scale and turn, in percent, lest a lopsided choice of edges takes them for a shift.
    along, across = np.sum(normal * away, axis=1), normal[:, 1] * away[:, 0] - normal[:, 0] * away[:, 1]
    sound = np.isfinite(moved)
    return _sound_fit(np.column_stack((normal, along, across))[sound], moved[sound])[:2]


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
    """Trend of a figure where it is beyond chance and goes on from shot to shot; else None."""
    known = np.flatnonzero(np.isfinite(figures))
    if known.size < FEWEST_SHOTS:
        return None
    trend = _trend(known.astype(float), figures[known], groups=np.zeros(known.size))
    largest = float(np.abs(np.diff(figures[known])).max())
    if trend is None or trend.chance > CHANCE or largest > _LARGEST_STEP * abs(trend.total):
        return None
    return trend


def _softened(shots: Sequence[SweepShot]) -> list[Note]:
    """How much sharpness is lost or gained over the order, each setting against its own mean."""
    sharpness = np.array([_log_mtf50(_result(shot)) for shot in shots])
    stops = np.array([shot.planned.setting.f_number for shot in shots])
    known = np.flatnonzero(np.isfinite(sharpness) & ~_stepped(shots))
    order = known.astype(float)
    # Evenly, or as a focus that moves evenly out of its best place, or into it.
    ways = (order, order**2, -((len(shots) - 1.0 - order) ** 2))
    trends = [_trend(way, sharpness[known], groups=stops[known]) for way in ways]
    trend = min((way for way in trends if way is not None), key=lambda way: way.chance, default=None)
    if trend is None or trend.chance > CHANCE:
        return []
    percent = 100.0 * float(np.expm1(trend.total))
    if abs(percent) < SHARPNESS_LIMIT_PERCENT:
        return []
    return [Note(Observed.SHARPNESS, (percent,), limit=SHARPNESS_LIMIT_PERCENT)]


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
