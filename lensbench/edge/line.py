"""The edge line: where the edge runs through a region, at what angle, and how it bends.

A line is fitted jointly with a first, Gaussian idea of the blur, to the samples near the edge only. Distances along the
normal are d = (col - col0) cos a + (row - row0) sin a, with a the edge's angle from the columns' direction, positive
when the upper end leans right; t = -(row - row0) cos a + (col - col0) sin a runs along the edge, upwards.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import ndtr

from lensbench.errors import EdgeError
from lensbench.records import BoolArray, Box, Samples
from lensbench.units import FloatArray

__all__ = ["EdgeLine", "Points", "fit_line", "points_of", "span_px"]

_FEWEST_POINTS: Final = 24
_NARROWEST_SIGMA_PX: Final = 0.18
_STEPS: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Points:
    """The usable samples of one region as flat arrays; positions count from the region's centre."""

    row_px: FloatArray
    col_px: FloatArray
    value: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeLine:
    """A straight or gently bent edge, and the first idea of its profile."""

    angle_deg: float
    offset_px: float
    """Distance of the line from the region's centre along the normal."""
    bend_per_px: float
    """d of the edge is bend * t^2: twice this is the curvature."""
    sigma_px: float
    """Width of the Gaussian edge that fits best."""
    dark: float
    bright: float
    bright_side: int
    """+1 where the bright side lies towards positive d, else -1."""

    def distance_px(self, points: Points) -> tuple[FloatArray, FloatArray]:
        """Give (d, t): distance from the edge towards its bright side, and place along the edge. [px]."""
        angle = np.radians(self.angle_deg)
        cosine, sine = np.cos(angle), np.sin(angle)
        along = points.col_px * sine - points.row_px * cosine
        across = points.col_px * cosine + points.row_px * sine
        across -= self.offset_px
        if self.bend_per_px:
            across -= self.bend_per_px * along * along
        if self.bright_side < 0:
            np.negative(across, out=across)
        return across, along


def points_of(region: Samples, *, keep: BoolArray | None = None) -> Points:
    """List the present samples of a region with their positions from its centre."""
    mask = region.present if keep is None else region.present & keep
    height, width = region.values.shape
    if mask.all():
        rows, cols = np.divmod(np.arange(height * width), width)
        value = region.values.ravel()
    else:
        rows, cols = np.nonzero(mask)
        value = region.values[mask]
    return Points(row_px=rows - (height - 1) / 2, col_px=cols - (width - 1) / 2, value=value)


def span_px(box: Box, angle_deg: float) -> tuple[float, float]:
    """Give the length of an edge through the box's centre, and the half-width of the box along its normal."""
    angle = np.radians(angle_deg)
    cosine, sine = abs(np.cos(angle)), abs(np.sin(angle))
    length = min(box.height / max(cosine, 1e-9), box.width / max(sine, 1e-9))
    area = box.height * box.width
    return float(length), float(area / length / 2.0)


def fit_line(points: Points) -> EdgeLine:
    """Fit position, angle, bend, width and levels of the edge to the samples near it.

    Start: the samples half-way between the two levels lie along the edge; their principal axis is its direction.
    Then damped Gauss-Newton steps on y = dark + (bright - dark) Phi(d / sigma).

    Raises
    ------
    EdgeError
        No two levels, or no line between them.
    """
    start = _first_line(points)
    line = start
    for step in range(_STEPS):
        moved, change = _improve(points, line, bend=step > 0)
        line = moved
        if step > 1 and change < 2e-4:
            break
    return line


def _first_line(points: Points) -> EdgeLine:
    value = points.value
    if value.size < _FEWEST_POINTS:
        raise EdgeError(f"only {value.size} samples in this region; {_FEWEST_POINTS} are needed")
    low, high = np.percentile(value, [8.0, 92.0])
    dark, bright = _two_levels(value, float(low), float(high))
    step = bright - dark
    if not step > 0:
        raise EdgeError("both sides of the region are equally bright; choose a region across an edge")
    weight = np.maximum(0.0, 1.0 - np.square((value - 0.5 * (dark + bright)) / (0.4 * step)))
    total = weight.sum()
    if total < 4.0:
        return _divided(points, dark, bright)
    row = float(weight @ points.row_px / total)
    col = float(weight @ points.col_px / total)
    d_row, d_col = points.row_px - row, points.col_px - col
    rr, cc, rc = weight @ (d_row * d_row), weight @ (d_col * d_col), weight @ (d_row * d_col)
    tilt = 0.5 * np.arctan2(2.0 * rc, rr - cc)
    angle_deg = _wrapped(float(-np.degrees(tilt)))
    across_variance = 0.5 * (rr + cc - np.hypot(rr - cc, 2.0 * rc)) / total
    angle = np.radians(angle_deg)
    offset = col * np.cos(angle) + row * np.sin(angle)
    line = EdgeLine(
        angle_deg=angle_deg,
        offset_px=float(offset),
        bend_per_px=0.0,
        sigma_px=float(max(np.sqrt(across_variance) * 1.5, 0.5)),
        dark=dark,
        bright=bright,
        bright_side=1,
    )
    distance, _ = line.distance_px(points)
    towards = float(np.sign(distance) @ (value - value.mean()))
    return replace(line, bright_side=1 if towards >= 0 else -1)


def _divided(points: Points, dark: float, bright: float) -> EdgeLine:
    """Give the line that divides dark from bright samples best in a linear sense: where no sample lies between."""
    side = np.where(points.value > 0.5 * (dark + bright), 1.0, -1.0)
    design = np.stack([np.ones_like(side), points.col_px, points.row_px])
    level, along_col, along_row = np.linalg.solve(design @ design.T, design @ side)
    length = float(np.hypot(along_col, along_row))
    if not length > 0:
        raise EdgeError("no line between a dark and a bright side was found in this region")
    raw_deg = float(np.degrees(np.arctan2(along_row, along_col)))
    angle_deg = _wrapped(raw_deg)
    turned = abs(raw_deg - angle_deg) > 90.0
    offset = -float(level) / length
    return EdgeLine(
        angle_deg=angle_deg,
        offset_px=-offset if turned else offset,
        bend_per_px=0.0,
        sigma_px=2.0,
        dark=dark,
        bright=bright,
        bright_side=-1 if turned else 1,
    )


def _two_levels(value: FloatArray, low: float, high: float) -> tuple[float, float]:
    """Give the means of the samples nearer to the dark and nearer to the bright end."""
    middle = 0.5 * (low + high)
    below = value < middle
    if below.all() or not below.any():
        return low, high
    quarter = 0.25 * (high - low)
    dark = value[value < low + quarter]
    bright = value[value > high - quarter]
    return (float(dark.mean()) if dark.size else low), (float(bright.mean()) if bright.size else high)


def _improve(points: Points, line: EdgeLine, *, bend: bool) -> tuple[EdgeLine, float]:
    """One Gauss-Newton step on the samples within a few sigma of the line."""
    distance, along = line.distance_px(points)
    reach = 4.5 * line.sigma_px + 1.5
    near = np.abs(distance) < reach
    if np.count_nonzero(near) < _FEWEST_POINTS:
        raise EdgeError("the edge runs outside this region")
    d, t, y = distance[near], along[near], points.value[near]
    u = d / line.sigma_px
    profile = ndtr(u)
    slope = np.exp(-0.5 * u * u) * (0.3989422804014327 / line.sigma_px)
    step = line.bright - line.dark
    scale = max(float(np.abs(t).max()), 1.0)
    s = t / scale
    columns = [slope * step, slope * s * step, slope * u * step, 1.0 - profile, profile]
    if bend:
        columns.append(slope * (s * s) * step)
    jacobian = np.stack(columns)
    residual = y - line.dark - step * profile
    gram = jacobian @ jacobian.T
    gram[np.diag_indices_from(gram)] *= 1.0 + 1e-9
    try:
        delta: FloatArray = np.linalg.solve(gram, jacobian @ residual)
    except np.linalg.LinAlgError as error:
        raise EdgeError("no line between a dark and a bright side was found in this region") from error
    return _moved(line, delta, scale)


def _moved(line: EdgeLine, delta: FloatArray, scale: float) -> tuple[EdgeLine, float]:
    """Apply a step of shift, turn, width, levels and bend, none larger than the blur allows."""
    limit = line.sigma_px + 0.5
    shift, turn = float(np.clip(delta[0], -limit, limit)), float(np.clip(delta[1], -limit, limit))
    bend = float(np.clip(delta[5], -limit, limit)) if delta.size > 5 else 0.0
    sigma = float(np.clip(line.sigma_px - delta[2], 0.5 * line.sigma_px, 2.0 * line.sigma_px))
    side = line.bright_side
    # d must grow by shift + turn s + bend s^2, and by the angle it falls by t: so the line moves the other way.
    angle = line.angle_deg - side * np.degrees(np.arctan(turn / scale))
    moved = replace(
        line,
        offset_px=line.offset_px - side * shift,
        angle_deg=_wrapped(angle),
        bend_per_px=line.bend_per_px - side * bend / scale**2,
        sigma_px=max(sigma, _NARROWEST_SIGMA_PX),
        dark=line.dark + float(delta[3]),
        bright=line.bright + float(delta[4]),
    )
    if abs(angle - moved.angle_deg) > 90.0:
        # Half a turn: d and t change sign, and so do offset, bend and the bright side.
        moved = replace(
            moved, offset_px=-moved.offset_px, bend_per_px=-moved.bend_per_px, bright_side=-moved.bright_side
        )
    return moved, max(abs(shift), abs(turn), abs(bend))


def _wrapped(angle_deg: float) -> float:
    return float((angle_deg + 90.0) % 180.0 - 90.0)
