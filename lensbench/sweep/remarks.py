"""What a whole series is remarked on, and what keeps a winner from being claimed: figures and limits, no words.

- Settings that were not the same through a series, so that its photographs do not compare fairly.
- A print that blurs, as the whole series shows it: no edge anywhere, at any stop, is sharper than it. Diffraction and
  the pixel are known; what an edge's blur holds beyond them is the lens, the focus and the print. The lens differs
  from place to place and from stop to stop, the print's share is the same in all. So the least blur of all edges of
  all photographs is the most that the print can have done. Where this is far more than a home printer does, and is
  alike over the sharpest picture, the print is suspect.
- Focus brackets whose peak they do not enclose.
- Drift: position or sharpness that follow the order of the shots of one set-up. Where the picture lies comes from the
  edges of all photographs that show the same arms: the shift against the first one, freed of scale and turn, by least
  squares along the edges' normals; a camera that turns on its tripod shows there, too. A drift is a trend that chance
  does not explain, that is large enough to matter, and that goes on from shot to shot: a camera that was set up anew
  makes one step, and a step is no drift.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, log2, radians
from typing import Final

import numpy as np
from scipy import stats

from lensbench import optics
from lensbench.focus import brackets_among
from lensbench.model.errors import Note
from lensbench.model.setting import focal_length
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import Observed, SeriesRemark, SweepShot, Unclaimed
from lensbench.model.units import FloatArray
from lensbench.photo import natural_order
from lensbench.stats import Spread
from lensbench.sweep.countable import FocalShots, bracket_peak

MAGNIFICATION_LIMIT: Final = 0.05  # focal lengths further apart see other shares of the print's blur
LIGHT_LIMIT_STOPS: Final = 1.0  # from the brightest to the darkest paper. Common practice, no source.
RISE_LIMIT_MM: Final = 0.2  # 10-90 % rise on the chart: twice a home printer's; common practice, no source
SIGMA_LIMIT_PX: Final = 0.5  # below it the sensor's own filter may do as much; common practice, no source
ALIKE_LIMIT: Final = 0.25  # 10th to 90th percentile over median, of the sharpest picture's blur
_MIDDLE: Final = 0.5  # image height within which vignetting leaves the paper's level alone
_MOST_SIZES: Final = 3
_LEAST_SHARE: Final = 10.0
_FEWEST_EDGES: Final = 20

FEWEST_SHOTS: Final = 4
CHANCE: Final = 0.001  # two-sided probability of a trend by chance, for each of the figures
POSITION_LIMIT_PX: Final = 2.0
SHARPNESS_LIMIT_PERCENT: Final = 4.0  # first shot to last. These: common practice, no source.
_LARGEST_STEP: Final = 0.5  # of the whole way: a larger step between two shots is one move, not a drift
_FEWEST_PAIRED_EDGES: Final = 20
_STRAYS: Final = 4.0  # sds, by the median: an edge that moved by more tells of itself alone
_PLACE_DOUBT_PX: Final = 0.02  # no place of an edge is believed better than this


def reservations(spread: Spread, focals: Sequence[FocalShots] = ()) -> tuple[Note, ...]:
    """Why no winner is claimed among focal lengths that compete; empty where one is.

    One shot a setting, without focus brackets; or focal lengths seen at different magnifications, unless the print
    was divided out.
    """
    reasons = []
    if not spread.repeated:
        reasons.append(Note(Unclaimed.FEW_SHOTS, names=(spread.source,)))
    if len(focals) > 1 and not all(
        _bears("print_divided", shot.measured) for focal in focals for shot in focal.members
    ):
        sizes = [focal.magnification for focal in focals]
        if not np.all(np.isfinite(sizes)):
            reasons.append(Note(Unclaimed.MAGNIFICATION_UNKNOWN))
        elif max(sizes) / min(sizes) - 1.0 > MAGNIFICATION_LIMIT:
            reasons.append(Note(Unclaimed.MAGNIFICATION_DIFFERS, (min(sizes), max(sizes))))
    return tuple(reasons)


def remarks(
    focals: Sequence[FocalShots], spread: Spread, *, shots: Sequence[SweepShot] = ()
) -> tuple[SeriesRemark, ...]:
    """Remarks on a whole series; `shots` are all of the lens, the rejected ones included."""
    few = [] if spread.repeated else [SeriesRemark(flag="few_shots")]
    counted = [shot for focal in focals for shot in focal.members]
    open_brackets = _open_brackets(focals)
    return (*few, *open_brackets, *mixed_remarks(counted), *print_remarks(counted), *drift_remarks(shots))


def _bears(flag: str, result: ShotResult) -> bool:
    return any(remark.flag == flag for remark in result.quality)


def _open_brackets(focals: Sequence[FocalShots]) -> list[SeriesRemark]:
    """Focus brackets whose peak they do not enclose, or that cannot show one: all in one remark."""
    observations = []
    for focal in focals:
        for bracket in brackets_among(focal.members):
            match (peak := bracket_peak(bracket, "frame")).verdict:
                case "beyond":
                    what = Observed.BRACKET_END
                case "short":
                    what = Observed.BRACKET_FLAT
                case _:
                    continue
            observations.append(
                Note(what, (bracket.plan.setting.f_number, peak.best_step), (bracket.plan.focus_group,))
            )
    return [SeriesRemark(flag="bracket_open", observations=tuple(observations))] if observations else []


def mixed_remarks(shots: Sequence[SweepShot]) -> list[SeriesRemark]:
    """Each thing that changes between the shots of one lens: all in one remark."""
    results = [shot.result for shot in shots if isinstance(shot.result, ShotResult)]
    changes: list[Note] = []
    isos = sorted({shot.planned.metadata.iso for shot in shots if shot.planned.metadata.iso})
    if len(isos) > 1:
        changes.append(Note(Observed.ISO, (isos[0], isos[-1])))
    count, raw = len(results), sum(result.sensor_data for result in results)
    if 0 < raw < count:
        changes.append(Note(Observed.FILE_KIND, (raw, count - raw)))
    sizes = sorted({result.size_px for result in results})
    if len(sizes) > 1:
        sides = tuple(side for size in sizes[:_MOST_SIZES] for side in size)
        changes.append(Note(Observed.PICTURE_SIZE, sides))
    sharpened = sum(_bears("sharpened", result) for result in results)
    if 0 < sharpened < count:
        changes.append(Note(Observed.SHARPENED, (sharpened, count)))
    levels = [level for result in results if (level := _paper(result)) > 0.0]
    stops = log2(max(levels) / min(levels)) if levels else 0.0
    if stops > LIGHT_LIMIT_STOPS:
        changes.append(Note(Observed.LIGHT, (stops,), limit=LIGHT_LIMIT_STOPS))
    return [SeriesRemark(flag="mixed_settings", observations=tuple(changes))] if changes else []


def _paper(result: ShotResult) -> float:
    """Level of the paper in the middle of a picture; NaN where no edge tells it."""
    levels = [
        edge.edge.bright_level
        for edge in result.edges
        if edge.image_height < _MIDDLE and isfinite(edge.edge.bright_level)
    ]
    return float(np.median(levels)) if levels else float("nan")


def print_remarks(shots: Sequence[SweepShot]) -> list[SeriesRemark]:
    """Whether every edge of every shot is as blurred as by a poor print, not divided out, as far as that is known."""
    blurs = [
        (blur, 1000.0 * result.magnification / result.pixel_pitch_um)
        for shot in shots
        if isinstance(result := shot.result, ShotResult) and result.magnification and result.pixel_pitch_um
        if (blur := _blur_px(result)).size >= _FEWEST_EDGES
    ]
    if not blurs:
        return []
    blur, px_per_mm = min(blurs, key=lambda pair: float(np.median(pair[0])) / pair[1])
    least_px, most_px = (float(np.percentile(blur, at)) for at in (_LEAST_SHARE, 100.0 - _LEAST_SHARE))
    rise_mm = optics.RISE_10_90_SIGMAS * least_px / px_per_mm
    if rise_mm < RISE_LIMIT_MM or least_px < SIGMA_LIMIT_PX:
        return []
    if most_px - least_px > ALIKE_LIMIT * float(np.median(blur)):
        return []
    rise = Note(Observed.PRINT_RISE, (rise_mm, least_px, float(len(blurs))), limit=RISE_LIMIT_MM)
    return [SeriesRemark(flag="print_blurred", observations=(rise,))]


def _blur_px(result: ShotResult) -> FloatArray:
    """Give each edge's blur beyond diffraction and pixel, as a Gaussian's sigma; none where nothing is known."""
    f_number, pitch_um = result.metadata.f_number, result.pixel_pitch_um
    if f_number is None or pitch_um is None or _bears("print_divided", result):
        return np.empty(0)
    q = optics.working_q(f_number, pixel_pitch_um=pitch_um, magnification=result.magnification)
    edges = [edge.edge for edge in result.edges if edge.edge.measured]
    lenses = [optics.LensBlur.in_focus(edge.mtf50_cypx, q, angle_deg=edge.angle_deg) for edge in edges]
    return np.sqrt(np.maximum([lens.variance_px2 for lens in lenses], 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trend:
    """A figure over the order of the shots."""

    total: float  # from the first shot to the last, by the fitted line
    chance: float


def drift_remarks(shots: Sequence[SweepShot]) -> list[SeriesRemark]:
    """A remark for each set-up of one lens whose shots drift; those out of focus count, for creeping focus looks so."""
    return [
        SeriesRemark(
            flag="drift",
            observations=observations,
            focal_length_mm=members[0].planned.setting.focal_length_mm,
            condition=members[0].planned.condition,
            shots=len(members),
        )
        for members in _setups(shots)
        if (observations := (*_moved(members), *_softened(members)))
    ]


def _setups(shots: Sequence[SweepShot]) -> list[list[SweepShot]]:
    """Measured shots of each set-up (a focal length and a condition), in the order they were taken."""
    setups: dict[tuple[str, str], list[SweepShot]] = defaultdict(list)
    for shot in shots:
        if isinstance(shot.result, ShotResult):
            setups[focal_length(shot.planned.setting.focal_length_mm), shot.planned.condition].append(shot)
    for members in setups.values():
        members.sort(key=lambda shot: natural_order(str(shot.planned.path)))
        if all(shot.planned.metadata.taken_at for shot in members):
            members.sort(key=lambda shot: shot.planned.metadata.taken_at or "")
    return list(setups.values())


def _moved(shots: Sequence[SweepShot]) -> list[Note]:
    """How far the picture wandered from the first shot to the last, where that matters."""
    shifts_px = np.array([_shift_px(shot.measured, shots[0].measured) for shot in shots])
    ways = [_steady(column) for column in shifts_px.T]
    wandered = float(np.linalg.norm([way.total for way in ways if way]))
    if wandered <= POSITION_LIMIT_PX:
        return []
    return [Note(Observed.POSITION, (wandered,), limit=POSITION_LIMIT_PX)]


def _shift_px(result: ShotResult, first: ShotResult) -> FloatArray:
    """Shift (down, right) of a photograph against the first one; NaN where too few edges tell it."""
    before = {(edge.target, edge.arm): edge.edge for edge in first.edges if edge.edge.measured}
    pairs = [
        (edge.edge, before[edge.target, edge.arm])
        for edge in result.edges
        if edge.edge.measured and (edge.target, edge.arm) in before
    ]
    if len(pairs) < _FEWEST_PAIRED_EDGES or result.size_px != first.size_px:
        return np.full(2, np.nan)
    angle = np.array([radians(now.angle_deg) for now, _ in pairs])
    normal = np.column_stack((np.sin(angle), np.cos(angle)))
    point = np.array([now.point_px for now, _ in pairs])
    moved = np.sum(normal * (point - np.array([then.point_px for _, then in pairs])), axis=1)
    away = (point - (np.array(first.size_px) - 1.0) / 2.0) / 100.0
    # Scale and turn, in percent, lest a lopsided choice of edges takes them for a shift.
    along, across = np.sum(normal * away, axis=1), normal[:, 1] * away[:, 0] - normal[:, 0] * away[:, 1]
    design = np.column_stack((normal, along, across))
    kept, fit = np.isfinite(moved), np.full(4, np.nan)
    for _ in range(3):  # twice more without the edges that stray
        # Edges of one direction leave the shift along them open.
        if kept.sum() < _FEWEST_PAIRED_EDGES or np.linalg.matrix_rank(design[kept]) < 4:
            return np.full(2, np.nan)
        fit = np.linalg.lstsq(design[kept], moved[kept], rcond=None)[0]
        off = np.abs(moved - design @ fit)
        kept = off <= _STRAYS * 1.4826 * float(np.median(off[kept])) + _PLACE_DOUBT_PX
    return fit[:2]


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
    sharpness = np.array([shot.log_mtf50("frame") for shot in shots])
    stops = np.array([shot.planned.setting.f_number for shot in shots])
    bracketed = np.array([shot.planned.focus_step is not None for shot in shots])  # softer on purpose
    known = np.flatnonzero(np.isfinite(sharpness) & ~bracketed)
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
