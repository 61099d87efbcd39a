"""Where each target is sharpest: the surface of best focus over the picture, from focus brackets.

Every target's sagittal and tangential edges have a through-focus peak of their own. Over the picture the best steps
are laid through a level, a slope to the right and one down (tilt of chart, sensor or lens), a curvature with the square
of the image height, and half the distance of the sagittal from the tangential plane with the same square
(astigmatism). The heights of the peaks show what no focusing regains.
"""

from collections import defaultdict
from dataclasses import dataclass, replace
from math import isfinite
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.condition.field import FieldShape, fit_field, position_columns
from lensbench.focus import Bracket, ThroughFocus, fall_table, fit_through_focus
from lensbench.model.shot import ChartEdge, Direction
from lensbench.model.units import FloatArray
from lensbench.shot import is_usable, zone_borders

LEVEL, CURVATURE, SPLIT = 0, 3, 4
SLOPES: Final = slice(1, 3)
_COLUMNS: Final = 5
_FEWEST_SPOTS: Final = 10
_OUTLIER_SDS: Final = 4.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Spot:
    """Edges of one target and direction, through focus."""

    edge: ChartEdge
    """One that stands for all: at their mean position."""
    peak: ThroughFocus


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusSurface:
    """The surface of one bracket."""

    bracket: Bracket
    steps: FloatArray
    """Best step in the centre, its change to the right and down over one half-diagonal, to the corner by curvature,
    and from the tangential to the sagittal plane in the corner, shape (5,): `LEVEL`, `SLOPES`, `CURVATURE`, `SPLIT`."""
    covariance: FloatArray
    """Shape (5, 5)."""
    freedom: float
    disc_px_per_step: float
    """Of the blur disc, median over the picture."""
    um_per_step: float
    """On the sensor's side; NaN where the pixel pitch is unknown."""
    outer_log_mtf50: float
    """Median at the outer targets' peaks."""
    peaks: FieldShape | None
    """How the peaks' heights lie over the picture."""

    def sd(self, which: int) -> float:
        """Standard deviation of a coefficient."""
        return float(np.sqrt(self.covariance[which, which]))

    def loss(self, steps: float) -> float:
        """Share of MTF50 that the outer field loses when it is so many steps out of focus."""
        table = fall_table(max(round(self.bracket.q, 3), 0.02))
        disc_px = np.array([steps * self.disc_px_per_step])
        return max(0.0, float(-np.expm1(table.at(disc_px, self.outer_log_mtf50)[0] - self.outer_log_mtf50)))


def focus_surface(bracket: Bracket) -> FocusSurface | None:
    """Fit the surface of best focus of one bracket; None where too few targets have their peak in it."""
    held = [spot for spot in _spots(bracket) if spot.peak.verdict == "peak"]
    if len(held) < _FEWEST_SPOTS:
        return None
    edges = [spot.edge for spot in held]
    right, down, height2, split = position_columns(edges)
    design = np.column_stack((np.ones_like(right), right, down, height2, split))
    if np.linalg.matrix_rank(design) < _COLUMNS:
        return None
    best = np.array([spot.peak.best_step for spot in held])
    sds = np.array([spot.peak.best_step_sd for spot in held])
    solved = _weighted(design, best, sds)
    if solved is None:
        return None
    steps, covariance, freedom = solved
    gain = float(np.median([spot.peak.disc_px_per_step for spot in held]))
    heights = np.array([spot.peak.log_mtf50 for spot in held])
    border = zone_borders(bracket.results[0].size_px)[1]
    outer = heights[[edge.image_height > border for edge in edges]]
    return FocusSurface(
        bracket=bracket,
        steps=steps,
        covariance=covariance,
        freedom=freedom,
        disc_px_per_step=gain,
        um_per_step=_um_per_step(bracket, gain),
        outer_log_mtf50=float(np.median(outer if outer.size else heights)),
        peaks=fit_field(edges, heights, size_px=bracket.results[0].size_px),
    )


def _um_per_step(bracket: Bracket, disc_px_per_step: float) -> float:
    first = bracket.results[0]
    if not first.pixel_pitch_um:
        return float("nan")
    near = first.magnification if first.magnification and isfinite(first.magnification) else 0.0
    working = optics.working_f_number(bracket.exact_f_number, magnification=near)
    return disc_px_per_step * first.pixel_pitch_um * working


def _spots(bracket: Bracket) -> list[_Spot]:
    """Every target's sagittal and tangential edges through focus."""
    logs: dict[tuple[str, Direction], dict[int, list[float]]] = defaultdict(lambda: defaultdict(list))
    edges: dict[tuple[str, Direction], list[ChartEdge]] = defaultdict(list)
    for number, result in enumerate(bracket.results):
        for edge in result.edges:
            if is_usable(edge) and edge.edge.mtf50_cypx > 0.0 and edge.direction is not Direction.OBLIQUE:
                logs[edge.target, edge.direction][number].append(float(np.log(edge.edge.mtf50_cypx)))
                edges[edge.target, edge.direction].append(edge)
    spots = []
    for key, by_shot in sorted(logs.items()):
        numbers = sorted(by_shot)
        means = np.array([np.mean(by_shot[number]) for number in numbers])
        peak = fit_through_focus(bracket.steps[numbers], means, q=bracket.q)
        right, down, *_ = (float(np.mean(column)) for column in position_columns(edges[key]))
        centre = replace(
            edges[key][0],
            image_height=float(np.hypot(down, right)),
            azimuth_deg=float(np.degrees(np.arctan2(-down, right))),
        )
        spots.append(_Spot(edge=centre, peak=peak))
    return spots


def _weighted(
    design: FloatArray, best: FloatArray, sds: FloatArray
) -> tuple[FloatArray, FloatArray, float] | None:
    """Solve by weighted least squares; what the targets scatter beyond their own sds is spread evenly over them."""
    keep = np.ones(len(best), np.bool_)
    extra = 0.0
    for _ in range(4):
        weights = 1.0 / (sds**2 + extra)
        rows = design[keep] * np.sqrt(weights[keep])[:, None]
        covariance = np.linalg.pinv(rows.T @ rows)
        steps = covariance @ (design[keep].T @ (weights[keep] * best[keep]))
        off = best - design @ steps
        freedom = int(keep.sum()) - _COLUMNS
        if freedom < 1:
            return None
        excess = float(np.sum(off[keep] ** 2)) / freedom - float(np.mean(sds[keep] ** 2))
        extra = max(excess, 0.0)
        spread = np.sqrt(sds**2 + extra)
        usual = 1.4826 * float(np.median(np.abs(off[keep]) / spread[keep]))
        keep = np.abs(off) <= _OUTLIER_SDS * max(usual, 1.0) * spread
    scale = max(float(np.sum(weights[keep] * off[keep] ** 2)) / freedom, 1.0)
    return np.asarray(steps), np.asarray(scale * covariance), float(freedom)
