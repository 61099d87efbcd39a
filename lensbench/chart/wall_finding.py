"""Finding the pages of a wall set: each by itself, then camera and pages together.

Every page gives its crossing, four pieces of its arms and six of its rim, all on the picture's own sites; the
markers' middles hold the scale until the rims are found. Camera and pages are fitted to all of them, so that a
page with one marker in sight, or half of its rim, is as good as the others.
"""

from dataclasses import dataclass
from math import radians
from typing import Final

import numpy as np

from lensbench.chart.crossing import Crossings
from lensbench.chart.found import ChartFound
from lensbench.chart.locating import (
    BORDER_PX,
    Expected,
    Overview,
    Picture,
    locate_finely,
    locate_roughly,
    plausible,
    typical_blur_px,
)
from lensbench.chart.observing import FLOOR_PX, joined, of_crossings, of_markers, of_strips
from lensbench.chart.pages import SightedPage
from lensbench.chart.shapes import ARMS
from lensbench.chart.strips import locate_strips
from lensbench.chart.wall_fit import SETTLED, Observations, WallFit, fit_wall
from lensbench.chart.wall_found import assembled
from lensbench.errors import ChartError
from lensbench.records import BoolArray
from lensbench.units import FloatArray

__all__ = ["SightedWall", "find_wall"]

_ON_ARM: Final = 0.62
"""Of the radius: where a piece of an arm is looked at."""
_IN_QUARTER_DEG: Final = (20.0, 45.0, 70.0)
"""Where pieces of a dark quarter's rim are looked at, from its first arm."""
_PIECE: Final = 0.08
"""Of the radius: half the length of a piece, to know its direction and bend."""
_RAGGED_MM: Final = 0.03
"""Of a printed edge."""
_REACH_PX: Final = 4.0
_ROUGHLY_SETTLED: Final = 1e-4
"""In half-diagonals: enough to look for rims."""
_ENOUGH_FOR_TWO, _FAR_ENOUGH_FOR_TWO = 9, 0.7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SightedWall:
    """The pages that markers tell of."""

    pages: list[SightedPage]
    corners_px: FloatArray
    """Of all markers read, shape (n, 4, 2)."""
    factor: int
    """Of the overview that they were read in."""

    @property
    def smallest_px(self) -> float:
        """Side of the smallest marker, in pixels of that overview."""
        sides = np.linalg.norm(self.corners_px - np.roll(self.corners_px, 1, axis=1), axis=2).mean(axis=1)
        return float(sides.min()) / self.factor


def find_wall(picture: Picture, sighted: SightedWall, overview: Overview) -> ChartFound:
    """Find the pages and the camera's place before them.

    Raises
    ------
    ChartError
        No page's target can be used.
    """
    size_px = picture.size_px
    pages, crossings = _crossings(picture, sighted, overview)
    seen = joined(
        of_crossings(crossings),
        of_markers(pages, sighted.corners_px, factor=sighted.factor),
        _arms(picture, pages, crossings),
    )
    fit = _fit(seen, pages, crossings, size_px, settled=_ROUGHLY_SETTLED)
    seen = joined(seen, _rims(picture, pages, fit, crossings))
    fit = _fit(seen, pages, crossings, size_px, start=fit.parameters)
    return assembled(pages, crossings, fit, size_px=size_px)


_NOTHING: Final = (
    "markers of a wall set were found, but none of its targets can be used: "
    "show the pages whole, in focus and evenly lit"
)


def _crossings(
    picture: Picture, sighted: SightedWall, overview: Overview
) -> tuple[list[SightedPage], Crossings]:
    """Locate the crossings of the pages that show theirs."""
    middles = np.array([page.middle_px for page in sighted.pages])
    to_border = np.minimum(middles, np.asarray(picture.size_px) - 1.0 - middles).min(axis=1)
    pages = _chosen(sighted.pages, to_border >= BORDER_PX)
    expected = _expected(pages)
    rough = locate_roughly(expected, overview)
    good = plausible(expected, rough)
    blur_px = typical_blur_px(expected, rough)
    pages = _chosen(pages, good)
    expected = _drawn_together(_expected(pages), rough.where(good))
    fine = locate_finely(expected, picture, blur_px=blur_px)
    good = plausible(expected, fine)
    return _chosen(pages, good), fine.where(good)


def _chosen(pages: list[SightedPage], good: BoolArray) -> list[SightedPage]:
    if not good.any():
        raise ChartError(_NOTHING)
    return [page for page, is_good in zip(pages, good, strict=True) if is_good]


def _radii_mm(pages: list[SightedPage]) -> FloatArray:
    return np.array([page.page.target.radius_mm for page in pages])


def _directions(pages: list[SightedPage]) -> FloatArray:
    """Give the arms' unit vectors on each page, shape (n, 4, 2)."""
    return np.array([[page.page.target.arm_direction(arm) for arm in ARMS] for page in pages])


def _expected(pages: list[SightedPage]) -> Expected:
    """Give what the markers alone say of the targets."""
    matrices = np.array([page.matrix for page in pages])
    radius_mm = _radii_mm(pages)
    return Expected(
        targets=tuple(page.page.target for page in pages),
        center_px=np.array([page.middle_px for page in pages]),
        arms_px=radius_mm[:, None, None] * _directions(pages) @ matrices.transpose(0, 2, 1),
        radius_px=radius_mm * np.sqrt(np.abs(np.linalg.det(matrices))),
    )


def _drawn_together(expected: Expected, crossings: Crossings) -> Expected:
    """Give the same targets where their crossings were seen, their arms as these run."""
    return Expected(
        targets=expected.targets,
        center_px=crossings.position_px,
        arms_px=_arms_as_seen(expected.arms_px, crossings),
        radius_px=expected.radius_px,
    )


def _arms_as_seen(arms_px: FloatArray, crossings: Crossings) -> FloatArray:
    along = np.stack((np.cos(crossings.line_rad), np.sin(crossings.line_rad)), axis=-1)
    arms: FloatArray = np.linalg.norm(arms_px, axis=2)[:, :, None] * np.concatenate((along, -along), axis=1)
    return arms


def _arms(picture: Picture, pages: list[SightedPage], crossings: Crossings) -> Observations:
    """Find a piece of every arm."""
    arms_px = _arms_as_seen(_expected(pages).arms_px, crossings)
    places = np.array([_ON_ARM - _PIECE, _ON_ARM, _ON_ARM + _PIECE])
    curves = crossings.position_px[:, None, None] + places[:, None] * arms_px[:, :, None]
    points_mm = _ON_ARM * _radii_mm(pages)[:, None, None] * _directions(pages)
    return _strips(picture, pages, crossings, curves=curves, points_mm=points_mm)


def _rims(picture: Picture, pages: list[SightedPage], fit: WallFit, crossings: Crossings) -> Observations:
    """Find pieces of the dark quarters' rims, where the first fit puts them."""
    steps = np.radians([90.0 * arm + deg for arm in (0, 2) for deg in _IN_QUARTER_DEG])
    turns = np.array([radians(page.page.target.turn_deg) for page in pages])
    angles = turns[:, None, None] - steps[:, None] + np.array([-_PIECE, 0.0, _PIECE])
    points_mm = _radii_mm(pages)[:, None, None, None] * np.stack((-np.cos(angles), np.sin(angles)), axis=-1)
    curves = fit.to_px(np.arange(len(pages))[:, None, None], points_mm)
    return _strips(picture, pages, crossings, curves=curves, points_mm=points_mm[:, :, 1])


def _strips(
    picture: Picture,
    pages: list[SightedPage],
    crossings: Crossings,
    *,
    curves: FloatArray,
    points_mm: FloatArray,
) -> Observations:
    """Find pieces of edges: curves of shape (pages, pieces, 3, 2), their middles on the page (pages, pieces, 2)."""
    count, pieces = curves.shape[:2]
    found = locate_strips(
        picture, curves.reshape(-1, 3, 2), blur_px=np.repeat(crossings.blur_px, pieces), reach_px=_REACH_PX
    )
    ragged_px = _RAGGED_MM * np.array([np.sqrt(np.linalg.det(page.matrix)) for page in pages])
    sd_px = np.hypot(np.hypot(found.sd_px, FLOOR_PX), np.repeat(ragged_px, pieces))
    return of_strips(found, np.repeat(np.arange(count), pieces), points_mm.reshape(-1, 2), sd_px)


def _fit(
    seen: Observations,
    pages: list[SightedPage],
    crossings: Crossings,
    size_px: tuple[int, int],
    *,
    settled: float = SETTLED,
    start: FloatArray | None = None,
) -> WallFit:
    middle = (np.asarray(size_px) - 1.0) / 2.0
    reach = np.hypot(*(crossings.position_px - middle).T).max() / np.hypot(*middle)
    return fit_wall(
        seen,
        matrices=np.array([page.matrix for page in pages]),
        middles_px=crossings.position_px,
        size_px=size_px,
        settled=settled,
        start=start,
        second_term=len(pages) >= _ENOUGH_FOR_TWO and bool(reach >= _FAR_ENOUGH_FOR_TWO),
    )
