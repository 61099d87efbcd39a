"""Finding the pages of a wall set: each by itself, then camera and pages together.

Every page gives its crossing, four pieces of its arms and six of its rim, all on the picture's own sites; the
markers' centres hold the scale until the rims are found. Camera and pages are fitted to all of them, so that a page
with one marker in sight, or half of its rim, is as good as the others. The result has the form of any other chart:
upright, in the plan's coordinates.
"""

from dataclasses import dataclass, replace
from math import atan2, cos, degrees, hypot, radians, sin, sqrt
from typing import Final

import numpy as np

from lensbench.chart.find.crossing import Crossings
from lensbench.chart.find.mapping import Mapping
from lensbench.chart.find.regions import ChartFound, chart_found
from lensbench.chart.find.sheet import (
    BORDER_PX,
    LARGEST_STRAY,
    Expected,
    Overview,
    Picture,
    chosen,
    locate_finely,
    locate_roughly,
    plausible,
    predict,
    typical_blur_px,
)
from lensbench.chart.find.wall.fit import (
    FLOOR_PX,
    SETTLED,
    WallFit,
    fit_wall,
    joined,
    of_crossings,
    of_markers,
    of_strips,
)
from lensbench.chart.find.wall.model import Observations
from lensbench.chart.find.wall.pages import SightedPage
from lensbench.chart.find.wall.strips import locate_strips
from lensbench.chart.layout import ARMS, PLACES, arrow_turn_deg, hung, wall_layout
from lensbench.model.errors import ChartError
from lensbench.model.shot import BoolArray
from lensbench.model.units import FloatArray

_ARROW_SD_DEG: Final = 2.0
"""Of a page hung by hand, where only its arrow tells which way is up."""
_USUAL_RATIO: Final = 1.5
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
    return _assembled(pages, crossings, fit, size_px=size_px)


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
    expected, rough = _expected(pages), rough.where(good)
    expected = replace(expected, center_px=rough.position_px, arms_px=_arms_as_seen(expected.arms_px, rough))
    fine = locate_finely(expected, picture, blur_px=blur_px)
    good = plausible(expected, fine)
    return _chosen(pages, good), fine.where(good)


def _chosen(pages: list[SightedPage], good: BoolArray) -> list[SightedPage]:
    if not good.any():
        raise ChartError(_NOTHING)
    return [page for page, is_good in zip(pages, good, strict=True) if is_good]


def _arms_mm(pages: list[SightedPage]) -> FloatArray:
    """Arms of each page's target from crossing to rim, shape (n, 4, 2)."""
    targets = [page.page.target for page in pages]
    return np.array([np.multiply(t.radius_mm, [t.arm_direction(arm) for arm in ARMS]) for t in targets])


def _expected(pages: list[SightedPage]) -> Expected:
    """Targets as the markers alone place them."""
    matrices = np.array([page.matrix for page in pages])
    radius_mm = np.array([page.page.target.radius_mm for page in pages])
    return Expected(
        targets=tuple(page.page.target for page in pages),
        center_px=np.array([page.middle_px for page in pages]),
        arms_px=_arms_mm(pages) @ matrices.transpose(0, 2, 1),
        radius_px=radius_mm * np.sqrt(np.abs(np.linalg.det(matrices))),
    )


def _arms_as_seen(arms_px: FloatArray, crossings: Crossings) -> FloatArray:
    """Arms of the lengths expected, along the lines that were fitted."""
    along = np.stack((np.cos(crossings.line_rad), np.sin(crossings.line_rad)), axis=-1)
    arms: FloatArray = np.linalg.norm(arms_px, axis=2)[:, :, None] * np.concatenate((along, -along), axis=1)
    return arms


def _arms(picture: Picture, pages: list[SightedPage], crossings: Crossings) -> Observations:
    """Find a piece of every arm."""
    arms_px = _arms_as_seen(_expected(pages).arms_px, crossings)
    places = np.array([_ON_ARM - _PIECE, _ON_ARM, _ON_ARM + _PIECE])
    curves = crossings.position_px[:, None, None] + places[:, None] * arms_px[:, :, None]
    return _strips(picture, pages, crossings, curves=curves, points_mm=_ON_ARM * _arms_mm(pages))


def _rims(picture: Picture, pages: list[SightedPage], fit: WallFit, crossings: Crossings) -> Observations:
    """Find pieces of the dark quarters' rims, where the first fit puts them."""
    steps = np.radians([90.0 * arm + deg for arm in (0, 2) for deg in _IN_QUARTER_DEG])
    radius_mm, turn_deg = np.array(
        [(page.page.target.radius_mm, page.page.target.turn_deg) for page in pages]
    ).T
    angles = np.radians(turn_deg)[:, None, None] - steps[:, None] + np.array([-_PIECE, 0.0, _PIECE])
    points_mm = radius_mm[:, None, None, None] * np.stack((-np.cos(angles), np.sin(angles)), axis=-1)
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
    strips = locate_strips(
        picture, curves.reshape(-1, 3, 2), blur_px=np.repeat(crossings.blur_px, pieces), reach_px=_REACH_PX
    )
    ragged_px = _RAGGED_MM * np.array([np.sqrt(np.linalg.det(page.matrix)) for page in pages])
    sd_px = np.hypot(np.hypot(strips.sd_px, FLOOR_PX), np.repeat(ragged_px, pieces))
    return of_strips(strips, np.repeat(np.arange(count), pieces), points_mm.reshape(-1, 2), sd_px)


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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Upright:
    """How the plan lies in the fit's coordinates."""

    turn_deg: float
    sd_deg: float
    middle_mm: tuple[float, float]


def _assembled(
    pages: list[SightedPage], crossings: Crossings, fit: WallFit, *, size_px: tuple[int, int]
) -> ChartFound:
    """Put the wall together as one chart.

    Raises
    ------
    ChartError
        No target lies where camera and pages together put it.
    """
    standing = _standing(pages, fit)
    to_fit = _to_fit(standing)
    mapping = Mapping(
        homography=fit.homography @ to_fit,
        center_px=((size_px[0] - 1.0) / 2.0, (size_px[1] - 1.0) / 2.0),
        half_diagonal_px=hypot(*size_px) / 2.0,
        radial=fit.radial,
        spread=_spread(fit, standing),
    )
    places = (np.linalg.inv(to_fit) @ np.column_stack((fit.places_mm, np.ones(len(pages)))).T).T
    diameter_mm = 2.0 * pages[0].page.target.radius_mm
    height_mm, width_mm = (2.0 * np.abs(places[:, :2]).max(axis=0) + diameter_mm).tolist()
    layout = wall_layout(
        [
            hung(
                page.page,
                (float(place[0]), float(place[1])),
                turn_deg=float(turn) - standing.turn_deg,
                scale=float(scale),
            )
            for page, place, turn, scale in zip(pages, places, fit.turns_deg, fit.scales, strict=True)
        ],
        size_mm=(height_mm, width_mm),
    )
    expected = predict(layout.targets, mapping)
    stray = np.hypot(*(expected.center_px - crossings.position_px).T)
    good = stray <= LARGEST_STRAY * expected.radius_px
    if not good.any():
        raise ChartError("the pages seen do not lie as on one wall: show them whole, in focus and evenly lit")
    return chart_found(
        layout,
        mapping,
        chosen(layout.targets, good),
        crossings.where(good),
        marker_ids=tuple(marker_id for page in pages for marker_id in page.marker_ids),
        size_px=size_px,
        targets_on_chart=max(page.page.number for page in pages),
    )


def _standing(pages: list[SightedPage], fit: WallFit) -> _Upright:
    """Which way is up: from where the pages hang by their numbers, else from their arrows."""
    shares = np.array([PLACES[page.page.number - 1].share for page in pages])
    design = np.column_stack((shares, np.ones(len(pages))))
    if len(pages) >= 4 and np.linalg.matrix_rank(design) == 3:
        terms, *_ = np.linalg.lstsq(design, fit.places_mm, rcond=None)
        stretch = terms[:2].T
        freedom = 2 * len(pages) - 6
        left = np.sqrt(((fit.places_mm - design @ terms) ** 2).sum() / max(freedom, 1))
        reach = float(np.linalg.norm(fit.places_mm - terms[2], axis=1).max())
        if np.linalg.det(stretch) > 0.0 and left < 0.2 * reach:
            across, along = stretch[0, 1] - stretch[1, 0], stretch[0, 0] + stretch[1, 1]
            centred = shares - shares.mean(axis=0)
            doubt = float(np.trace(np.linalg.inv(centred.T @ centred)))
            # With few pages the scatter itself is known badly: Student's t is wider than the normal.
            wider = freedom / max(freedom - 2.0, 0.5)
            return _Upright(
                turn_deg=degrees(atan2(across, along)),
                sd_deg=degrees(left * sqrt(doubt * wider) / hypot(across, along)),
                middle_mm=(float(terms[2, 0]), float(terms[2, 1])),
            )
    return _by_arrows(pages, fit)


def _by_arrows(pages: list[SightedPage], fit: WallFit) -> _Upright:
    off = [
        radians(turn - arrow_turn_deg((down, _USUAL_RATIO * right)))
        for page, turn in zip(pages, fit.turns_deg.tolist(), strict=True)
        for down, right in (PLACES[page.page.number - 1].share,)
    ]
    turn = atan2(sum(map(sin, off)), sum(map(cos, off)))
    middle = fit.places_mm.mean(axis=0)
    return _Upright(
        turn_deg=degrees(turn),
        sd_deg=_ARROW_SD_DEG / float(np.sqrt(len(pages))),
        middle_mm=(float(middle[0]), float(middle[1])),
    )


def _to_fit(standing: _Upright, more_deg: float = 0.0) -> FloatArray:
    """Way from the plan's coordinates to the fit's, shape (3, 3)."""
    angle = radians(standing.turn_deg + more_deg)
    row, col = standing.middle_mm
    return np.array([[cos(angle), sin(angle), row], [-sin(angle), cos(angle), col], [0.0, 0.0, 1.0]])


def _spread(fit: WallFit, standing: _Upright) -> FloatArray:
    """Homography's spread in the plan's coordinates; which way is up adds its own."""
    to_fit = _to_fit(standing)
    turned = fit.homography @ (_to_fit(standing, standing.sd_deg) - to_fit)
    return np.concatenate((fit.homography_spread @ to_fit, turned[None]))
