"""Where each place of the picture is sharpest: the surface of best focus, from focus brackets.

Every target's sagittal and tangential edges have a through-focus peak of their own. Over the picture the best steps
are laid through a level, a slope to the right and one down (tilt of chart, sensor or lens), a bow with the square of
the image height (field curvature), and half the distance of the sagittal from the tangential plane with the same
square (astigmatism). The heights of the peaks show what no focusing regains.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.condition.field import FieldShape, fit_field
from lensbench.focus import Bracket, ThroughFocus, fall_table, fit_through_focus
from lensbench.model.shot import ChartEdge, Direction
from lensbench.model.units import FloatArray
from lensbench.shot import is_usable, zone_borders

__all__ = ["BOW", "LEVEL", "SLOPES", "SPLIT", "FocusSurface", "focus_surface"]


LEVEL, SPLIT, BOW = 0, 4, 3
SLOPES: Final = slice(1, 3)
_COLUMNS: Final = 5
_FEWEST_SPOTS: Final = 10
_STRAYS: Final = 4.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Spot:
    """Edges of one target and direction, through focus."""

    edge: ChartEdge
    """One of them, for its place."""
    peak: ThroughFocus


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusSurface:
    """What one bracket tells of the field."""

    bracket: Bracket
    steps: FloatArray
    """Best step in the middle, its change to the right and down over one half-diagonal, to the corner by the bow, and
    from the tangential to the sagittal plane in the corner, shape (5,): see `LEVEL`, `SLOPES`, `BOW`, `SPLIT`."""
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
    spots: int
    lost: int
    """Places whose peak the bracket does not hold."""
    lost_outside: int
    """Those of the outer zone among them."""

    def sd(self, which: int) -> float:
        """Give a coefficient's standard deviation."""
        return float(np.sqrt(self.covariance[which, which]))

    def loss(self, steps: float) -> float:
        """Give the share of MTF50 that the outer field loses when it is so many steps out of focus."""
        table = fall_table(max(round(self.bracket.q, 3), 0.02))
        disc_px = np.array([steps * self.disc_px_per_step])
        return max(0.0, float(-np.expm1(table.at(disc_px, self.outer_log_mtf50)[0] - self.outer_log_mtf50)))


def focus_surface(bracket: Bracket) -> FocusSurface | None:
    """Fit the surface of best focus of one bracket; None where too few places have their peak in it."""
    fitted = _spots(bracket)
    held = [spot for spot in fitted if spot.peak.verdict == "peak"]
    if len(held) < _FEWEST_SPOTS:
        return None
    design = _design([spot.edge for spot in held])
    if np.linalg.matrix_rank(design) < _COLUMNS:
        return None
    best = np.array([spot.peak.best_step for spot in held])
    sds = np.array([spot.peak.best_step_sd for spot in held])
    solved = _weighted(design, best, sds)
    if solved is None:
        return None
    steps, covariance, freedom = solved
    gain = float(np.median([spot.peak.disc_px_per_step for spot in held]))
    border = zone_borders(bracket.results[0].size_px)[1]
    outer = [spot.peak.log_mtf50 for spot in held if spot.edge.image_height > border]
    edges = [spot.edge for spot in held]
    lost = [spot for spot in fitted if spot.peak.verdict != "peak"]
    return FocusSurface(
        bracket=bracket,
        steps=steps,
        covariance=covariance,
        freedom=freedom,
        disc_px_per_step=gain,
        um_per_step=_um_per_step(bracket, gain),
        outer_log_mtf50=float(np.median(outer or [spot.peak.log_mtf50 for spot in held])),
        peaks=fit_field(
            edges, np.array([spot.peak.log_mtf50 for spot in held]), size_px=bracket.results[0].size_px
        ),
        spots=len(held),
        lost=len(lost),
        lost_outside=sum(spot.edge.image_height > border for spot in lost),
    )


def _um_per_step(bracket: Bracket, disc_px_per_step: float) -> float:
    first = bracket.results[0]
    if not first.pixel_pitch_um:
        return float("nan")
    near = first.magnification if first.magnification and isfinite(first.magnification) else 0.0
    working = optics.working_f_number(bracket.exact_f_number, magnification=near)
    return disc_px_per_step * first.pixel_pitch_um * working


def _spots(bracket: Bracket) -> list[_Spot]:
    """Fit every target's sagittal and tangential edges through focus."""
    logs: dict[tuple[str, Direction], dict[int, list[float]]] = defaultdict(lambda: defaultdict(list))
    places: dict[tuple[str, Direction], list[ChartEdge]] = defaultdict(list)
    for number, result in enumerate(bracket.results):
        for edge in result.edges:
            if is_usable(edge) and edge.edge.mtf50_cypx > 0.0 and edge.direction is not Direction.OBLIQUE:
                key = (edge.target, edge.direction)
                logs[key][number].append(float(np.log(edge.edge.mtf50_cypx)))
                places[key].append(edge)
    found = []
    for place, by_shot in sorted(logs.items()):
        numbers = sorted(by_shot)
        peak = fit_through_focus(
            bracket.steps[numbers], np.array([np.mean(by_shot[one]) for one in numbers]), q=bracket.q
        )
        found.append(_Spot(edge=_middle(places[place]), peak=peak))
    return found


def _middle(edges: Sequence[ChartEdge]) -> ChartEdge:
    """Give an edge that stands for the target's: at their mean place."""
    right = float(np.mean([e.image_height * np.cos(np.radians(e.azimuth_deg)) for e in edges]))
    up = float(np.mean([e.image_height * np.sin(np.radians(e.azimuth_deg)) for e in edges]))
    return replace(
        edges[0],
        image_height=float(np.hypot(up, right)),
        azimuth_deg=float(np.degrees(np.arctan2(up, right))),
    )


def _design(edges: Sequence[ChartEdge]) -> FloatArray:
    height = np.array([edge.image_height for edge in edges])
    azimuth = np.radians([edge.azimuth_deg for edge in edges])
    side = np.array([0.5 if edge.direction is Direction.SAGITTAL else -0.5 for edge in edges])
    return np.column_stack(
        (
            np.ones_like(height),
            height * np.cos(azimuth),
            -height * np.sin(azimuth),
            height**2,
            height**2 * side,
        )
    )


def _weighted(
    design: FloatArray, best: FloatArray, sds: FloatArray
) -> tuple[FloatArray, FloatArray, float] | None:
    """Solve by weighted least squares; what the places scatter beyond their own sds is spread evenly over them."""
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
        keep = np.abs(off) <= _STRAYS * max(usual, 1.0) * spread
    scale = max(float(np.sum(weights[keep] * off[keep] ** 2)) / freedom, 1.0)
    return np.asarray(steps), np.asarray(scale * covariance), float(freedom)
