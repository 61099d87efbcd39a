"""How sharpness lies over the picture: in one shot, in the refocused shots of a setting, and through focus.

In one shot, by one least-squares fit on log MTF50: even powers of the image height, a slope to the right and one down,
half the split of sagittal and tangential edges with the square of the height, and the common direction that shake would
give, lest it be taken for the split. A plane of focus that leans softens two opposite sides alike: sharpness falls off
along one axis more than across it, with the square of the height. Where a whole sheet was measured, sagittal and
tangential edges each have a law of their own: even powers up to the sixth, sides with the height and its cube, for in a
lens of several elements high orders balance low ones, and what a law misses would count as doubt about the sides.

Through focus, every target's sagittal and tangential edges have a peak of their own. Over the picture the best steps
are laid through a level, a slope to the right and one down (tilt of chart, sensor or lens), a curvature with the square
of the image height, and half the distance of the sagittal from the tangential plane with the same square (astigmatism).
Both with the fourth power too, where targets stand at many heights; by how much that law and the square alone differ is
what the law may err by. The heights of the peaks show what no focusing regains.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from math import atan2, degrees, hypot, isfinite
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.focus import Bracket, ThroughFocus, fall_table, fit_through_focus
from lensbench.model.condition import Side, Verdict
from lensbench.model.setting import Setting
from lensbench.model.shot import BoolArray, ChartEdge, Direction, ShotResult
from lensbench.model.sweep import SweepShot
from lensbench.model.units import FloatArray
from lensbench.shot import is_usable, zone_borders
from lensbench.stats import Repeats

SLOPES: Final = slice(1, 3)
STEP_DOUBT: Final = 0.1
"""Share by which the model of aberrated pupils errs in the length of a step: over those of docs/method/method.md."""
_FEWEST_SPOTS: Final = 10
_SPLIT_HEIGHT: Final = 0.8
_SIDE_HEIGHT: Final = 0.7
_FEWEST_EDGES: Final = 16
_MANY_HEIGHTS: Final = 10
_FEWEST_COLUMNS: Final = 7
_WHOLE_SHEET: Final = 20
_EDGES_A_COLUMN: Final = 3
_OUTLIER_SDS: Final = 4.0
_TURNED_DEG: Final = 135.0
_UPRIGHT_DEG: Final = 45.0


def judged(low: float, high: float, *, limit: float) -> Verdict:
    """Whether a whole interval lies beyond the limit, and the figure matters, or below it; else it can't be told.

    >>> judged(0.04, 0.09, limit=0.05).value
    'cannot_tell'
    """
    if low >= limit:
        return Verdict.MATTERS
    return Verdict.WITHIN_LIMITS if high < limit else Verdict.CANNOT_TELL


def percent(log_size: float) -> float:
    """By how many percent the softer side stays behind, from the log ratio."""
    return float(-100.0 * np.expm1(-log_size))


def is_upside_down(result: ShotResult) -> bool:
    """Whether the camera, or the chart, stood on its head."""
    return isfinite(result.tilt.roll_deg) and abs(result.tilt.roll_deg) > _TURNED_DEG


def sides_reach(size_px: tuple[int, int]) -> FloatArray:
    """Image heights of the right side and of the bottom at which sides are compared, shape (2,)."""
    rows, cols = size_px
    return np.minimum(np.array([cols, rows]) / hypot(rows, cols), _SIDE_HEIGHT)


def side_of(azimuth_deg: float) -> Side:
    """Name of the side at an azimuth.

    >>> side_of(-40.0).value
    'lower right'
    """
    return list(Side)[round((azimuth_deg % 360.0) / 45.0) % 8]


def softer_azimuth_deg(asymmetry: FloatArray, size_px: tuple[int, int]) -> float:
    """Azimuth of the softest side, counter-clockwise from the right, in (-180, 180]."""
    right, down = asymmetry / sides_reach(size_px)
    return degrees(atan2(float(down), -float(right)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldShape:
    """The field of one shot, or of the peaks of a focus bracket."""

    asymmetry: FloatArray
    """Log MTF50 of the right side less that of the left, and of the bottom less that of the top, shape (2,): at image
    height 0.7, or where the picture ends before."""
    covariance: FloatArray
    """Of the asymmetry, from the edges' scatter about the fit, shape (2, 2). It is mostly the lens's and the print's
    own unevenness, which repeats don't reduce."""
    split: float  # log MTF50 of sagittal less that of tangential edges at image height 0.8
    split_sd: float
    lean: FloatArray
    """Log MTF50 that falls with the squared height times the cosine and the sine of twice the azimuth, shape (2,): half
    of what a leaning plane of focus takes along its axis. NaN where targets stand at few heights."""
    lean_covariance: FloatArray  # shape (2, 2)
    freedom: float


def field_shape(result: ShotResult) -> FieldShape | None:
    """Fit the field of one photograph; None where too few edges, or too few targets, were measured."""
    edges = _edges(result)
    return fit_field(edges, np.log([edge.edge.mtf50_cypx for edge in edges]), size_px=result.size_px)


def _edges(result: ShotResult) -> list[ChartEdge]:
    return [
        edge
        for edge in result.edges
        if is_usable(edge) and edge.direction is not Direction.OBLIQUE and edge.edge.mtf50_cypx > 0.0
    ]


def fit_field(
    edges: Sequence[ChartEdge], log_values: FloatArray, *, size_px: tuple[int, int]
) -> FieldShape | None:
    """Fit log values of edges, shape (edges,): of one shot, or their peaks through focus."""
    if len(edges) < _FEWEST_EDGES:
        return None
    design = _design(edges)
    columns = design.shape[1]
    if np.linalg.matrix_rank(design) < columns:
        return None
    _, keep = robust_fit(design, log_values)
    freedom = int(keep.sum()) - columns
    design, log_values = design[keep], log_values[keep]
    if freedom < 1 or np.linalg.matrix_rank(design) < columns:
        return None
    fit = np.linalg.lstsq(design, log_values, rcond=None)[0]
    variance = float(np.sum((log_values - design @ fit) ** 2)) / freedom
    covariance = variance * np.linalg.inv(design.T @ design)
    sides, split = _shares(columns, size_px)
    leans = columns > _FEWEST_COLUMNS
    return FieldShape(
        asymmetry=sides @ fit,
        covariance=sides @ covariance @ sides.T,
        split=float(split @ fit),
        split_sd=float(np.sqrt(split @ covariance @ split)),
        lean=np.asarray(fit[-2:] if leans else [np.nan, np.nan], np.float64),
        lean_covariance=covariance[-2:, -2:],
        freedom=float(freedom),
    )


def robust_fit(design: FloatArray, values: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Least squares, once more without the outliers; and which values lie near that fit, shape (values,)."""
    keep = np.ones(len(values), np.bool_)
    for _ in range(2):
        fit = np.linalg.lstsq(design[keep], values[keep], rcond=None)[0]
        off = np.abs(values - design @ fit)
        keep = off <= _OUTLIER_SDS * 1.4826 * float(np.median(off[keep])) + 1e-9
    return np.asarray(fit, np.float64), keep


def _design(edges: Sequence[ChartEdge]) -> FloatArray:
    """Columns: right, down, split, level, squared height, shake; for many targets the lean, last, and higher powers."""
    right, down, height2, split = _position_columns(edges)
    # The normal of an edge at angle a points a below the level, so -a counter-clockwise.
    twice = np.radians([-2.0 * edge.edge.angle_deg for edge in edges])
    columns = [right, down, split, np.ones_like(right), height2, np.cos(twice), np.sin(twice)]
    targets = len({edge.target for edge in edges})
    if targets > _MANY_HEIGHTS:
        columns += [height2**2, right**2 - down**2, -2.0 * right * down]
    whole = targets > _WHOLE_SHEET and len(edges) >= _EDGES_A_COLUMN * _WHOLE_COLUMNS
    if whole and height2.max() >= _SPLIT_HEIGHT**2:
        half = np.array([0.5 if edge.direction is Direction.SAGITTAL else -0.5 for edge in edges])
        sides = [right * height2, down * height2]
        apart = [half * side for side in (right, down, *sides)]
        columns[-2:-2] = [*sides, split * height2, split * height2**2, height2**3, *apart]
    return np.column_stack(columns)


_WHOLE_COLUMNS: Final = 19
"""Of a whole sheet; among them stand the cubes of the sides and the split's higher powers."""
_CUBES: Final = slice(8, 10)
_SPLITS: Final = slice(10, 12)


def _shares(columns: int, size_px: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
    """What of each column makes the asymmetry, shape (2, columns), and the outer zone's split, shape (columns,)."""
    reach = sides_reach(size_px)
    sides, split = np.zeros((2, columns)), np.zeros(columns)
    sides[:, :2], split[2] = np.diag(2.0 * reach), _SPLIT_HEIGHT**2
    if columns == _WHOLE_COLUMNS:
        sides[:, _CUBES], split[_SPLITS] = np.diag(2.0 * reach**3), [_SPLIT_HEIGHT**4, _SPLIT_HEIGHT**6]
    return sides, split


def _position_columns(edges: Sequence[ChartEdge]) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Position of edges to the right and down, squared height, half the split with it: each of shape (edges,)."""
    height = np.array([edge.image_height for edge in edges])
    azimuth = np.radians([edge.azimuth_deg for edge in edges])
    half = np.array([0.5 if edge.direction is Direction.SAGITTAL else -0.5 for edge in edges])
    return height * np.cos(azimuth), -height * np.sin(azimuth), height**2, height**2 * half


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SettingShots:
    """The refocused shots of one setting that a field could be fitted to."""

    shots: tuple[SweepShot, ...]
    shapes: tuple[FieldShape, ...]  # one a shot

    @property
    def setting(self) -> Setting:
        """By name."""
        return self.shots[0].planned.setting

    @property
    def exact_f_number(self) -> float:
        """Median of the files' f-numbers, nominal where a file does not tell it."""
        return float(np.median([shot.planned.exact_f_number for shot in self.shots]))

    @property
    def results(self) -> list[ShotResult]:
        """What was measured."""
        return [shot.measured for shot in self.shots]

    @property
    def repeats(self) -> Repeats:
        """The shots' asymmetries; those of a turned camera or chart, 1, are alike, as are the others, 0."""
        turned = tuple(int(is_upside_down(result)) for result in self.results)
        return Repeats(values=np.array([shape.asymmetry for shape in self.shapes]), alike=turned)


def settings_of(shots: Iterable[SweepShot]) -> list[SettingShots]:
    """Refocused shots of one lens by setting: by focal length and f-number, shortest and widest first.

    Shots of one focus group without steps were not refocused between: the first of them stands for all. Portrait
    pictures (turned by a quarter) are passed over.
    """
    groups: dict[Setting, list[tuple[SweepShot, FieldShape]]] = defaultdict(list)
    focused: set[tuple[str, Setting, bool]] = set()
    for shot in shots:
        if not isinstance(shot.result, ShotResult):
            continue
        setting, group = shot.planned.setting, shot.planned.focus_group
        once = (group, setting, is_upside_down(shot.result))
        if _UPRIGHT_DEG < abs(shot.result.tilt.roll_deg) < _TURNED_DEG or (group and once in focused):
            continue
        if shape := field_shape(shot.result):
            focused.add(once)
            groups[setting].append((shot, shape))
    settings = []
    for setting in sorted(groups, key=lambda setting: setting.order):
        members, shapes = zip(*groups[setting], strict=True)
        settings.append(SettingShots(shots=members, shapes=shapes))
    return settings


class Part(Enum):
    """What a surface of best focus is asked for."""

    LEVEL = "level"
    CURVATURE = "curvature"
    SPLIT = "split"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusSurface:
    """The surface of best focus of one bracket."""

    bracket: Bracket
    steps: FloatArray
    """Best step in the centre, its change to the right and down over one half-diagonal, to the corner by curvature, and
    from the tangential to the sagittal plane in the corner, shape (5,); or (7,), the last two with the height's fourth
    power as well."""
    covariance: FloatArray  # shape (5, 5) or (7, 7)
    plain: FloatArray  # the first five where the square of the height alone is laid through, shape (5,)
    freedom: float
    outermost: float  # image height of the outermost target with a peak
    reaches_outer: bool
    """Whether most edges of the outer zone have their peak within the bracket; else the surface ends before it."""
    disc_px_per_step: float  # of the blur disc, median over the picture
    outer_log_mtf50: float  # median at the outer targets' peaks
    inner_log_mtf50: float  # at those of the inner ones
    peaks: FieldShape | None  # how the peaks' heights lie over the picture

    def at(self, part: "Part", height: float) -> tuple[float, float]:
        """Step in the centre, from there to the height, or between the two planes there; with its variance.

        The law of the height adds its own: the square of half of what the fourth power changes.
        """
        square = height**2
        shares = {
            Part.LEVEL: (1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0),
            Part.CURVATURE: (0.0, 0.0, 0.0, square, 0.0, square**2, 0.0),
            Part.SPLIT: (0.0, 0.0, 0.0, 0.0, square, 0.0, square**2),
        }
        share = np.array(shares[part])[: len(self.steps)]
        steps = float(share @ self.steps)
        law = 0.5 * (steps - float(share[: len(self.plain)] @ self.plain))
        return steps, float(share @ self.covariance @ share) + law**2

    @property
    def setting(self) -> Setting:
        """Of the bracket, by name."""
        return self.bracket.plan.setting

    @property
    def um_per_step(self) -> float:
        """On the sensor's side; NaN where the pixel pitch is unknown."""
        first = self.bracket.results[0]
        near = first.magnification if first.magnification and isfinite(first.magnification) else 0.0
        working = optics.working_f_number(self.bracket.exact_f_number, magnification=near)
        return self.disc_px_per_step * (first.pixel_pitch_um or float("nan")) * working

    def loss(self, steps: float, *, inner: bool = False) -> float:
        """Share of MTF50 that the outer field, or the inner one, loses when it is so many steps out of focus."""
        level = self.inner_log_mtf50 if inner else self.outer_log_mtf50
        return max(0.0, fall_table(self.bracket.q).loss(steps * self.disc_px_per_step, level))


def focus_surface(bracket: Bracket) -> FocusSurface | None:
    """Fit the surface of best focus of one bracket; None where too few targets have their peak in it."""
    size_px = bracket.results[0].size_px
    inside, outside = zone_borders(size_px)
    seen = _spots(bracket)
    far = [peak for edge, peak in seen if edge.image_height > outside]
    spots = [(edge, peak) for edge, peak in seen if peak.verdict == "peak"]
    if len(spots) < _FEWEST_SPOTS:
        return None
    edges, peaks = [edge for edge, _ in spots], [peak for _, peak in spots]
    right, down, height2, split = _position_columns(edges)
    design = np.column_stack((np.ones_like(right), right, down, height2, split))
    best = np.array([peak.best_step for peak in peaks])
    sds = np.array([peak.best_step_sd for peak in peaks])
    plain = _weighted(design, best, sds)
    if plain is None:
        return None
    full = plain
    if len({edge.target for edge in edges}) > _MANY_HEIGHTS:
        more = np.column_stack((design, height2**2, height2 * split))
        full = _weighted(more, best, sds) or plain
    heights = np.array([peak.log_mtf50 for peak in peaks])
    outer = heights[[edge.image_height > outside for edge in edges]]
    inner = heights[[edge.image_height < inside for edge in edges]]
    return FocusSurface(
        bracket=bracket,
        steps=full[0],
        covariance=full[1],
        plain=plain[0],
        freedom=full[2],
        outermost=max(edge.image_height for edge in edges),
        reaches_outer=not far or 2 * sum(peak.verdict == "peak" for peak in far) > len(far),
        disc_px_per_step=float(np.median([peak.disc_px_per_step for peak in peaks])),
        outer_log_mtf50=float(np.median(outer if outer.size else heights)),
        inner_log_mtf50=float(np.median(inner if inner.size else heights)),
        peaks=fit_field(edges, heights, size_px=size_px),
    )


def _spots(bracket: Bracket) -> list[tuple[ChartEdge, ThroughFocus]]:
    """Sagittal and tangential edges of every target through focus: one that stands for all, at their mean position."""
    members: dict[tuple[str, Direction], list[tuple[int, ChartEdge]]] = defaultdict(list)
    for number, result in enumerate(bracket.results):
        for edge in _edges(result):
            members[edge.target, edge.direction].append((number, edge))
    spots = []
    for _, numbered in sorted(members.items()):
        numbers, edges = np.array([number for number, _ in numbered]), [edge for _, edge in numbered]
        logs, shots = np.log([edge.edge.mtf50_cypx for edge in edges]), np.unique(numbers)
        means = np.array([np.mean(logs[numbers == number]) for number in shots])
        peak = fit_through_focus(bracket.steps[shots], means, q=bracket.q)
        right, down, *_ = (float(np.mean(column)) for column in _position_columns(edges))
        height, azimuth_deg = float(np.hypot(down, right)), float(np.degrees(np.arctan2(-down, right)))
        spots.append((replace(edges[0], image_height=height, azimuth_deg=azimuth_deg), peak))
    return spots


def _weighted(
    design: FloatArray, best: FloatArray, sds: FloatArray
) -> tuple[FloatArray, FloatArray, float] | None:
    """Solve by weighted least squares; what the targets scatter beyond their own sds is spread evenly over them."""
    columns = design.shape[1]
    if np.linalg.matrix_rank(design) < columns:
        return None
    keep = np.ones(len(best), np.bool_)
    extra = 0.0
    for _ in range(4):
        weights = 1.0 / (sds**2 + extra)
        rows = design[keep] * np.sqrt(weights[keep])[:, None]
        covariance = np.linalg.pinv(rows.T @ rows)
        steps = covariance @ (design[keep].T @ (weights[keep] * best[keep]))
        off = best - design @ steps
        freedom = int(keep.sum()) - columns
        if freedom < 1:
            return None
        excess = float(np.sum(off[keep] ** 2)) / freedom - float(np.mean(sds[keep] ** 2))
        extra = max(excess, 0.0)
        spread = np.sqrt(sds**2 + extra)
        usual = 1.4826 * float(np.median(np.abs(off[keep]) / spread[keep]))
        keep = np.abs(off) <= _OUTLIER_SDS * max(usual, 1.0) * spread
    scale = max(float(np.sum(weights[keep] * off[keep] ** 2)) / freedom, 1.0)
    return np.asarray(steps), np.asarray(scale * covariance), float(freedom)
