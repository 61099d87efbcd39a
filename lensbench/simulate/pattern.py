"""The chart's shapes as a patch of finely spaced samples, blurred just enough to be sampled without loss.

Every straight edge is drawn as its closed form after a narrow isotropic Gaussian: the normal distribution
function of the distance to the edge. Two edges that cross at right angles multiply, also exactly. The
Gaussian is taken out again where the patch is filtered, so that nothing remains of it; it keeps the edges'
high frequencies from folding back, which a hard edge on any grid would suffer.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import fft, special

from lensbench.chart.layout import Marker, Target, Tone
from lensbench.model.errors import SettingError
from lensbench.model.shot import BoolArray
from lensbench.model.units import FloatArray
from lensbench.simulate.camera import View

OVERSAMPLING: Final = 4  # fine samples per pixel, along rows and along columns
FINE_SIGMA_PX: Final = 0.25  # of the Gaussian that the edges are drawn with
_REACH: Final = 6.0  # sigmas beyond which an edge is flat: the remainder is 1e-9
_LARGEST_PX: Final = 2000  # of a patch: beyond it the fine grid would take gigabytes
_DEGREE: Final = 4  # polynomial terms per axis that carry a smooth map over a patch: exact to below 1e-4 px

Fine = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """A square piece of the picture with one shape of the chart in it."""

    top: int
    left: int
    fine: Fine
    """Reflectance less the paper's, shape (4 size, 4 size); the first sample lies on a pixel's centre."""


def target_patch(
    view: View,
    target: Target,
    *,
    dark: float,
    light: float,
    outward: float,
    margin_px: int,
    screen_mm: float = 0.0,
) -> Patch:
    """Draw a target: a disc whose quarters are dark and light in turn, on paper of reflectance 1.

    With a screen the dark is not even: dots of paper stand in ink, as deep as a printer of black ink makes them.
    """
    square = _Square.around(view, target.center_mm, target.radius_mm, outward=outward, margin_px=margin_px)
    along_1, along_2 = (np.asarray(target.arm_direction(arm)) for arm in (1, 2))
    center = np.asarray(target.center_mm)
    at_1, scale_1 = square.at_nodes(lambda point: (point - center) @ along_1)
    at_2, scale_2 = square.at_nodes(lambda point: (point - center) @ along_2)
    away_1, away_2 = square.spread(at_1 * scale_1), square.spread(at_2 * scale_2)
    place_mm = square.spread(at_1), square.spread(at_2)
    rim_px = _inside_rim_px(square, target, place_mm, outward=outward)
    # Dark where both distances are positive (between arms 1 and 2) or both negative (between 3 and 4).
    first, second = _soft_step(away_1), _soft_step(away_2)
    fine = 2.0 * first * second
    fine -= first
    fine -= second
    dots: Fine | np.float32 = np.float32(0.0)
    if screen_mm > 0.0:
        px_per_mm = float(np.sqrt(np.abs(np.linalg.det(view.jacobian(center, outward=outward)))))
        dots = _dots(place_mm, dark=dark, screen_mm=screen_mm, px_per_mm=px_per_mm)
    fine *= np.float32(dark - light) + dots
    fine += np.float32(dark - 1.0) + dots
    fine *= _soft_step(rim_px)
    return Patch(top=square.top, left=square.left, fine=fine)


_INK: Final = 0.04  # reflectance of the ink that a screen's dots leave bare paper in
_SCREEN_DEG: Final = 30.0  # of the screen against the target's first line


def _dots(place_mm: tuple[Fine, Fine], *, dark: float, screen_mm: float, px_per_mm: float) -> Fine:
    """Ripple that a screen adds to the mean of the dark: the first harmonic of round paper dots, finely blurred.

    Dots of radius r at a pitch P leave r/P J1(2 pi r/P) in it (transform of a disc); finer ones no lens resolves.
    """
    first, second = place_mm
    radius = float(np.sqrt((dark - _INK) / (1.0 - _INK) / np.pi))
    deep = 2.0 * (1.0 - _INK) * radius * float(special.j1(2.0 * np.pi * radius))
    deep = min(deep, 0.5 * (dark - _INK))  # no darker than ink, where two crests meet
    deep *= float(np.exp(-2.0 * (np.pi * FINE_SIGMA_PX / (screen_mm * px_per_mm)) ** 2))
    turn = np.deg2rad(_SCREEN_DEG)
    across, along = (
        np.float32(2.0 * np.pi / screen_mm) * (np.float32(one) * first + np.float32(other) * second)
        for one, other in ((np.cos(turn), np.sin(turn)), (-np.sin(turn), np.cos(turn)))
    )
    return np.asarray(np.float32(deep) * (np.cos(across) + np.cos(along)))


def _inside_rim_px(square: "_Square", target: Target, place_mm: tuple[Fine, Fine], *, outward: float) -> Fine:
    """How far inside the rim every fine sample lies: exact on the rim, to a few percent beside it."""
    first, second = place_mm
    away = np.hypot(first, second)
    to_mm = np.linalg.inv(square.view.jacobian(np.asarray(target.center_mm), outward=outward))
    slopes = np.stack([to_mm.T @ np.asarray(target.arm_direction(arm)) for arm in (1, 2)])
    (one, cross), (_, other) = (slopes @ slopes.T).astype(np.float32)
    steep = np.sqrt(one * first**2 + 2.0 * cross * first * second + other * second**2)
    return np.asarray((np.float32(target.radius_mm) - away) * away / np.maximum(steep, np.float32(1e-6)))


def square_patch(
    view: View, shape: Marker | Tone, ink: BoolArray, *, black: float, outward: float, margin_px: int
) -> Patch:
    """Draw a square from its modules (True is ink of this reflectance), on paper of reflectance 1."""
    half_mm = 0.5 * shape.side_mm
    square = _Square.around(
        view, shape.center_mm, half_mm * np.sqrt(2.0), outward=outward, margin_px=margin_px
    )
    module_mm = shape.side_mm / ink.shape[0]
    angle = np.deg2rad(shape.turn_deg)
    down, right = np.array([np.cos(angle), -np.sin(angle)]), np.array([np.sin(angle), np.cos(angle)])
    center = np.asarray(shape.center_mm)
    row = square.at_nodes(lambda point: ((point - center) @ down + half_mm) / module_mm)
    col = square.at_nodes(lambda point: ((point - center) @ right + half_mm) / module_mm)
    row_line, above = _nearest_line(square, row, modules=ink.shape[0])
    col_line, before = _nearest_line(square, col, modules=ink.shape[1])
    # The four modules that meet at the nearest grid corner, weighted by how much of the Gaussian each holds.
    inked = np.pad(ink, 1).astype(np.float32).ravel()
    corner_at = row_line * (ink.shape[1] + 2) + col_line
    upper = _between(inked, corner_at, before)
    lower = _between(inked, corner_at + ink.shape[1] + 2, before)
    lower -= upper
    lower *= above
    lower += upper
    lower *= np.float32(black - 1.0)
    return Patch(top=square.top, left=square.left, fine=lower)


class _AtNodes(NamedTuple):
    """A coordinate of the chart at the nodes of a square."""

    value: FloatArray
    scale: FloatArray  # pixels across which the coordinate grows by one


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Square:
    """The fine grid of a patch, and smooth maps on it."""

    view: View
    outward: float
    top: int
    left: int
    size_px: int

    @classmethod
    def around(
        cls, view: View, center_mm: tuple[float, float], radius_mm: float, *, outward: float, margin_px: int
    ) -> "_Square":
        """Square of whole pixels that holds a disc and a margin."""
        turns = np.linspace(0.0, 2.0 * np.pi, 17)
        rim = np.asarray(center_mm) + radius_mm * np.stack([np.sin(turns), np.cos(turns)], axis=1)
        rim_px = view.pixel_of(rim, outward=outward)
        low, high = rim_px.min(axis=0) - margin_px, rim_px.max(axis=0) + margin_px
        wanted = int(np.ceil((high - low).max())) + 1
        if wanted > _LARGEST_PX:
            raise SettingError(
                f"a target would be {wanted} px wide, more than {_LARGEST_PX}: put the camera further away."
            )
        size_px = 2 * fft.next_fast_len(-(-wanted // 2), real=True)  # even, and quick to transform
        top, left = (int(v) for v in np.floor(0.5 * (low + high) - 0.5 * (size_px - 1)))
        return cls(view=view, outward=outward, top=top, left=left, size_px=size_px)

    def at_nodes(self, of_point: Callable[[FloatArray], FloatArray]) -> _AtNodes:
        """Value of a function of the chart point, and how many pixels it takes to grow by one, at the nodes."""
        step = 0.5
        rows, cols = self._nodes()
        nodes = np.stack(np.meshgrid(rows, cols, indexing="ij"), axis=-1)
        shifts = step * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
        points = self.view.chart_point_of(nodes + shifts[:, None, None], outward=self.outward)
        value, below, above, right, left = of_point(points)
        return _AtNodes(value, 2.0 * step / np.hypot(below - above, right - left))

    def _nodes(self) -> tuple[FloatArray, FloatArray]:
        """Rows and columns, a few, of the square, spread as a polynomial likes them."""
        count = _DEGREE + 2
        unit = -np.cos(np.pi * (np.arange(count) + 0.5) / count)
        offset = 0.5 * (self.size_px - 1) * (1.0 + unit)
        return self.top + offset, self.left + offset

    def spread(self, at_nodes: FloatArray) -> Fine:
        """Polynomial through values at the nodes, at every fine sample."""
        rows, _ = self._nodes()
        half = 0.5 * (self.size_px - 1)
        to_terms = np.linalg.pinv(np.vander((rows - self.top) / half - 1.0, _DEGREE, increasing=True))
        terms = to_terms @ at_nodes @ to_terms.T
        samples = np.arange(OVERSAMPLING * self.size_px) / (OVERSAMPLING * half) - 1.0
        powers = np.vander(samples, _DEGREE, increasing=True)
        # A few rows at a time: products this small stay in one thread, which a busy machine needs.
        by_row = (powers @ terms).astype(np.float32).reshape(-1, 2 * OVERSAMPLING, _DEGREE)
        return np.asarray((by_row @ powers.T.astype(np.float32)).reshape(samples.size, samples.size))


def _soft_step(distance_px: Fine) -> Fine:
    """Step from 0 to 1 after the fine Gaussian; only the band round the edge is computed."""
    step = (distance_px > 0.0).astype(np.float32)
    band = np.abs(distance_px) < _REACH * FINE_SIGMA_PX
    step[band] = special.ndtr(distance_px[band] / np.float32(FINE_SIGMA_PX))
    return step


def _nearest_line(square: _Square, at: _AtNodes, *, modules: int) -> tuple[npt.NDArray[np.int32], Fine]:
    """Nearest line of a marker's grid, and the share of the Gaussian that lies beyond it."""
    place = square.spread(at.value)
    line = np.clip(np.rint(place), 0, modules)
    beyond_px = (place - line) * square.spread(at.scale)
    return line.astype(np.int32), _soft_step(beyond_px)


def _between(values: Fine, at: npt.NDArray[np.int32], share: Fine) -> Fine:
    """Values a share of the way from each value to the next."""
    start = values.take(at)
    mixed: Fine = values.take(at + 1)
    mixed -= start
    mixed *= share
    mixed += start
    return mixed
